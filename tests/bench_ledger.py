"""The ledger's figures: many scores, many writers, and writers that are killed.

``python tests/bench_ledger.py`` measures all of them (``--only many|writers|killed``); the suite runs small versions.
PostgreSQL takes part where ``INKSTRAIN_TEST_POSTGRES`` names a server. All scores are synthetic.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import nullcontext
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from ledger_samples import POSTGRES, postgres_url, sample, sha

from inkstrain.scoring.compare.comparable import read_all
from inkstrain.scoring.ledger import open_ledger
from inkstrain.scoring.ledger.values import Filing
from inkstrain.scoring.results.score import Conditions, ElementScore, HueSweepScore, RingScore, Score

SHARED = 10  # of each writer's scores, so many are filed by all writers
PRINTERS = 200
BATCH = 1000


def numbered(count: int) -> Iterator[Score]:
    """Yield scores of their own scans, spread over printers and days, with short courses."""
    base = sample(0)
    base = base.model_copy(update={"elements": tuple(_short(element) for element in base.elements)})
    for number in range(count):
        conditions = Conditions(
            printer=f"printer {number % PRINTERS} (invented)", paper=f"paper {number % 7} (invented)",
            date=str(date(2020, 1, 1) + timedelta(days=number % 2000)),
        )  # fmt: skip
        tile = base.tiles[0].model_copy(update={"scan_sha256": sha(number)})
        yield base.model_copy(update={"conditions": conditions, "tiles": (tile,)})


def _short(element: ElementScore) -> ElementScore:
    """Return an element with a tenth of its curve: readings do not come from it."""
    if isinstance(element, RingScore):
        course = element.course
        thinned = {name: value[::10] for name in type(course).model_fields if (value := getattr(course, name))}
        return element.model_copy(update={"course": course.model_copy(update=thinned)})
    if isinstance(element, HueSweepScore):
        names = ("hue_deg", "lab", "intended_lab", "chroma")
        rows = tuple(row.model_copy(update={n: getattr(row, n)[::10] for n in names}) for row in element.rows)
        return element.model_copy(update={"rows": rows})
    return element


def fill(where: str, count: int) -> None:
    """File many scores, a thousand to a transaction."""
    scores = numbered(count)
    with open_ledger(where) as ledger:
        for _ in range(0, count, BATCH):
            batch = [Filing(score=score) for _, score in zip(range(BATCH), scores, strict=False)]
            ledger.keep_all(lambda batch=batch: batch)


def _peak_mib() -> float:
    """Return the most memory that this program has held; what it was forked from does not count."""
    status = Path("/proc/self/status")
    if not status.exists():
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    kib = next(line.split()[1] for line in status.read_text().splitlines() if line.startswith("VmHWM"))
    return int(kib) / 1024


def ask(where: str) -> dict[str, float]:
    """Ask for one printer as compare and trend do, and return seconds and MiB; to be run in a process of its own."""
    started = time.perf_counter()
    with open_ledger(where, create=False) as ledger:
        opened = time.perf_counter()
        found = ledger.find(f"printer=printer {PRINTERS // 2} (invented)")
        after_find = time.perf_counter()
        entries = list(ledger.entries(printer=f"printer {PRINTERS // 2} (invented)"))
        after_entries = time.perf_counter()
        rows = ledger.readings(printer=f"printer {PRINTERS // 2} (invented)")
        after_all = time.perf_counter()
        one = ledger.readings("worst_contour", printer=f"printer {PRINTERS // 2} (invented)")
        after_one = time.perf_counter()
    assert len(found) == len(entries)
    return {
        "scores": len(entries),
        "readings": len(rows),
        "readings of one measure": len(one),
        "open s": opened - started,
        "find s": after_find - opened,
        "entries s": after_entries - after_find,
        "all readings s": after_all - after_entries,
        "readings of one measure s": after_one - after_all,
        "MiB": _peak_mib(),
    }


def write(where: str, writer: int, count: int) -> None:
    """File one writer's scores, those that it shares with the others among them."""
    with open_ledger(where) as ledger:
        for number in range(count):
            ledger.keep(sample(number if number < SHARED else 1_000_000 * (writer + 1) + number))


