"""From a course to what it shows: one function for scans, forecasts, attainable colours and a rehearsal's truth.

Every figure is an integral or a maximum along the course at its stated resolution (DESIGN §5, measures/2), and is
worked out again on each jackknife copy of the course: that is its standard error. Exact courses have none.
"""

from __future__ import annotations

import functools
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import delta_e00, lab_to_cam16ucs

from ..colour.uncertainty import REPEATABILITY
from ..maths.segments import maximal_segments, segments_again
from ..maths.solvers import monotone_crossing
from ..results.score import Contour, Estimate, FaintRing, FallOff, FlatBand, Reversal, Scored, Viewing
from .course import PITCH_MM, CourseSample, euclidean_metric, sectors_of, speeds, standard_error
from .departure import Departures

__all__ = ["Fade", "Pace", "contrast_repeatability_de00", "measure_fade", "pace_of"]

Array = NDArray[np.float64]

CONTOUR_SHARE: Final = 2.0
"""Times the share beyond which colour jumps; 1.5 finds weaker rings, but soft stretches then join (DESIGN §5.3)."""
FLAT_SHARE: Final = 0.5
"""Times the share below which tones merge: the mirror of twice the share."""
LEAST_EXCESS_DE00: Final = 0.25
"""Of a contour: a hard step of 1.25 ΔE00 where the share is 3 ΔE00 a mm has 0.26; weaker ones are faint rings."""
LEAST_MISSING_DE00: Final = 0.4
"""Of a flat band (DESIGN §5.4)."""
REVERSAL_LEAST_L: Final = 0.5
"""Of a reversal (DESIGN §5.9)."""
CORE_DE00: Final = 1.0
"""How far from the hub's colour a core ends (DESIGN §5.9)."""

