"""Where results go: whole or not at all, links followed, pipes written into, nothing left by killed runs."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from inkstrain.cli.files import check_target, staged_file, staged_folder, write_all

Run = Callable[..., tuple[int, str, str]]
SPOKEN = f'"{sys.executable}" -c "import sys; from inkstrain.cli.app import main; sys.exit(main())"'


def test_a_linked_file_is_written_where_the_link_leads(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    link, home = tmp_path / "report.html", tmp_path / "there" / "report.html"
    link.symlink_to(home)
    for text in ("new", "newer"):
        check_target(link)
        write_all({link: text})
        assert link.is_symlink()
        assert home.read_text(encoding="utf-8") == text
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["report.html", "report.html", "there"]


def test_a_pipe_and_a_device_are_written_into(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    got: list[str] = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_text(encoding="utf-8")))
    reader.start()
    check_target(pipe, Path("/dev/null"))
    write_all({pipe: "through", Path("/dev/null"): "away"})
    reader.join(10)
    assert got == ["through"]
    assert pipe.is_fifo()
    assert Path("/dev/null").is_char_device()


@pytest.mark.parametrize("target", ["/dev/stdout", "/dev/fd/1", ">(cat)"])
def test_standard_output_by_its_file_name(tmp_path: Path, target: str) -> None:
    words = f"ledger list --json {target} --ledger {_empty_ledger(tmp_path)}"
    with (tmp_path / "out.json").open("wb") as out:
        done = subprocess.run(["bash", "-c", f"{SPOKEN} {words}"], stdout=out, stderr=subprocess.PIPE, check=False)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "out.json").read_text(encoding="utf-8") == "[]\n"
    assert Path("/dev/stdout").is_symlink()


def test_what_a_killed_run_left_is_cleared_by_the_next(tmp_path: Path) -> None:
    killed = (
        "import os, pathlib, sys; from inkstrain.cli.files import staged_file, staged_folder\n"
        "home = pathlib.Path(sys.argv[1])\n"
        "with staged_file(home / 'a.json') as part, staged_folder(home) as stage:\n"
        "    part.write_text('half'); (stage / 'b.tif').write_text('half'); os._exit(9)"
    )
    subprocess.run([sys.executable, "-c", killed, str(tmp_path)], check=False)
    assert len(list(tmp_path.iterdir())) == 2
    assert not (tmp_path / "a.json").exists()
    elsewhere = tmp_path / ".inkstrain-another machine-1.part"
    elsewhere.touch()
    write_all({tmp_path / "c.json": "whole"})
    assert sorted(path.name for path in tmp_path.iterdir()) == [elsewhere.name, "c.json"]


def test_a_run_that_still_works_is_left_alone(tmp_path: Path) -> None:
    with staged_folder(tmp_path / "out") as stage, staged_file(tmp_path / ("a" * 200)) as part:
        (stage / "x").touch()
        part.touch()
        write_all({tmp_path / "c.json": "whole"})
        assert (stage / "x").exists()
        assert part.exists()
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(["a" * 200, "c.json", "out"])


def test_a_full_disk_names_the_file(run: Run, tmp_path: Path) -> None:
    code, _, err = run("ledger", "list", "--json", "/dev/full", "--ledger", _empty_ledger(tmp_path))
    assert code == 3
    assert "/dev/full: No space left on device" in err


@pytest.mark.parametrize("closed", ["2>&-", ">&-"])
def test_closed_streams_are_no_trouble_of_their_own(tmp_path: Path, closed: str) -> None:
    words = f"ledger list --json - --ledger {_empty_ledger(tmp_path)} {closed}"
    done = subprocess.run(["bash", "-c", f"{SPOKEN} {words}"], capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr
    assert "should not have" not in done.stderr
    assert (done.returncode, done.stdout) == ((0, "[]\n") if closed == "2>&-" else (3, ""))


def _empty_ledger(folder: Path) -> Path:
    from inkstrain.scoring.ledger import open_ledger

    with open_ledger(folder / "l.sqlite"):
        return folder / "l.sqlite"
