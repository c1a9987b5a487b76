"""Waiting for scans: which files of a folder are new, complete and not known already."""

from __future__ import annotations

import hashlib
import math
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

__all__ = ["SUFFIXES", "Arrivals", "content_of", "ticks"]

SUFFIXES: Final = frozenset({".tif", ".tiff", ".png", ".jpg", ".jpeg"})
"""Endings of the files that are looked at."""

_AGAIN_S: Final = 60.0
"""How long a scan waits that could not be read or kept: a network folder or a full disk is seldom well in less."""

_Look = tuple[int, int]  # size in bytes, time of the last change in nanoseconds


class Arrivals:
    """Finds which files of a folder have stopped changing; each state of a file is returned once.

    Parameters
    ----------
    folder : Path
        Its own files only, none of folders within it.
    still_s : float
        A file is complete if its size and time have not changed for so long.
    """

    def __init__(self, folder: Path, still_s: float) -> None:
        self._folder, self._still_s = folder, still_s
        self._since: dict[Path, tuple[_Look, float]] = {}
        self._returned: dict[Path, _Look] = {}
        self._again_s: dict[Path, float] = {}

    @property
    def waiting(self) -> tuple[Path, ...]:
        """Files that are to be tried again."""
        return tuple(path for path in self._again_s if path.exists())

    def again(self, path: Path, now_s: float, after_s: float = _AGAIN_S) -> None:
        """Have a returned file returned once more, after a while."""
        self._again_s[path] = now_s + after_s

    def forget(self, path: Path) -> None:
        """Have a returned file returned no more unless it changes."""
        self._again_s.pop(path, None)

    def complete(self, now_s: float) -> list[Path]:
        """Return files that became complete since the last call, by name.

        Parameters
        ----------
        now_s : float
            A monotonic clock, in seconds.

        Raises
        ------
        OSError
            If the folder cannot be looked at now.
        """
        found = []
        for path, look in self._looks():
            known = self._since.get(path)
            if known is None or known[0] != look:
                self._since[path] = (look, now_s)
            elif now_s - known[1] >= self._still_s and (
                self._returned.get(path) != look or now_s >= self._again_s.get(path, math.inf)
            ):
                self._returned[path] = look
                found.append(path)
        return found

    def _looks(self) -> Iterator[tuple[Path, _Look]]:
        for path in sorted(self._folder.iterdir()):
            if path.suffix.lower() not in SUFFIXES or path.name.startswith("."):
                continue
            try:
                stat = path.stat()
            except OSError:
                # gone, or renamed by the scanner's software, since the folder was listed
                continue
            if stat.st_size and path.is_file():
                yield path, (stat.st_size, stat.st_mtime_ns)


def content_of(path: Path) -> str:
    """Return the SHA-256 of a file, as a score names its scan."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def ticks(folder: Path, every_s: float) -> Iterator[None]:
    """Yield whenever the folder may have changed, and at least every so often: network folders report nothing."""
    from watchfiles import watch

    yield
    try:
        # half as long for a burst to end as between two looks
        wait_ms = int(1000 * every_s)
        for _ in watch(
            folder, recursive=False, rust_timeout=wait_ms, debounce=wait_ms // 2, yield_on_timeout=True
        ):
            yield
    except (OSError, RuntimeError):
        # the folder is away or has no watches, or the system has no more to give: looking now and then does as well
        while True:
            time.sleep(every_s)
            yield
