"""Many differences at once: Holm's step-down rule (Scand. J. Statist. 6:65-70, 1979).

It keeps the chance of even one false claim in a whole comparison at `ALPHA`, however the rows hang together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from .nested import Spread

__all__ = ["ALPHA", "Tested", "holm", "holm_levels", "limit_at"]

ALPHA: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Tested:
    """What came of one test of many: its chance if nothing differs, and the smallest gap that would be shown.

    ``alpha`` is the level of the step at which the rule looked at it.
    """

    chance: float
    shown: bool
    alpha: float
    limit: float


def holm(gaps: Sequence[float], spreads: Sequence[Spread]) -> tuple[Tested, ...]:
    """Test gaps, none negative, against their variances; two-sided, Student's t where a variance was estimated.

    A gap is shown while the smallest remaining chance is at most `ALPHA` over the number of tests that remain. The
    limit given to a shown one is that of its own step; to one not shown, that of the step where the rule stopped.
    """
    import numpy as np
    from scipy.special import stdtr, stdtrit

    count = len(gaps)
    scale = np.sqrt([spread.variance for spread in spreads])
    freedom = np.array([spread.freedom for spread in spreads])
    chances = 2.0 * stdtr(freedom, -np.asarray(gaps) / scale) if count else np.empty(0)
    shown, alphas = holm_levels([(float(chances[i]), -gaps[i] / scale[i]) for i in range(count)])
    limits = -stdtrit(freedom, np.asarray(alphas) / 2) * scale
    return tuple(
        Tested(chance=float(chance), shown=is_shown, alpha=alpha, limit=float(limit))
        for chance, is_shown, alpha, limit in zip(chances, shown, alphas, limits, strict=True)
    )


def holm_levels(chances: Sequence[tuple[float, ...]]) -> tuple[list[bool], list[float]]:
    """Return for each chance whether it is shown, and the level of the step at which it was looked at.

    A chance may be followed by what orders equal ones.
    """
    count = len(chances)
    shown, alphas, passed = [False] * count, [ALPHA / max(count, 1)] * count, 0
    order = sorted(range(count), key=lambda i: chances[i])
    for index in order:
        if chances[index][0] > ALPHA / (count - passed):
            break
        shown[index], alphas[index] = True, ALPHA / (count - passed)
        passed += 1
    for index in order[passed:]:
        alphas[index] = ALPHA / (count - passed)
    return shown, alphas


def limit_at(spread: Spread, alpha: float) -> float:
    """Return the smallest gap that a test at level ``alpha`` would show."""
    from scipy.special import stdtrit

    return float(-stdtrit(spread.freedom, alpha / 2)) * math.sqrt(spread.variance)
