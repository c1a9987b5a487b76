"""Find a tile's marks on the overview, growing outward from its code, each mark predicting the next ones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inkstrain.targets.key import Tile

from ..read.overview import Overview
from .codes import Code

__all__ = ["RoughMarks", "affine_fit", "find_marks", "px_per_mm"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_FIRST_REACH_MM: Final = 14.0
_LAST_REACH_MM: Final = 80.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoughMarks:
    """Marks as seen on the overview.

    Attributes
    ----------
    places_px : float array, shape (marks, 2)
        Scan px (x, y); where a mark was not found, where it should be.
    found : bool array, shape (marks,)
    inside : bool array, shape (marks,)
        Whether the mark should lie wholly in the picture.
    """

    places_px: Floats
    found: Bools
    inside: Bools


def affine_fit(mm: Floats, px: Floats, weights: Floats | None = None) -> Floats:
    """Return the affine map, shape (2, 3), that takes (x, y, 1) in mm to px by weighted least squares."""
    root = np.ones(len(mm)) if weights is None else np.sqrt(weights)
    columns = np.column_stack([mm, np.ones(len(mm))]) * root[:, None]
    solution: Floats = np.linalg.lstsq(columns, px * root[:, None], rcond=None)[0]
    return solution.T


def px_per_mm(affine: Floats) -> float:
    """Return px per mm of an affine map, the geometric mean of both directions."""
    return float(np.sqrt(abs(np.linalg.det(affine[:, :2]))))


def _nearby_affine(at_mm: Floats, mm: Floats, px: Floats, weights: Floats, spread_mm: float) -> Floats:
    """Return where points fall by affine maps that count near marks most (moving least squares)."""
    distance2 = ((at_mm[:, None] - mm[None]) ** 2).sum(axis=-1)
    weight = weights / (distance2 + spread_mm**2)
    offset = mm[None] - at_mm[:, None]
    columns = np.concatenate([offset, np.ones((*offset.shape[:2], 1))], axis=-1)
    normal = np.einsum("pmi,pm,pmj->pij", columns, weight, columns)
    right = np.einsum("pmi,pm,mj->pij", columns, weight, px)
    solution: Floats = np.linalg.solve(normal, right)[:, 2]
    return solution


def find_marks(overview: Overview, code: Code, tile: Tile) -> RoughMarks:
    """Find marks on the overview, the nearest to the code first, each round predicting the next ones.

    Parameters
    ----------
    overview
    code
        The tile's code as found.
    tile
        The tile in the key.
    """
    grey, factor = overview.grey, overview.factor
    x, y, width, height = tile.code_box_mm
    code_mm = np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])
    code_px = code.corners_px / factor
    marks_mm = np.array(tile.marks_mm, dtype=np.float64)
    places = np.zeros_like(marks_mm)
    found = np.zeros(len(marks_mm), dtype=bool)
    tried = np.zeros(len(marks_mm), dtype=bool)
    finder = _DotFinder(grey, code_px)
    reach = _FIRST_REACH_MM
    while True:
        known_mm = np.concatenate([code_mm, marks_mm[found]])
        known_px = np.concatenate([code_px, places[found]])
        weights = np.concatenate([np.full(4, 0.3), np.ones(int(found.sum()))])
        gap = np.sqrt(((marks_mm[:, None] - known_mm[None]) ** 2).sum(axis=-1)).min(axis=1)
        candidates = np.flatnonzero(~found & ~tried & (gap <= reach))
        if not len(candidates):
            if reach >= _LAST_REACH_MM or found.all():
                break
            reach *= 1.6
            continue
        reach = _FIRST_REACH_MM
        predicted = _nearby_affine(marks_mm[candidates], known_mm, known_px, weights, spread_mm=15.0)
        scale = px_per_mm(affine_fit(known_mm, known_px, weights))
        for mark, place, apart in zip(candidates, predicted, gap[candidates], strict=True):
            tried[mark] = True
            dot = finder.near(place, radius=tile.mark_radius_mm * scale, search=(0.6 + 0.09 * apart) * scale)
            if dot is not None:
                places[mark] = dot
                found[mark] = True
    return _second_look(finder, tile, known_mm, known_px, places, found, factor)


def _second_look(
    finder: _DotFinder, tile: Tile, known_mm: Floats, known_px: Floats, places: Floats, found: Bools, factor: int
) -> RoughMarks:
    """Drop what lies apart from its neighbours' prediction, and look once more for what was missed."""
    marks_mm = np.array(tile.marks_mm, dtype=np.float64)
    weights = np.concatenate([np.full(4, 0.3), np.ones(len(known_mm) - 4)])
    predicted = _nearby_affine(marks_mm, known_mm, known_px, weights, spread_mm=15.0)
    scale = px_per_mm(affine_fit(known_mm, known_px, weights))
    radius = tile.mark_radius_mm * scale
    found = found & (np.hypot(*(places - predicted).T) < 0.5 * scale)
    places = np.where(found[:, None], places, predicted)
    for mark in np.flatnonzero(~found):
        dot = finder.near(predicted[mark], radius=radius, search=0.6 * scale)
        if dot is not None:
            places[mark], found[mark] = dot, True
    size = np.array(finder.grey.shape[::-1])
    inside: Bools = np.all((places > radius) & (places < size - radius), axis=1)
    return RoughMarks(places_px=places * factor, found=found & inside, inside=inside)


class _DotFinder:
    """Looks for one dark round spot near a place on the overview."""

    def __init__(self, grey: npt.NDArray[np.uint8], code_px: Floats) -> None:
        self.grey = grey
        x0, y0 = np.maximum(np.floor(code_px.min(axis=0)), 0).astype(int)
        x1, y1 = np.ceil(code_px.max(axis=0)).astype(int)
        # about half of a code is ink and half is paper, so these are the two levels here
        dark, light = np.percentile(grey[y0:y1, x0:x1], (10, 90))
        self._threshold = 0.5 * (dark + light)

    def near(self, place: Floats, *, radius: float, search: float) -> Floats | None:
        """Return the centre of the dot nearest to a place, or None."""
        half = search + 1.7 * radius
        height, width = self.grey.shape
        x0, y0 = max(0, int(place[0] - half)), max(0, int(place[1] - half))
        x1, y1 = min(width, int(place[0] + half) + 1), min(height, int(place[1] + half) + 1)
        if x1 - x0 < 2 * radius or y1 - y0 < 2 * radius:
            return None
        depth = self._threshold - self.grey[y0:y1, x0:x1]
        labels, count = ndimage.label(depth > 0)
        best: Floats | None = None
        nearest = search
        for label, box in enumerate(ndimage.find_objects(labels, count), start=1):
            tall, wide = (side.stop - side.start for side in box)
            if not (1.3 * radius < tall < 2.9 * radius and 1.3 * radius < wide < 2.9 * radius):
                continue
            weight = (labels[box] == label) * depth[box]
            area = np.count_nonzero(weight > 0)
            if not 0.45 * np.pi * radius**2 < area < 1.9 * np.pi * radius**2:
                continue
            # a disc fills π/4 of its box, a square all of it
            if not 0.62 < area / (tall * wide) < 0.92:
                continue
            total = weight.sum()
            rows, columns = np.arange(tall) + 0.5, np.arange(wide) + 0.5
            centre = np.array(
                [x0 + box[1].start + (weight.sum(axis=0) @ columns) / total,
                 y0 + box[0].start + (weight.sum(axis=1) @ rows) / total]
            )  # fmt: skip
            apart = float(np.hypot(*(centre - place)))
            if apart < nearest:
                best, nearest = centre, apart
        return best
