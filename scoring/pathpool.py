"""Path fits in processes of their own: of a scan with rings full of features they take longer than all else."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from dataclasses import dataclass, field
from typing import Any, Final

from threadpoolctl import threadpool_limits

from .path import PathFit, fit_path

__all__ = ["FITTED_HERE", "PathFits", "path_fits"]

_LOST: Final = (BrokenExecutor, OSError, EOFError)  # no processes to be had, or they were ended
_MOST: Final = 4  # processes; more have nothing to do while the discs of a scan are read


@dataclass(frozen=True, slots=True, eq=False)
class PathFits:
    """`fit_path`, worked out in this process or in others; may be called from several threads at once."""

    pool: ProcessPoolExecutor | None = None
    processes: int = 0
    _asked: set[Future[PathFit]] = field(default_factory=set)

    def start(self) -> None:
        """Start the other processes and do not wait: they load their program while a scan is searched for marks."""
        if self.pool is not None:
            threading.Thread(target=self._start, args=(self.pool,), daemon=True).start()

    def _start(self, pool: ProcessPoolExecutor) -> None:
        if hasattr(signal, "pthread_sigmask"):  # they inherit it, and Ctrl-C does not meet them half loaded
            signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        with contextlib.suppress(RuntimeError, *_LOST):  # whoever wants a fit will do it here
            for _ in range(self.processes):
                pool.submit(_nothing)

    def __call__(self, *given: Any) -> PathFit:
        """Return what `fit_path` does of the same arguments."""
        if self.pool is not None:
            with contextlib.suppress(*_LOST):
                fit = self.pool.submit(fit_path, *given)
                self._asked.add(fit)
                try:
                    return fit.result()
                finally:
                    self._asked.discard(fit)
        return fit_path(*given)

    def give_up(self) -> None:
        """Cancel what was asked for and has not begun; who waits for it gets a `CancelledError`."""
        for fit in list(self._asked):
            fit.cancel()


FITTED_HERE: Final = PathFits()


@contextlib.contextmanager
def path_fits(processes: int | None = None) -> Iterator[PathFits]:
    """Yield a place to work out path fits: other processes, as many as there are processors; this one if it is alone.

    A program that uses it must be one whose main module can be imported, as `multiprocessing` asks.
    """
    count = min(_processors(), _MOST) if processes is None else processes
    pool = _pool(count) if count > 1 else None
    if pool is None:
        yield FITTED_HERE
        return
    try:
        yield PathFits(pool, count)
    finally:
        pool.shutdown(cancel_futures=True)


def _pool(processes: int) -> ProcessPoolExecutor | None:
    """Return processes, not started yet; ``None`` where the system has none to lend, as in some containers."""
    on_linux = sys.platform == "linux"  # elsewhere a copy of a process with libraries loaded may not run
    try:
        context = multiprocessing.get_context("forkserver" if on_linux else "spawn")
        if on_linux:
            context.set_forkserver_preload([__name__])
        return ProcessPoolExecutor(processes, mp_context=context, initializer=_begin)
    except (ImportError, NotImplementedError, OSError):
        return None


def _processors() -> int:
    if sys.platform == "linux":
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _nothing() -> None: ...


def _begin() -> None:
    """Leave Ctrl-C to the process that asked, end with it, and take one processor only."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threadpool_limits(limits=1, user_api="blas")
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: Any) -> None:
    parent.join()
    os._exit(1)
