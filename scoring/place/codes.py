"""Find the code of every tile in a scan, whichever way up, and tell a mirror image."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import zxingcpp

from inkstrain.targets.errors import CannotMeasureError, WrongUsageError
from inkstrain.targets.recipe import Recipe, parse_code
from inkstrain.targets.strip import STRIP_CODE

from ..read.overview import Overview

__all__ = ["Code", "find_codes"]

Floats = npt.NDArray[np.float64]

_LEAST_CORRELATION: Final = 0.5
"""A symbol read by the decoder correlates above 0.8 with its own modules, and about 0 with its mirror image."""
_SCALES: Final = (1, -2, -3, 2, 4)
"""Pictures tried: the overview, then averaged 2 × 2 and 3 × 3 (grain), then enlarged (small codes)."""
_ENLARGED_MOST_PX: Final = 30_000_000
_SHOWN: Final = 40
_A_STRIP: Final = (
    "This is a proof strip of pictures, made to be looked at; there is nothing on it to score. "
    "Scan a chart, which 'inkstrain make' makes without --from-photos."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Code:
    """One tile's code as found.

    Attributes
    ----------
    corners_px : float array, shape (4, 2)
        The symbol's corners (x, y) in scan px: top left, top right, bottom right, bottom left of the symbol as
        printed, without its quiet zone. Good to about an overview pixel.
    mirrored : bool
        Whether the stored picture shows the symbol as in a mirror.
    """

    recipe: Recipe
    sheet: int
    tile: int
    corners_px: Floats
    mirrored: bool


def find_codes(overview: Overview) -> tuple[Code, ...]:
    """Return the codes of tiles in the overview, each tile once, by sheet and tile.

    Raises
    ------
    CannotMeasureError
        If there is none; the sentence names a code of something else, or a damaged one of ours, if that is all
        there is.
    """
    found: dict[tuple[Recipe, int, int], Code] = {}
    strangers: list[str] = []
    wrong: list[str] = []
    for picture, factor in _pictures(overview):
        for text, corners in _read(picture):
            if text.startswith(STRIP_CODE):
                wrong.append(_A_STRIP)
                continue
            try:
                recipe, sheet, tile = parse_code(text)
            except WrongUsageError as error:
                (wrong if text.startswith("INKSTRAIN") else strangers).append(
                    str(error) if text.startswith("INKSTRAIN") else text
                )
                continue
            upright, mirrored = _upright(picture, text, corners)
            earlier = found.get((recipe, sheet, tile))
            if earlier is not None:
                _refuse_twice(earlier, upright * factor)
                continue
            found[recipe, sheet, tile] = Code(
                recipe=recipe, sheet=sheet, tile=tile, corners_px=upright * factor, mirrored=mirrored
            )
        # the two first pictures are always read: what one misses in a scan of several tiles the other has
        if found and factor >= 2 * overview.factor:
            break
    if found:
        return tuple(sorted(found.values(), key=lambda code: (code.sheet, code.tile, code.recipe.text)))
    if wrong:
        raise CannotMeasureError(wrong[0])
    if strangers:
        shown = strangers[0][:_SHOWN] + ("…" if len(strangers[0]) > _SHOWN else "")
        raise CannotMeasureError(
            f"The only code in the scan is not one of an inkstrain chart (it reads {shown!r}). "
            "Scan the side with the rings, the whole tile with its square code."
        )
    raise CannotMeasureError(
        "No inkstrain chart was found: its square code cannot be read. "
        "Scan the whole tile face down at 300 to 600 dpi, code included, and wipe the glass."
    )


def _refuse_twice(earlier: Code, corners_px: Floats) -> None:
    side_px = float(np.hypot(*(earlier.corners_px[1] - earlier.corners_px[0])))
    apart_px = float(np.hypot(*(earlier.corners_px.mean(axis=0) - corners_px.mean(axis=0))))
    if apart_px > 0.5 * side_px:
        raise CannotMeasureError(
            f"The scan shows tile {earlier.tile} of sheet {earlier.sheet} twice. "
            "Crop it so that each file holds one print."
        )


def _pictures(overview: Overview) -> Iterator[tuple[npt.NDArray[np.uint8], float]]:
    """Yield pictures to read with their scan px per picture px."""
    grey = overview.grey
    for scale in _SCALES:
        if scale == 1:
            yield grey, float(overview.factor)
        elif scale < 0:
            height, width = (side // -scale for side in grey.shape)
            if min(height, width) >= 40:
                blocks = grey[: height * -scale, : width * -scale].reshape(height, -scale, width, -scale)
                yield blocks.mean(axis=(1, 3)).astype(np.uint8), float(overview.factor * -scale)
        elif grey.size * scale * scale <= _ENLARGED_MOST_PX:
            from PIL import Image

            size = (grey.shape[1] * scale, grey.shape[0] * scale)
            enlarged = Image.fromarray(grey).resize(size, Image.Resampling.BICUBIC)
            yield np.asarray(enlarged), overview.factor / scale


def _read(picture: npt.NDArray[np.uint8]) -> Iterator[tuple[str, Floats]]:
    read = zxingcpp.read_barcodes(
        np.ascontiguousarray(picture), formats=zxingcpp.BarcodeFormat.QRCode, try_invert=False
    )
    for barcode in read:
        at = barcode.position
        points = (at.top_left, at.top_right, at.bottom_right, at.bottom_left)
        yield barcode.text, np.array([(point.x, point.y) for point in points], dtype=np.float64)


def _upright(picture: npt.NDArray[np.uint8], text: str, corners: Floats) -> tuple[Floats, bool]:
    """Return the corners in the symbol's own order, and whether it is mirrored.

    The decoder gives a mirrored symbol's corners as if it were not; only the modules tell. So the symbol is drawn
    again and compared under the eight ways in which a square can lie.
    """
    modules = _modules(text)
    best, order, mirrored = -1.0, [0, 1, 2, 3], False
    for flip in (False, True):
        for turn in range(4):
            trial = np.roll([0, 1, 2, 3], -turn) if not flip else np.roll([0, 3, 2, 1], -turn)
            score = _correlation(picture, modules, corners[trial])
            if score > best:
                best, order, mirrored = score, trial.tolist(), flip
    if best < _LEAST_CORRELATION:  # drawn with another mask or version: only the decoder's word is left
        return corners, False
    return corners[order], mirrored


def _modules(text: str) -> npt.NDArray[np.bool_]:
    """Return the symbol's modules, True for dark, without its quiet zone."""
    drawn = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.QRCode, ec_level="M").to_image(
        scale=1, add_quiet_zones=False
    )
    return np.asarray(drawn) < 128


def _correlation(picture: npt.NDArray[np.uint8], modules: npt.NDArray[np.bool_], corners: Floats) -> float:
    """Return the correlation of the modules with the picture at their places between the corners."""
    count = len(modules)
    across = (np.arange(count) + 0.5) / count
    u, v = np.meshgrid(across, across)
    weights = np.stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v], axis=-1)
    x, y = np.moveaxis(weights @ corners, -1, 0).astype(np.intp)
    height, width = picture.shape
    seen = picture[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)].astype(np.float64)
    if seen.std() == 0:
        return -1.0
    return float(np.corrcoef(seen.ravel(), np.where(modules, 0.0, 1.0).ravel())[0, 1])
