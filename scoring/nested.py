"""Nested variance components: scans within prints, prints within conditions; and variances that borrow from others.

Analysis of variance estimators for an unbalanced two-fold nested design: Searle, Casella and McCulloch, *Variance
Components* (1992), chapter 3. Words and limits are those of ISO 5725: repeatability is scan after scan of one print,
intermediate precision is print after print. Moderated variances: Smyth, Stat. Appl. Genet. Mol. Biol. 3(1):3, 2004.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

__all__ = ["REPEATABILITY", "Nested", "Spread", "combined", "fit_prior", "nested"]

Array = npt.NDArray[np.float64]

REPEATABILITY: Final = 1.96 * math.sqrt(2.0)
"""Two single results differ by more than this times their standard deviation in 5 % of cases (ISO 5725-6:1994)."""

_LEAST_SHARE: Final = 1e-5  # as in Smyth's own program: a variance of nought says only that it is small
_CLOSE: Final = 1e-10


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

    @property
    def scan_deviation(self) -> float | None:
        """Repeatability standard deviation s_r, scan after scan of one print; ``None`` without such repeats."""
        return math.sqrt(self.scan.variance) if self.scan.freedom else None

    @property
    def print_deviation(self) -> float | None:
        """Standard deviation s_P that prints add to scans; ``None`` where the design cannot tell the two apart."""
        if not self.between.freedom or (not self.scan.freedom and self.scans_per_print <= 1.0):
            return None
        return math.sqrt(max(self.between.variance - self.scan.variance, 0.0) / self.scans_per_print)

    @property
    def single(self) -> Spread:
        """Variance of one scan of one print of the conditions: intermediate precision (Satterthwaite's freedom)."""
        if not self.between.freedom:
            return self.scan
        share = 1.0 / self.scans_per_print
        return combined((share, self.between), (1.0 - share, self.scan))

    @property
    def repeatability_limit(self) -> float | None:
        """What two scans of one print differ by, at most, in 95 % of cases: 2.77 s_r."""
        return None if self.scan_deviation is None else REPEATABILITY * self.scan_deviation

    @property
    def print_limit(self) -> float | None:
        """What single scans of two prints of one set of conditions differ by, at most, in 95 % of cases."""
        return REPEATABILITY * math.sqrt(self.single.variance) if self.between.freedom else None


_NOTHING: Final = Nested(
    scan=Spread(variance=0.0, freedom=0), between=Spread(variance=0.0, freedom=0), scans_per_print=1.0
)


def nested(
    groups: Sequence[Sequence[Sequence[npt.ArrayLike]]], square: Callable[[Array, Array], Array] | None = None
) -> Nested:
    """Return mean squares of readings[conditions][print][scan].

    Parameters
    ----------
    groups : nested sequences
        Readings, numbers or arrays of one shape.
    square : callable, optional
        Given readings and means, both (n, …), it returns n squared distances; the plain square if not given.
        It makes one "variance" out of many colours.
    """
    if all(sum(map(len, group)) < 2 for group in groups):
        return _NOTHING
    square = square or (lambda values, means: (values - means) ** 2)
    scan_squares = print_squares = 0.0
    scans = prints = conditions = 0
    squared_share = 0.0
    for group in groups:
        held = [np.asarray(one, dtype=np.float64) for one in group if len(one)]
        if not held:
            continue
        counts = np.array([len(one) for one in held], dtype=np.float64)
        means = np.stack([one.mean(axis=0) for one in held])
        whole = np.tensordot(counts, means, axes=1) / counts.sum()
        if len(held) > 1:
            print_squares += float(counts @ square(means, np.broadcast_to(whole, means.shape)))
        for one, mean in zip(held, means, strict=True):
            if len(one) > 1:
                scan_squares += float(square(one, np.broadcast_to(mean, one.shape)).sum())
        scans += int(counts.sum())
        prints += len(held)
        conditions += 1
        squared_share += float((counts**2).sum() / counts.sum())
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
    least = min((freedom for _, freedom in pieces), default=0.0)
    squares = sum(piece**2 / freedom for piece, freedom in pieces)
    # never fewer than the weakest part has: Satterthwaite's bounds
    return Spread(variance=total, freedom=max(total**2 / squares, least) if squares > 0 else least)


def fit_prior(spreads: Sequence[Spread]) -> Spread | None:
    """Return what an ensemble of variances says of any one of them: scale s0² and its worth in degrees of freedom d0.

    Smyth 2004, section 6.2: moments of the logarithms. ``None`` if all but a few are nought.
    """
    from scipy.special import digamma, polygamma

    variances = np.array([spread.variance for spread in spreads])
    freedom = np.array([float(spread.freedom) for spread in spreads])
    middle = float(np.median(variances)) if len(variances) else 0.0
    if len(variances) < 2 or middle <= 0.0:
        return None
    logs = np.log(np.maximum(variances, _LEAST_SHARE * middle)) - digamma(freedom / 2) + np.log(freedom / 2)
    excess = float(np.var(logs, ddof=1) - np.mean(polygamma(1, freedom / 2)))
    if excess <= 0.0:
        return Spread(variance=float(np.exp(logs.mean())), freedom=math.inf)
    half = _trigamma_inverse(excess)
    return Spread(variance=float(np.exp(logs.mean() + digamma(half) - math.log(half))), freedom=2.0 * half)


def _trigamma_inverse(value: float) -> float:
    """Newton's rule as in Smyth's appendix: convex, hence it never overshoots."""
    from scipy.special import polygamma

    x = 0.5 + 1.0 / value
    for _ in range(50):
        now = float(polygamma(1, x))
        step = now * (1.0 - now / value) / float(polygamma(2, x))
        x += step
        if -step / x < _CLOSE:
            break
    return x
