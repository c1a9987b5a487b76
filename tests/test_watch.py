"""Watching a folder: a scan is scored when it is complete, once, and nothing that lands there ends the watch."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from pathlib import Path

import pytest
from ledger_samples import sample

from inkstrain.cli import files
from inkstrain.scoring.jobs.scoring import score_scans
from inkstrain.scoring.jobs.watching import Arrivals, content_of, ticks
from inkstrain.scoring.ledger import open_ledger
from inkstrain.scoring.report.watchpage import WatchedScan, watch_html

Run = Callable[..., tuple[int, str, str]]
# tests started in the background of a shell ignore interrupts, and so would what they start
HEEDING = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
PROGRAM = [sys.executable, "-c", HEEDING + "import sys; from inkstrain.cli.app import main; sys.exit(main())"]
PATIENCE_S = 60.0


def test_a_file_is_told_once_it_has_stopped_growing_and_again_if_it_changes(tmp_path: Path) -> None:
    arrivals, path = Arrivals(tmp_path, still_s=2.0), tmp_path / "a.TIF"
    path.write_bytes(b"x")
    assert arrivals.complete(0.0) == []
    path.write_bytes(b"xx")
    assert arrivals.complete(1.9) == []
    assert arrivals.complete(3.8) == []
    assert arrivals.complete(3.9) == [path]
    assert arrivals.complete(9.0) == []
    # as large as before, and later
    path.write_bytes(b"yy")
    os.utime(path, ns=(1, 1))
    assert arrivals.complete(10.0) == []
    assert arrivals.complete(12.0) == [path]


def test_what_is_no_scan_is_left_alone(tmp_path: Path) -> None:
    arrivals = Arrivals(tmp_path, still_s=0.0)
    for name in (".hidden.tif", "notes.txt", "a.tif.part"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "empty.tif").touch()
    (tmp_path / "folder.tif").mkdir()
    (tmp_path / "gone.tif").symlink_to("nowhere")
    assert arrivals.complete(0.0) == arrivals.complete(1.0) == []


def test_without_watches_of_the_system_the_folder_is_looked_at_now_and_then(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none_left(*_: object, **__: object) -> None:
        raise OSError("no more watches")

    monkeypatch.setattr("watchfiles.watch", none_left)
    begun = time.monotonic()
    looks = ticks(tmp_path, 0.05)
    for _ in range(4):
        next(looks)
    assert 0.1 < time.monotonic() - begun < 5.0


def test_a_quiet_folder_is_looked_at_too(tmp_path: Path) -> None:
    looks = ticks(tmp_path, 0.05)
    for _ in range(3):
        next(looks)
    looks.close()


def test_the_page_links_reports_and_keeps_words_as_words() -> None:
    hostile = '"><script>alert(1)</script>#.tif'
    scans = [
        WatchedScan(scan=hostile, at=datetime(2026, 3, 1), outcome=sample(1, printer=hostile), report=hostile),
        WatchedScan(scan="bad.tif", at=datetime(2026, 3, 2), outcome="bad.tif is empty."),
    ]
    page = watch_html(scans, folder=hostile)
    assert "<script>" not in page
    assert 'href="%22%3E%3Cscript%3E' in page
    assert page.index("bad.tif is empty.") < page.rindex("alert(1)&lt;/script")


def _until(done: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not done():
        assert time.monotonic() < end
        time.sleep(0.05)


def test_scans_are_scored_as_they_land(scan: Path, tmp_path: Path) -> None:
    folder, book = tmp_path / "scans", tmp_path / "ledger.sqlite"
    folder.mkdir()
    words = ["watch", folder, "--keep", "--ledger", book, "--still", "0.4", "--paper", "gloss 290 (invented)"]
    page = folder / "inkstrain-reports" / "index.html"

    def shown(text: str) -> bool:
        return page.exists() and text in page.read_text(encoding="utf-8")

    with subprocess.Popen([*PROGRAM, *map(str, words)], stderr=subprocess.PIPE, text=True, cwd=tmp_path) as running:
        try:
            _until(page.exists)
            data = scan.read_bytes()
            with (folder / "slow.tif").open("wb") as stream:
                for start in range(0, len(data), len(data) // 5):
                    stream.write(data[start : start + len(data) // 5])
                    stream.flush()
                    time.sleep(0.15)
            (folder / "bad.tif").write_bytes(b"no picture")
            _until(lambda: shown("slow.tif") and shown("bad.tif"))
            shutil.copy(scan, folder / "copy.tif")
            # a second bad one comes after the copy was looked at
            time.sleep(0.6)
            (folder / "worse.tif").write_bytes(b"no picture, either")
            _until(lambda: shown("worse.tif"))
        finally:
            running.send_signal(signal.SIGINT)
            _, err = running.communicate(timeout=PATIENCE_S)
    assert running.returncode == 0, err
    assert "1 scan was scored" in err
    assert "Traceback" not in err
    assert "bad.tif" in err
    assert not shown("copy.tif")
    assert len(list(page.parent.glob("slow-*.html"))) == 1
    with open_ledger(book) as ledger:
        (kept,) = ledger.find("paper=gloss 290 (invented)")
        assert kept.score.tiles[0].scan_sha256 == content_of(scan)
        assert shown(kept.id)


class _Moments:
    """Stands for the clock and the system's watches: one round a moment, a minute and a second apart, then Ctrl-C."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *moments: Callable[[], None]) -> None:
        self._now = 0.0
        self._moments = moments
        monkeypatch.setattr("inkstrain.scoring.jobs.watching.ticks", self._ticks)
        monkeypatch.setattr("time.monotonic", lambda: self._now)

    def _ticks(self, *_: object) -> Iterator[None]:
        for moment in self._moments:
            moment()
            for _ in range(2):  # a file is complete when it is seen the second time
                self._now += 61.0
                yield
        raise KeyboardInterrupt