SHOWN: Final = 3.0
"""Standard errors that a contour or a flat band must have to be reported (DESIGN §5.3, 5.4)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fade:
    """Everything that a course shows."""

    reach: float
    reach_noise: float | None
    evenness: float | None
    evenness_noise: float | None
    evenness_second_metric: float | None
    excess: Scored
    missing: Scored
    contours: tuple[Contour, ...]
    flat_bands: tuple[FlatBand, ...]
    faint_rings: tuple[FaintRing, ...]
    reversals: tuple[Reversal, ...]
    core_mm: Estimate
    fall_off_mm: FallOff | None


@dataclass(frozen=True, slots=True, eq=False)
class Pace:
    """How fast a course moves beside the intended one, by steps over its ramp.

    Attributes
    ----------
    border_mm
        Borders of the steps, (k + 1,).
    printed
        Signed speed of the course and its copies, ΔE00 a mm, (v, k).
    asked
        Intended speed, (k,).
    """

    border_mm: Array
    printed: Array
    asked: Array

    @property
    def reach(self) -> Array:
        """Length of the printed path over that of the intended one, (v,)."""
        return np.asarray(self.printed.sum(axis=1) / self.asked.sum())

    @property
    def share(self) -> Array:
        """Intended speed scaled by reach, (v, k)."""
        return self.reach[:, None] * self.asked

    @property
    def excess(self) -> Array:
        """Scores of the steps for contours, ΔE00, (v, k)."""
        return (self.printed - CONTOUR_SHARE * self.share) * PITCH_MM

    @property
    def missing(self) -> Array:
        """Scores of the steps for flat bands, ΔE00, (v, k)."""
        return (FLAT_SHARE * self.share - self.printed) * PITCH_MM

    @property
    def lost(self) -> Array:
        """The share less what was printed, ΔE00, (v, k)."""
        return (self.share - self.printed) * PITCH_MM

    def _unevenness(self) -> Array:
        """Normalised printed speed less normalised intended speed, by steps, (v, k)."""
        return np.asarray(self.printed / self.printed.sum(axis=1, keepdims=True) - self.asked / self.asked.sum())

    def evenness(self) -> float:
        """Return evenness without what noise takes from it, 0 to 1.

        An absolute value of noise is not nought. So a sector's part of the difference (its jackknife pseudo-value)
        counts with the sign that the other sectors give it, which its own noise has no part in.
        """
        off = self._unevenness()
        if len(off) == 1:
            return float(1.0 - 0.5 * np.abs(off[0]).sum())
        others = sectors_of(off)
        parts = len(others) * off[0] - (len(others) - 1) * others
        return min(1.0, float(1.0 - 0.5 * np.mean(np.sum(np.sign(others) * parts, axis=1))))

    def evenness_noise(self, evenness: float) -> float | None:
        """Return the standard error of evenness: the jackknife's, and that of the correction for noise.

        Sectors that share some noise would leave some of it; anything up to the whole correction is taken as equally
        likely (JCGM 100, 4.3.7).
        """
        plain = 1.0 - 0.5 * np.abs(self._unevenness()).sum(axis=1)
        error = _error(plain)
        return None if error is None else float(np.hypot(error, (evenness - plain[0]) / np.sqrt(3.0)))


@dataclass(frozen=True, slots=True, eq=False)
class _Stretch:
    """A maximal scoring segment and what its jackknife copies make of it; all (v,)."""

    inner_mm: Array
    outer_mm: Array
    middle_mm: Array  # the median of the score
    score: Array

    @property
    def is_sure(self) -> bool:
        """Whether it is surely not noise."""
        error = _error(self.score)
        return error is None or float(self.score[0]) >= SHOWN * error


def pace_of(course: CourseSample, intended: CourseSample) -> Pace:
    """Return the speeds of a course beside those of the intended one at the same radii and resolution."""
    return _pace(course, speeds(course.lab), _asked_speeds(intended))


@functools.lru_cache(maxsize=64)
def _asked_speeds(intended: CourseSample) -> Array:
    return speeds(intended.lab)


@functools.lru_cache(maxsize=64)
def _asked_speeds_second(intended: CourseSample) -> Array:
    return speeds(lab_to_cam16ucs(intended.lab), euclidean_metric)


def _pace(course: CourseSample, printed: Array, asked: Array) -> Pace:
    """Return speeds over the ramp, (v, n - 1) and (1, n - 1): from the hub's colour to the rim's.

    What the resolution smears of the ramp's ends over hub and rim belongs to its first and last step.
    """
    wide, ramp = course.smeared_rows, course.ramp_rows
    borders = course.radius_mm[ramp].copy()
    borders[-1] = course.ramp_mm[1]

    def over_ramp(speed: Array) -> Array:
        found = speed[:, ramp.start : ramp.stop - 1].copy()
        found[:, 0] += speed[:, wide.start : ramp.start].sum(axis=1)
        found[:, -1] += speed[:, ramp.stop - 1 : wide.stop - 1].sum(axis=1)
        return found

    return Pace(borders, over_ramp(printed), over_ramp(asked)[0])


def measure_fade(course: CourseSample, intended: CourseSample, viewing: Viewing, disc_mm: float) -> Fade:
    """Return what a course shows beside the intended one.

    Parameters
    ----------
    course, intended
        At the same radii and the same resolution.
    viewing
        What visibility is stated for.
    disc_mm
        Diameter of the disc, the field that findings are seen in.
    """
    pace = pace_of(course, intended)
    steeper = _stretches(pace.border_mm, pace.excess, LEAST_EXCESS_DE00)
    flatter = _stretches(pace.border_mm, pace.missing, LEAST_MISSING_DE00)
    steep, flat = ([one for one in found if one.is_sure] for found in (steeper, flatter))
    eye = Departures.of(course, intended, viewing, disc_mm)
    reach = pace.reach
    evenness = pace.evenness() if abs(float(reach[0])) > 1e-6 else None
    return Fade(
        reach=float(reach[0]),
        reach_noise=_error(reach),
        evenness=evenness,
        evenness_noise=None if evenness is None else pace.evenness_noise(evenness),
        evenness_second_metric=_second_evenness(course, intended) if evenness is not None else None,
        excess=_in_all(steeper, [_contrast(found, course) for found in steeper]),
        missing=_in_all(flatter, [_lost(found, pace) for found in flatter]),
        contours=tuple(_contour(found, course, eye) for found in steep),
        flat_bands=tuple(_flat_band(found, pace, eye) for found in flat),
        faint_rings=eye.faint_rings([(float(s.inner_mm[0]), float(s.outer_mm[0])) for s in (*steep, *flat)]),
        reversals=_reversals(course, intended),
        core_mm=_core(course),
        fall_off_mm=_fall_off(pace),
    )


def _error(values: Array) -> float | None:
    """Return the standard error of a figure from all its versions; ``None`` if it is exact."""
    return None if len(values) == 1 else float(standard_error(values))


def _sums(scores: Array) -> Array:
    return np.concatenate([np.zeros((len(scores), 1)), np.cumsum(scores, axis=1)], axis=1)


def _stretches(border_mm: Array, scores: Array, least: float) -> list[_Stretch]:
    """Return the maximal scoring segments that score enough, sure or not, (v, k) scores."""
    clear = [segment for segment in maximal_segments(scores[0]) if segment.score >= least]
    edges = [0, *((a.last + b.first) // 2 for a, b in itertools.pairwise(clear)), scores.shape[1]]
    sums = _sums(scores)
    found = []
    for segment, start, stop in zip(clear, edges, edges[1:], strict=False):
        inside = sums[0, segment.first : segment.last + 1] - sums[0, segment.first]
        middle = segment.first + int(np.argmax(inside >= segment.score / 2)) - 1
        first, last = segments_again(sums, middle, (start, stop))
        score = sums[np.arange(len(sums)), last] - sums[np.arange(len(sums)), first]
        found.append(_placed(border_mm, scores, sums, first, last, score))
    return found


def _in_all(found: Sequence[_Stretch], contrasts: Sequence[float]) -> Scored:
    """Return what stretches score in all: whether one is sure depends on its error, and a sum of sure ones jumps."""
    if not found:
        return Scored(value=0.0, noise=0.0, repeatability=0.0, stretches=0)
    whole = np.sum([one.score for one in found], axis=0)
    moved = sum(map(contrast_repeatability_de00, contrasts))
    return Scored(value=float(whole[0]), noise=_error(whole), repeatability=moved, stretches=len(found))


def _contrast(found: _Stretch, course: CourseSample) -> float:
    ends_mm = [float(found.inner_mm[0]), float(found.outer_mm[0])]
    ends = np.stack([np.interp(ends_mm, course.radius_mm, axis) for axis in course.lab[0].T], axis=-1)
    return float(delta_e00(ends[0], ends[1]))


def _lost(found: _Stretch, pace: Pace) -> float:
    ends_mm = [float(found.inner_mm[0]), float(found.outer_mm[0])]
    return float(np.diff(np.interp(ends_mm, pace.border_mm, _sums(pace.lost)[0]))[0])


def _placed(
    border_mm: Array, scores: Array, sums: Array, first: NDArray[np.intp], last: NDArray[np.intp], score: Array
) -> _Stretch:
    """Return a segment's ends, where the score a step passes nought between two middles of steps, and its median."""
    versions = np.arange(len(scores))
    middle = (border_mm[1:] + border_mm[:-1]) / 2

    def crossing(before: NDArray[np.intp], at_edge: float) -> Array:
        valid = (before >= 0) & (before + 1 < scores.shape[1])
        low = np.clip(before, 0, scores.shape[1] - 2)
        a, b = scores[versions, low], scores[versions, low + 1]
        part = np.clip(a / np.where(a == b, 1.0, a - b), 0.0, 1.0)
        return np.where(valid, middle[low] + part * (middle[low + 1] - middle[low]), at_edge)

    inner = crossing(first - 1, float(border_mm[0]))
    outer = crossing(last - 1, float(border_mm[-1]))
    medians = []
    for version in range(len(scores)):
        part = slice(int(first[version]), int(last[version]) + 1)
        gained = np.maximum.accumulate(sums[version, part] - sums[version, part.start])
        medians.append(np.interp(score[version] / 2, gained, border_mm[part]))
    return _Stretch(inner, outer, np.array(medians), score)


