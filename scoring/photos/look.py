"""Photographs looked at, one after the other, and described: the whole of ``inkstrain photos`` but files and words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.errors import CannotMeasureError

from ..results.photos import (
    Closer,
    Findings,
    Photos,
    PhotosViewing,
    PictureView,
    Sides,
    SkippedFile,
    Summary,
    TouchedColour,
)
from ..results.score import MadeBy, Viewing
from .analyse import Looked, look_at
from .folder import list_files
from .neutral import neutral_tones, neutral_words
from .places import find_closer, find_places, find_worst
from .reading import Picture, SkippedError, open_picture
from .sides import Intended, ProfileSide, Side, black_of, side_by_side
from .table import colours_of
from .words import (
    COLOUR_NAMES,
    TOUCHED_SHARE,
    a_is_closer,
    b_is_closer,
    closer_words,
    is_unknown,
    per_cent,
    verdict_of,
)

__all__ = ["LONG_EDGE_MM", "Seen", "look_at_photos"]

LONG_EDGE_MM: Final = 400.0
"""Longer side of the print that weighted figures hold for, unless said otherwise: about A3."""

_CHROMATIC: Final = 0.001
_COLOUR_SHARE: Final = 0.001
_ROUNDING_DE00: Final = 0.1
_NAMED: Final = 5

Watch = Callable[[str, float], None]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A picture as described, with its maps and the pixels of its worst window for a report."""

    path: Path
    view: PictureView
    looked: Looked
    worst_a: NDArray[np.float32] = field(repr=False)
    worst_b: NDArray[np.float32] = field(repr=False)


def look_at_photos(
    named: Sequence[Path],
    a: Side,
    b: Side | None,
    viewing: Viewing,
    *,
    long_edge_mm: float = LONG_EDGE_MM,
    fit_black: bool = False,
    watch: Watch | None = None,
    keep: Callable[[Seen], None] | None = None,
) -> Photos:
    """Look at pictures and tell where the sides differ.

    Parameters
    ----------
    named
        Files and folders.
    b
        ``None`` for what the file asks for; with ``fit_black`` its black is lifted to that of ``a``.
    watch
        Called with what is being read, and how much is done.
    keep
        Given each picture with its maps, which are not held afterwards.

    Raises
    ------
    CannotMeasureError
        If there is no picture among them, or a side cannot answer.
    """
    sides = side_by_side(a, b, fit_black=fit_black)
    alone = b is None
    reference = Intended(black_of(sides[0])) if alone else Intended()
    files = list(list_files(named))
    pictures: list[PictureView] = []
    skipped: list[SkippedFile] = []
    for number, path in enumerate(files):
        if watch is not None:
            watch(path.name, number / len(files))
        try:
            with open_picture(path) as picture:
                seen = _seen(path, picture, sides, reference, viewing, long_edge_mm, alone=alone)
        except SkippedError as error:
            skipped.append(SkippedFile(file=str(path), reason=error.reason, text=str(error)))
            continue
        pictures.append(seen.view)
        if keep is not None:
            keep(seen)
    if not pictures:
        raise CannotMeasureError(_nothing(named, skipped))
    return Photos(
        made_by=MadeBy(version=version("inkstrain")), a=sides[0].view,
        b=sides[1].view if b is not None or fit_black else None,
        viewing=PhotosViewing(
            distance_mm=viewing.distance_mm, luminance_cd_m2=viewing.luminance_cd_m2, long_edge_mm=long_edge_mm
        ),
        pictures=tuple(pictures), skipped=tuple(skipped),
        summary=_summary(pictures, skipped, _names(sides), may_fit=alone and not fit_black),
    )  # fmt: skip


def _names(sides: tuple[Side, Side]) -> tuple[str, str]:
    return sides[0].view.label, sides[1].view.label


def _nothing(named: Sequence[Path], skipped: Sequence[SkippedFile]) -> str:
    where = str(named[0]) if len(named) == 1 else "what you named"
    if not skipped:
        return f"There is no picture in {where}. Give TIFF, JPEG, PNG or WebP files, or a folder that holds some."
    first = skipped[0]
    more = f" So are {len(skipped) - 1} more." if len(skipped) > 1 else ""
    return f"No picture in {where} can be looked at. {first.file}: {first.text}{more}"


