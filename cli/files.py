"""Where results go: refused before any measuring if they cannot go there, and written whole or not at all."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from .talk import say

__all__ = [
    "STDOUT",
    "check_target",
    "deliver",
    "print_data",
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
        folder = target.absolute().parent
        if target.is_dir():
            raise WrongUsageError(f"{target} is a folder. Give the name of a file to write.")
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
    """Write every text (UTF-8) to its file, all of them or none; standard output for ``-``."""
    staged: dict[Path, Path] = {}
    try:
        for target, text in contents.items():
            if target != STDOUT:
                staged[target] = target.with_name(f".{target.name}.{os.getpid()}.part")
                staged[target].write_text(text, encoding="utf-8")
        for target, part in staged.items():
            part.replace(target)
    finally:
        for part in staged.values():
            part.unlink(missing_ok=True)
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


def print_data(text: str) -> None:
    """Print data on standard output in UTF-8, whatever the terminal's own encoding is."""
    raw = getattr(sys.stdout, "buffer", None)
    if raw is None:
        sys.stdout.write(text)
        return
    sys.stdout.flush()
    raw.write(text.encode("utf-8"))
    raw.flush()


@contextmanager
def staged_file(target: Path) -> Iterator[Path]:
    """Yield the path of a new file beside the target; it takes the target's place if and only if all went well."""
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        yield part
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)


@contextmanager
def staged_folder(folder: Path) -> Iterator[Path]:
    """Yield an empty folder; what is written into it moves to ``folder`` if and only if all went well."""
    import tempfile

    from inkstrain.targets.errors import WrongUsageError

    if folder.exists() and not folder.is_dir():
        raise WrongUsageError(f"{folder} is a file. Give the name of a folder to write to.")
    existing = next(parent for parent in (folder.absolute(), *folder.absolute().parents) if parent.exists())
    if not os.access(existing, os.W_OK):
        raise WrongUsageError(f"The folder {existing} is not writable. Write elsewhere.")
    # beside the target, so that moving is a rename and never a copy across disks
    with tempfile.TemporaryDirectory(prefix=".inkstrain-", dir=existing) as name:
        yield Path(name)
        for path in sorted(path for path in Path(name).rglob("*") if path.is_file()):
            target = folder / path.relative_to(name)
            target.parent.mkdir(parents=True, exist_ok=True)
            path.replace(target)
