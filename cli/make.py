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
    from_photos: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FOLDER|FILE",
            help="Make a proof strip instead: pieces of these pictures at print size, from where --a and --b differ "
            "most; may be repeated.",
        ),
    ] = None,
    a: Annotated[
        str | None, typer.Option("--a", metavar="WHAT", help="With --from-photos: PROFILE.icc,INTENT or a score.")
    ] = None,
    b: Annotated[
        str | None, typer.Option("--b", metavar="WHAT", help="The other; without it, what the pictures ask for.")
    ] = None,
    long_edge: Annotated[
        float, typer.Option(metavar="MM", help="With --from-photos: how long the longer side of each print is.")
    ] = 400.0,
    bed: Annotated[
        str, typer.Option(metavar="WxH", help="Your scanner's glass in mm; larger sheets are split into tiles.")
    ] = "216x297",
) -> None:
    """Make a chart: 16-bit TIFF files to print, and a key that says where everything is.

    With --only patch-field also a reference file (ISO 28178 text: asked RGB and places of the patches), for the program
    that an instrument comes with. Prints the paths of the files it wrote, the key last.
    """
    from inkstrain.targets.chart import build_key, write_chart
    from inkstrain.targets.recipe import KINDS, Recipe

    if from_photos or a or b:
        _make_strip(from_photos or [], (a, b), (sheet, space, dpi), long_edge, out)
        return
    kinds = tuple(only or KINDS)
    recipe = Recipe(
        sheet=sheet, space=space, path=path, hues=hues, dpi=dpi, bed_mm=_sides_mm(bed), only=kinds,
        patch_mm=_PATCH_SHEET_MM if patch is None and kinds == ("patch-field",) else patch,
    )  # fmt: skip
    with staged_folder(out) as stage, progress() as report:
        written = list(write_chart(recipe, stage, report))
        if kinds == ("patch-field",):
            from inkstrain.scoring.colour.exchange import reference_text

            reference = stage / f"{recipe.chart_id}.reference.txt"
            reference.write_text(reference_text(build_key(recipe)), encoding="utf-8")
            written.insert(-1, reference)
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


def _make_strip(
    pictures: list[Path],
    whats: tuple[str | None, str | None],
    sheet: tuple[str, str, int],
    long_edge_mm: float,
    out: Path,
) -> None:
    """Make a proof strip of pictures."""
    from inkstrain.scoring.photos.strip import make_strip
    from inkstrain.scoring.photos.what import check_long_edge, read_side
    from inkstrain.targets.errors import WrongUsageError
    from inkstrain.targets.recipe import Recipe
    from inkstrain.targets.strip import StripSheet

    if not pictures or whats[0] is None:
        raise WrongUsageError("A proof strip needs --from-photos and --a: the pictures, and how they would be printed.")
    check_long_edge(long_edge_mm)
    size, space, dpi = sheet
    recipe = Recipe(sheet=size, space=space, dpi=dpi)
    sides = (read_side(whats[0]), read_side(whats[1]) if whats[1] else None)
    with staged_folder(out) as stage, progress() as watch:
        strip = StripSheet(size_mm=recipe.sheet_mm, dpi=dpi, space=space)
        written, count = make_strip(pictures, sides, strip, long_edge_mm, stage, watch)
    print_data("".join(f"{out / file.name}\n" for file in written))
    say(
        f"The proof strip has {count} pieces. Print it once as A and once as B, at 100 %, and look at both side by "
        "side in the light they are for. It is not for scoring."
    )