def _seen(
    path: Path, picture: Picture, sides: tuple[Side, Side], reference: Side, viewing: Viewing, long_edge_mm: float,
    *, alone: bool,
) -> Seen:  # fmt: skip
    try:
        looked = look_at(picture, sides, reference, viewing, long_edge_mm)
    except SkippedError:
        raise
    except CannotMeasureError as error:
        # of the picture if its file is named, of a side otherwise: that ends the whole
        if str(path) not in str(error):
            raise
        raise SkippedError("truncated", "It is damaged or cut short.") from error
    view = _view(path, picture, looked, sides, alone=alone)
    worst = _worst_labs(picture, view, sides)
    return Seen(path, view, looked, *worst)


_CROP_PX: Final = 520


def _worst_labs(
    picture: Picture, view: PictureView, sides: tuple[Side, Side]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the worst window's colours on either side, CIELAB, every so many pixels if it is large."""
    every = max(1, -(-max(view.worst.box_px[2:]) // _CROP_PX))
    pixels = picture.box(view.worst.box_px)[::every, ::every]
    values = picture.values(pixels)
    lab_a, lab_b = (lab.reshape(*pixels.shape[:2], 3) for lab in colours_of(picture.source, values, sides))
    return lab_a.astype(np.float32), lab_b.astype(np.float32)


def _view(path: Path, picture: Picture, looked: Looked, sides: tuple[Side, Side], *, alone: bool) -> PictureView:
    areas = looked.areas
    names = _names(sides)
    size = (picture.width, picture.height)
    monochrome = areas.chromatic < _CHROMATIC * areas.pixels
    neutral = [neutral_tones(side, picture.source, areas.lightness) if monochrome else None for side in sides]
    words = [neutral_words(tones, name) for tones, name in zip(neutral, names, strict=True) if tones is not None]
    seen = looked.area_over_seen()
    places = find_places(looked, *size)
    closer = None if alone else _closer(looked, size)
    if closer is not None:
        words.insert(0, closer_words(closer, names))
    not_covered = areas.not_covered / areas.pixels if any(side.view.kind == "score" for side in sides) else None
    flags = list(picture.flags)
    if looked.rounding_de00 is not None and looked.rounding_de00 > _ROUNDING_DE00:
        flags.append(
            f"rounded: 16-bit colours were rounded to 8 bits even in lightness; that is off by "
            f"{looked.rounding_de00:.2f} ΔE00 on average here"
        )
    return PictureView(
        file=str(path), width_px=size[0], height_px=size[1], bits=picture.bits,
        kind="black-and-white" if monochrome else "colour",
        space=picture.source.name, space_assumed=picture.source.assumed, orientation=picture.orientation,
        area_over=areas.area_over(), area_over_seen=seen, mean_de00=areas.total_de00 / areas.pixels,
        p95_de00=areas.p95(), out_of_gamut=Sides(a=_outside(looked, sides, 0), b=_outside(looked, sides, 1)),
        not_covered=not_covered, over_2_between=_between(looked, sides),
        findings_a=_findings(looked, sides, 0), findings_b=_findings(looked, sides, 1),
        neutral_a=neutral[0], neutral_b=neutral[1], worst=find_worst(looked, *size), places=places,
        closer=closer, over_2_black_fitted=areas.off_over_2 / areas.pixels if alone else None,
        colours=_colours(areas.by_colour / areas.pixels), touched=seen.over_2 >= TOUCHED_SHARE,
        verdict=verdict_of(seen, places, not_covered, " ".join(words)), flags=tuple(flags),
    )  # fmt: skip


def _closer(looked: Looked, size: tuple[int, int]) -> Closer:
    areas = looked.areas
    first, second = find_closer(looked, *size)
    return Closer(
        a_de00=float(areas.off_de00[0]) / areas.pixels, b_de00=float(areas.off_de00[1]) / areas.pixels,
        a_share=float(areas.closer[0]) / areas.pixels, b_share=float(areas.closer[1]) / areas.pixels,
        a_most=first, b_most=second,
    )  # fmt: skip


def _between(looked: Looked, sides: tuple[Side, Side]) -> tuple[float, float] | None:
    """Return the share over 2 ΔE00 with the models' errors taken off and put on."""
    errors = [side.view.model_error.inside_p95 or 0.0 for side in sides if side.view.model_error is not None]
    if not errors:
        return None
    off = float(np.hypot.reduce(errors))
    return looked.areas.share_over(2.0 + off), looked.areas.share_over(2.0 - off)


def _outside(looked: Looked, sides: tuple[Side, Side], which: int) -> float | None:
    side = sides[which]
    known = isinstance(side, ProfileSide) or getattr(side, "knows_gamut", False)
    return looked.areas.share(which, "out_of_gamut") if known else None


def _findings(looked: Looked, sides: tuple[Side, Side], which: int) -> Findings | None:
    if sides[which].view.kind != "score":
        return None
    return Findings(**{name: looked.areas.share(which, name) for name in ("merged", "contour", "hue_swing")})


def _colours(shares: NDArray[np.float64]) -> tuple[TouchedColour, ...]:
    order = np.argsort(-shares)[:6]
    return tuple(
        TouchedColour(colours=COLOUR_NAMES[i], share=float(shares[i])) for i in order if shares[i] >= _COLOUR_SHARE
    )


def _summary(
    pictures: Sequence[PictureView], skipped: Sequence[SkippedFile], names: tuple[str, str], *, may_fit: bool
) -> Summary:
    touched = [picture for picture in pictures if picture.touched]
    unknown = sum(is_unknown(picture.not_covered) for picture in pictures)
    shares: dict[str, float] = {}
    for picture in touched:
        for colour in picture.colours:
            shares[colour.colours] = shares.get(colour.colours, 0.0) + colour.share / len(pictures)
    most = sorted(shares.items(), key=lambda each: -each[1])[:6]
    colours = tuple(TouchedColour(colours=name, share=share) for name, share in most)
    ranked = sorted(pictures, key=lambda p: (-p.area_over_seen.over_2, -p.area_over_seen.over_1, -p.mean_de00, p.file))
    text = []
    if not touched and unknown:
        text.append("No visible difference is expected in what the chart covers.")
    elif not touched:
        text.append(
            "No visible difference is expected in this picture."
            if len(pictures) == 1
            else f"No visible difference is expected in any of {len(pictures)} pictures."
        )
    else:
        first = [f"{Path(p.file).name}, {per_cent(p.area_over_seen.over_2)} of the frame" for p in ranked if p.touched]
        text.append(f"More than 2 ΔE00 as seen, most first: {'; '.join(first[:_NAMED])}.")
        if len(touched) < len(pictures):
            text.append(f"In {len(pictures) - len(touched)} of {len(pictures)} hardly a difference is expected.")
        if colours:
            text.append(f"Colours concerned: {', '.join(colour.colours for colour in colours[:4])}.")
    text += _nearer(pictures, names)
    if may_fit:
        text += _black(pictures)
    if unknown:
        text.append(
            f"Of {unknown} of {len(pictures)} more than half of the frame has colours that are not on the chart: "
            "of those nothing is known."
        )
    if skipped:
        text.append(f"{len(skipped)} {'file was' if len(skipped) == 1 else 'files were'} left out; the list says why.")
    return Summary(
        pictures=len(pictures), touched=len(touched), text=tuple(text), colours=colours,
        ranked=tuple(picture.file for picture in ranked),
    )  # fmt: skip


def _nearer(pictures: Sequence[PictureView], names: tuple[str, str]) -> list[str]:
    """Say of several pictures which side is closer to what they ask for; of one its verdict says it."""
    found = [picture.closer for picture in pictures if picture.closer is not None]
    if len(found) < 2:
        return []
    counts = [sum(which(one) for one in found) for which in (a_is_closer, b_is_closer)]
    off = [sum(values) / len(found) for values in zip(*((one.a_de00, one.b_de00) for one in found), strict=True)]
    return [
        f"Closer to what the pictures ask for: {names[0]} in {counts[0]}, {names[1]} in {counts[1]}, neither visibly "
        f"in {len(found) - sum(counts)}; on average they are off by {off[0]:.1f} and {off[1]:.1f} ΔE00."
    ]


def _black(pictures: Sequence[PictureView]) -> list[str]:
    """Suggest to fit black where most of what differs would then differ no more."""
    over = sum(picture.area_over.over_2 for picture in pictures)
    left = sum(picture.over_2_black_fitted or 0.0 for picture in pictures)
    if over / len(pictures) < TOUCHED_SHARE or left > over / 2:
        return []
    return [
        "Most of it is that the print's black is lighter than the file's: with --fit-black, which takes it for black "
        f"as the eye does, {per_cent(left / len(pictures))} of the area would be over 2 ΔE00 instead of "
        f"{per_cent(over / len(pictures))}."
    ]
