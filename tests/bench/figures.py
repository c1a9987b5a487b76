"""Shares and percentiles with their 95 % intervals, all by scipy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import binomtest, quantile_test

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure with its interval and the number of cases behind it."""

    value: float
    low: float
    high: float
    count: int


def share(hits: int, count: int) -> Figure:
    """Return a share, 0 to 1, with its Wilson score interval (Wilson 1927)."""
    if count == 0:
        return Figure(float("nan"), 0.0, 1.0, 0)
    interval = binomtest(hits, count).proportion_ci(CONFIDENCE, method="wilson")
    return Figure(hits / count, float(interval.low), float(interval.high), count)


def percentile(values: Sequence[float], part: float = 0.95) -> Figure:
    """Return a quantile of absolute values, with the interval between order statistics (Conover 1999, chapter 3.2).

    Where there are too few values for the upper end, it is infinite.
    """
    sizes = np.abs(np.asarray(values, dtype=np.float64))
    if not len(sizes):
        return Figure(float("nan"), 0.0, float("inf"), 0)
    interval = quantile_test(sizes, q=0.0, p=part).confidence_interval(CONFIDENCE)
    low, high = (float(end) for end in interval)
    return Figure(
        float(np.quantile(sizes, part)),
        low if np.isfinite(low) else 0.0,
        high if np.isfinite(high) else float("inf"),
        len(sizes),
    )
