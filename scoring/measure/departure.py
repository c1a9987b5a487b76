"""What an eye sees of a course: its departures from its own local course, and faint rings among them.

A departure is what a local cubic leaves of a course; the file's own is taken out. Filtered by the eye's contrast
sensitivity as local energy (Morrone & Owens 1987), it is in multiples of the threshold, with one peak for a step, a
bump or a kink alike. A finding is seen by itself: its departure is that of the course less the course without it, in
which colour leaves the intended way as fast as it does beside it.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import delta_e00

from ..eye.visibility import local_response, visibility_of
from ..results.score import FaintRing, Viewing
from .course import PITCH_MM, CourseSample, along_radius, standard_error

__all__ = ["Departures"]

Array = NDArray[np.float64]

THRESHOLD: Final = 1.0
"""Of visibility, from which a faint ring is reported."""
SURE: Final = 4.0
"""Standard errors that a faint ring must have (DESIGN §5.5)."""

_LOCAL_MM: Final = 1.0  # sigma of the local cubic: what bends more slowly is the print's course (DESIGN §5.5)
_BESIDE_MM: Final = 0.5  # within which the speed beside a finding is taken: the scale of the local tangent
_SMEARED: Final = 2.0  # resolutions beyond a finding's ends that hold the rest of it: 98 % of a hard step
_INSET: Final = 2.0  # resolutions from the ramp's ends, where the file's own kinks are


@dataclass(frozen=True, slots=True, eq=False)
class Departures:
    """The departures of one course."""

    course: CourseSample
    intended: Array  # the intended course, (n, 3)
    inside: slice  # rows of the ramp without the kinks at its ends
    viewing: Viewing
    disc_mm: float

    @classmethod
    def of(cls, course: CourseSample, intended: CourseSample, viewing: Viewing, disc_mm: float) -> Departures:
        """Return the departures of a course from itself, the intended course's own taken out."""
        inset = _INSET * course.resolution_mm
        first = int(np.searchsorted(course.radius_mm, course.ramp_mm[0] + inset - 1e-9))
        inside = slice(first, int(np.searchsorted(course.radius_mm, course.ramp_mm[1] - inset + 1e-9)))
        return cls(course, intended.lab[0], inside, viewing, disc_mm)

    def visibility(self, inner_mm: Array, outer_mm: Array) -> tuple[float | None, float | None]:
        """Return how visible what stands between two radii is, and its standard error; ``None`` if that is larger.

        Parameters
        ----------
        inner_mm, outer_mm
            Its ends on all versions of the course, (v,).
        """
        rows = self.course.smeared_rows
        lab = self.course.lab[:, rows]
        ends = zip(self.course.lab[:, None], inner_mm.tolist(), outer_mm.tolist(), strict=True)
        without = np.concatenate([self._without(one, [(inner, outer)]) for one, inner, outer in ends])[:, rows]
        seen = visibility_of(self._response(lab, along_radius(_high_pass(rows.stop - rows.start), lab - without)))
        sizes = seen.max(axis=1)
        error = None if len(sizes) == 1 else float(standard_error(sizes))
        if error is not None and error > sizes[0]:
            return None, error
        return float(sizes[0]), error

    def faint_rings(self, stretches_mm: Sequence[tuple[float, float]]) -> tuple[FaintRing, ...]:
        """Return the peaks of what may be seen of the course that contours and flat bands leave, inner first."""
        from scipy.signal import find_peaks, peak_widths

        lab = self._without(self.course.lab, stretches_mm)[:, self.inside]
        departure = along_radius(_high_pass(lab.shape[1]), lab - self.intended[self.inside])
        response = self._response(lab, departure)
        seen = visibility_of(response)
        radius, found = self.course.radius_mm[self.inside], []
        smeared = _SMEARED * self.course.resolution_mm
        # a peak must stand out by a threshold too: a dip that is not seen parts nothing
        peaks, _ = find_peaks(seen[0], height=THRESHOLD, prominence=THRESHOLD)
        _, _, starts, stops = peak_widths(seen[0], peaks, rel_height=0.5)
        for peak, start, stop in zip(peaks.tolist(), starts.tolist(), stops.tolist(), strict=True):
            size, error = float(seen[0, peak]), _response_error(response[:, peak])
            within = any(inner - smeared <= radius[peak] <= outer + smeared for inner, outer in stretches_mm)
            if size < SURE * error or within:
                continue
            # all that is seen at least half as well: which of two like peaks is the higher one, noise decides
            part = slice(int(start), int(np.ceil(stop)) + 1)
            sizes = np.asarray(delta_e00(lab[:, part] - departure[:, part], lab[:, part]))
            most = int(np.argmax(sizes[0]))
            found.append(
                FaintRing(
                    radius_mm=float(np.average(radius[part], weights=seen[0, part])),
                    width_mm=(stop - start) * PITCH_MM,
                    amplitude_de00=float(sizes[0, most]),
                    amplitude_l=float(departure[0, part][most, 0]),
                    noise_de00=None if len(lab) == 1 else float(standard_error(sizes[:, most])),
                    visibility=size,
                    visibility_noise=None if len(lab) == 1 else error,
                )
            )
        return tuple(found)

    def _response(self, lab: Array, departure: Array) -> NDArray[np.complex128]:
        return local_response(lab, lab - departure, PITCH_MM, self.viewing, self.disc_mm)

    def _without(self, lab: Array, stretches_mm: Sequence[tuple[float, float]]) -> Array:
        """Return versions of the course without stretches: colour leaves the intended way there as beside them."""
        if not stretches_mm:
            return lab
        border = self.course.radius_mm
        middle = (border[1:] + border[:-1]) / 2

        def part(low: float, high: float) -> Array:
            """Return how much of each step lies between two radii."""
            return np.clip((np.minimum(high, border[1:]) - np.maximum(low, border[:-1])) / PITCH_MM, 0.0, 1.0)

        asked = np.diff(self.intended, axis=0)
        steps = np.diff(lab, axis=1) - asked
        stretches = _joined(stretches_mm, _SMEARED * self.course.resolution_mm)
        outside = 1.0 - np.sum([part(low, high) for low, high in stretches], axis=0)
        even = steps.copy()
        for low, high in stretches:
            beside = [outside * part(low - _BESIDE_MM, low), outside * part(high, high + _BESIDE_MM)]
            sides = [np.einsum("k,vkc->vc", one, steps) / one.sum() for one in beside if one.sum() >= 1.0]
            if sides:
                share = np.clip((middle - low) / (high - low), 0.0, 1.0)[:, None]
                between = (1.0 - share) * sides[0][:, None] + share * sides[-1][:, None]
                even += part(low, high)[:, None] * (between - steps)
        even += asked
        return np.concatenate([lab[:, :1], lab[:, :1] + np.cumsum(even, axis=1)], axis=1)


