"""A page printed in dots: which inks lie on each half cell of the raster, and the light that a scanner's pixel gets.

The page is printed in bands and kept as one byte a half cell, a bit for each ink: 200 MB for A4 at 720 dpi. Light is
made from it block by block, whatever the rotation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..key import Box, PatchField, Sheet
from ..recipe import Recipe
from ..render import SheetPainter
from .dotplan import CellPlan, Tint
from .inkjet import VirtualInkjet
from .inks import overprints_xyz
from .page import to_light
from .ringpath import RingPath
from .screens import (
    MARGIN,
    DropScatter,
    Screen,
    blue_noise,
    drop_stream,
    drops_for,
    head_volumes,
    lay_drops,
    screen_sizes,
)

__all__ = ["DotPage", "print_dots"]

Array = NDArray[np.float64]
Light = NDArray[np.float32]

_BAND: Final = 32  # rows of cells printed at once: they stay in a processor's cache
_BLOCK: Final = 128  # columns of the scan filled at once
_BLEED_SIGMAS: Final = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DotPage:
    """A printed part of a sheet.

    Parameters
    ----------
    inks
        (h, w) uint8, a bit for each ink, by half cells.
    first_mm
        (x, y) of the first half cell's corner on the chart.
    half_cell_mm
        Side of a half cell.
    overprints
        (2^inks, 3) XYZ of the dots.
    matrix
        From XYZ to the scanner's light.
    tints
        Damage to colour.
    pixel_mm, bleed_mm
        Side of a scanner's pixel and Gaussian sigma of ink spread, in the chart's mm.
    """

    inks: NDArray[np.uint8]
    first_mm: tuple[float, float]
    half_cell_mm: float
    overprints: Light
    matrix: Light
    tints: Sequence[Tint]
    pixel_mm: float
    bleed_mm: float

    @property
    def paper(self) -> Light:
        """Light of bare paper, (3,)."""
        return np.asarray(self.matrix @ self.overprints[0], dtype=np.float32)

    def fill(self, out: Light, x_mm: Light, y_mm: Light) -> None:
        """Set light (3, h, w), averaged over a pixel, at chart x and y in mm (h, w); paper outside.

        A pixel is a square along the sheet, however the sheet lies: seen across any edge, it has the variance of a box
        of its own side.
        """
        out[...] = self.paper[:, None, None]
        for start in range(0, x_mm.shape[1], _BLOCK):
            part = slice(start, start + _BLOCK)
            self._fill(out[:, :, part], x_mm[:, part], y_mm[:, part])

    def _fill(self, out: Light, x_mm: Light, y_mm: Light) -> None:
        per_mm, half = 1 / self.half_cell_mm, self.pixel_mm / self.half_cell_mm / 2
        across = (x_mm.astype(np.float64) - self.first_mm[0]) * per_mm
        down = (y_mm.astype(np.float64) - self.first_mm[1]) * per_mm
        spread = math.ceil(_BLEED_SIGMAS * self.bleed_mm * per_mm)
        edge = half + 2 + spread
        c0, c1 = math.floor(across.min() - edge), math.ceil(across.max() + edge)
        r0, r1 = math.floor(down.min() - edge), math.ceil(down.max() + edge)
        height, width = self.inks.shape
        seen = self.inks[max(r0, 0) : max(r1, 0), max(c0, 0) : max(c1, 0)]
        if not seen.any():
            return
        inks = np.pad(seen, ((max(-r0, 0), max(r1 - max(height, r0), 0)), (max(-c0, 0), max(c1 - max(width, c0), 0))))
        light = self._light(inks, r0, c0)
        if spread:
            light = np.stack([ndimage.gaussian_filter(plane, self.bleed_mm * per_mm) for plane in light])
        sums = np.zeros((3, inks.shape[0] + 1, inks.shape[1] + 1))
        np.cumsum(light, axis=2, out=sums[:, 1:, 1:], dtype=np.float64)
        np.cumsum(sums, axis=1, out=sums)
        across -= c0
        down -= r0
        total = _area_sums(sums, down - half, down + half, across - half, across + half)
        out[...] = total / (4 * half * half)

    def _middles(self, axis: int, first: int, count: int) -> Array:
        return np.asarray(self.first_mm[axis] + (first + np.arange(count) + 0.5) * self.half_cell_mm, dtype=np.float64)

    def _light(self, inks: NDArray[np.uint8], row: int, column: int) -> Light:
        """Return light (3, h, w) of half cells, the first of which is (row, column)."""
        index = inks.astype(np.intp)
        if not self.tints:
            lights = self.overprints @ self.matrix.T
            return np.stack([lights[:, channel].take(index) for channel in range(3)])
        xyz = np.stack([self.overprints[:, channel].take(index) for channel in range(3)])
        x = self._middles(0, column, inks.shape[1])
        y = self._middles(1, row, inks.shape[0])
        for tint in self.tints:
            tint.apply(xyz, x, y)
        return np.asarray(np.tensordot(self.matrix, xyz, axes=1), dtype=np.float32)


def _area_sums(sums: Array, top: Array, bottom: Array, left: Array, right: Array) -> Array:
    """Return sums (3, h, w) over rectangles with fractional sides, from running sums (3, H, W): exact for squares."""
    width = sums.shape[2]
    flat = sums.reshape(3, -1)
    total = np.zeros((3, *top.shape))
    sides = [(np.floor(place).astype(np.intp), place % 1.0) for place in (top, bottom, left, right)]
    for (row, row_part), row_sign in zip(sides[:2], (-1.0, 1.0), strict=True):
        for down, row_weight in ((0, 1.0 - row_part), (width, row_part)):
            base = row * width + down
            for (column, column_part), sign in zip(sides[2:], (-row_sign, row_sign), strict=True):
                for step, weight in ((0, 1.0 - column_part), (1, column_part)):
                    place, share = base + (column + step), sign * row_weight * weight
                    for channel in range(3):
                        total[channel] += share * flat[channel].take(place)
    return total


def print_dots(
    sheet: Sheet, recipe: Recipe, printer: VirtualInkjet, paths: Sequence[RingPath], damages: Sequence[Any], *,
    region_mm: Box, scan_space: str, pixel_mm: float, bleed_mm: float, seed: int,
) -> DotPage:  # fmt: skip
    """Print a region of a sheet (chart mm) in dots, its discs by their paths."""
    screen = printer.screen
    if screen is None:
        raise ValueError(f"{printer.name} lays no dots")
    per_mm = screen.dpi / 25.4
    x, y, width, height = region_mm
    painter = SheetPainter(_without_figures(sheet), recipe, screen.dpi)
    c0, r0 = max(math.floor(x * per_mm), 0), max(math.floor(y * per_mm), 0)
    c1 = max(min(math.ceil((x + width) * per_mm), painter.width_px), c0 + 1)
    r1 = max(min(math.ceil((y + height) * per_mm), painter.height_px), r0 + 1)
    plan = CellPlan(sheet, recipe, printer, paths, damages, per_mm)
    drops = Drops(screen, drops_for(screen, plan.palette_covers), seed, (painter.height_px, painter.width_px))
    page = np.zeros((2 * (r1 - r0) + 8, 2 * (c1 - c0) + 8), dtype=np.uint8)
    for start in range(r0, r1, _BAND):
        rows = range(start, min(start + _BAND, r1))
        numbers = plan.numbers(painter, rows, range(c0, c1))
        drops.lay(page[2 * (start - r0) :], numbers, rows.start, c0)
    half_cell = 1 / per_mm / 2
    return DotPage(
        inks=page,
        first_mm=((2 * c0 - MARGIN) * half_cell, (2 * r0 - MARGIN) * half_cell),
        half_cell_mm=half_cell,
        overprints=overprints_xyz(printer.inks).astype(np.float32),
        matrix=to_light(printer, scan_space).astype(np.float32),
        tints=plan.tints,
        pixel_mm=pixel_mm,
        bleed_mm=bleed_mm,
    )


def _without_figures(sheet: Sheet) -> Sheet:
    """Return a sheet with only its marks, codes and text; a patch field stays, since its labels are text."""
    return sheet.model_copy(
        update={
            "tiles": tuple(
                tile.model_copy(update={"elements": tuple(e for e in tile.elements if isinstance(e, PatchField))})
                for tile in sheet.tiles
            )
        }
    )


class Drops:
    """A print's drops, the same wherever a crop of it begins.

    Parameters
    ----------
    amounts
        (palette, inks) what each number asks for, 0 to 65535.
    size
        (rows, columns) of the whole sheet in cells.
    """

    def __init__(self, screen: Screen, amounts: NDArray[np.uint16], seed: int, size: tuple[int, int]) -> None:
        height, width = size
        self.amounts = np.ascontiguousarray(amounts.T)
        self.scatter = DropScatter.draw(screen, drop_stream(seed))
        self.thresholds, self.corner, self.volumes, self.begins = [], [], [], []
        pool = self.scatter.across.shape[1]
        for ink in range(len(self.amounts)):
            rng = drop_stream(seed, ink)
            tile = blue_noise(screen_sizes(ink + 1)[ink])
            self.thresholds.append(np.tile(tile, (1, -(-width // len(tile)) + 1)))
            self.corner.append(rng.integers(len(tile), size=2).tolist())
            nozzles = head_volumes(screen, ink)
            self.volumes.append(nozzles[(rng.integers(len(nozzles)) + np.arange(height)) % len(nozzles)])
            self.begins.append(rng.integers(0, pool, height))

    def lay(self, page: NDArray[np.uint8], numbers: NDArray[np.int32], row: int, column: int) -> None:
        """Lay the drops of a band of cells, whose palette numbers are given, on a page that begins there."""
        inked = np.flatnonzero(numbers.any(axis=0))
        if not inked.size:
            return
        first, last = int(inked[0]), int(inked[-1]) + 1
        numbers = numbers[:, first:last]
        window = page[: 2 * len(numbers) + 8, 2 * first : 2 * last + 8]
        for ink, amounts in enumerate(self.amounts):
            asked = amounts.take(numbers)
            if not asked.any():
                continue
            thresholds = self.thresholds[ink]
            size = len(thresholds)
            start = (self.corner[ink][0] + column + first) % size
            lines = (np.arange(row, row + len(numbers)) + self.corner[ink][1]) % size
            wanted = asked > thresholds[lines, start : start + last - first]
            place = column + first + np.arange(last - first)
            across, down = np.empty(wanted.shape, np.uint8), np.empty(wanted.shape, np.uint8)
            for line in range(len(numbers)):
                volume = self.volumes[ink][row + line]
                begin = self.begins[ink][row + line]
                across[line] = self.scatter.across[volume].take(begin + place, mode="wrap")
                down[line] = self.scatter.down[volume].take(begin + place, mode="wrap")
            lay_drops(window, wanted, across, down, ink)
