"""Many differences at once, in families: a total and its parts, each claimed only where chance would seldom claim it.

The level is handed down a tree (Meinshausen, Biometrika 95:265-278, 2008) and on from what is shown to what is not
(Goeman and Finos, Stat. Appl. Genet. Mol. Biol. 11(1):11, 2012). Families share `ALPHA` alike; in each its total is
looked at first, and once that is shown, its parts share the family's level. A family of which all is shown leaves its
level to the others. That is a sequential rejection procedure (Goeman and Solari, Ann. Statist. 38:3782-3810, 2010): no
level shrinks as more is shown, and with everything shown that is true, those of the untrue claims add up to `ALPHA` at
most. So the chance of even one false claim is at most `ALPHA`, however the rows hang together. Families without parts
are Holm's rule (Scand. J. Statist. 6:65-70, 1979).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

from .nested import Spread

__all__ = ["ALPHA", "Family", "Step", "chance_of", "limit_at", "step_down"]

ALPHA: Final = 0.05

_PARTS_SHARE: Final = 0.1
"""Of a family's level, kept for its parts while its total is not shown: rings that two prints have in unlike places
cancel in the total. Small, as it is taken from the total; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """The chances, if nothing differs, of a total's difference (``None`` if none is tested) and of its parts'."""

    total: float | None
    parts: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Whether a difference is shown, and the level that it was last looked at with."""

    shown: bool
    level: float


def step_down(families: Sequence[Family]) -> tuple[tuple[Step | None, tuple[Step, ...]], ...]:
    """Return for each family the step of its total, ``None`` if it has none, and those of its parts.

    A difference is shown if its chance is at most its level: that of the round that showed it, or of the last one.
    """
    chances = [(family.total, *family.parts) for family in families]
    shown = [[chance is None for chance in row] for row in chances]
    levels = [[0.0] * len(row) for row in chances]
    while True:
        alive = [n for n, row in enumerate(shown) if not all(row)]
        more = []
        for n in alive:
            whole = ALPHA / len(alive)
            left = [place for place in range(1, len(shown[n])) if not shown[n][place]]
            total = whole if not left else (1.0 - _PARTS_SHARE) * whole
            part = whole if shown[n][0] else _PARTS_SHARE * whole
            for place in ([] if shown[n][0] else [0]) + left:
                levels[n][place] = total if place == 0 else part / len(left)
                chance = chances[n][place]
                if chance is not None and chance <= levels[n][place]:
                    more.append((n, place))
        if not more:
            break
        for n, place in more:
            shown[n][place] = True
    return tuple(
        (
            None if family.total is None else Step(shown=seen[0], level=level[0]),
            tuple(Step(shown=one, level=at) for one, at in zip(seen[1:], level[1:], strict=True)),
        )
        for family, seen, level in zip(families, shown, levels, strict=True)
    )


def chance_of(gap: float, spread: Spread) -> float:
    """Return the two-sided chance of so large a gap where nothing differs, by Student's t."""
    if spread.variance <= 0.0:
        return 1.0 if gap <= 0.0 else 0.0
    ratio = gap / math.sqrt(spread.variance)
    if math.isinf(spread.freedom):
        return math.erfc(ratio / math.sqrt(2.0))
    from scipy.special import stdtr

    return float(2.0 * stdtr(spread.freedom, -ratio))


def limit_at(spread: Spread, level: float) -> float:
    """Return the smallest gap that a test at a level would show."""
    deviation = math.sqrt(spread.variance)
    if math.isinf(spread.freedom):
        return -NormalDist().inv_cdf(level / 2) * deviation
    from scipy.special import stdtrit

    return float(-stdtrit(spread.freedom, level / 2)) * deviation
