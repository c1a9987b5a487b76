"""``inkstrain demo``: the whole job on an invented studio, without a printer or a scanner."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from .files import print_data, staged_folder
from .talk import progress, wrapped

__all__ = ["demo"]


def demo(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder to write to; made if need be.")] = Path(
        "inkstrain-demo"
    ),
) -> None:
    """Show the whole job: one chart, two imaginary printers with two intents each, scanned, scored, compared."""
    from inkstrain.scoring.jobs.demo import run_demo

    with staged_folder(out) as stage, progress() as watch:
        outcome = run_demo(stage, progress=watch)
    print_data("".join(f"{wrapped(line)}\n\n" for line in outcome.lines))
    print_data(f"Read: {out / outcome.report}\n" + "".join(f"      {out / name}\n" for name in outcome.more))
