"""The noise floor of every measure of every element: what two scans, or two prints, of the same thing differ by.

Three things are known of a row's variance: an assumed floor (never less than the scan's own standard error), what
the repeats of other rows of its kind say (moderated variances, see `nested`), and its own repeats. Each counts by
its degrees of freedom; with many repeats the last one settles it.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, TypeVar

from .nested import Nested, Spread, combined, fit_prior

__all__ = ["RowNoise", "RowRepeats", "learn_noise"]

Key = TypeVar("Key", bound=Hashable)

_FLOOR_FREEDOM: Final = {"finding": 20.0, "value": 4.0}
"""What an assumed floor counts for beside repeats. Findings come and go between scans, so that a few quiet repeats
say little; values are steady. Set on rehearsals, see tests/bench_noise.py."""

_SCAN_SHARE: Final = 0.5
"""The share of an assumed variance that is put down to scanning, the rest to printing; common practice, no source."""

_FEWEST_ROWS: Final = 5
_ROUNDING: Final = 1e-12
_ENOUGH_FREEDOM: Final = 8.0  # of a row and its family together, before they outweigh the floor
_PRIOR_PER_REPEAT: Final = 4.0  # rows of one scan move together: many rows are worth no more than so many repeats


@dataclass(frozen=True, slots=True, kw_only=True)
class RowRepeats:
    """What is known of one row before it is compared.

    Attributes
    ----------
    repeats : Nested
        Mean squares of its repeats.
    assumed : float
        Standard deviation of one scan, assumed or stated by the scan; the larger.
    kind : {"finding", "value"}
        Whether the reading is of what may be found or not, or a steady value.
    family : str
        Rows of one family learn from each other, if there are enough of them; the others do so all together.
    """

    repeats: Nested
    assumed: float
    kind: str
    family: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RowNoise:
    """The variance of one row's readings.

    Attributes
    ----------
    kind : {"finding", "value"}
        As in `RowRepeats`.
    scan, between : Spread or None
        Moderated mean squares between scans of a print and between prints; ``None`` where nothing repeats.
    scans_per_print : float
        As in `Nested`.
    assumed : float
        Standard deviation of one scan that stands where nothing repeats.
    """

    kind: str
    scan: Spread | None
    between: Spread | None
    scans_per_print: float
    assumed: float

    @property
    def rests_on(self) -> str:
        """Return ``prints``, ``scans`` or ``assumed``."""
        return "prints" if self.between else "scans" if self.scan else "assumed"

    def of_difference(self, *sides: Sequence[int]) -> Spread:
        """Return the variance of the difference of two means.

        Where prints do not repeat, what scans leave of the assumed variance is put down to prints: many scans of one
        sheet say nothing of the next sheet.

        Parameters
        ----------
        sides : sequences of int
            For each print of a side, the number of its scans. A side's mean is the mean of its prints' means.
        """
        per_print = sum(1.0 / len(side) for side in sides)
        per_scan = sum(sum(1.0 / count for count in side) / len(side) ** 2 for side in sides)
        if self.between is not None:
            share = per_print / self.scans_per_print
            if self.scan is None:
                # one scan of each print: the two components cannot be told apart, nor need they be
                return combined((max(share, per_scan), self.between))
            return combined((share, self.between), (per_scan - share, self.scan))
        assumed = Spread(variance=self.assumed**2, freedom=math.inf)
        if self.scan is None:
            return combined((per_print, assumed))
        left = Spread(variance=max(assumed.variance - self.scan.variance, 0.0), freedom=math.inf)
        return combined((per_print, left), (per_scan, self.scan))

    def with_more(self, *sides: Sequence[int], of: str) -> Spread:
        """Return the same, foretold for one more ``scan`` of each print, or one more ``print`` of each side.

        Where nothing repeats yet, repeats are taken to spread as assumed, half of it from scan to scan.
        """
        more = [[count + 1 for count in side] if of == "scan" else [*side, max(side)] for side in sides]
        gained = sum(map(len, sides)) if of == "scan" else len(sides)
        scan, between = self.scan, self.between
        known = Spread(variance=self.assumed**2, freedom=_FLOOR_FREEDOM["finding"])
        if of == "scan":
            scan = scan or replace(known, variance=_SCAN_SHARE * known.variance)
            scan = replace(scan, freedom=scan.freedom + gained)
        else:
            between = between or known
            between = replace(between, freedom=between.freedom + gained)
        return replace(self, scan=scan, between=between).of_difference(*more)


def learn_noise(rows: Mapping[Key, RowRepeats]) -> dict[Key, RowNoise]:
    """Return the noise of every row, each having learnt from its own repeats and from the rows of its kind."""
    # as much of the assumed variance as such a mean square holds
    scans = _moderated({key: (row.repeats.scan, row, _SCAN_SHARE) for key, row in rows.items()})
    prints = _moderated(
        {
            key: (row.repeats.between, row, _SCAN_SHARE + (1.0 - _SCAN_SHARE) * row.repeats.scans_per_print)
            for key, row in rows.items()
        }
    )
    return {
        key: RowNoise(
            kind=row.kind,
            scan=scans.get(key),
            between=prints.get(key),
            scans_per_print=row.repeats.scans_per_print,
            assumed=row.assumed,
        )
        for key, row in rows.items()
    }


def _moderated(rows: Mapping[Key, tuple[Spread, RowRepeats, float]]) -> dict[Key, Spread]:
    """Return moderated mean squares of the rows that have repeats; the share of the assumed variance is theirs."""
    held = {key: (spread, row) for key, (spread, row, _) in rows.items() if spread.freedom}
    # in units of what is assumed, so that measures of unlike units can learn from each other
    scaled = {
        key: Spread(variance=_seen(spread.variance / row.assumed**2), freedom=spread.freedom)
        for key, (spread, row) in held.items()
    }
    priors = _priors({key: (scaled[key], row) for key, (_, row) in held.items()})
    moderated = {}
    for key, (_, row) in held.items():
        own, share = scaled[key], rows[key][2]
        floor = Spread(variance=share, freedom=_FLOOR_FREEDOM["finding"])
        others = Spread(variance=0.0, freedom=0.0)
        prior = priors.get(key)
        most = _PRIOR_PER_REPEAT * own.freedom
        if prior is not None and own.freedom + min(prior.freedom, most) >= _ENOUGH_FREEDOM:
            floor = Spread(variance=share, freedom=_FLOOR_FREEDOM["value"])
            others = Spread(variance=prior.variance, freedom=min(prior.freedom, most))
        weight = floor.freedom + others.freedom + own.freedom
        total = sum(part.variance * part.freedom for part in (floor, others, own))
        moderated[key] = Spread(variance=total / weight * row.assumed**2, freedom=weight)
    return moderated


def _seen(variance: float) -> float:
    """Return a variance, or nought where it is but the rounding of equal values."""
    return variance if variance > _ROUNDING else 0.0


def _priors(rows: Mapping[Key, tuple[Spread, RowRepeats]]) -> dict[Key, Spread]:
    """Return for each steady row what the other rows of its family, or of all small families, say of it."""
    sizes = Counter(row.family for _, row in rows.values() if row.kind == "value")
    families: dict[str, list[Key]] = {}
    for key, (_, row) in rows.items():
        if row.kind == "value":
            families.setdefault(row.family if sizes[row.family] >= _FEWEST_ROWS else "", []).append(key)
    priors = {}
    for keys in families.values():
        prior = fit_prior([rows[key][0] for key in keys]) if len(keys) >= _FEWEST_ROWS else None
        if prior is not None:
            priors.update(dict.fromkeys(keys, prior))
    return priors
