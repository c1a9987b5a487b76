"""``inkstrain demo``: the whole job on an invented studio, without a printer or a scanner."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from .files import print_data
from .talk import progress

__all__ = ["demo"]


def demo(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder to write to; made if need be.")] = Path(
        "inkstrain-demo"
    ),
) -> None:
    """Show the whole job: one chart, two imaginary printers with two intents each, scanned, scored, compared."""
    from inkstrain.scoring.demo import run_demo

    with progress() as watch:
        lines = run_demo(out, progress=watch)
    print_data("".join(f"{line}\n" for line in lines))
