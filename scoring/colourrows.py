"""Tests of "the colours of this element did not move", one for each element and pair of prints."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .colours import COLOUR_FLOOR_DE00, apart_de00, mean_square_de00
from .comparable import name_of
from .comparemodel import ColourRow
from .holm import ALPHA, Tested, limit_at
from .nested import Spread, nested
from .noise import RowNoise, RowRepeats, learn_noise
from .sides import Side

__all__ = ["ColourTest", "colour_tests"]

Array = npt.NDArray[np.float64]
Held = Sequence[Sequence[Array]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ColourTest:
    """One row on its way: how far the colours moved, and the variance of that where nothing moved."""

    pair: tuple[int, int]
    element: str
    name: str
    moved_de00: float | None
    change_lab: tuple[float, float, float] | None
    spread: Spread | None
    rests_on: str | None
    reason: str | None

    def row(self, tested: Tested | None) -> ColourRow:
        """Return the finished row."""
        verdict = "cannot-compare" if tested is None else "moved" if tested.shown else "no-difference-shown"
        freedom = self.spread.freedom if self.spread is not None else None
        return ColourRow.model_validate(
            {
                "pair": self.pair,
                "element": self.element,
                "element_name": self.name,
                "moved_de00": self.moved_de00,
                "by_chance_de00": None if self.spread is None else limit_at(self.spread, ALPHA),
                "smallest_showable_de00": None if tested is None else tested.limit,
                "change_lab": self.change_lab,
                "freedom": freedom if freedom is not None and np.isfinite(freedom) else None,
                "chance": None if tested is None else tested.chance,
                "rests_on": self.rests_on,
                "verdict": verdict,
                "reason": self.reason,
            }
        )


def colour_tests(sides: Sequence[Side]) -> tuple[ColourTest, ...]:
    """Return a test for every element whose colours at least one print of a pair has."""
    elements = dict.fromkeys(element for side in sides for scan in side.zones for element in scan)
    held = {element: [_held(side, element) for side in sides] for element in elements}
    noise = learn_noise(
        {
            element: RowRepeats(repeats=nested(groups, mean_square_de00), assumed=COLOUR_FLOOR_DE00, kind="value")
            for element, groups in held.items()
            if len({zone.shape for side in groups for scans in side for zone in scans}) == 1
        }
    )
    return tuple(
        _test(sides, pair, element, groups, noise.get(element))
        for pair in itertools.combinations(range(len(sides)), 2)
        for element, groups in held.items()
    )


def _held(side: Side, element: str) -> list[list[Array]]:
    prints = [[z[element] for place in places if element in (z := side.zones[place])] for places in side.prints]
    return [held for held in prints if held]


def _test(
    sides: Sequence[Side],
    pair: tuple[int, int],
    element: str,
    groups: Sequence[Held],
    noise: RowNoise | None,
) -> ColourTest:
    both = [groups[n] for n in pair]
    scores = [sides[n].scores for n in pair]
    reason = None
    if scores[0][0].chart != scores[1][0].chart:
        reason = "the charts are different"
    elif not all(both):
        reason = f"not measured on the {'second' if both[0] else 'first'} print"
    elif noise is None:
        reason = "not of the same number of patches"
    elif len({score.colour_basis.kind for side in scores for score in side}) > 1:
        reason = "the colour bases are of different kinds"
    moved = change = spread = None
    if reason is None and noise is not None:
        means = [np.mean([np.mean(scans, axis=0) for scans in side], axis=0) for side in both]
        moved = apart_de00(means[0], means[1])
        change = tuple(float(v) for v in (means[1] - means[0]).mean(axis=0))
        spread = noise.of_difference(*([len(scans) for scans in side] for side in both))
    return ColourTest(
        pair=pair,
        element=element,
        name=name_of(element),
        moved_de00=moved,
        change_lab=None if change is None else (change[0], change[1], change[2]),
        spread=spread,
        rests_on=noise.rests_on if noise is not None and reason is None else None,
        reason=reason,
    )
