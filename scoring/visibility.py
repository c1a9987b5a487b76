"""What an eye would see of a score's findings, in just-noticeable differences (JND).

One JND is the threshold of detection (50 %) of a practised observer with good sight who looks for it: what is under 1
is not seen; several are needed to be noticed by somebody who does not look for it. A finding is taken as what it adds
to a smooth course: a contour or a flat band by the speed of colour inside it less that beside it, so that an abrupt
change of slope counts as a step does (Mach bands); a hue swing as a bump; a ripple as a grating. Position becomes
degrees of visual angle at the viewing distance. In each of three channels the finding is filtered by the eye's
contrast sensitivity, and the largest response, root-sum-square over the channels, is its JND:

- achromatic: Barten (1999), by colour-science, with its constants for a standard observer of 20 to 30 years, k = 3,
  T = 0.1 s, X_max = 12°, N_max = 15, n = 0.03, φ0 = 3e-8 s deg², u0 = 7 cycles a degree, its photon conversion factor
  p = 1.2274e6, pupil by luminance and field, Stiles-Crawford effect included;
- red-green and yellow-violet: castleCSF (Ashraf, Mantiuk, Chapiro & Wuerger 2024, J. Vision 24(4):5), static, in the
  fovea, with the constants of its authors' published program.

The field is the disc. Contrasts are taken about the finding's own mean colour, with `VEIL` of paper white added as
stray light in the eye and on the sheet (common practice, no source). Not tested against observers.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from threadpoolctl import threadpool_limits

from inkstrain.targets.colorimetry import WHITE_D50, colour_science, lab_to_xyz
from inkstrain.targets.errors import WrongUsageError

from .model import ElementScore, NeutralWedgeScore, RingScore, Viewing

__all__ = [
    "DEFAULT_VIEWING",
    "LIGHTS_CD_M2",
    "VEIL",
    "barten",
    "bump_jnd",
    "castle",
    "change_jnd",
    "grating_jnd",
    "opponent",
    "see",
    "viewing_of",
]

Array = NDArray[np.float64]

LIGHTS_CD_M2: Final = {"p1": 573.0, "p2": 143.0}
"""Luminance of paper of 90 % reflectance under ISO 3664's P1 (2000 lx) and P2 (500 lx)."""

DEFAULT_VIEWING: Final = Viewing(distance_mm=400.0, luminance_cd_m2=LIGHTS_CD_M2["p2"])
"""At a comfortable reading distance, in the light of practical appraisal."""

VEIL: Final = 0.005
"""Stray light, as a share of paper white."""

_FREQUENCIES: Final = np.arange(0.02, 48.0, 0.04)  # cycles a degree
_REACH_DEG: Final = 1.6
_PLACES: Final = 0.004  # degrees between places where a response is looked up
_MARGIN_MM: Final = 0.15  # what a scan's blur smears over a finding's ends
_BESIDE_MM: Final = 0.7  # where the slopes beside a finding are taken
_REACH_MM: Final = 0.2  # grain, blurred by a scan, reaches this far
_SMALL_L: Final = 0.05
# castleCSF: sensitivity (peak, luminance, power), f_max, bandwidth, A_0, f_0
_CASTLE: Final = {
    "red-green": ((681.434, 38.0038, 0.480386), 0.0178364, 2.42104, 2816.44, 0.0711058),
    "yellow-violet": ((166.683, 62.8974, 0.41193), 0.00425753, 2.68197, 2.82789e7, 0.000635093),
}
# CIE 2006 cones scaled so that L + M is luminance, to CIE 1931 XYZ on one display's spectra (castleCSF's program)
_XYZ_OF_LMS: Final = np.array(
    [
        [2.62912928, -3.78020239, 10.29495639],
        [0.86564906, 1.21555581, -0.98417569],
        [-0.00888656, 0.08161263, 51.37102483],
    ]
)
_LMS_WHITE: Final = np.array([0.6991, 0.3009, 0.0198])  # D65 at 1 cd/m² (same source)
_OPPONENT: Final = np.array([[1.0, 1.0, 0.0], [1.0, -2.3112, 0.0], [-1.0, -1.0, 50.9875]])  # same source


