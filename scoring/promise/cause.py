"""Cause: how much of a finding the profile's own colours have already, and how much the print added.

Printed and attainable course are compared over the same part of the path: between the same shares of their lengths,
wherever these lie on the disc. What the attainable course scores there is the profile's part, the rest is the print's.
A word follows from the two parts and their errors. Faint rings, hue swings and cores are the profile's if its own
colours show at least half as much there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ..measure.course import CourseSample
from ..measure.fade import LEAST_EXCESS_DE00, LEAST_MISSING_DE00, Pace, pace_of
from ..results.score import Cause, RingScore

__all__ = ["CORE_LEAST_MM", "attribute"]

Array = NDArray[np.float64]

CORE_LEAST_MM: Final = 0.5
"""A core shorter than this is no finding and has no cause: an even ramp leaves its hub within about 0.4 mm."""

_SURE: Final = 1.96  # standard errors beyond which a part is surely there
_SLIP_DE00: Final = 1.0  # a scan's colours agree with a profile's to about as much: a good basis' p95 (DESIGN §6)
_SLIPS: Final = np.linspace(-1.0, 1.0, 21)
_HALF: Final = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class _Paths:
    """Shares of their lengths that the printed and the attainable course have covered by their radii."""

    printed_mm: Array
    printed: Array
    attainable: Array  # at the borders of `pace`
    length_de00: float
    pace: Pace

    def part(self, inner_mm: float, outer_mm: float) -> Array:
        """Return the part of the path, as shares, that is printed between two radii."""
        return np.interp([inner_mm, outer_mm], self.printed_mm, self.printed)

    def score(self, scores: Array, part: Array) -> float:
        """Return the most that the attainable course scores over a part of the path, within the slip, or nought."""
        slips = _SLIPS * _SLIP_DE00 / self.length_de00
        ends = np.interp(part + slips[:, None], self.attainable, self.pace.border_mm)
        sums = np.concatenate([[0.0], np.cumsum(scores)])
        return max(float(np.diff(np.interp(ends, self.pace.border_mm, sums), axis=1).max()), 0.0)

    def same_part(self, radius_mm: float, others_mm: Sequence[float]) -> list[int]:
        """Return which of the radii on the attainable course lie at the path's part of a printed radius."""
        here = float(self.part(radius_mm, radius_mm)[0])
        slip = _SLIP_DE00 / self.length_de00
        near = np.interp([here - slip, here + slip], self.attainable, self.pace.border_mm)
        return [i for i, other in enumerate(others_mm) if near[0] <= other <= near[1]]


def attribute(ring: RingScore, attainable: RingScore, course: CourseSample, intended: CourseSample) -> RingScore:
    """Return a ring with the cause of each of its findings.

    Parameters
    ----------
    attainable
        What the profile's own colours show.
    course, intended
        The attainable course, and what the file asks for, at the printed course's resolution.
    """
    paths = _paths(ring, course, intended)
    if paths is None:
        return ring
    excess, missing = paths.pace.excess[0], paths.pace.missing[0]
    contours = [_split(c, c.excess_de00, excess, LEAST_EXCESS_DE00, ring, paths) for c in ring.contours]
    bands = [_split(b, b.missing_de00, missing, LEAST_MISSING_DE00, ring, paths) for b in ring.flat_bands]
    # what jumps or bends in the attainable colours is seen there, whichever it is called
    seen = [(f.radius_mm, f.visibility) for f in attainable.faint_rings]
    seen += [(c.radius_mm, c.visibility or 0.0) for c in attainable.contours]
    turns = [(s.radius_mm, s.degrees) for s in attainable.hue_swings]
    return ring.revised(
        contours=tuple(contours),
        flat_bands=tuple(bands),
        faint_rings=tuple(f.revised(cause=_shared(f.radius_mm, f.visibility, seen, paths)) for f in ring.faint_rings),
        hue_swings=tuple(s.revised(cause=_shared(s.radius_mm, s.degrees, turns, paths)) for s in ring.hue_swings),
        core_cause=_core(ring, attainable),
    )


def _paths(ring: RingScore, course: CourseSample, intended: CourseSample) -> _Paths | None:
    pace = pace_of(course, intended)
    attainable = _covered(pace)
    if attainable is None or not ring.course.radius_mm:
        return None
    kept = np.array(ring.course.radius_mm), np.array(ring.course.lab)
    lab = np.stack([np.interp(course.radius_mm, kept[0], axis) for axis in kept[1].T], axis=-1)
    printed = pace_of(CourseSample(course.radius_mm, lab[None], course.resolution_mm, course.ramp_mm), intended)
    shares = _covered(printed)
    if shares is None:
        return None
    length = float(pace.reach[0] * pace.asked.sum() * (pace.border_mm[1] - pace.border_mm[0]))
    return _Paths(printed.border_mm, shares, attainable, length, pace)


def _covered(pace: Pace) -> Array | None:
    """Return the share of its length that a course has covered by each border; it only grows."""
    length = np.concatenate([[0.0], np.cumsum(pace.printed[0])])
    return np.maximum.accumulate(length) / length[-1] if length[-1] > 1e-6 else None


def _split(finding: Any, size: float, scores: Array, least: float, ring: RingScore, paths: _Paths) -> Any:
    """Return a contour or flat band whose score is split into the profile's part and the print's."""
    part = paths.part(finding.inner_mm, finding.outer_mm)
    profile = paths.score(scores, part)
    # by how much it hangs on where the part's ends are, which the course's noise leaves open
    errors = np.interp(
        [finding.inner_mm, finding.outer_mm], ring.course.radius_mm, ring.course.standard_error_de00
    )
    moved = [np.array([errors[0], 0.0]), np.array([0.0, errors[1]])]
    unsure = float(
        np.linalg.norm([paths.score(scores, part + shift / paths.length_de00) - profile for shift in moved])
    )
    added = size - profile
    added_noise = None if finding.noise_de00 is None else float(np.hypot(finding.noise_de00, unsure))
    return finding.revised(
        from_profile_de00=profile,
        from_profile_noise_de00=unsure,
        from_print_de00=added,
        from_print_noise_de00=added_noise,
        cause=_word(size, (profile, unsure), (added, added_noise or 0.0), least),
    )


def _word(size: float, profile: tuple[float, float], added: tuple[float, float], least: float) -> Cause:
    """Return the word for two parts with their errors: both if each would be a finding, else the larger one's."""
    if all(part >= least and part >= _SURE * error for part, error in (profile, added)):
        return "both"
    name, (part, error) = ("profile", profile) if profile[0] >= _HALF * size else ("print", added)
    return name if part >= _SURE * error else "unknown"  # type: ignore[return-value]


def _shared(radius_mm: float, size: float, others: Sequence[tuple[float, float]], paths: _Paths) -> Cause:
    near = paths.same_part(radius_mm, [place for place, _ in others])
    return "profile" if any(others[i][1] / size >= _HALF for i in near) else "print"


def _core(ring: RingScore, attainable: RingScore) -> Cause | None:
    if ring.core_mm is None or ring.core_mm.value <= CORE_LEAST_MM:
        return None
    known = attainable.core_mm.value if attainable.core_mm else 0.0
    return "profile" if known >= _HALF * ring.core_mm.value else "print"
