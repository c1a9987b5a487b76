"""Has a series moved? Published rules with known false-alarm rates, over plain numbers in order of time.

EWMA control chart: Lucas and Saccucci, Technometrics 32:1-12, 1990. One step at an unknown place: Pettitt, J. R. Stat.
Soc. C 28:126-135, 1979. Drift: Mann, Econometrica 13:245-259, 1945, with Kendall's tau and the median slope of Sen,
J. Am. Stat. Assoc. 63:1379-1389, 1968.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "AHEAD",
    "ALARMS_IN_AHEAD",
    "BASELINE",
    "EWMA_LIMIT",
    "EWMA_WEIGHT",
    "Chart",
    "Drift",
    "Step",
    "chance_within",
    "control_chart",
    "drift",
    "fewest_for_step",
    "limit_for",
    "moving_range_deviation",
    "run_length",
    "step",
]

EWMA_WEIGHT: Final = 0.2
EWMA_LIMIT: Final = 2.962
"""With this weight and this limit (in standard deviations of the average) an alarm comes once in 500 points on
average where nothing moved, if mean and spread are known (Lucas and Saccucci 1990, table; from memory, and
computed anew by the tests)."""

AHEAD: Final = 20
ALARMS_IN_AHEAD: Final = 0.032
"""Share of series in which nothing moved that raise an alarm within `AHEAD` points."""

BASELINE: Final = (8, 20)
"""How many first points teach mean and spread, at least and at most."""

_LIMITS: Final = (
    (8, 5.712), (10, 5.080), (12, 4.707), (15, 4.321), (20, 3.959), (30, 3.627), (50, 3.345), (100, 3.155),
)  # fmt: skip
"""Limits that keep `ALARMS_IN_AHEAD` where mean and spread come from so few points themselves (200,000 simulated
series each). With EWMA_LIMIT eight points would raise an alarm in 28 % of steady series."""

_EXACTLY: Final = 33  # values at most; beyond, the normal limit is right to 1e-4

_STATES: Final = 201  # of the chain; with half as many run lengths change by less than a thousandth

_D2: Final = 2.0 / math.sqrt(math.pi)  # 1.128, mean range of two: the Shewhart constant d2


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """An EWMA control chart: the baseline's mean and deviation, the average at every point, and where it is out."""

    baseline: int
    mean: float
    deviation: float
    factor: float
    averages: tuple[float, ...]
    lower: float
    upper: float
    alarms: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step: the first place after it, the medians on both sides, and its chance where nothing moved."""

    at: int
    before: float
    after: float
    chance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """A drift in one direction: median slope per unit of time, and its chance where nothing moved."""

    slope: float
    chance: float


def moving_range_deviation(values: Sequence[float]) -> float:
    """Return the standard deviation by the mean moving range over d2 = 1.128: a step hardly widens it."""
    return float(np.abs(np.diff(values)).mean()) / _D2


def limit_for(baseline: int) -> float:
    """Return the limit, in standard deviations of the average, for a baseline of so many points.

    Raises
    ------
    ValueError
        If there are fewer than `BASELINE` says.
    """
    if baseline < BASELINE[0]:
        raise ValueError(f"a baseline of {baseline} points: {BASELINE[0]} are needed")
    # rounded down to a row of the table: a wider limit
    return _LIMITS[bisect_right(_LIMITS, baseline, key=lambda row: row[0]) - 1][1]


def control_chart(
    values: Sequence[float], *, baseline: int | None = None, least_deviation: float = 0.0, least_shift: float = 0.0
) -> Chart | None:
    """Return the control chart of a series; ``None`` if it has too few points.

    Parameters
    ----------
    values : sequence of float
        In order of time.
    baseline : int, optional
        How many first points teach mean and spread: half of them, within `BASELINE`, if not given.
    least_deviation : float
        The deviation is at least this.
    least_shift : float
        The limits are at least this far from the mean.
    """
    count = len(values)
    baseline = min(max(count // 2, BASELINE[0]), BASELINE[1]) if baseline is None else baseline
    if baseline < BASELINE[0] or count <= baseline:
        return None
    first = np.asarray(values[:baseline], dtype=np.float64)
    mean = float(first.mean())
    deviation = max(moving_range_deviation(values[:baseline]), least_deviation)
    factor = limit_for(baseline)
    reach = max(factor * deviation * math.sqrt(EWMA_WEIGHT / (2.0 - EWMA_WEIGHT)), least_shift)
    average, averages = mean, [mean] * baseline
    for value in values[baseline:]:
        average = EWMA_WEIGHT * value + (1.0 - EWMA_WEIGHT) * average
        averages.append(average)
    alarms = tuple(i for i, one in enumerate(averages) if abs(one - mean) > reach)
    return Chart(
        baseline=baseline,
        mean=mean,
        deviation=deviation,
        factor=factor,
        averages=tuple(averages),
        lower=mean - reach,
        upper=mean + reach,
        alarms=alarms,
    )


def run_length(limit: float, shift: float, *, weight: float = EWMA_WEIGHT) -> float:
    """Return how many prints an alarm takes on average after a shift, both in standard deviations."""
    chain = _chain(limit, shift, weight)
    return float(np.linalg.solve(np.eye(_STATES) - chain, np.ones(_STATES))[_STATES // 2])


def chance_within(limit: float, shift: float, prints: int, *, weight: float = EWMA_WEIGHT) -> float:
    """Return how likely an alarm is within so many prints after a shift, limit and shift in standard deviations."""
    return 1.0 - float(np.linalg.matrix_power(_chain(limit, shift, weight), prints)[_STATES // 2].sum())


def _chain(limit: float, shift: float, weight: float) -> NDArray[np.float64]:
    """Return how likely the average moves from each state to each other without an alarm.

    Brook and Evans' chain (Biometrika 59:539-549, 1972), for a mean and a spread that are known.
    """
    from scipy.special import ndtr

    reach = limit * math.sqrt(weight / (2.0 - weight))
    edges = np.linspace(-reach, reach, _STATES + 1)
    middles = (edges[:-1] + edges[1:]) / 2
    upper = (edges[1:] - (1.0 - weight) * middles[:, None]) / weight - shift
    lower = (edges[:-1] - (1.0 - weight) * middles[:, None]) / weight - shift
    return np.asarray(ndtr(upper) - ndtr(lower))


def step(values: Sequence[float]) -> Step | None:
    """Return where one step is most likely, by Pettitt's rank statistic; ``None`` for fewer than four points."""
    count = len(values)
    if count < 4:
        return None
    places = np.arange(1, count)
    order = np.sort(values)
    # of values that are alike, the mean of their ranks
    ranks = (np.searchsorted(order, values, "left") + np.searchsorted(order, values, "right") + 1) / 2
    statistic = np.abs(2.0 * np.cumsum(ranks)[:-1] - places * (count + 1))
    at = int(np.argmax(statistic)) + 1
    return Step(
        at=at,
        before=float(np.median(values[:at])),
        after=float(np.median(values[at:])),
        chance=_step_chance(float(statistic[at - 1]), count),
    )


