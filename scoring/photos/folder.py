"""Which files to look at: those named, and those in named folders, each once, whatever links there are."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

__all__ = ["list_files"]


def list_files(named: Sequence[Path]) -> Iterator[Path]:
    """Yield files in order of their names; folders are walked, hidden files left out, loops of links broken."""
    folders: set[str] = set()
    files: set[str] = set()
    for path in named:
        if not path.is_dir():
            yield path
            continue
        for parent, children, names in os.walk(path, followlinks=True):
            real = os.path.realpath(parent)
            if real in folders:
                children.clear()
                continue
            folders.add(real)
            children[:] = sorted(child for child in children if not child.startswith("."))
            for name in sorted(name for name in names if not name.startswith(".")):
                file = Path(parent) / name
                where = os.path.realpath(file)
                if where not in files:
                    files.add(where)
                    yield file
