"""Which pieces of a photographer's pictures a proof strip shows: those where the two sides differ most as seen."""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.errors import CannotMeasureError
from inkstrain.targets.spaces import xyz_to_rgb
from inkstrain.targets.strip import StripPiece, StripSheet, slots, write_strip
from inkstrain.targets.values import Value

from ..results.score import Viewing
from .look import Seen, Watch, look_at_photos
from .reading import Picture, open_picture
from .sides import Side

__all__ = ["StripList", "StripPlace", "make_strip"]

Box = tuple[int, int, int, int]

_LEAST_DE00: Final = 0.5
_EACH_MOST: Final = 4


class StripPlace(Value):
    """One piece of a strip: where it is from, and what is expected there."""

    file: str
    box_px: Box
    on_sheet_mm: tuple[float, float, float]
    mean_de00: float


class StripList(Value):
    """What is on a strip."""

    code: str
    sheet: str
    long_edge_mm: float
    a: str
    b: str
    places: tuple[StripPlace, ...]


def make_strip(
    named: Sequence[Path],
    sides: tuple[Side, Side | None],
    sheet: StripSheet,
    long_edge_mm: float,
    folder: Path,
    watch: Watch | None = None,
) -> tuple[tuple[Path, ...], int]:
    """Write a strip and the list of what is on it into a folder; return both and how many pieces there are.

    Raises
    ------
    CannotMeasureError
        If no picture can be looked at, or the sides differ nowhere.
    """
    places = slots(sheet)
    best: list[tuple[float, int, Path, Box]] = []
    order = itertools.count()

    def keep(seen: Seen) -> None:
        for mean, box in _boxes(seen, places[0][2], long_edge_mm):
            heapq.heappush(best, (mean, next(order), seen.path, box))
            if len(best) > len(places):
                heapq.heappop(best)

    viewing = Viewing(distance_mm=400.0, luminance_cd_m2=143.0)
    found = look_at_photos(named, *sides, viewing, long_edge_mm=long_edge_mm, watch=watch, keep=keep)
    if not best:
        raise CannotMeasureError(
            "The two ways of printing differ nowhere in these pictures: there is nothing to proof."
        )
    pieces, placed = [], []
    for slot, (mean, _, path, box) in zip(places, sorted(best, reverse=True), strict=False):
        with open_picture(path) as picture:
            pixels = _piece(picture, box, sheet, long_edge_mm)
        pieces.append(StripPiece(pixels=pixels, caption=f"{path.name[:28]} · differs by {mean:.1f}"))
        placed.append(StripPlace(file=str(path), box_px=box, on_sheet_mm=slot, mean_de00=mean))
    label_b = found.b.label if found.b else "what the file asks for"
    heading = (
        f"A: {found.a.label[:60]}",
        f"B: {label_b[:60]}",
        f"differences in CIEDE2000 · prints {long_edge_mm:g} mm long · printed as A or B: ____",
    )
    target = folder / "proof-strip.tif"
    code = write_strip(pieces, sheet, heading, target)
    listing = StripList(
        code=code, sheet=target.name, long_edge_mm=long_edge_mm, a=found.a.label, b=label_b, places=tuple(placed)
    )
    listed = folder / "proof-strip.json"
    listed.write_text(listing.model_dump_json(indent=1) + "\n", encoding="utf-8")
    return (target, listed), len(pieces)


def _boxes(seen: Seen, side_mm: float, long_edge_mm: float) -> list[tuple[float, Box]]:
    """Return the windows of a piece's size that differ most, none overlapping, with their mean difference."""
    view, looked = seen.view, seen.looked
    px_per_mm = max(view.width_px, view.height_px) / long_edge_mm
    side = max(1, round(side_mm * px_per_mm / looked.factor))
    left = looked.seen_de00.astype(np.float64)
    rows, columns = left.shape
    high, wide = min(side, rows), min(side, columns)
    found: list[tuple[float, Box]] = []
    while len(found) < _EACH_MOST:
        sums = np.pad(left, ((1, 0), (1, 0))).cumsum(axis=0).cumsum(axis=1)
        means = (sums[high:, wide:] - sums[:-high, wide:] - sums[high:, :-wide] + sums[:-high, :-wide]) / (high * wide)
        y, x = (int(i) for i in np.unravel_index(int(np.argmax(means)), means.shape))
        if means[y, x] < _LEAST_DE00:
            break
        x0, y0 = x * looked.factor, y * looked.factor
        box = (x0, y0, min(wide * looked.factor, view.width_px - x0), min(high * looked.factor, view.height_px - y0))
        found.append((float(means[y, x]), box))
        # so that no later window overlaps this one
        left[max(0, y - high + 1) : y + high, max(0, x - wide + 1) : x + wide] -= 1e3
    return found


def _piece(picture: Picture, box: Box, sheet: StripSheet, long_edge_mm: float) -> NDArray[np.uint16]:
    """Return a window of a picture at print size in the sheet's space; colours beyond it are cut off."""
    from PIL import Image

    pixels = picture.box(box)
    encoded = (
        xyz_to_rgb(sheet.space, picture.source.to_xyz(picture.values(pixels)))
        .reshape(*pixels.shape[:2], 3)
        .astype(np.float32)
    )
    scale = long_edge_mm / max(picture.width, picture.height) * sheet.dpi / 25.4
    size = (max(1, round(box[2] * scale)), max(1, round(box[3] * scale)))
    planes = [
        np.asarray(Image.fromarray(np.ascontiguousarray(encoded[..., i])).resize(size, Image.Resampling.LANCZOS))
        for i in range(3)
    ]
    return np.asarray(np.rint(np.clip(np.stack(planes, axis=-1), 0.0, 1.0) * 65535.0), dtype=np.uint16)
