"""Talk to the person at the keyboard: sentences and progress, on standard error only."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

__all__ = ["progress", "say", "terminal_width", "visible", "wrapped"]

_MAX_WIDTH = 100
_PLAIN_WIDTH = 80
_UNSEEN = ("Cc", "Cf", "Cs", "Zl", "Zp")
"""Unicode categories: controls, formats, lone surrogates, line and paragraph separators."""


def say(sentence: str) -> None:
    """Print one sentence on standard error, with the program's name before it; nothing if that is closed."""
    if sys.stderr is not None:  # print() would take standard output instead
        with suppress(OSError, ValueError):
            print(f"inkstrain: {visible(sentence)}", file=sys.stderr, flush=True)


def visible(text: str) -> str:
    """Return text with control and direction characters spelt out: a file's name may hold any of them."""
    import unicodedata

    return "".join(
        ascii(character)[1:-1] if unicodedata.category(character) in _UNSEEN else character for character in text
    )


def terminal_width() -> int:
    """Return how many characters a line of output may have."""
    import shutil

    return min(shutil.get_terminal_size((_PLAIN_WIDTH, 24)).columns, _MAX_WIDTH)


def wrapped(text: str) -> str:
    """Return a paragraph in lines that the terminal has room for."""
    import textwrap

    return textwrap.fill(text, terminal_width(), break_long_words=False)


@contextmanager
def progress() -> Iterator[Callable[[str, float], None] | None]:
    """Yield ``progress(what, done)`` with done in 0..1, which draws one bar; ``None`` if nobody watches."""
    if sys.stderr is None or sys.stderr.closed or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    times = (TimeElapsedColumn(), TextColumn("left"), TimeRemainingColumn())
    columns = (TextColumn("{task.description}"), BarColumn(), *times)
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=1.0)
        yield lambda what, done: bar.update(task, description=what, completed=done)
