"""``inkstrain schema``: what a file of ours holds, for programs that read it."""

from __future__ import annotations

from typing import Annotated

import typer

from .files import print_data

__all__ = ["schema"]


def schema(
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME]", help="key, score, compare, … ; their names if left out.")
    ] = None,
) -> None:
    """Print the JSON Schema (Draft 2020-12) of a kind of file that inkstrain writes."""
    from inkstrain.scoring.results.schema import SCHEMA_FOLDER
    from inkstrain.targets.errors import WrongUsageError

    published = {path.name.partition(".")[0]: path for path in sorted(SCHEMA_FOLDER.glob("*.json"))}
    if name is None:
        print_data("".join(f"{known}\n" for known in published))
    elif name in published:
        print_data(published[name].read_text(encoding="utf-8"))
    else:
        raise WrongUsageError(f"There is no schema '{name}'. Known are {', '.join(published)}.")
