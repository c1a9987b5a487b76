"""The command reference, made from the program's own ``--help``.

python examples/reference.py      writes examples/guide/reference.md
"""

import contextlib
import io
import os
from collections.abc import Iterator
from pathlib import Path

import typer

from inkstrain.cli.app import COMMANDS, build_app, main

FILE = Path(__file__).parent / "guide" / "reference.md"


def reference() -> str:
    """Return the text of the reference."""
    pages = "\n\n".join(f"## inkstrain {' '.join(words)}\n\n```text\n{_help(words)}\n```" for words in _commands())
    return (
        "# Command reference\n\nAs `inkstrain --help` and `inkstrain COMMAND --help` say it; `python "
        f"examples/reference.py` writes it.\n\n{pages}\n"
    )


def _commands() -> Iterator[tuple[str, ...]]:
    for name in COMMANDS:
        yield (name,)
        command = typer.main.get_command(build_app(name))
        for inner in getattr(command.commands[name], "commands", {}):
            yield (name, inner)


def _help(words: tuple[str, ...]) -> str:
    heard = io.StringIO()
    columns = os.environ.get("COLUMNS")
    os.environ["COLUMNS"] = "80"
    try:
        with contextlib.redirect_stdout(heard):
            main([*words, "--help"])
    finally:
        os.environ.pop("COLUMNS") if columns is None else os.environ.update(COLUMNS=columns)
    return "\n".join(line.rstrip() for line in heard.getvalue().strip().splitlines())


if __name__ == "__main__":
    FILE.write_text(reference(), encoding="utf-8")