@dataclass(frozen=True, slots=True)
class _Place:
    """Where and how a finding is seen: mm a degree, luminance there, width and height of the field in degrees."""

    deg_a_mm: float
    luminance: float
    field_deg: tuple[float, float]


_PAPER_REFLECTANCE: Final = 0.9
_DISTANCES_MM: Final = (50.0, 10_000.0)
_LUX: Final = (1.0, 100_000.0)


def viewing_of(distance_mm: float, light: str) -> Viewing:
    """Return viewing conditions; light is ``p1``, ``p2`` (ISO 3664) or an illuminance in lux.

    Raises
    ------
    WrongUsageError
        If the light is neither, or a figure is out of range.
    """
    if not _DISTANCES_MM[0] <= distance_mm <= _DISTANCES_MM[1]:
        raise WrongUsageError(f"The viewing distance is {distance_mm:g} mm: use 50 to 10000 mm.")
    named = LIGHTS_CD_M2.get(light.strip().lower())
    if named is not None:
        return Viewing(distance_mm=distance_mm, luminance_cd_m2=named)
    try:
        lux = float(light)
    except ValueError:
        lux = np.nan
    if not _LUX[0] <= lux <= _LUX[1]:
        raise WrongUsageError(f"Unknown light {light!r}: use p1, p2 (ISO 3664) or lux, such as 300.")
    return Viewing(distance_mm=distance_mm, luminance_cd_m2=round(lux * _PAPER_REFLECTANCE / np.pi, 1))


def barten(cycles_a_degree: ArrayLike, luminance_cd_m2: float, field_deg: tuple[float, float]) -> Array:
    """Return the contrast sensitivity to luminance, Barten (1999): 1 over the modulation at threshold."""
    contrast = colour_science().contrast
    across, down = field_deg
    side = float(np.sqrt(across * down))
    pupil = contrast.pupil_diameter_Barten1999(luminance_cd_m2, side)
    return np.asarray(
        contrast.contrast_sensitivity_function_Barten1999(
            np.asarray(cycles_a_degree, dtype=np.float64),
            sigma=contrast.sigma_Barten1999(d=pupil),
            E=contrast.retinal_illuminance_Barten1999(luminance_cd_m2, pupil),
            X_0=across,
            Y_0=down,
        )
    )


def castle(cycles_a_degree: ArrayLike, luminance_cd_m2: float, area_deg2: float, channel: str) -> Array:
    """Return the contrast sensitivity of ``red-green`` or ``yellow-violet``, castleCSF (2024), static and foveal."""
    (peak, knee, power), f_max, bandwidth, area_0, f_0 = _CASTLE[channel]
    frequency = np.asarray(cycles_a_degree, dtype=np.float64)
    beyond = np.maximum(np.log10(np.maximum(frequency, 1e-9) / f_max), 0.0)  # level below f_max
    critical = area_0 / (1.0 + (frequency / f_0) ** 2)
    level = peak * (1.0 + knee / luminance_cd_m2) ** -power * 10.0 ** (-(beyond**2) / 2.0**bandwidth)
    return np.asarray(level * np.sqrt(critical / (1.0 + critical / area_deg2)) * frequency)


def opponent(lab: ArrayLike) -> Array:
    """Return achromatic, red-green and yellow-violet coordinates of media-relative CIELAB, paper's luminance 1."""
    from_xyz = np.linalg.inv(_XYZ_OF_LMS)
    cones = (lab_to_xyz(lab) @ from_xyz.T) / (from_xyz @ WHITE_D50) * _LMS_WHITE
    return np.asarray(cones @ _OPPONENT.T)


def _sensitivities(frequency: Array, place: _Place) -> Array:
    """Return the three channels' sensitivities, (n, 3)."""
    across, down = place.field_deg
    chromatic = [castle(frequency, place.luminance, across * down * np.pi / 4, channel) for channel in _CASTLE]
    return np.stack([barten(frequency, place.luminance, place.field_deg), *chromatic], axis=-1)