def contrast_repeatability_de00(contrast_de00: float) -> float:
    """Return what a scanner that repeats its response to 0.17 % adds to a difference of colours beside each other.

    Both sides move together, so that it is at most that share of their contrast.
    """
    return REPEATABILITY * abs(contrast_de00)


def _contour(found: _Stretch, course: CourseSample, eye: Departures) -> Contour:
    inner, outer = float(found.inner_mm[0]), float(found.outer_mm[0])
    contrast = _contrast(found, course)
    visibility, unsure = eye.visibility(found.inner_mm, found.outer_mm)
    return Contour(
        radius_mm=float(found.middle_mm[0]),
        inner_mm=inner,
        outer_mm=outer,
        width_mm=outer - inner,
        excess_de00=float(found.score[0]),
        contrast_de00=contrast,
        noise_de00=_error(found.score),
        repeatability_de00=contrast_repeatability_de00(contrast),
        radius_noise_mm=_error(found.middle_mm),
        width_noise_mm=_error(found.outer_mm - found.inner_mm),
        visibility=visibility,
        visibility_noise=unsure,
    )


def _flat_band(found: _Stretch, pace: Pace, eye: Departures) -> FlatBand:
    inner, outer = float(found.inner_mm[0]), float(found.outer_mm[0])
    lost = _lost(found, pace)
    visibility, unsure = eye.visibility(found.inner_mm, found.outer_mm)
    return FlatBand(
        inner_mm=inner,
        outer_mm=outer,
        width_mm=outer - inner,
        missing_de00=float(found.score[0]),
        lost_de00=lost,
        noise_de00=_error(found.score),
        repeatability_de00=contrast_repeatability_de00(lost),
        width_noise_mm=_error(found.outer_mm - found.inner_mm),
        visibility=visibility,
        visibility_noise=unsure,
    )


