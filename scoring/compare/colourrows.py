"""How far the colours of each element are apart in two prints, beside what like prints are apart."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from ..results.comparison import ColourRow
from .colours import COLOUR_FLOOR_DE00, apart_de00
from .comparable import SHEET_DE00, name_of
from .sides import Side

__all__ = ["colour_rows"]

Array = npt.NDArray[np.float64]


def colour_rows(sides: Sequence[Side]) -> tuple[ColourRow, ...]:
    """Return a row for every element that both prints of a pair have, on one chart and by one kind of colour basis."""
    return tuple(
        row for pair in itertools.combinations(range(len(sides)), 2) for row in _rows(pair, *(sides[n] for n in pair))
    )


def _rows(pair: tuple[int, int], first: Side, second: Side) -> Iterator[ColourRow]:
    scores = (*first.scores, *second.scores)
    if len({(score.chart, score.colour_basis.kind) for score in scores}) > 1:
        return
    for element in dict.fromkeys(name for scan in first.zones for name in scan):
        both = [_zones(side, element) for side in (first, second)]
        if not all(both) or len({zones.shape for side in both for scans in side for zones in scans}) > 1:
            continue
        means = [np.mean([np.mean(scans, axis=0) for scans in side], axis=0) for side in both]
        change = (means[1] - means[0]).mean(axis=0).tolist()
        variance = sum(
            SHEET_DE00**2 / len(side) + sum(COLOUR_FLOOR_DE00**2 / len(scans) for scans in side) / len(side) ** 2
            for side in both
        )
        yield ColourRow(
            pair=pair,
            element=element,
            element_name=name_of(element),
            apart_de00=apart_de00(*means),
            # all zones along one line, the widest distribution: |N(0, 1)| times the deviation
            alike_de00=1.96 * math.sqrt(variance),
            change_lab=(change[0], change[1], change[2]),
        )


def _zones(side: Side, element: str) -> list[list[Array]]:
    prints = [[zones[element] for i in scans if element in (zones := side.zones[i])] for scans in side.prints]
    return [scans for scans in prints if scans]
