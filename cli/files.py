"""Where results go: refused before any measuring if they cannot go there, and written whole or not at all."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path

from .talk import say

__all__ = [
    "STDOUT",
    "check_target",
    "deliver",
    "print_data",
    "result_name",
    "say_written",
    "staged_file",
    "staged_folder",
    "write_all",
]

STDOUT = Path("-")
"""A target that means standard output."""


def check_target(*targets: Path | None, inputs: tuple[Path, ...] = ()) -> None:
    """Refuse targets that could not be written, that collide, or that would overwrite an input.

    Raises
    ------
    WrongUsageError
        The sentence names the target.
    """
    from inkstrain.targets.errors import WrongUsageError

    files = [target for target in targets if target is not None and target != STDOUT]
    for target in files:
        if target.is_dir():
            raise WrongUsageError(f"{target} is a folder. Give the name of a file to write.")
        if not _plain(target):
            continue
        folder = Path(os.path.realpath(target)).parent
        if not folder.is_dir():
            raise WrongUsageError(f"The folder {folder} does not exist. Create it first, or write elsewhere.")
        if not os.access(folder, os.W_OK):
            raise WrongUsageError(f"The folder {folder} is not writable. Write elsewhere.")
    # realpath, since resolve() raises on a loop of links
    resolved = [os.path.realpath(target) for target in files]
    if len(set(resolved)) < len(resolved):
        raise WrongUsageError(f"{files[0]} is named twice. Give every result its own file.")
    for path in inputs:
        if os.path.realpath(path) in resolved:
            raise WrongUsageError(f"{path} is an input and would be overwritten. Write to another file.")


def write_all(contents: Mapping[Path, str]) -> None:
    """Write every text (UTF-8) to its file, all of them or none; standard output for ``-``, and last.

    A link is followed. What is no plain file (a device, a pipe, ``/dev/stdout``) is written into and never replaced.
    """
    with ExitStack() as stack:
        # those that are not plain come last: what they took cannot be taken back
        for target in sorted(contents.keys() - {STDOUT}, key=lambda one: not _plain(one)):
            stack.enter_context(staged_file(target)).write_text(contents[target], encoding="utf-8")
    if STDOUT in contents:
        print_data(contents[STDOUT])


def deliver(contents: Mapping[Path, str], text: Callable[[], str]) -> None:
    """Write results to their files, all or none, and name them; if no file was asked for, print ``text()`` instead."""
    write_all(contents)
    if not contents:
        print_data(text() + "\n")
    say_written(contents)


def say_written(paths: Iterable[Path]) -> None:
    """Name the files that were written."""
    for path in paths:
        if path != STDOUT:
            say(f"Wrote {path}.")


def result_name(scan: Path, sha256: str) -> str:
    """Return what a scan's results are called: 200 bytes of its name, as a file system takes 255, and its hash."""
    from inkstrain.scoring.measure.tile import scan_name

    stem = Path(scan_name(scan)).stem.encode("utf-8")[:200].decode("utf-8", "ignore")
    return f"{stem}-{sha256[:8]}"


def print_data(text: str) -> None:
    """Print data on standard output in UTF-8, whatever the terminal's own encoding is."""
    if sys.stdout is None:
        raise OSError("Standard output is closed, so that nothing could be printed")
    raw = getattr(sys.stdout, "buffer", None)
    if raw is None:
        sys.stdout.write(text)
        return
    sys.stdout.flush()
    raw.write(text.encode("utf-8"))
    raw.flush()


def _plain(target: Path) -> bool:
    """Return whether a target is a file on disk, there already or not: one that may be replaced as a whole."""
    if str(target.absolute()).startswith(("/dev/fd/", "/dev/std", "/proc/")):
        return False
    return target.is_file() or not target.exists()


@contextmanager
def staged_file(target: Path) -> Iterator[Path]:
    """Yield the path of a new file beside the target; it takes the target's place if and only if all went well.

    A target that is no plain file is yielded itself.
    """
    plain, home = _plain(target), Path(os.path.realpath(target))
    part = _part(home.parent) if plain else target
    try:
        yield part
        if plain:
            part.replace(home)
    except OSError as error:
        if error.filename in (None, str(part)):  # a full disk names no file
            error.filename = str(target)
        raise
    finally:
        if plain:
            part.unlink(missing_ok=True)


@contextmanager
def staged_folder(folder: Path) -> Iterator[Path]:
    """Yield an empty folder; what is written into it moves to ``folder`` if and only if all went well."""
    import shutil

    from inkstrain.targets.errors import WrongUsageError

    if folder.exists() and not folder.is_dir():
        raise WrongUsageError(f"{folder} is a file. Give the name of a folder to write to.")
    existing = next(parent for parent in (folder.absolute(), *folder.absolute().parents) if parent.exists())
    if not os.access(existing, os.W_OK):
        raise WrongUsageError(f"The folder {existing} is not writable. Write elsewhere.")
    # beside the target, so that moving is a rename and never a copy across disks
    stage = _part(existing)
    try:
        stage.mkdir()
        yield stage
        for path in sorted(path for path in stage.rglob("*") if path.is_file()):
            target = folder / path.relative_to(stage)
            target.parent.mkdir(parents=True, exist_ok=True)
            path.replace(target)
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def _part(folder: Path) -> Path:
    """Return a new name in a folder for what is being written, and clear away what killed runs left there.

    The name says machine and process: a folder on a network may hold another machine's.
    """
    import platform
    import shutil
    import uuid
    import zlib

    ours = f".inkstrain-{zlib.crc32(platform.node().encode('utf-8', 'replace')):08x}-"
    for left in folder.glob(f"{ours}*.part"):
        process = left.name.removeprefix(ours).split("-")[0]
        if process.isdecimal() and not _runs(int(process)):
            if left.is_dir():
                shutil.rmtree(left, ignore_errors=True)
            else:
                left.unlink(missing_ok=True)
    return folder / f"{ours}{os.getpid()}-{uuid.uuid4().hex[:8]}.part"


def _runs(process: int) -> bool:
    """Return whether a process of this machine is alive, as far as can be asked."""
    if os.name == "nt":  # there, the same call would end it
        return True
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:  # someone else's
        pass
    return True
