"""Maximal scoring segments (Ruzzo & Tompa, ISMB 1999, pp. 234-241): where scores along a line add up to the most.

A segment scores the sum of its steps. The maximal ones are the best segment, the best of what is left and clear of it,
and so on; no two touch, and none can be made better by growing or shrinking. They depend on no order and no limit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Segment", "maximal_segments", "segments_again"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Segment:
    """Steps [first, last) of a line and the sum of their scores, above 0."""

    first: int
    last: int
    score: float


def maximal_segments(scores: Array) -> tuple[Segment, ...]:
    """Return all maximal scoring segments of step scores, (n,), in order along the line."""
    found: list[tuple[int, int, float, float]] = []  # first, last, sum before first, sum up to last
    total = 0.0
    for step, score in enumerate(scores.tolist()):
        before, total = total, total + score
        if score <= 0.0:
            continue
        first, last, left = step, step + 1, before
        while True:
            # the nearest earlier segment that starts lower; if it also ends lower, the two are better as one
            lower = len(found) - 1
            while lower >= 0 and found[lower][2] >= left:
                lower -= 1
            if lower < 0 or found[lower][3] >= total:
                found.append((first, last, left, total))
                break
            first, left = found[lower][0], found[lower][2]
            del found[lower:]
    return tuple(Segment(first, last, right - left) for first, last, left, right in found)


def segments_again(sums: Array, middle: int, bounds: tuple[int, int]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return where a segment about a place starts and ends on other versions of its line.

    Parameters
    ----------
    sums
        Cumulative scores of the versions, (m, n + 1), 0 first.
    middle
        A step inside the segment.
    bounds
        The steps that it may reach from and to.

    Returns
    -------
    first, last
        Borders of steps that hold the highest score about the middle, (m,) each.
    """
    first = bounds[0] + np.argmin(sums[:, bounds[0] : middle + 1], axis=1)
    last = middle + 1 + np.argmax(sums[:, middle + 1 : bounds[1] + 1], axis=1)
    return first, last