def _second_evenness(course: CourseSample, intended: CourseSample) -> float:
    """Return evenness by CAM16-UCS, in which speed is another."""
    printed = speeds(lab_to_cam16ucs(course.lab), euclidean_metric)
    return _pace(course, printed, _asked_speeds_second(intended)).evenness()


def _reversals(course: CourseSample, intended: CourseSample) -> tuple[Reversal, ...]:
    """Return the stretches where lightness runs against its intended way, scored by how far."""
    rows = course.ramp_rows
    way = np.sign(intended.lab[0, rows.stop - 1, 0] - intended.lab[0, rows.start, 0])
    back = -way * np.diff(course.lab[:, rows, 0], axis=1)
    return tuple(
        Reversal(
            inner_mm=float(one.inner_mm[0]),
            outer_mm=float(one.outer_mm[0]),
            depth_l=float(one.score[0]),
            noise_l=_error(one.score),
        )
        for one in _stretches(course.radius_mm[rows], back, REVERSAL_LEAST_L)
        if one.is_sure
    )


def _core(course: CourseSample) -> Estimate:
    """Return how far beyond the hub colour stays within 1 ΔE00 of it: where a monotone fit of ΔE00 passes 1."""
    on_ramp, start = course.ramp_rows, course.ramp_mm[0]
    away = delta_e00(course.lab[:, on_ramp], course.lab[:, : course.smeared_rows.start].mean(axis=1, keepdims=True))
    found = [monotone_crossing(course.radius_mm[on_ramp], one - CORE_DE00, course.ramp_mm) - start for one in away]
    return Estimate(value=found[0], noise=_error(np.array(found)))


def _fall_off(pace: Pace) -> FallOff | None:
    length = np.maximum.accumulate(_sums(pace.printed[:1] * PITCH_MM)[0])
    if length[-1] < 1e-6:
        return None
    p10, p50, p90 = (float(np.interp(part * length[-1], length, pace.border_mm)) for part in (0.1, 0.5, 0.9))
    return FallOff(p10=p10, p50=p50, p90=p90)
