"""The printed page: a raster for what has pixels, and radial tables for the discs, both as light for a scanner."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..colorimetry import WHITE_D50, lab_to_xyz, xyz_to_lab
from ..key import Box, FlatField, HueSweep, NeutralWedge, PatchField, Ring, Sheet
from ..recipe import Recipe
from ..render import SheetPainter
from ..spaces import rgb_to_xyz_matrix
from ..sweeps import sweep_hue_deg, sweep_rgb
from ..wedge import neutral_rgb
from .damage import Cast, LostStep, MergedHues, ReversedStep, SweepDamage, WedgeDamage
from .printers import Printer, print_raster
from .ringpath import STEP_MM, RingPath

__all__ = ["Disc", "Page", "disc", "merge_hues", "print_page", "printed_steps", "step_lab", "to_light"]

Array = NDArray[np.float64]
Light = NDArray[np.float32]

_ROWS: Final = 256
_BLOCK: Final = 16
_BEYOND_MM: Final = 0.6
_PAPER16: Final = 65535
_SUBCOLUMNS: Final = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """A printed part of a sheet, discs left blank.

    Parameters
    ----------
    light
        (3, h, w) linear light in the scanner's primaries, a perfect white being 1.
    busy
        (h / 16, w / 16) whether a block has anything but bare paper in it or beside it.
    per_mm
        Raster pixels to a mm of the chart.
    corner_px
        (x, y) of the part's first pixel on the sheet's raster.
    paper
        (3,) light of bare paper.
    """

    light: Light
    busy: NDArray[np.bool_]
    per_mm: float
    corner_px: tuple[int, int]
    paper: Light

    def fill(self, out: Light, x_mm: Light, y_mm: Light) -> None:
        """Set light (3, h, w) at chart x and y in mm (h, w): linear between raster pixels, paper outside."""
        out[...] = self.paper[:, None, None]
        height, width = self.light.shape[1:]
        column = x_mm * np.float32(self.per_mm) - np.float32(self.corner_px[0] + 0.5)
        row = y_mm * np.float32(self.per_mm) - np.float32(self.corner_px[1] + 0.5)
        blocks_down, blocks_across = self.busy.shape
        inside = (column > -1) & (column < width) & (row > -1) & (row < height)
        block = np.clip(row * np.float32(1 / _BLOCK), 0, blocks_down - 1).astype(np.int32) * blocks_across
        block += np.clip(column * np.float32(1 / _BLOCK), 0, blocks_across - 1).astype(np.int32)
        inside &= self.busy.ravel().take(block)
        where = np.flatnonzero(inside)
        places = np.stack([row.ravel().take(where), column.ravel().take(where)])
        for channel in range(3):
            values: Any = ndimage.map_coordinates(
                self.light[channel], places, order=1, mode="constant", cval=float(self.paper[channel])
            )
            out[channel].ravel()[where] = values


@dataclass(frozen=True, slots=True, kw_only=True)
class Disc:
    """A ring's light by radius: ``light`` (3, n) in cells of `STEP_MM` from the middle to beyond the rim."""

    ring: Ring
    light: Light

    @property
    def reach_mm(self) -> float:
        """Radius where the table ends, on bare paper."""
        return float(self.light.shape[1] * STEP_MM)

    def fill(self, out: Light, x_mm: Light, y_mm: Light) -> None:
        """Set light (3, h, w) at chart x and y in mm (h, w) within reach."""
        dx = x_mm - np.float32(self.ring.centre_mm[0])
        dy = y_mm - np.float32(self.ring.centre_mm[1])
        cell = (np.sqrt(dx * dx + dy * dy) * np.float32(1 / STEP_MM)).astype(np.int32)
        inside = cell < self.light.shape[1]
        for channel in range(3):
            plane = out[channel]
            plane[inside] = self.light[channel].take(cell[inside])


