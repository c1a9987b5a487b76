"""Nested variance components: scans within prints, prints within conditions.

Analysis of variance estimators for an unbalanced two-fold nested design: Searle, Casella and McCulloch, *Variance
Components* (1992), chapter 3. Words are those of ISO 5725: repeatability is scan after scan of one print, intermediate
precision is print after print.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

__all__ = ["Nested", "Spread", "combined", "nested"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """A variance and the degrees of freedom that it rests on; infinite if it is taken as known."""

    variance: float
    freedom: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Nested:
    """Mean squares of a nested design.

    Attributes
    ----------
    scan, between : Spread
        Mean square between scans of one print, and between prints of one set of conditions (whose variance is that
        of a scan plus ``scans_per_print`` times that of prints); ``freedom`` is 0 where there are no repeats.
    scans_per_print : float
        The coefficient n0, the number of scans of every print in a balanced design.
    """

    scan: Spread
    between: Spread
    scans_per_print: float


def nested(groups: Sequence[Sequence[Sequence[float]]]) -> Nested:
    """Return mean squares of readings[conditions][print][scan]; empty prints and conditions count for nothing."""
    scan_squares = print_squares = squared_share = 0.0
    scans = prints = conditions = 0
    for group in groups:
        filled = [one for one in group if len(one)]
        if not filled:
            continue
        counts = [len(one) for one in filled]
        means = [fmean(one) for one in filled]
        whole = sum(n * mean for n, mean in zip(counts, means, strict=True)) / sum(counts)
        print_squares += sum(n * (mean - whole) ** 2 for n, mean in zip(counts, means, strict=True))
        scan_squares += sum((v - mean) ** 2 for one, mean in zip(filled, means, strict=True) for v in one)
        scans += sum(counts)
        prints += len(filled)
        conditions += 1
        squared_share += sum(n * n for n in counts) / sum(counts)
    scan_freedom, print_freedom = scans - prints, prints - conditions
    return Nested(
        scan=Spread(variance=scan_squares / scan_freedom if scan_freedom else 0.0, freedom=scan_freedom),
        between=Spread(variance=print_squares / print_freedom if print_freedom else 0.0, freedom=print_freedom),
        scans_per_print=(scans - squared_share) / print_freedom if print_freedom else 1.0,
    )


def combined(*parts: tuple[float, Spread]) -> Spread:
    """Return a weighted sum of variances with Satterthwaite's degrees of freedom (Biometrics 2:110-114, 1946)."""
    pieces = [(weight * spread.variance, spread.freedom) for weight, spread in parts if weight > 0 and spread.freedom]
    total = sum(piece for piece, _ in pieces)
    if total <= 0.0:
        return Spread(variance=0.0, freedom=min((freedom for _, freedom in pieces), default=0.0))
    squares = sum(piece**2 / freedom for piece, freedom in pieces)
    return Spread(variance=total, freedom=total**2 / squares if squares > 0 else math.inf)