@functools.cache
def _sines() -> Array:
    """Return the response at distances from 0 on beyond a step to every frequency, (places, frequencies)."""
    away = np.arange(0.0, _REACH_DEG + _PLACES / 2, _PLACES)
    step = _FREQUENCIES[1] - _FREQUENCIES[0]
    return np.asarray(np.sin(2 * np.pi * np.outer(away, _FREQUENCIES)) / (np.pi * _FREQUENCIES) * step)


def _response(place_deg: Array, change: Array, seen: _Place) -> tuple[float, Array]:
    """Return the largest response to a course that changes by `change` (n, 3), in contrast, at places (n,).

    And by how much it grows with each change, (n, 3).
    """
    beyond = _sines() @ _sensitivities(_FREQUENCIES, seen)
    kernel = np.concatenate([-beyond[:0:-1], beyond])  # before a step the response is the opposite
    away = np.linspace(-_REACH_DEG, _REACH_DEG, len(kernel))
    looked = np.arange(place_deg[0] - 0.3, place_deg[-1] + 0.3, 2 * _PLACES)
    each = looked[:, None] - place_deg
    part = np.stack([np.interp(each, away, kernel[:, c]) for c in range(3)], axis=-1)
    response = np.sum(part * change, axis=1)
    best = int(np.argmax(np.sum(response**2, axis=1)))
    size = float(np.linalg.norm(response[best]))
    return size, np.asarray(part[best] * response[best] / max(size, 1e-12))


def _seen(lab: Array, viewing: Viewing, field_mm: tuple[float, float]) -> tuple[_Place, float]:
    """Return how a mean colour is seen, and the luminance, veil included, that contrasts are relative to."""
    deg_a_mm = float(np.degrees(1.0 / viewing.distance_mm))
    base = max(float(opponent(lab)[0]), 0.0) + VEIL
    field = (field_mm[0] * deg_a_mm, field_mm[1] * deg_a_mm)
    return _Place(deg_a_mm, base * viewing.luminance_cd_m2, field), base


def change_jnd(place_mm: Array, lab: Array, viewing: Viewing, field_mm: tuple[float, float]) -> float:
    """Return how visible a course of colour is that does not change outside of the given places.

    Parameters
    ----------
    place_mm, lab
        Places along a line, shape (n,), and media-relative CIELAB there, (n, 3): a step is two rows.
    field_mm
        Width (along the line) and height of the field it is seen in.
    """
    return _change(place_mm, lab, viewing, field_mm)[0]


def _change(place_mm: Array, lab: Array, viewing: Viewing, field_mm: tuple[float, float]) -> tuple[float, Array]:
    """Return what `change_jnd` does, and by how much it grows with each place's L*, (n,)."""
    seen, base = _seen(lab.mean(axis=0), viewing, field_mm)
    middle = (place_mm[1:] + place_mm[:-1]) / 2 * seen.deg_a_mm
    size, growth = _response(middle, np.diff(opponent(lab), axis=0) / base, seen)
    by_colour = (np.pad(growth, ((1, 0), (0, 0))) - np.pad(growth, ((0, 1), (0, 0)))) / base
    a_little = np.array([_SMALL_L, 0.0, 0.0])
    by_l = (opponent(lab + a_little) - opponent(lab - a_little)) / (2 * _SMALL_L)
    return size, np.asarray(np.sum(by_colour * by_l, axis=1))


def grating_jnd(
    lab: ArrayLike, delta: ArrayLike, period_mm: float, viewing: Viewing, field_mm: tuple[float, float]
) -> float:
    """Return how visible a sinusoid is about a colour `lab`, with amplitude `delta` in CIELAB: modulation times CSF."""
    lab, delta = np.asarray(lab, dtype=np.float64), np.asarray(delta, dtype=np.float64)
    seen, base = _seen(lab, viewing, field_mm)
    amplitude = (opponent(lab + delta) - opponent(lab - delta)) / (2 * base)
    frequency = np.array([1.0 / (period_mm * seen.deg_a_mm)])
    return float(np.linalg.norm(amplitude * _sensitivities(frequency, seen)[0]))


