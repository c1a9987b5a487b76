"""Measuring many scans, each in a process of its own: one that fails, or kills its process, stops no other."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from inkstrain.scoring.jobs.scoring import Measured

    from .conditions import Stated

__all__ = ["measure_each", "scans_in", "why_not"]

_LOOK_S: Final = 0.2  # how soon a stop is noticed: as soon as someone who asked for it expects
_AHEAD: Final = 4  # scans a process may be ahead of the first that is not done: its results wait in memory
_START: Final = multiprocessing.get_context("spawn")  # a forked process would have locks of threads it has not


def scans_in(places: Iterable[Path]) -> list[Path]:
    """Return scans in the order given, the image files of a folder by name in its place.

    Raises
    ------
    CannotMeasureError
        If there is none in a folder.
    """
    from inkstrain.scoring.jobs.watching import SUFFIXES
    from inkstrain.targets.errors import CannotMeasureError

    found: list[Path] = []
    for place in places:
        if not place.is_dir():
            found.append(place)
            continue
        inside = [path for path in sorted(place.iterdir()) if path.suffix.lower() in SUFFIXES and path.is_file()]
        inside = [path for path in inside if not path.name.startswith(".")]
        if not inside:
            raise CannotMeasureError(f"There is no scan in {place}: files that end in {', '.join(sorted(SUFFIXES))}.")
        found += inside
    return found


def measure_each(
    scans: Sequence[Path],
    made: Stated,
    *,
    jobs: int = 1,
    stop: Callable[[], bool] = lambda: False,
    progress: Callable[[str, float], None] | None = None,
) -> Iterator[tuple[Path, Measured | str]]:
    """Measure every scan as a print of its own, and yield it with its measures or the sentence that says why not.

    They come in the order given. Once ``stop()`` is true, those that are done are yielded and no others.

    Parameters
    ----------
    jobs
        So many at a time, each in a process.
    progress
        Called with what is being measured and the share of all that is done, 0 to 1.
    """
    done: dict[int, Measured | str] = {}
    shares = dict.fromkeys(range(len(scans)), 0.0)
    waiting, first = iter(range(len(scans))), 0
    workers: list[_Worker] = []
    upcoming = next(waiting, None)
    try:
        while first < len(scans) and not stop():
            idle = next((worker for worker in workers if worker.task is None), None)
            if upcoming is not None and upcoming < first + _AHEAD * jobs and (idle or len(workers) < jobs):
                if idle is None:
                    idle = _Worker(made)
                    workers.append(idle)
                idle.take(upcoming, scans[upcoming])
                upcoming = next(waiting, None)
                continue
            busy = {worker.connection: worker for worker in workers if worker.task is not None}
            for ready in wait(list(busy), _LOOK_S):
                worker = busy[ready]  # type: ignore[index]
                task = worker.task
                assert task is not None
                try:
                    answer = worker.connection.recv()
                except (EOFError, OSError):
                    workers.remove(worker)
                    worker.end()
                    answer = f"{scans[task]} ended the process that read it. Is the file damaged, or memory short?"
                if isinstance(answer, float):
                    shares[task] = answer
                else:
                    done[task], shares[task], worker.task = answer, 1.0, None
                if progress is not None:
                    progress(scans[task].name, sum(shares.values()) / len(scans))
            while first in done:
                yield scans[first], done.pop(first)
                first += 1
    finally:
        for worker in workers:
            worker.end()
    for task in sorted(done):
        yield scans[task], done[task]


class _Worker:
    """A process that measures one scan after another; it ends with this one."""

    def __init__(self, made: Stated) -> None:
        self.task: int | None = None
        self.connection, theirs = _START.Pipe()
        self._process = _START.Process(target=_work, args=(theirs, made), daemon=True)
        self._process.start()
        theirs.close()

    def take(self, task: int, scan: Path) -> None:
        self.task = task
        with suppress(OSError):  # it is gone: reading its answer finds that out
            self.connection.send(scan)

    def end(self) -> None:
        self._process.terminate()
        self._process.join()
        self.connection.close()


def _work(connection: Connection, made: Stated) -> None:
    """Measure what comes, and send shares done (numbers) and then the result or a sentence."""
    import signal

    from inkstrain.scoring.jobs.scoring import score_scans

    from .conditions import score_options

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to all processes: the first one ends the others
    options = score_options(made, crops=True)
    while True:
        try:
            scan: Path = connection.recv()
        except EOFError:
            return
        answer: Any
        try:
            answer = score_scans(
                [scan], conditions=made.conditions(options), options=options,
                progress=lambda _, share: connection.send(float(share)),
            )  # fmt: skip
            answer = replace(answer, crops=dict(answer.crops))
        except Exception as error:
            answer = why_not(error, scan)
        connection.send(answer)


def why_not(error: BaseException, scan: Path) -> str:
    """Return the sentence that says why a scan could not be measured."""
    from inkstrain.targets.errors import InkstrainError

    if isinstance(error, InkstrainError):
        return str(error)
    if isinstance(error, OSError):
        return f"{error.filename or scan}: {error.strerror or error}."
    if isinstance(error, MemoryError):
        return f"{scan}: not enough memory. Scan at a lower resolution, or ask for fewer jobs."
    return f"{scan} could not be scored ({type(error).__name__}: {error})."