def writers(where: str, processes: int, count: int) -> dict[str, float]:
    """File from several processes at once and return how many scores are there, and how many should be."""
    started = time.perf_counter()
    running = [_start("write", where, str(writer), str(count)) for writer in range(processes)]
    codes = [process.wait() for process in running]
    seconds = time.perf_counter() - started
    wanted = {sha(n) for n in range(min(SHARED, count))}
    wanted |= {sha(1_000_000 * (w + 1) + n) for w in range(processes) for n in range(SHARED, count)}
    with open_ledger(where, create=False) as ledger:
        there = [kept.score.tiles[0].scan_sha256 for kept in ledger.find("printer=Alder (invented)")]
        problems = len(ledger.check())
    return {
        "failed writers": sum(code != 0 for code in codes),
        "missing": len(wanted - set(there)),
        "twice": len(there) - len(set(there)),
        "there": len(there),
        "problems": problems,
        "s": seconds,
    }


def killed(folder: Path, times: int, seed: int) -> dict[str, int]:
    """Kill a writer at random moments; count the scores that were reported as kept and those lost or damaged."""
    draw = random.Random(seed)
    reported = lost = problems = unopened = 0
    for number in range(times):
        # every fifth writer is killed while it may still be making the ledger
        where = folder / f"{number // 5}.sqlite"
        ids = _killed_after(str(where), number, draw.uniform(0.0, 0.25))
        reported += len(ids)
        if not where.exists() or not where.stat().st_size:
            unopened += bool(ids)
            continue
        with open_ledger(where) as ledger:
            problems += len(ledger.check())
            there = {entry.id: entry for entry in ledger.entries()}
            lost += sum(id_ not in there or not ledger.find(id_)[0].score.elements for id_ in ids)
    return {"times": times, "reported": reported, "lost": lost, "problems": problems, "unopened": unopened}


def _killed_after(where: str, number: int, seconds: float) -> list[str]:
    """Fork a writer, kill it, and return the ids that it reported as kept."""
    read_all(sample(0))  # what keeping needs is loaded before the fork, which is killed soon
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        with open_ledger(where) as ledger:
            for count in range(1000):
                kept = ledger.keep(sample(10_000 * (number + 1) + count))
                os.write(writing, f"{kept.id}\n".encode())
        os._exit(1)
    os.close(writing)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with open(reading, encoding="ascii") as stream:
        return stream.read().split()


def _start(*words: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, __file__, "--do", *words], stdout=subprocess.DEVNULL)


def done(*words: str) -> Any:
    """Run one part in a process of its own and return what it measured."""
    run = subprocess.run([sys.executable, __file__, "--do", *words], stdout=subprocess.PIPE, text=True, check=True)
    return json.loads(run.stdout)


def _do(words: Sequence[str]) -> None:
    match words:
        case ["fill", where, count]:
            result: object = fill(where, int(count))
        case ["ask", where]:
            result = ask(where)
        case ["write", where, writer, count]:
            result = write(where, int(writer), int(count))
        case ["killed", folder, times, seed]:
            result = killed(Path(folder), int(times), int(seed))
    print(json.dumps(result))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--do", nargs="+")
    parser.add_argument("--only", choices=("many", "writers", "killed"))
    parser.add_argument("--scores", type=int, default=100_000)
    given = parser.parse_args()
    if given.do:
        _do(given.do)
        return
    with tempfile.TemporaryDirectory() as folder:
        file = str(Path(folder) / "many.sqlite")
        if given.only in (None, "many"):
            started = time.perf_counter()
            done("fill", file, str(given.scores))
            size = Path(file).stat().st_size / 2**20
            print(f"many: filed {given.scores} in {time.perf_counter() - started:.0f} s, {size:.0f} MiB")
            print("many, SQLite:", done("ask", file))
        for database in ("SQLite", *(("PostgreSQL",) if os.environ.get(POSTGRES) else ())):
            if given.only in (None, "writers"):
                fresh = nullcontext(str(Path(folder) / "writers.sqlite")) if database == "SQLite" else postgres_url()
                with fresh as where:
                    print(f"writers, {database}:", writers(where, 8, 500))
        if given.only in (None, "killed"):
            print("killed:", done("killed", folder, "200", "1"))


if __name__ == "__main__":
    main()