def _nothing() -> None:
    pass


def test_a_full_report_disk_and_an_unreadable_moment_lose_no_scan(
    scan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run
) -> None:
    folder, book = tmp_path / "scans", tmp_path / "ledger.sqlite"
    folder.mkdir()
    shutil.copy(scan, folder / ("long " * 48 + ".tif"))
    troubles: list[str] = ["unreadable", "memory", "disk"]
    failed: list[str] = []

    def troubled(kind: str, plain: Callable[..., object]) -> Callable[..., object]:
        def call(*words: object, **named: object) -> object:
            if kind in troubles:
                troubles.remove(kind)
                failed.append(kind)
                raise MemoryError if kind == "memory" else PermissionError(13, "Permission denied")
            return plain(*words, **named)

        return call

    monkeypatch.setattr("inkstrain.scoring.jobs.watching.content_of", troubled("unreadable", content_of))
    monkeypatch.setattr("inkstrain.scoring.jobs.scoring.score_scans", troubled("memory", score_scans))
    write = files.write_all

    def write_all(contents: Mapping[Path, str]) -> None:
        if "disk" in troubles and any("long" in path.name for path in contents):
            troubles.remove("disk")
            raise OSError(28, "No space left on device")
        write(contents)

    monkeypatch.setattr("inkstrain.cli.watch.write_all", write_all)
    kept_at_once: list[int] = []

    def look() -> None:
        if "disk" not in troubles:
            with open_ledger(book) as ledger:
                kept_at_once.append(ledger.count())

    _Moments(monkeypatch, *[look] * 6)
    code, _, err = run("watch", folder, "--keep", "--ledger", book)
    assert code == 0, err
    assert failed == ["unreadable", "memory"]
    assert not troubles
    assert "Traceback" not in err
    assert kept_at_once[0] == 1, "kept although its report could not be written"
    assert len(list((folder / "inkstrain-reports").glob("long*.html"))) == 1
    assert "1 scan was scored" in err


def test_a_folder_that_is_away_for_a_moment_does_not_end_the_watch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run
) -> None:
    folder, away = tmp_path / "scans", tmp_path / "away"
    folder.mkdir()

    def back() -> None:
        away.rename(folder)
        (folder / "bad.tif").write_bytes(b"no picture")

    _Moments(monkeypatch, lambda: [folder.rename(away), None][1], back, _nothing)
    code, _, err = run("watch", folder, "--reports", tmp_path / "reports")
    assert code == 0, err
    assert err.count("cannot be looked at") == 1
    assert "bad.tif is not a picture" in err


def test_a_folder_that_is_none_and_options_that_do_not_go_together(run: Run, tmp_path: Path) -> None:
    code, _, err = run("watch", tmp_path / "never")
    assert code == 2
    assert "is not a folder" in err
    assert run("watch", tmp_path, "--label", "x")[0] == 2