def _joined(stretches_mm: Sequence[tuple[float, float]], beyond_mm: float) -> list[tuple[float, float]]:
    """Return stretches with what is smeared beyond them, those that then overlap as one."""
    found: list[tuple[float, float]] = []
    for inner, outer in sorted(stretches_mm):
        low, high = inner - beyond_mm, outer + beyond_mm
        if found and low <= found[-1][1]:
            low, high = found[-1][0], max(high, found.pop()[1])
        found.append((low, high))
    return found


def _response_error(response: NDArray[np.complex128]) -> float:
    """Return the standard error of a response and its copies, (v, 3): the length of all its parts' errors."""
    if len(response) == 1:
        return 0.0
    parts = np.concatenate([response.real, response.imag], axis=1)
    return float(np.linalg.norm(standard_error(parts)))


@functools.lru_cache(maxsize=8)
def _high_pass(number: int) -> Array:
    """Return the matrix (n, n) that takes from even places the local cubic through them (Gaussian weights)."""
    place = PITCH_MM * np.arange(number)
    away = (place - place[:, None]) / _LOCAL_MM
    weight = np.exp(-0.5 * away**2)
    powers = away[..., None] ** np.arange(4)
    gram = np.einsum("ij,ijk,ijl->ikl", weight, powers, powers)
    at_zero = np.linalg.solve(gram, np.eye(4)[:1].T[None].repeat(number, axis=0))[..., 0]
    return np.asarray(np.eye(number) - weight * np.einsum("ijk,ik->ij", powers, at_zero))