def to_light(printer: Printer, scan_space: str) -> Array:
    """Return the matrix from XYZ relative to paper to a scanner's linear light."""
    on_paper = np.diag(np.asarray(printer.paper_xyz) / WHITE_D50)
    return np.asarray(np.linalg.inv(rgb_to_xyz_matrix(scan_space)) @ on_paper)


def disc(path: RingPath, matrix: Array, pixel_mm: float, bleed_mm: float) -> Disc:
    """Return a ring's light, averaged over a pixel of the chart's mm and spread by ink.

    A square pixel, seen across any edge, has the variance of a box of its own side along the radius.
    """
    beyond = math.ceil((_BEYOND_MM + 2 * pixel_mm + 4 * bleed_mm) / STEP_MM)
    xyz = np.concatenate([lab_to_xyz(path.lab), np.broadcast_to(WHITE_D50, (beyond, 3))])
    light: Any = matrix @ xyz.T
    if bleed_mm:
        light = ndimage.gaussian_filter1d(light, bleed_mm / STEP_MM, axis=1, mode="nearest")
    light = ndimage.uniform_filter1d(light, 2 * round(pixel_mm / STEP_MM / 2) + 1, axis=1, mode="nearest")
    return Disc(ring=path.ring, light=np.ascontiguousarray(light, dtype=np.float32))


def print_page(
    sheet: Sheet, recipe: Recipe, printer: Printer, *, region_mm: Box, dpi: int, scan_space: str,
    bleed_mm: float, damages: Sequence[SweepDamage | WedgeDamage],
) -> Page:  # fmt: skip
    """Print a region of a sheet (chart mm), all but its discs."""
    blank = sheet.model_copy(
        update={
            "tiles": tuple(
                tile.model_copy(update={"elements": tuple(e for e in tile.elements if not isinstance(e, Ring))})
                for tile in sheet.tiles
            )
        }
    )
    painter = SheetPainter(blank, recipe, dpi)
    per_mm = dpi / 25.4
    x, y, width, height = region_mm
    c0, r0 = max(math.floor(x * per_mm), 0), max(math.floor(y * per_mm), 0)
    c1 = max(min(math.ceil((x + width) * per_mm), painter.width_px), c0 + 1)
    r1 = max(min(math.ceil((y + height) * per_mm), painter.height_px), r0 + 1)
    matrix = to_light(printer, scan_space)
    paper = (matrix @ WHITE_D50).astype(np.float32)
    light = np.empty((3, r1 - r0, c1 - c0), dtype=np.float32)
    light[...] = paper[:, None, None]
    busy = np.zeros((r1 - r0, c1 - c0), dtype=np.bool_)
    brush = _Brush(recipe, printer, matrix.astype(np.float32), per_mm, c0, c1)
    flat, lines = brush.flat_colours(sheet, damages), brush.lines(sheet, damages)
    for start in range(r0, r1, _ROWS):
        stop = min(start + _ROWS, r1)
        pixels = painter.rows(start, stop)[:, c0:c1]
        inked = (pixels[..., 0] != _PAPER16) | (pixels[..., 1] != _PAPER16) | (pixels[..., 2] != _PAPER16)
        window = light[:, start - r0 : stop - r0]
        if inked.any():
            window[:, inked] = brush.light(print_raster(printer, recipe.space, pixels[inked]))
            brush.exact_patches(flat, window, start)
            brush.paint_lines(lines, window, start)
            brush.cast(sheet, damages, window, start, inked)
        busy[start - r0 : stop - r0] = inked
    if bleed_mm:
        for channel in range(3):
            light[channel] = ndimage.gaussian_filter(light[channel], bleed_mm * per_mm, mode="nearest")
    return Page(
        light=light,
        busy=_blocks(busy, 1 + math.ceil(4 * bleed_mm * per_mm / _BLOCK)),
        per_mm=per_mm,
        corner_px=(c0, r0),
        paper=paper,
    )


