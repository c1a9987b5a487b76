"""Cause: was a finding already in the attainable colours, or did the print add it?

A print that jumps or holds somewhere moves everything beyond it to other radii, so places are compared along the path:
at the same share of its own length, printed and attainable. A finding is the profile's if the attainable path does
there at least half of what the print did, and the print's otherwise; where both have a part, the larger one decides.

- contour: half of the surplus over the share, within at most twice the width (and 0.2 mm, what a scan cannot tell)
- flat band: half of the shortfall against the share
- hue swing: half of the departure, to the same side, within half its width (and 0.5 mm)
- core: half of its length
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import path_length_de00

from .features import PathPair, core_mm
from .hue import hue_departure_deg
from .model import Cause, Contour, FlatBand, HueSwing, RingScore

__all__ = ["CORE_LEAST_MM", "attribute"]

Array = NDArray[np.float64]
_Finding = TypeVar("_Finding", Contour, FlatBand, HueSwing)

CORE_LEAST_MM: Final = 0.5
"""A core shorter than this is no finding and has no cause: an even ramp leaves its hub within about 0.3 mm."""

_PART: Final = 0.5
_SLIP_DE00: Final = 1.0  # how far two paths' lengths may have run apart
_SLIPS: Final = np.linspace(-1.0, 1.0, 9)
_BLURRED_MM: Final = 0.2
_HUE_SLIP_MM: Final = 0.5
_HUE_PITCH_MM: Final = 0.1


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
    sparse = slice(None, None, max(round(_HUE_PITCH_MM / float(radius_mm[1] - radius_mm[0])), 1))
    off, weight = hue_departure_deg(radius_mm[sparse], attainable_lab[sparse], intended_lab[sparse])
    off = np.where(weight > 0, off, 0.0)
    pair = PathPair(radius_mm, attainable_lab, intended_lab)
    return ring.model_copy(
        update={
            "contours": tuple(_with(c, _contour(c, course)) for c in ring.contours),
            "flat_bands": tuple(_with(b, _flat_band(b, course)) for b in ring.flat_bands),
            "hue_swings": tuple(_with(s, _hue_swing(s, course, radius_mm[sparse], off)) for s in ring.hue_swings),
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
    share = 2 * half - float(course.asked_at(contour.outer_mm) - course.asked_at(contour.inner_mm))
    slips = _SLIPS * _SLIP_DE00 / course.length_de00
    inner, outer = course.attainable_mm_at(middle - half + slips), course.attainable_mm_at(middle + half + slips)
    surplus = 2 * half - (course.asked_at(outer) - course.asked_at(inner))
    narrow = outer - inner <= 2 * contour.width_mm + _BLURRED_MM
    return "profile" if np.any(narrow & (surplus >= _PART * share)) else "print"


def _flat_band(band: FlatBand, course: _Course) -> Cause:
    start, stop = course.printed_at(band.inner_mm), course.printed_at(band.outer_mm)
    short = float(course.asked_at(band.outer_mm) - course.asked_at(band.inner_mm)) - (stop - start)
    slip = _SLIP_DE00 / course.length_de00
    inner, outer = course.attainable_mm_at(start - slip), course.attainable_mm_at(stop + slip)
    # the stretch is wider by the slip at both ends, which an even path takes as long for
    missing = float(course.asked_at(outer) - course.asked_at(inner)) - (stop - start + 2 * slip)
    return "profile" if missing >= _PART * short else "print"


def _hue_swing(swing: HueSwing, course: _Course, radius_mm: Array, off_deg: Array) -> Cause:
    middle = float(course.attainable_mm_at(course.printed_at(swing.radius_mm)))
    near = np.abs(radius_mm - middle) <= swing.width_mm / 2 + _HUE_SLIP_MM
    same_way = np.max(np.sign(swing.degrees) * off_deg[near], initial=0.0)
    return "profile" if same_way >= _PART * abs(swing.degrees) else "print"


def _core(printed_mm: float | None, attainable_mm: float) -> Cause | None:
    if printed_mm is None or printed_mm <= CORE_LEAST_MM:
        return None
    return "profile" if attainable_mm >= _PART * printed_mm else "print"
