"""``inkstrain photos``: whether a difference between prints touches the photographer's own pictures."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .files import check_target, deliver
from .talk import progress, terminal_width

if TYPE_CHECKING:
    from inkstrain.scoring.photos.look import Seen
    from inkstrain.scoring.report.photopictures import PhotoImages

__all__ = ["photos"]

_WHAT = "PROFILE.icc,INTENT[,nobpc], a score file, or an id in the ledger."


def photos(
    pictures: Annotated[
        list[Path], typer.Argument(metavar="FOLDER|FILE", help="Pictures: TIFF, JPEG, PNG, WebP, or folders of them.")
    ],
    a: Annotated[str, typer.Option("--a", metavar="WHAT", help=f"How they would be printed: {_WHAT}")],
    b: Annotated[
        str | None,
        typer.Option("--b", metavar="WHAT", help="The other way; without it, what the pictures ask for."),
    ] = None,
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the result as JSON; - for standard output.")
    ] = None,
    report: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a report, one HTML file that works offline.")
    ] = None,
    long_edge: Annotated[float, typer.Option(metavar="MM", help="How long the longer side of each print is.")] = 400.0,
    distance: Annotated[float, typer.Option(metavar="MM", help="Viewing distance.")] = 400.0,
    light: Annotated[
        str, typer.Option(metavar="p1|p2|LUX", help="Light it is viewed in: ISO 3664 P1 or P2, or lux.")
    ] = "p2",
    fit_black: Annotated[
        bool,
        typer.Option("--fit-black", help="Without --b: take the print's own black for black, as the eye does."),
    ] = False,
    ledger: Annotated[
        str | None, typer.Option(metavar="PATH|URL", help="Where the scores are kept that --a or --b names.")
    ] = None,
) -> None:
    """Tell where in your own pictures two ways of printing differ, or one misses what was asked: a folder at a time.

    Without --json or --report a table is printed. Pictures are read, never written to. Files that cannot be looked
    at are listed with the reason, and the rest is done.
    """
    from inkstrain.scoring.eye.visibility import viewing_of
    from inkstrain.scoring.photos.look import look_at_photos
    from inkstrain.scoring.photos.telling import photos_text
    from inkstrain.scoring.photos.what import check_long_edge, file_of, read_side
    from inkstrain.targets.errors import WrongUsageError

    sides = [what for what in (a, b) if what is not None]
    check_target(json, report, inputs=(*pictures, *map(file_of, sides)))
    if fit_black and b is not None:
        raise WrongUsageError("--fit-black is for --a alone: with --b there is nothing to fit.")
    check_long_edge(long_edge)
    viewing = viewing_of(distance, light)
    first, *others = (read_side(what, ledger) for what in sides)
    images: dict[str, PhotoImages] = {}
    with progress() as watch:
        found = look_at_photos(
            pictures, first, others[0] if others else None, viewing,
            long_edge_mm=long_edge, fit_black=fit_black, watch=watch, keep=_keeper(images) if report else None,
        )  # fmt: skip
    contents = {}
    if json is not None:
        contents[json] = found.model_dump_json(indent=1) + "\n"
    if report is not None:
        from inkstrain.scoring.report.photopage import photos_html

        contents[report] = photos_html(found, images)
    deliver(contents, lambda: photos_text(found, width=terminal_width()))


def _keeper(images: dict[str, PhotoImages]) -> Callable[[Seen], None]:
    """Return what keeps a report's small pictures of each photograph, so that its maps need not be held."""
    from inkstrain.scoring.report.photopictures import photo_images

    def keep(seen: Seen) -> None:
        images[seen.view.file] = photo_images(seen)

    return keep
