"""What each cell of a sheet of dots is printed in: numbers of a palette of ink covers."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ..colorimetry import lab_to_xyz, xyz_to_lab
from ..key import Box, FlatField, HueSweep, NeutralWedge, PatchField, Ring, Sheet
from ..recipe import Recipe
from ..render import SheetPainter
from ..rings import ring_rgb
from ..sweeps import sweep_rgb
from ..wedge import neutral_rgb
from .damage import Bump, Cast, HueShift, LightnessWave, MergedHues
from .inkjet import VirtualInkjet
from .page import merge_hues, printed_steps
from .ringpath import STEP_MM, RingPath

__all__ = ["CellPlan", "Tint"]

Array = NDArray[np.float64]
Light = NDArray[np.float32]

_RING_CELLS: Final = 5  # micrometres to a colour of a disc: a seventh of a cell at 720 dpi
_GREYS: Final = 1024  # for text, marks and code


@dataclass(slots=True)
class _Palette:
    """What cells may be printed in: covers by ink, collected one after the other; number 0 is bare paper."""

    covers: list[Array]
    size: int = 1

    def add(self, covers: Array) -> int:
        """Add covers (n, inks) and return the number of the first."""
        first = self.size
        self.covers.append(covers)
        self.size += len(covers)
        return first


@dataclass(frozen=True, slots=True, kw_only=True)
class Tint:
    """Damage to colour that no change of inks makes: XYZ times a factor, by radius about a centre or by x in a box.

    ``factors`` (n, 3) are ``pitch_mm`` apart.
    """

    centre_mm: tuple[float, float] | None
    box_mm: Box
    pitch_mm: float
    factors: Light

    def apply(self, xyz: Light, x_mm: Array, y_mm: Array) -> None:
        """Multiply XYZ (3, h, w) at x (w,) and y (h,), in place."""
        x, y, width, height = self.box_mm
        rows = slice(*np.searchsorted(y_mm, (y, y + height)))
        columns = slice(*np.searchsorted(x_mm, (x, x + width)))
        if rows.start == rows.stop or columns.start == columns.stop:
            return
        if self.centre_mm is None:
            place = (x_mm[columns] - x)[None, :]
        else:
            place = np.hypot(x_mm[columns] - self.centre_mm[0], (y_mm[rows] - self.centre_mm[1])[:, None])
        index = (place / self.pitch_mm).astype(np.intp)
        inside = index < len(self.factors)
        for channel in range(3):
            factor = self.factors[:, channel].take(index, mode="clip")
            xyz[channel, rows, columns] *= np.where(inside, factor, np.float32(1.0))


class CellPlan:
    """What each cell of a sheet is printed in.

    Attributes
    ----------
    palette_covers
        (n, inks) what the palette's numbers stand for; 0 is bare paper.
    tints
        Damage to colour.
    """

    def __init__(
        self, sheet: Sheet, recipe: Recipe, printer: VirtualInkjet, paths: Sequence[RingPath],
        damages: Sequence[Any], per_mm: float,
    ) -> None:  # fmt: skip
        self._recipe, self._printer, self._per_mm = recipe, printer, per_mm
        self._palette = _Palette([np.zeros((1, printer.inks.count))])
        self._greys = self._add(np.linspace(0.0, 1.0, _GREYS)[:, None] * np.ones(3))
        self.tints: list[Tint] = []
        self._discs = [(path, self._disc(path, damages)) for path in paths]
        self._boxes = [self._box(box, rgb) for box, rgb in self._figures(sheet, damages)]
        for wedge in (e for tile in sheet.tiles for e in tile.elements if isinstance(e, NeutralWedge)):
            casts = [d for d in damages if isinstance(d, Cast) and d.element == wedge.id]
            if casts:
                self._cast(wedge, casts, damages)
        self.palette_covers = np.concatenate(self._palette.covers)

    def _add(self, rgb: Array) -> int:
        return self._palette.add(self._printer.covers(self._recipe.space, rgb))

    def numbers(self, painter: SheetPainter, rows: range, columns: range) -> NDArray[np.int32]:
        """Return palette numbers (rows, columns) of a band."""
        ink = painter.rows(rows.start, rows.stop)[:, columns.start : columns.stop]
        grey = ink[..., 1]  # text, marks and codes; patches are painted over
        numbers = (grey // (65536 // _GREYS)).astype(np.int32) + self._greys
        numbers[grey == 65535] = 0
        for box, number, by_column in self._boxes:
            self._paint_box(numbers, box, number, by_column, rows, columns)
        for path, first in self._discs:
            self._paint_disc(numbers, path, first, rows, columns)
        return numbers

    def _cells(self, box: Box) -> tuple[int, int, int, int]:
        """Return first and past-last row and column of the cells whose centres lie in a box."""
        x, y, width, height = box
        r0, r1, c0, c1 = (math.ceil(edge * self._per_mm - 0.5) for edge in (y, y + height, x, x + width))
        return r0, r1, c0, c1

    def _paint_box(
        self, numbers: NDArray[np.int32], box: Box, number: int, by_column: bool, rows: range, columns: range
    ) -> None:
        r0, r1, c0, c1 = self._cells(box)
        top, bottom = max(r0, rows.start), min(r1, rows.stop)
        left, right = max(c0, columns.start), min(c1, columns.stop)
        if top < bottom and left < right:
            across = number + (np.arange(left, right) - c0 if by_column else 0)
            numbers[top - rows.start : bottom - rows.start, left - columns.start : right - columns.start] = across

    def _paint_disc(self, numbers: NDArray[np.int32], path: RingPath, first: int, rows: range, columns: range) -> None:
        (x, y), reach = path.ring.centre_mm, path.ring.radius_mm
        r0, r1, c0, c1 = self._cells((x - reach, y - reach, 2 * reach, 2 * reach))
        top, bottom = max(r0, rows.start), min(r1, rows.stop)
        left, right = max(c0, columns.start), min(c1, columns.stop)
        if top >= bottom or left >= right:
            return
        dx = ((np.arange(left, right) + 0.5) / self._per_mm - x).astype(np.float32)
        dy = ((np.arange(top, bottom) + 0.5) / self._per_mm - y).astype(np.float32)
        radius = np.sqrt(dx * dx + (dy * dy)[:, None])
        window = numbers[top - rows.start : bottom - rows.start, left - columns.start : right - columns.start]
        cell = (radius * np.float32(1 / (_RING_CELLS * STEP_MM))).astype(np.int32)
        np.copyto(window, cell + first, where=radius < reach)

    def _disc(self, path: RingPath, damages: Sequence[Any]) -> int:
        """Add a disc's colours by radius, and the tint that no inks were asked for."""
        middles = slice(_RING_CELLS // 2, None, _RING_CELLS)
        rgb = ring_rgb(path.ring, self._recipe, path.position_mm[middles])
        tinted = [d for d in damages if isinstance(d, HueShift | LightnessWave | Bump) and d.element == path.ring.id]
        if tinted:
            printed = self._printer.print_xyz(self._recipe.space, rgb)
            (x, y), reach = path.ring.centre_mm, path.ring.radius_mm
            factors = (lab_to_xyz(path.lab[middles]) / printed).astype(np.float32)
            box = (x - reach, y - reach, 2 * reach, 2 * reach)
            pitch = _RING_CELLS * STEP_MM
            self.tints.append(Tint(centre_mm=(x, y), box_mm=box, pitch_mm=pitch, factors=factors))
        # a cell at the very edge may round up
        return self._add(np.concatenate([rgb, rgb[-1:]]))

    def _figures(self, sheet: Sheet, damages: Sequence[Any]) -> list[tuple[Box, Any]]:
        """Return boxes with their RGB, or what gives RGB at places along their width, 0 to 1."""
        found: list[tuple[Box, Any]] = []
        space = self._recipe.space
        for element in (e for tile in sheet.tiles for e in tile.elements):
            match element:
                case PatchField():
                    found += [(patch.box_mm, patch.rgb) for patch in element.patches]
                case FlatField():
                    found.append((element.box_mm, element.rgb))
                case NeutralWedge():
                    rgb = printed_steps(element, damages)
                    found += [(step.box_mm, row) for step, row in zip(element.steps, rgb, strict=True)]
                    found.append((element.ramp_box_mm, lambda place: neutral_rgb(space, 100.0 * place)))
                case HueSweep():
                    found += [(row.box_mm, self._hues(element.id, row.level, damages)) for row in element.rows]
                case Ring():
                    pass
        return found

    def _hues(self, element: str, level: Any, damages: Sequence[Any]) -> Callable[[Array], Array]:
        merged = [d for d in damages if isinstance(d, MergedHues) and (d.element, d.level) == (element, level)]
        space = self._recipe.space

        def colours(place: Array) -> Array:
            for damage in merged:
                place = merge_hues(space, damage, place)
            return sweep_rgb(space, level, place)

        return colours

    def _box(self, box: Box, rgb: Any) -> tuple[Box, int, bool]:
        if not callable(rgb):
            return box, self._add(np.asarray(rgb, dtype=np.float64)[None]), False
        _, _, c0, c1 = self._cells(box)
        place = ((np.arange(c0, c1) + 0.5) / self._per_mm - box[0]) / box[2]
        return box, self._add(rgb(np.clip(place, 0.0, 1.0))), True

    def _cast(self, wedge: NeutralWedge, casts: Sequence[Cast], damages: Sequence[Any]) -> None:
        """Shift a wedge's steps and ramp by a* and b*; bare paper keeps its colour."""
        shift = (0.0, sum(d.a for d in casts), sum(d.b for d in casts))
        steps = printed_steps(wedge, damages)
        ramp = np.linspace(0.0, 1.0, 2001)
        figures = [(step.box_mm, row[None]) for step, row in zip(wedge.steps, steps, strict=True)]
        figures.append((wedge.ramp_box_mm, neutral_rgb(self._recipe.space, 100.0 * ramp)))
        for box, rgb in figures:
            xyz = self._printer.print_xyz(self._recipe.space, rgb)
            factors = lab_to_xyz(xyz_to_lab(xyz) + np.where((rgb == 1.0).all(axis=1)[:, None], 0.0, shift)) / xyz
            pitch = box[2] / len(rgb) * (1 + 1e-9)
            self.tints.append(Tint(centre_mm=None, box_mm=box, pitch_mm=pitch, factors=factors.astype(np.float32)))
