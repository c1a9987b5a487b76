"""The sides of a comparison: scores as scans of prints, and the readings of each in that order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..results.score import Conditions, Score
from .colours import read_zones
from .comparable import PRINT, Reading, read_all

__all__ = ["Key", "Readings", "Side", "by_print", "making", "side_of"]

Key = tuple[str, str]
"""Element id and measure."""

Readings = Mapping[Key, Reading | None]

_NOT_MAKING = frozenset({"print_name", "scanner", "drying_h", "date", "note"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One side: its scores print by print.

    Attributes
    ----------
    scores : tuple of Score
        As given.
    prints : tuple of tuple of int
        For each print, the places of its scans in ``scores``.
    readings : tuple of Readings
        One for each score.
    zones : tuple of mappings of element id to array
        Mean colours of each score's elements, see `read_zones`.
    """

    scores: tuple[Score, ...]
    prints: tuple[tuple[int, ...], ...]
    readings: tuple[Readings, ...]
    zones: tuple[Mapping[str, npt.NDArray[np.float64]], ...]

    def held(self, key: Key) -> tuple[tuple[Reading, ...], ...]:
        """Return the readings of a row, print by print; prints that have none are left out."""
        rows = (tuple(r for i in scans if (r := self.readings[i].get(key)) is not None) for scans in self.prints)
        return tuple(row for row in rows if row)

    def lacks(self, key: Key) -> str:
        """Return why there is no reading of a row, as the end of a sentence that begins with "not"."""
        absent = key[0] != PRINT and not any(key in readings for readings in self.readings)
        return "on the {} print's scans" if absent else "measured on the {} print"


def side_of(scores: Sequence[Score]) -> Side:
    """Return scores as a side. Scans of one print share its name; without names every score is its own print."""
    return Side(
        scores=tuple(scores),
        prints=by_print([score.conditions for score in scores]),
        readings=tuple(read_all(score) for score in scores),
        zones=tuple(read_zones(score) for score in scores),
    )


def by_print(conditions: Sequence[Conditions]) -> tuple[tuple[int, ...], ...]:
    """Return the places that belong to each print: same conditions of making, same name of the print."""
    groups: dict[object, list[int]] = {}
    for place, given in enumerate(conditions):
        groups.setdefault((making(given), given.print_name) if given.print_name else place, []).append(place)
    return tuple(tuple(places) for places in groups.values())


def making(conditions: Conditions) -> tuple[object, ...]:
    """Return what the conditions say of how a print was made, without which print it is and how it was scanned."""
    return tuple(value for name, value in conditions if name not in _NOT_MAKING)
