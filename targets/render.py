"""Drawing a sheet in rows, so that memory does not grow with it.

Pixel (0, 0) has its centre at (0.5, 0.5); a millimetre is dpi / 25.4 pixels from the sheet's top left corner.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .key import Box, Element, FlatField, HueSweep, NeutralWedge, PatchField, Ring, Sheet, Tile
from .labels import field_labels
from .marks import caption_coverage, code_modules, label_coverage, mark_coverage
from .recipe import Recipe
from .rings import ring_rgb
from .spaces import decode, encode
from .sweeps import sweep_rgb
from .wedge import neutral_rgb

__all__ = ["SheetPainter", "render_rows", "sheet_size_px"]

Pixels = NDArray[np.uint16]
Paint = Callable[[Pixels, int], None]

_WHITE: Final = 65535
_TABLE_STEPS_PER_PX: Final = 24


@dataclass(frozen=True, slots=True)
class _Figure:
    """Something painted between two rows; ``paint`` gets the window and the number of its first row."""

    row0: int
    row1: int
    paint: Paint


def sheet_size_px(sheet: Sheet, dpi: int) -> tuple[int, int]:
    """Return width and height of a sheet in pixels."""
    return round(sheet.width_mm * dpi / 25.4), round(sheet.height_mm * dpi / 25.4)


def _levels(rgb: NDArray[np.float64]) -> Pixels:
    return np.rint(np.clip(rgb, 0.0, 1.0) * _WHITE).astype(np.uint16)


class SheetPainter:
    """Paints any rows of one sheet at one resolution, in the chart's space, 16 bits a channel."""

    def __init__(self, sheet: Sheet, recipe: Recipe, dpi: int) -> None:
        self.width_px, self.height_px = sheet_size_px(sheet, dpi)
        self._dpi = dpi
        self._recipe = recipe
        figures: list[_Figure] = []
        for tile in sheet.tiles:
            for element in tile.elements:
                figures += self._element(element)
            figures += self._tile(tile)
        self._figures = figures

    def rows(self, row0: int, row1: int) -> Pixels:
        """Return rows ``row0`` to ``row1`` (exclusive) as an array (rows, width, 3)."""
        out = np.full((row1 - row0, self.width_px, 3), _WHITE, dtype=np.uint16)
        for figure in self._figures:
            if figure.row0 < row1 and figure.row1 > row0:
                figure.paint(out, row0)
        return out

    def _px(self, mm: float) -> float:
        return mm * self._dpi / 25.4

    def _columns_rows(self, box: Box) -> tuple[int, int, int, int]:
        """Return the pixels whose centres lie in a box: first and past-last column, first and past-last row."""
        x, y, width, height = box
        edges = (x, x + width, y, y + height)
        c0, c1, r0, r1 = (int(np.ceil(self._px(edge) - 0.5)) for edge in edges)
        return max(c0, 0), min(c1, self.width_px), max(r0, 0), min(r1, self.height_px)

    def _element(self, element: Element) -> list[_Figure]:
        space = self._recipe.space
        match element:
            case Ring():
                return [self._ring(element)]
            case HueSweep():
                return [self._line(row.box_mm, functools.partial(sweep_rgb, space, row.level)) for row in element.rows]
            case NeutralWedge():
                ramp = self._line(element.ramp_box_mm, lambda fraction: neutral_rgb(space, 100.0 * fraction))
                return [self._solid(step.box_mm, step.rgb) for step in element.steps] + [ramp]
            case PatchField():
                return [self._solid(patch.box_mm, patch.rgb) for patch in element.patches]
            case FlatField():
                return [self._solid(element.box_mm, element.rgb)]

    def _solid(self, box: Box, rgb: tuple[float, float, float]) -> _Figure:
        return self._line(box, lambda fraction: np.broadcast_to(np.asarray(rgb), (fraction.size, 3)))

    def _line(self, box: Box, colour: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> _Figure:
        """A box whose colour depends on the place along its width only."""
        c0, c1, r0, r1 = self._columns_rows(box)
        fraction = ((np.arange(c0, c1) + 0.5) / self._px(1.0) - box[0]) / box[2]
        levels = _levels(colour(np.clip(fraction, 0.0, 1.0)))

        def paint(out: Pixels, row0: int) -> None:
            out[max(r0 - row0, 0) : max(r1 - row0, 0), c0:c1] = levels

        return _Figure(r0, r1, paint)

    def _ring(self, ring: Ring) -> _Figure:
        """A disc, its colour looked up by radius in steps of 1/24 pixel; its outer edge is blended over one pixel."""
        x, y = (self._px(value) for value in ring.centre_mm)
        radius = self._px(ring.radius_mm)
        r = (np.arange(int(np.ceil((radius + 1) * _TABLE_STEPS_PER_PX)) + 2)) / _TABLE_STEPS_PER_PX
        rgb = ring_rgb(ring, self._recipe, r / self._px(1.0))
        cover = np.clip(radius - r + 0.5, 0.0, 1.0)[:, None]
        space = self._recipe.space
        edge = cover[:, 0] < 1.0
        rgb[edge] = encode(space, decode(space, rgb[edge]) * cover[edge] + (1.0 - cover[edge]))
        table = _levels(rgb)
        c0, r0 = int(np.floor(x - radius - 1)), int(np.floor(y - radius - 1))
        size = int(np.ceil(2 * radius)) + 3
        c1, r1 = min(c0 + size, self.width_px), min(r0 + size, self.height_px)
        c0, r0 = max(c0, 0), max(r0, 0)
        dx2 = ((np.arange(c0, c1) + 0.5 - x) ** 2).astype(np.float32)

        def paint(out: Pixels, row0: int) -> None:
            first, last = max(r0, row0), min(r1, row0 + out.shape[0])
            dy2 = ((np.arange(first, last) + 0.5 - y) ** 2).astype(np.float32)
            index = np.sqrt(dx2 + dy2[:, None])
            index *= _TABLE_STEPS_PER_PX
            index += 0.5
            place = np.minimum(index.astype(np.int32), len(table) - 1)
            window = out[first - row0 : last - row0, c0:c1]
            inside = place < len(table) - 1
            window[inside] = table[place[inside]]

        return _Figure(r0, r1, paint)

    def _tile(self, tile: Tile) -> list[_Figure]:
        figures = []
        for mark in tile.marks_mm:
            centre = (self._px(mark[0]), self._px(mark[1]))
            figures.append(self._ink(*mark_coverage(centre, self._px(tile.mark_radius_mm))))
        figures.append(self._ink(*caption_coverage(tile, self._dpi)))
        for element in tile.elements:
            if isinstance(element, PatchField):
                labels = field_labels(element, tile.marks_mm)
                figures += [self._ink(*label_coverage(label, self._dpi)) for label in labels]
        figures.append(self._code(tile))
        return figures

    def _ink(self, column: int, row: int, coverage: NDArray[np.float32]) -> _Figure:
        """Black of partial coverage, blended with white paper in linear light."""
        levels = _levels(encode(self._recipe.space, 1.0 - coverage.astype(np.float64)))[..., None]
        height, width = coverage.shape

        def paint(out: Pixels, row0: int) -> None:
            first, last = max(row, row0), min(row + height, row0 + out.shape[0])
            part = levels[first - row : last - row]
            window = out[first - row0 : last - row0, column : column + width]
            np.minimum(window, part[:, : window.shape[1]], out=window)

        return _Figure(row, row + height, paint)

    def _code(self, tile: Tile) -> _Figure:
        modules = code_modules(tile.code)
        x, y, width, height = tile.code_box_mm
        c0, c1, r0, r1 = self._columns_rows(tile.code_box_mm)
        u = np.floor(((np.arange(c0, c1) + 0.5) / self._px(1.0) - x) / width * len(modules)).astype(int)
        v = np.floor(((np.arange(r0, r1) + 0.5) / self._px(1.0) - y) / height * len(modules)).astype(int)
        top = len(modules) - 1
        dark = modules[np.clip(v, 0, top)[:, None], np.clip(u, 0, top)]

        def paint(out: Pixels, row0: int) -> None:
            first, last = max(r0, row0), min(r1, row0 + out.shape[0])
            window = out[first - row0 : last - row0, c0:c1]
            window[dark[first - r0 : last - r0]] = 0

        return _Figure(r0, r1, paint)


@functools.lru_cache(maxsize=8)
def _painter(sheet: Sheet, recipe: Recipe, dpi: int) -> SheetPainter:
    return SheetPainter(sheet, recipe, dpi)


def render_rows(sheet: Sheet, recipe: Recipe, dpi: int, row0: int, row1: int) -> Pixels:
    """Return rows of a sheet, uint16 (rows, width, 3), encoded in the chart's space.

    Raises
    ------
    ValueError
        If the rows are not within the sheet.
    """
    painter = _painter(sheet, recipe, dpi)
    if not 0 <= row0 <= row1 <= painter.height_px:
        raise ValueError(f"rows {row0} to {row1} are not within 0 to {painter.height_px}")
    return painter.rows(row0, row1)