def _blocks(inked: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    height, width = inked.shape
    padded = np.zeros((-(-height // _BLOCK) * _BLOCK, -(-width // _BLOCK) * _BLOCK), dtype=np.bool_)
    padded[:height, :width] = inked
    blocks = padded.reshape(padded.shape[0] // _BLOCK, _BLOCK, -1, _BLOCK).any(axis=(1, 3))
    grown: NDArray[np.bool_] = ndimage.binary_dilation(blocks, np.ones((3, 3)), iterations=reach)
    return grown


def step_lab(wedge: NeutralWedge, recipe: Recipe, printer: Printer, damages: Sequence[WedgeDamage]) -> Array:
    """Return the printed CIELAB (n, 3) of a wedge's steps, relative to paper, with damage."""
    rgb = printed_steps(wedge, damages)
    lab = xyz_to_lab(printer.print_xyz(recipe.space, rgb))
    bare = (rgb == 1.0).all(axis=1)
    for damage in damages:
        if isinstance(damage, Cast) and damage.element == wedge.id:
            lab[~bare, 1:] += (damage.a, damage.b)
    return lab


def printed_steps(wedge: NeutralWedge, damages: Sequence[Any]) -> Array:
    """Return the encoded RGB (n, 3) that a wedge's steps are printed as, with lost and reversed steps."""
    rgb = np.array([step.rgb for step in wedge.steps])
    order = {step.step: index for index, step in enumerate(wedge.steps)}
    for damage in damages:
        if not isinstance(damage, LostStep | ReversedStep) or damage.element != wedge.id:
            continue
        this = order[damage.step]
        if isinstance(damage, LostStep):
            rgb[this] = rgb[this - 1]
        else:
            rgb[[this - 1, this]] = rgb[[this, this - 1]]
    return rgb


def merge_hues(space: str, damage: MergedHues, fraction: Array) -> Array:
    """Return the places along a sweep, 0 to 1, whose colours are printed at places of it."""
    hue = sweep_hue_deg(space, damage.level, fraction)
    ladder = np.linspace(0.0, 1.0, 20001)
    first = np.interp(damage.from_deg, sweep_hue_deg(space, damage.level, ladder), ladder)
    return np.where((hue >= damage.from_deg) & (hue < damage.to_deg), first, fraction)


@dataclass(frozen=True, slots=True)
class _Brush:
    """Paints printed colour over a window of the page's raster (3, rows, columns c0 to c1)."""

    recipe: Recipe
    printer: Printer
    matrix: Light
    per_mm: float
    c0: int
    c1: int

    def light(self, xyz: NDArray[Any]) -> Light:
        """Turn XYZ (3, n) relative to paper into light (3, n)."""
        return np.asarray(self.matrix @ xyz.astype(np.float32), dtype=np.float32)

    def _window(self, box: Box, start: int, rows: int) -> tuple[slice, slice] | None:
        x, y, width, height = (value * self.per_mm for value in box)
        r0, r1 = max(math.ceil(y - 0.5), start), min(math.ceil(y + height - 0.5), start + rows)
        c0, c1 = max(math.ceil(x - 0.5), self.c0), min(math.ceil(x + width - 0.5), self.c1)
        return (slice(r0 - start, r1 - start), slice(c0 - self.c0, c1 - self.c0)) if r0 < r1 and c0 < c1 else None

    def exact_patches(self, flat: Sequence[tuple[Box, Array]], window: Light, start: int) -> None:
        """Paint patches, flat fields and wedge steps, where the raster's table would be out by a little."""
        for box, xyz in flat:
            part = self._window(box, start, window.shape[1])
            if part is not None:
                window[:, part[0], part[1]] = self.light(xyz[:, None])[:, :, None]

    def flat_colours(self, sheet: Sheet, damages: Sequence[Any]) -> list[tuple[Box, Array]]:
        """Return boxes and XYZ relative to paper of all that is one colour, printed exactly."""
        found: list[tuple[Box, Array]] = []
        for element in (e for tile in sheet.tiles for e in tile.elements):
            if isinstance(element, NeutralWedge):
                mine = [d for d in damages if isinstance(d, LostStep | ReversedStep)]
                lab = step_lab(element, self.recipe, self.printer, mine)
                found += [(s.box_mm, lab_to_xyz(row)) for s, row in zip(element.steps, lab, strict=True)]
            elif isinstance(element, PatchField):
                xyz = self.printer.print_xyz(self.recipe.space, [patch.rgb for patch in element.patches])
                found += [(p.box_mm, row) for p, row in zip(element.patches, xyz, strict=True)]
            elif isinstance(element, FlatField):
                found.append((element.box_mm, self.printer.print_xyz(self.recipe.space, element.rgb)))
        return found

    def lines(self, sheet: Sheet, damages: Sequence[Any]) -> list[tuple[Box, Light]]:
        """Return boxes and light (3, columns) of sweeps and ramps, printed exactly, averaged over places a column."""
        found: list[tuple[Box, Light]] = []
        space = self.recipe.space
        for element in (e for tile in sheet.tiles for e in tile.elements):
            if isinstance(element, NeutralWedge):
                fraction = self._fractions(element.ramp_box_mm)
                found.append((element.ramp_box_mm, self._columns(neutral_rgb(space, 100.0 * fraction))))
            elif isinstance(element, HueSweep):
                for band in element.rows:
                    fraction = self._fractions(band.box_mm)
                    for damage in damages:
                        if isinstance(damage, MergedHues) and (damage.element, damage.level) == (
                            element.id,
                            band.level,
                        ):
                            fraction = merge_hues(space, damage, fraction)
                    found.append((band.box_mm, self._columns(sweep_rgb(space, band.level, fraction))))
        return found

    def _fractions(self, box: Box) -> Array:
        """Return places (columns, places a column) along a box's width, 0 to 1, for all its columns on the sheet."""
        x, _, width, _ = box
        first, last = (math.ceil(edge * self.per_mm - 0.5) for edge in (x, x + width))
        place = np.arange(first, last)[:, None] + (np.arange(_SUBCOLUMNS) + 0.5) / _SUBCOLUMNS
        return np.clip((place / self.per_mm - x) / width, 0.0, 1.0)

    def _columns(self, rgb: Array) -> Light:
        return self.light(self.printer.print_xyz(self.recipe.space, rgb).mean(axis=1).T)

    def paint_lines(self, lines: Sequence[tuple[Box, Light]], window: Light, start: int) -> None:
        """Paint sweeps and ramps over a window."""
        for box, light in lines:
            part = self._window(box, start, window.shape[1])
            if part is not None:
                first = math.ceil(box[0] * self.per_mm - 0.5)
                columns = slice(part[1].start + self.c0 - first, part[1].stop + self.c0 - first)
                window[:, part[0], part[1]] = light[:, None, columns]

    def cast(self, sheet: Sheet, damages: Sequence[Any], window: Light, start: int, inked: NDArray[np.bool_]) -> None:
        """Shift all inked pixels of a wedge's steps and ramp by a* and b*."""
        wedges = {e.id: e for tile in sheet.tiles for e in tile.elements if isinstance(e, NeutralWedge)}
        back = np.linalg.inv(self.matrix.astype(np.float64))
        for damage in damages:
            if not isinstance(damage, Cast):
                continue
            wedge = wedges[damage.element]
            for box in [*(step.box_mm for step in wedge.steps), wedge.ramp_box_mm]:
                part = self._window(box, start, window.shape[1])
                if part is None:
                    continue
                view, mask = window[:, part[0], part[1]], inked[part]
                lab = xyz_to_lab((back @ view[:, mask].astype(np.float64)).T)
                lab[:, 1:] += (damage.a, damage.b)
                view[:, mask] = self.light(lab_to_xyz(lab).T)
