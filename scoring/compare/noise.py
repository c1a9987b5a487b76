"""What two readings of the same thing differ by: a row's own scan error, an assumed sheet-to-sheet share, its repeats.

A scan's error is its jackknife noise and the scanner's repeatability; what one sheet differs from the next by is
assumed (`comparable.Measure.sheet`). Repeats take over as they come in: a variance is the mean of what is assumed and
what repeats show, weighed by their worth in degrees of freedom, with Satterthwaite's freedom for the sum.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from .nested import Nested, Spread, combined

__all__ = ["RowNoise"]

_ASSUMED_WORTH: Final = 4.0
"""Repeats that an assumed variance is worth: after so many both count alike. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RowNoise:
    """The variance of one row's readings.

    Attributes
    ----------
    repeats : Nested
        Mean squares of its repeats.
    scan : float
        Variance of one scan about its print, as its own error says.
    sheet : float
        Variance of one sheet about what its conditions give, as assumed.
    """

    repeats: Nested
    scan: float
    sheet: float

    @property
    def rests_on(self) -> Literal["assumed", "scans", "prints"]:
        """What repeats."""
        return "prints" if self.repeats.between.freedom else "scans" if self.repeats.scan.freedom else "assumed"

    def of_difference(self, *sides: Sequence[int], foretold: Sequence[Sequence[int]] | None = None) -> Spread:
        """Return the variance of the difference of two means.

        Parameters
        ----------
        sides : sequences of int
            For each print of a side, the number of its scans. A side's mean is the mean of its prints' means.
        foretold : sequences of int, optional
            What the sides may be: as many more repeats, that spread as those so far.
        """
        asked = foretold or sides
        per_print = sum(1.0 / len(side) for side in asked)
        per_scan = sum(sum(1.0 / count for count in side) / len(side) ** 2 for side in asked)
        scans, prints = (
            sum(map(count, asked)) - sum(map(count, sides)) for count in (lambda side: sum(side) - len(side), len)
        )
        repeats = self.repeats
        n0 = repeats.scans_per_print if repeats.between.freedom else per_print / per_scan
        scan = _weighed(self.scan, repeats.scan, scans)
        between = _weighed(self.scan + n0 * self.sheet, repeats.between, prints)
        share = per_print / n0
        return combined((share, between), (per_scan - share, scan))


def _weighed(assumed: float, seen: Spread, gained: int) -> Spread:
    """Return the mean of an assumed variance and a seen one; ``gained`` repeats to come spread as that mean does."""
    mean, freedom = _mean(assumed, seen), seen.freedom + gained
    if not gained:
        return mean
    to_come = (seen.freedom * seen.variance + gained * mean.variance) / freedom
    return _mean(assumed, Spread(variance=to_come, freedom=freedom))


def _mean(assumed: float, seen: Spread) -> Spread:
    share = _ASSUMED_WORTH / (_ASSUMED_WORTH + seen.freedom)
    return combined((share, Spread(variance=assumed, freedom=math.inf)), (1.0 - share, seen))