def _step_chance(statistic: float, count: int) -> float:
    return min(2.0 * math.exp(-6.0 * statistic**2 / (count**3 + count**2)), 1.0)


def fewest_for_step(alpha: float) -> int:
    """Return how many points a step in the middle needs to be shown at a level at all."""
    count = 4
    while _step_chance(float((count // 2) * ((count + 1) // 2)), count) > alpha:
        count += 1
    return count


def drift(times: Sequence[float], values: Sequence[float]) -> Drift | None:
    """Return the median slope and the chance of such a drift; ``None`` for fewer than four points or all alike."""
    if len(values) < 4 or len(set(values)) == 1 or len(set(times)) == 1:
        return None
    first, second = np.triu_indices(len(values), 1)
    after = np.asarray(times, dtype=np.float64)[second] - np.asarray(times, dtype=np.float64)[first]
    higher = np.asarray(values, dtype=np.float64)[second] - np.asarray(values, dtype=np.float64)[first]
    slope = float(np.median(higher[after != 0.0] / after[after != 0.0]))
    return Drift(slope=slope, chance=_drift_chance(round(float(np.sum(np.sign(after * higher)))), times, values))


def _drift_chance(score: int, times: Sequence[float], values: Sequence[float]) -> float:
    """Return the two-sided chance of Kendall's score: exact for few values all unlike, else by its normal limit.

    Kendall, *Rank Correlation Methods* (1970), chapters 4 and 5, its variance with ties.
    """
    count, pairs = len(values), len(values) * (len(values) - 1) // 2
    ties = [[n for n in Counter(each).values() if n > 1] for each in (times, values)]
    if not any(ties) and count <= _EXACTLY:
        orders = [1]
        for size in range(2, count + 1):
            summed = [0, *itertools.accumulate(orders + [0] * (size - 1))]
            orders = [summed[i + 1] - summed[max(i + 1 - size, 0)] for i in range(len(summed) - 1)]
        tail = sum(orders[: (pairs - abs(score)) // 2 + 1])
        return min(2.0 * tail / math.factorial(count), 1.0)
    groups = [[count], *ties]
    twos = [sum(n * (n - 1) for n in each) for each in groups]
    threes = [sum(n * (n - 1) * (n - 2) for n in each) for each in groups]
    whole = [sum(n * (n - 1) * (2 * n + 5) for n in each) for each in groups]
    variance = (whole[0] - whole[1] - whole[2]) / 18.0
    variance += twos[1] * twos[2] / (2.0 * twos[0]) + threes[1] * threes[2] / (9.0 * threes[0])
    return math.erfc(abs(score) / math.sqrt(2.0 * variance))
