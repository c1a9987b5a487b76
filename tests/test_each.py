"""Many scans in one go: stable order, one bad scan stops no other, and Ctrl-C keeps what is done."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from inkstrain.cli.conditions import Stated
from inkstrain.cli.many import measure_each
from inkstrain.scoring.ledger import open_ledger

Run = Callable[..., tuple[int, str, str]]
# tests started in the background of a shell ignore interrupts, and so would what they start
HEEDING = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
PROGRAM = [sys.executable, "-c", HEEDING + "import sys; from inkstrain.cli.app import main; sys.exit(main())"]


@pytest.fixture
def folder(scan: Path, tmp_path: Path) -> Path:
    """Return a folder with three scans, of which the second is none, and something else."""
    path = tmp_path / "gloss"
    path.mkdir()
    for name in ("c.tif", "a.tif"):
        shutil.copy(scan, path / name)
    with (path / "a.tif").open("ab") as file:
        file.write(b"\0")  # another scan of the same: its content differs
    (path / "b.tif").write_bytes(b"no picture")
    (path / "notes.txt").touch()
    (path / ".hidden.tif").touch()
    return path


def test_a_folder_is_scored_in_order_and_one_bad_scan_stops_no_other(run: Run, folder: Path, tmp_path: Path) -> None:
    reports, book = tmp_path / "reports", tmp_path / "ledger.sqlite"
    (folder / "setup.toml").write_text('paper = "gloss 290 (invented)"\n', encoding="utf-8")
    words = ("score", folder, "--each", "--jobs", 2, "--report", reports, "--json", "-", "--keep", "--ledger", book)
    code, out, err = run(*words)
    assert code == 3
    scores = [json.loads(line) for line in out.splitlines()]
    assert [score["tiles"][0]["scan"] for score in scores] == ["a.tif", "c.tif"]
    assert {score["conditions"]["paper"] for score in scores} == {"gloss 290 (invented)"}
    assert "b.tif" in err
    assert "2 of 3 scored, 1 not." in err
    assert sorted(path.name[0] for path in reports.iterdir()) == ["a", "c"]
    with open_ledger(book) as ledger:
        assert ledger.count() == 2


def test_a_folders_name_is_its_setup(run: Run, folder: Path) -> None:
    (folder.parent / "inkstrain.toml").write_text('[setups.gloss]\nink = "seven (invented)"\n', encoding="utf-8")
    _, out, err = run("score", folder, "--each", "--json", "-")
    assert "setup 'gloss'" in err
    assert json.loads(out.splitlines()[0])["conditions"]["ink"] == "seven (invented)"


def test_a_process_that_is_killed_costs_its_scan_only(scan: Path, tmp_path: Path) -> None:
    pipe = tmp_path / "a.tif"
    os.mkfifo(pipe)  # whoever opens it waits
    begun, killed = time.monotonic(), []

    def kill_once() -> bool:
        if not killed and time.monotonic() > begun + 2.0:
            mine = ["pgrep", "-P", str(os.getpid()), "-f", "spawn_main"]
            found = subprocess.run(mine, capture_output=True, text=True)
            killed.extend(int(process) for process in found.stdout.split())
            for process in killed:
                os.kill(process, signal.SIGKILL)
        return False

    rest = list(measure_each([pipe, scan], Stated(), jobs=1, stop=kill_once))
    assert isinstance(rest[0][1], str)
    assert "ended the process" in rest[0][1]
    assert not isinstance(rest[1][1], str)


def test_ctrl_c_keeps_what_is_done_and_leaves_no_process(folder: Path, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "waits.tif")
    out = tmp_path / "scores"
    words = ["score", folder / "a.tif", tmp_path / "waits.tif", folder / "c.tif", "--each", "--json", out, "--jobs", 2]
    with subprocess.Popen([*PROGRAM, *map(str, words)], stderr=subprocess.PIPE, text=True, cwd=tmp_path) as running:
        end = time.monotonic() + 60
        while not list(out.glob("a-*.score.json")):
            assert time.monotonic() < end
            time.sleep(0.05)
        time.sleep(4.0)
        running.send_signal(signal.SIGINT)
        assert running.stderr is not None
        err = running.stderr.read()
        assert running.wait(10) == 130
    assert "of 3 scored, then stopped" in err
    assert not list(out.glob("*.part"))


def test_one_print_has_no_use_for_folders(run: Run, folder: Path, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    code, _, err = run("score", folder, "--each", "--report", tmp_path / "file")
    assert code == 2
    assert "name a folder" in err
    (tmp_path / "empty").mkdir()
    code, _, err = run("score", tmp_path / "empty", "--each")
    assert code == 3
    assert "no scan in" in err
