"""``inkstrain make``: write a chart, ready to print."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from .files import print_data, staged_folder
from .talk import progress, say

__all__ = ["make"]

_PATCH_SHEET_MM = 12.0  # an aperture of 8 mm with 2 mm of room all round


def make(
    sheet: Annotated[str, typer.Option(help="a4, letter, a3, a3plus, or WIDTHxHEIGHT in mm.")] = "a4",
    space: Annotated[
        str, typer.Option(help="Colour space: srgb, display-p3, adobe-rgb, prophoto or rec2020.")
    ] = "adobe-rgb",
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder to write to; made if need be.")] = Path(),
    only: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KIND",
            help="Only this kind of element; may be repeated: ring-to-white, ring-to-black, hue-sweep, "
            "neutral-wedge, patch-field, flat-field.",
        ),
    ] = None,
    hues: Annotated[int, typer.Option(help="Number of hues, 1 to 36.")] = 8,
    dpi: Annotated[int, typer.Option(help="Pixels per inch of the files, 150 to 1440.")] = 360,
    path: Annotated[
        str, typer.Option(help="even: equal steps to the eye; straight: equal steps in the file.")
    ] = "even",
    patch: Annotated[
        float | None,
        typer.Option(
            metavar="MM",
            help="Side of a patch of the patch field, 6 to 40 mm: the instrument's aperture and 4 mm. With --only "
            "patch-field it is 12 if not given; elsewhere the field is a short one of 10.2 mm patches.",
        ),
    ] = None,
    bed: Annotated[
        str, typer.Option(metavar="WxH", help="Your scanner's glass in mm; larger sheets are split into tiles.")
    ] = "216x297",
) -> None:
    """Make a chart: 16-bit TIFF files to print, and a key that says where everything is.

    Prints the paths of the files it wrote, the key last.
    """
    from inkstrain.targets.chart import write_chart
    from inkstrain.targets.recipe import KINDS, Recipe

    kinds = tuple(only or KINDS)
    recipe = Recipe(
        sheet=sheet, space=space, path=path, hues=hues, dpi=dpi, bed_mm=_sides_mm(bed), only=kinds,
        patch_mm=_PATCH_SHEET_MM if patch is None and kinds == ("patch-field",) else patch,
    )  # fmt: skip
    with staged_folder(out) as stage, progress() as report:
        written = write_chart(recipe, stage, report)
    print_data("".join(f"{out / file.name}\n" for file in written))
    say(
        f"Chart {recipe.chart_id} is made. Print it at 100 %, never 'fit to page', "
        "and convert its colours once: either in your application or in the driver, not in both."
    )


def _sides_mm(text: str) -> tuple[float, float]:
    """Read WIDTHxHEIGHT."""
    from inkstrain.targets.errors import WrongUsageError

    try:
        width, height = (float(side) for side in text.lower().split("x"))
    except ValueError as error:
        raise WrongUsageError(f"--bed is {text!r}: give WIDTHxHEIGHT in mm, such as 216x297.") from error
    return width, height