def bump_jnd(
    lab: ArrayLike, delta: ArrayLike, width_mm: float, viewing: Viewing, field_mm: tuple[float, float]
) -> float:
    """Return how visible a raised cosine is: colour leaves `lab` by `delta` and returns, `width_mm` at half height."""
    along = np.linspace(-1.0, 1.0, 81)
    shape = 0.5 + 0.5 * np.cos(np.pi * along)
    course = np.asarray(lab, dtype=np.float64) + shape[:, None] * np.asarray(delta, dtype=np.float64)
    return change_jnd(along * max(width_mm, 0.05), course, viewing, field_mm)


def see(elements: Sequence[ElementScore], viewing: Viewing) -> tuple[ElementScore, ...]:
    """Return elements with all their visibility figures filled in for a viewing distance and luminance."""
    # the matrices are small: a BLAS that shares them out to threads takes longer
    with threadpool_limits(limits=1, user_api="blas"):
        return tuple(_see_one(element, viewing) for element in elements)


def _see_one(element: ElementScore, viewing: Viewing) -> ElementScore:
    if isinstance(element, RingScore) and len(element.profile.radius_mm) > 1:
        return _see_ring(element, viewing)
    if isinstance(element, NeutralWedgeScore):
        return _see_wedge(element, viewing)
    return element


def _see_ring(ring: RingScore, viewing: Viewing) -> RingScore:
    radius, lab = np.array(ring.profile.radius_mm), np.array(ring.profile.lab)
    across = 2.0 * float(radius[-1])
    field = (across, across)

    steep = [(one.inner_mm, one.outer_mm) for one in ring.contours]

    noise = _noise_l(radius, lab, np.array(ring.profile.standard_error_de00))

    def excess(inner: float, outer: float, margin_mm: float) -> tuple[float | None, float | None]:
        parts = _excess(radius, (inner - margin_mm, outer + margin_mm), steep)
        if parts is None:
            return None, None
        used, place, less = parts
        size, growth = _change(place, less @ lab[used], viewing, field)
        # a forecast's colours have no noise, and what they are uncertain by is not known
        return size, float(np.linalg.norm(growth @ less * noise[used])) if noise.any() else None

    def at(place_mm: float) -> Array:
        return np.array([np.interp(place_mm, radius, column) for column in lab.T])

    def swing(one: Any) -> float:
        colour = at(one.radius_mm)
        chroma = max(float(np.hypot(*colour[1:])), 1e-6)
        across_hue = np.array([0.0, -colour[2], colour[1]]) / chroma * one.delta_h
        return bump_jnd(colour, across_hue, one.width_mm, viewing, field)

    def wave(one: Any) -> float | None:
        if one.period_mm is None:
            return None
        colour = at((one.inner_mm + one.outer_mm) / 2)
        extent = (one.outer_mm - one.inner_mm, across)
        return grating_jnd(colour, (one.amplitude_l, 0.0, 0.0), one.period_mm, viewing, extent)

    contours = []
    for one in ring.contours:
        jnd, _ = excess(one.inner_mm, one.outer_mm, _MARGIN_MM)
        error = one.contrast_standard_error_de00
        contours.append(_told(one, jnd, _in_proportion(jnd, error, one.contrast_de00)))
    return ring.model_copy(
        update={
            "contours": tuple(contours),
            "flat_bands": tuple(
                _told(one, *excess(one.inner_mm, one.outer_mm, -_inset(one))) for one in ring.flat_bands
            ),
            "hue_swings": tuple(
                _told(one, jnd, _in_proportion(jnd, one.uncertainty_deg, one.degrees))
                for one in ring.hue_swings
                for jnd in (swing(one),)
            ),
            "ripples": tuple(
                _told(one, jnd, _in_proportion(jnd, one.standard_error_l, one.amplitude_l))
                for one in ring.ripples
                for jnd in (wave(one),)
            ),
        }
    )


