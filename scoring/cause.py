"""Cause: was a finding already in the attainable colours, or did the print add it?

A print that jumps or holds somewhere moves everything beyond it to other radii, so places are compared along the path:
at the same share of its own length, printed and attainable. A finding is the profile's if the attainable path does
there at least six tenths of what the print did, and the print's otherwise; where both have a part, that decides.

- contour: of the steepness, as multiples of the share are compared (in their logarithms)
- flat band: of the shortfall against the share, over a stretch as wide
- hue swing: the colour at its peak lies on the attainable path, or nearer to it than four tenths of the swing
- core: of its length
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from inkstrain.targets.colorimetry import delta_e00, path_length_de00

from .features import PathPair, core_mm
from .model import Cause, Contour, FlatBand, HueSwing, RingScore

__all__ = ["CORE_LEAST_MM", "attribute"]

Array = NDArray[np.float64]
_Finding = TypeVar("_Finding", Contour, FlatBand, HueSwing)

CORE_LEAST_MM: Final = 0.5
"""A core shorter than this is no finding and has no cause: an even ramp leaves its hub within about 0.3 mm."""

_PART: Final = 0.6
_SLIP_DE00: Final = 1.0  # how far two paths' lengths may have run apart
_SLIPS: Final = np.linspace(-1.0, 1.0, 9)
_BLURRED_MM: Final = 0.05  # what deblurring leaves of a hard step
_SMEARED_MM: Final = 0.12
_HUE_SLIP_MM: Final = 1.5


@dataclass(frozen=True, slots=True)
class _Course:
    """Shares of their own lengths that the paths have covered by a radius, from the hub outwards."""

    radius_mm: Array
    printed: Array
    asked: Array
    attainable_mm: Array
    attainable: Array
    length_de00: float

    def asked_at(self, radius_mm: Array | float) -> Array:
        return np.asarray(np.interp(radius_mm, self.radius_mm, self.asked))

    def printed_at(self, radius_mm: float) -> float:
        return float(np.interp(radius_mm, self.radius_mm, self.printed))

    def attainable_at(self, radius_mm: Array) -> Array:
        return np.asarray(np.interp(radius_mm, self.attainable_mm, self.attainable))

    def attainable_mm_at(self, share: Array | float) -> Array:
        return np.asarray(np.interp(share, self.attainable, self.attainable_mm))


def attribute(ring: RingScore, radius_mm: Array, attainable_lab: Array, intended_lab: Array) -> RingScore:
    """Return a ring with a cause beside each of its findings.

    Parameters
    ----------
    radius_mm
        Radii along the ramp from its inner to its outer end, (n,), every 0.05 mm or closer.
    attainable_lab, intended_lab
        What the profile says will come out there, and what the file asks for, (n, 3).
    """
    course = _course(ring, radius_mm, attainable_lab, intended_lab)
    if course is None:
        return ring
    usual = _usual_error(ring, attainable_lab)
    pair = PathPair(radius_mm, attainable_lab, intended_lab)
    return ring.model_copy(
        update={
            "contours": tuple(_with(c, _contour(c, course)) for c in ring.contours),
            "flat_bands": tuple(_with(b, _flat_band(b, course)) for b in ring.flat_bands),
            "hue_swings": tuple(_with(s, _hue_swing(s, ring, course, attainable_lab, usual)) for s in ring.hue_swings),
            "core_cause": _core(ring.core_mm, core_mm(pair, attainable_lab[0])),
        }
    )


def _with(finding: _Finding, cause: Cause) -> _Finding:
    return finding.model_copy(update={"cause": cause})


def _course(ring: RingScore, radius_mm: Array, attainable_lab: Array, intended_lab: Array) -> _Course | None:
    profile = ring.profile
    attainable = path_length_de00(attainable_lab)
    if len(profile.speed_de00_per_mm) < 2 or attainable[-1] < 1e-3:
        return None
    # the printed path as the score keeps it: mean speeds between the borders of its bins
    bins = np.array(profile.radius_mm)
    borders = np.concatenate([[bins[0]], (bins[1:] + bins[:-1]) / 2, [bins[-1]]])
    printed = np.concatenate([[0.0], np.cumsum(np.array(profile.speed_de00_per_mm) * np.diff(borders))])
    if printed[-1] < 1e-3:
        return None
    asked = path_length_de00(intended_lab)
    both = np.union1d(borders, radius_mm)
    return _Course(
        radius_mm=both,
        printed=np.interp(both, borders, printed / printed[-1]),
        asked=np.interp(both, radius_mm, asked / asked[-1]),
        attainable_mm=radius_mm,
        attainable=attainable / attainable[-1],
        length_de00=float(printed[-1]),
    )


def _contour(contour: Contour, course: _Course) -> Cause:
    middle, half = course.printed_at(contour.radius_mm), contour.contrast_de00 / course.length_de00 / 2
    slips = _SLIPS * _SLIP_DE00 / course.length_de00
    inner, outer = course.attainable_mm_at(middle - half + slips), course.attainable_mm_at(middle + half + slips)
    # how many times its share each path moves at: equal contrasts over what the file moves in the widths they take
    printed = float(
        2 * half / _asked_over(course, contour.inner_mm - _BLURRED_MM / 2, contour.outer_mm + _BLURRED_MM / 2)
    )
    attainable = float(np.max(2 * half / _asked_over(course, inner, outer)))
    return "profile" if attainable >= max(printed, 1.0) ** _PART else "print"


def _asked_over(course: _Course, inner_mm: Array | float, outer_mm: Array | float) -> Array:
    return np.asarray(np.maximum(course.asked_at(outer_mm) - course.asked_at(inner_mm), 1e-9))


def _flat_band(band: FlatBand, course: _Course) -> Cause:
    # a hard step often bounds a band, and its share is smeared over the bin that it lies in
    inset = min(_SMEARED_MM, band.width_mm / 4)
    start, stop = course.printed_at(band.inner_mm + inset), course.printed_at(band.outer_mm - inset)
    short = float(course.asked_at(band.outer_mm) - course.asked_at(band.inner_mm)) - (stop - start)
    # stretches as wide as the band, wherever the attainable path passes its colours
    slip = _SLIP_DE00 / course.length_de00
    first, last = course.attainable_mm_at(start - slip), course.attainable_mm_at(stop + slip)
    ramp_mm = float(course.attainable_mm[0]), float(course.attainable_mm[-1])
    inner = np.clip(np.linspace(float(first) - band.width_mm, float(last), 60), ramp_mm[0], ramp_mm[1] - band.width_mm)
    outer = inner + band.width_mm
    met = (course.attainable_at(inner) <= stop + slip) & (course.attainable_at(outer) >= start - slip)
    asked = course.asked_at(outer) - course.asked_at(inner)
    missing = asked - (course.attainable_at(outer) - course.attainable_at(inner))
    return "profile" if np.any(met & (missing >= _PART * short)) else "print"


def _usual_error(ring: RingScore, attainable_lab: Array) -> float:
    """Return how far printed colours lie from the whole attainable path, as a rule: an error that all share."""
    lab = np.array(ring.profile.lab)
    _, nearest = KDTree(attainable_lab).query(lab)
    return float(np.median(delta_e00(lab, attainable_lab[nearest])))


def _hue_swing(swing: HueSwing, ring: RingScore, course: _Course, attainable_lab: Array, usual_de00: float) -> Cause:
    """Tell whether the colour at a swing is one of the attainable path's: a swing of the print's own leaves it."""
    radius = np.array(ring.profile.radius_mm)
    at = np.argsort(np.abs(radius - swing.radius_mm))[:5]
    lab = np.median(np.array(ring.profile.lab)[at], axis=0)
    turn = np.radians(swing.degrees)
    back = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    size = float(delta_e00(lab, np.concatenate([lab[:1], back @ lab[1:]])))
    middle = float(course.attainable_mm_at(course.printed_at(swing.radius_mm)))
    near = np.abs(course.attainable_mm - middle) <= _HUE_SLIP_MM
    extra = float(np.min(delta_e00(attainable_lab[near], lab))) - usual_de00
    return "profile" if extra <= (1.0 - _PART) * size else "print"


def _core(printed_mm: float | None, attainable_mm: float) -> Cause | None:
    if printed_mm is None or printed_mm <= CORE_LEAST_MM:
        return None
    return "profile" if attainable_mm >= _PART * printed_mm else "print"
