"""What stands beside a patch field: the letter of each row and the number of each column, clear of the marks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from .key import PatchField

__all__ = ["LABEL_MM", "Label", "field_labels"]

LABEL_MM: Final = 2.0
"""Size of the type; a capital is 0.73 of it high."""
_HIGH_MM: Final = 0.73 * LABEL_MM
_WIDE_MM: Final = 0.6 * LABEL_MM  # of one character
_BESIDE_MM: Final = 0.4
_CLEAR_MM: Final = 2.2  # from a mark's centre: its radius, and the clear paper that it is found by
_STEP_MM: Final = 0.25

Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A few characters, and where their middle stands."""

    text: str
    centre_mm: Point


def field_labels(field: PatchField, marks_mm: Sequence[Point]) -> tuple[Label, ...]:
    """Return the labels of a patch field: columns above it, rows on its left, and on its right where a row is whole.

    A label that would come too near to a mark moves along its patch; one that finds no room is left out.
    """
    x, y, width, _ = field.box_mm
    found: list[Label | None] = []
    rows: dict[float, list[tuple[str, float, float]]] = {}
    for patch in field.patches:
        left, top, wide, tall = patch.box_mm
        letters, number = patch.patch.rstrip("0123456789"), patch.patch.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
        rows.setdefault(top, []).append((letters, wide, tall))
        if top == field.patches[0].box_mm[1]:
            centre = (left + wide / 2, y - _BESIDE_MM - _HIGH_MM / 2)
            found.append(_placed(number, centre, (wide / 2, 0.0), marks_mm))
    most = max(len(row) for row in rows.values())
    for top, row in rows.items():
        letters, _, tall = row[0]
        away = _BESIDE_MM + len(letters) * _WIDE_MM / 2
        sides = (x - away, x + width + away) if len(row) == most else (x - away,)
        found += [_placed(letters, (side, top + tall / 2), (0.0, tall / 2), marks_mm) for side in sides]
    return tuple(label for label in found if label is not None)


def _placed(text: str, centre: Point, room: Point, marks_mm: Sequence[Point]) -> Label | None:
    """Return a label as near to its place as marks allow, at most `room` from it."""
    half = (len(text) * _WIDE_MM / 2, _HIGH_MM / 2)
    most = max(room) - max(half)
    for step in range(int(max(most, 0.0) / _STEP_MM) + 1):
        for side in (-1, 1):
            away = side * step * _STEP_MM
            at = (centre[0] + (away if room[0] else 0.0), centre[1] + (away if room[1] else 0.0))
            if all(_distance(mark, at, half) >= _CLEAR_MM for mark in marks_mm):
                return Label(text=text, centre_mm=(round(at[0], 3), round(at[1], 3)))
    return None


def _distance(mark: Point, centre: Point, half: Point) -> float:
    across, down = (max(abs(mark[i] - centre[i]) - half[i], 0.0) for i in (0, 1))
    return math.hypot(across, down)