def _told(one: Any, jnd: float | None, error: float | None) -> Any:
    return one.model_copy(update={"visibility_jnd": jnd, "visibility_standard_error_jnd": error})


def _in_proportion(jnd: float | None, error: float | None, size: float) -> float | None:
    """Return the standard error of a visibility that grows as a size does whose standard error is known."""
    return None if jnd is None or error is None else jnd * error / max(abs(size), 1e-6)


def _noise_l(radius: Array, lab: Array, error_de00: Array) -> Array:
    """Return the standard errors of a profile's L* (n,), as if neighbours that share their grain were independent.

    Grain is a noise of lightness; CIEDE2000's weight of it is taken out.
    """
    away = (lab[:, 0] - 50.0) ** 2
    weight = 1.0 + 0.015 * away / np.sqrt(20.0 + away)
    shared = max(_REACH_MM / float(np.median(np.diff(radius))), 1.0)
    return np.asarray(error_de00 * weight * np.sqrt(shared))


def _inset(band: Any) -> float:
    """Return how much of a flat band's ends to leave out, so that a contour there does not count as its own."""
    return min(_MARGIN_MM, float(band.width_mm) / 4)


def _excess(
    radius: Array, stretch_mm: tuple[float, float], steep_mm: Sequence[tuple[float, float]]
) -> tuple[NDArray[np.bool_], Array, Array] | None:
    """Return how a stretch's colours less the course that the slopes beside it would make follow from a profile's.

    Which of the profile's places (n,) take part, the stretch's own places (m,), and a matrix of one by the other.
    Slopes are taken on both sides, clear of contours, and run from one into the other; at a ramp's end there may be
    one side only.
    """
    first, last = stretch_mm
    before_mm, after_mm = first, last
    for inner, outer in sorted(steep_mm, reverse=True):
        if inner < first and outer > before_mm - _BESIDE_MM:
            before_mm = min(before_mm, inner - _MARGIN_MM)
    for inner, outer in sorted(steep_mm):
        if outer > last and inner < after_mm + _BESIDE_MM:
            after_mm = max(after_mm, outer + _MARGIN_MM)
    before = (radius >= before_mm - _BESIDE_MM) & (radius < before_mm)
    after = (radius > after_mm) & (radius <= after_mm + _BESIDE_MM)
    inside = (radius >= first) & (radius <= last)
    used = before | inside | after
    near = radius[used]
    slopes = [_slope(near, rows[used]) for rows in (before, after)]
    if inside.sum() < 2 or (slopes[0] is None and slopes[1] is None):
        return None
    start, end = (slopes[i] if slopes[i] is not None else slopes[1 - i] for i in (0, 1))
    place = radius[inside]
    part = place - place[0]
    late = part**2 / (2 * max(float(place[-1] - place[0]), 1e-9))
    course = np.outer(part - late, start) + np.outer(late, end)
    # about the stretch's middle: what is left of its course then stands where its mean colour is
    return used, place, np.eye(len(near))[inside[used]] - course + course.mean(axis=0)


def _slope(radius: Array, rows: NDArray[np.bool_]) -> Any:
    """Return how the slope of a straight line through some places follows from all values, (n,)."""
    if rows.sum() < 4:
        return None
    away = np.where(rows, radius - radius[rows].mean(), 0.0)
    return away / (away @ away)


def _see_wedge(wedge: NeutralWedgeScore, viewing: Viewing) -> NeutralWedgeScore:
    """Fill in how visible each step's edge to the step before is, in a field of two steps."""
    steps = [wedge.steps[0]]
    for before, step in zip(wedge.steps, wedge.steps[1:], strict=False):
        pair = np.array([before.lab, step.lab])
        jnd = change_jnd(np.array([-1e-4, 1e-4]), pair, viewing, _WEDGE_FIELD_MM)
        steps.append(step.model_copy(update={"visibility_jnd": jnd}))
    return wedge.model_copy(update={"steps": tuple(steps)})


_WEDGE_FIELD_MM: Final = (15.0, 15.0)
