"""Courses: colour against radius at a stated resolution, and how fast it changes.

A course is a mean over all azimuths in linear light, smoothed to a Gaussian of `RESOLUTION_MM`. A scan that is sharper
is brought to it by the Gaussian that is missing; one that is less sharp keeps its own. Nothing is deconvolved. A scan's
course comes with copies that leave out one sector each, for the delete-one jackknife (Efron & Tibshirani 1993, ch. 11),
and with copies that are moved by one standard error of what all sectors share: the scan's blur, and the scale of its
radii. Any figure worked out on all of them has its standard error by `standard_error`.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import delta_e00, lab_to_xyz, xyz_to_lab

__all__ = [
    "PITCH_MM",
    "RESOLUTION_MM",
    "SECTORS",
    "CourseSample",
    "Metric",
    "Sharpness",
    "along_radius",
    "cells_course",
    "ciede2000_metric",
    "error_de00",
    "euclidean_metric",
    "exact_course",
    "jackknife_error",
    "local_line",
    "radii",
    "sectors_of",
    "speeds",
    "standard_error",
    "standard_error_de00",
    "versions_of",
]

Array = NDArray[np.float64]
Metric = Callable[[Array], Array]

RESOLUTION_MM: Final = 0.10
"""Gaussian sigma of the stated resolution: about what an eye resolves at 400 mm, 0.23 mm or 2 minutes of arc across."""

PITCH_MM: Final = 0.025
"""Distance between radii that a course is worked out at: a quarter of the resolution, so that no wave of it is lost
(a Gaussian leaves exp(-2 (π/4)² · 16) < 1e-8 at its Nyquist frequency)."""

SECTORS: Final = 24
"""Sectors of a disc, each a copy of the jackknife."""

_TANGENT_MM: Final = 0.5  # sigma of the local line that gives the direction (DESIGN §5.2)
_BEYOND_MM: Final = 1.0  # hub and rim beyond the ramp, two sigmas of the local line, which anchor its ends
_LEAST_SMOOTHING: Final = 0.6  # of a bin: a Gaussian narrower than this is not one when sampled every bin (to 1e-3)
_SMALL: Final = 0.05  # of CIELAB, over which CIEDE2000 is a quadratic form to 1e-4
_NOTHING: Final = 1e-12
_REACH_SIGMAS: Final = 3.0  # over which the ends of a ramp are smeared by the resolution


@dataclass(frozen=True, slots=True, eq=False)
class CourseSample:
    """Colour along a fade.

    Attributes
    ----------
    radius_mm
        Even radii from within the hub to within the rim, (n,).
    lab
        CIELAB, (1 + sectors + 2, n, 3): the course, those with one sector left out, and those of a scan that is less
        blurred, and of radii that are larger, by one standard error; (1, n, 3) if it is exact.
    resolution_mm
        Gaussian sigma it is stated at.
    ramp_mm
        Radii where the ramp begins and ends.
    """

    radius_mm: Array
    lab: Array
    resolution_mm: float
    ramp_mm: tuple[float, float]

    @property
    def ramp_rows(self) -> slice:
        """The radii of the ramp."""
        return self._between(*self.ramp_mm)

    @property
    def smeared_rows(self) -> slice:
        """The radii of the ramp and of what the resolution smears of its ends: three sigmas beyond."""
        reach = _REACH_SIGMAS * self.resolution_mm
        return self._between(self.ramp_mm[0] - reach, self.ramp_mm[1] + reach)

    def _between(self, inner_mm: float, outer_mm: float) -> slice:
        first = int(np.searchsorted(self.radius_mm, inner_mm - 1e-9))
        return slice(first, int(np.searchsorted(self.radius_mm, outer_mm + 1e-9)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Sharpness:
    """How sharp a scan is, and how well that and its radii are known: standard errors that all sectors share.

    Attributes
    ----------
    blur_mm, blur_error_mm
        Gaussian sigma of the scan, instrument and pixel.
    radius_error_mm
        Of the mean radius of a ring, from placing.
    """

    blur_mm: float
    blur_error_mm: float = 0.0
    radius_error_mm: float = 0.0


def radii(ramp_mm: tuple[float, float], most_mm: float) -> Array:
    """Return the radii that the course of a ramp is worked out at, up to what can be seen of its rim."""
    first = np.ceil((ramp_mm[0] - _BEYOND_MM) / PITCH_MM)
    last = np.floor(min(ramp_mm[1] + _BEYOND_MM, most_mm) / PITCH_MM + 1e-9)
    return np.asarray(PITCH_MM * np.arange(first, last + 1))


def exact_course(
    radius_mm: Array, lab: Array, ramp_mm: tuple[float, float], at_mm: Array, resolution_mm: float
) -> CourseSample:
    """Return the course of colours known without error, at a resolution.

    Parameters
    ----------
    radius_mm, lab
        Even radii with a pitch of 0.02 mm or less, (m,), and the colour of each cell, (m, 3). Beyond them colours go on
        as at their ends.
    at_mm
        Radii of the course, (n,).
    """
    xyz = lab_to_xyz(lab)
    pitch = float(radius_mm[1] - radius_mm[0])
    weights = _gaussian(at_mm, round(float(radius_mm[0]), 6), round(pitch, 6), len(radius_mm), round(resolution_mm, 5))
    return CourseSample(at_mm, xyz_to_lab(weights @ xyz)[None], resolution_mm, ramp_mm)


def _gaussian(at_mm: Array, first_mm: float, pitch_mm: float, count: int, sigma_mm: float) -> Array:
    return _gaussian_of(at_mm.tobytes(), first_mm, pitch_mm, count, sigma_mm)


@functools.lru_cache(maxsize=4)
def _gaussian_of(at: bytes, first_mm: float, pitch_mm: float, count: int, sigma_mm: float) -> Array:
    """Return weights (n, count) of a Gaussian over even cells; what lies beyond them counts with the last one."""
    from scipy.special import ndtr

    at_mm = np.frombuffer(at, dtype=np.float64)
    borders = first_mm + pitch_mm * (np.arange(count + 1) - 0.5)
    below = ndtr((borders - at_mm[:, None]) / sigma_mm)
    below[:, 0], below[:, -1] = 0.0, 1.0
    return np.diff(below, axis=1)


def cells_course(
    place_mm: Array,
    linear: Array,
    count: Array,
    to_lab: Callable[[Array], Array],
    ramp_mm: tuple[float, float],
    at_mm: Array,
    sharpness: Sharpness,
    bin_mm: float,
) -> CourseSample:
    """Return the course of a scanned disc with its jackknife copies.

    Parameters
    ----------
    place_mm
        Mean radius of each bin, (bins,).
    linear, count
        Mean linear light and number of pixels by bin and sector, (bins, sectors, 3) and (bins, sectors); a count of 0
        where a sector was left out.
    to_lab
        From linear light to CIELAB.
    at_mm
        Radii of the course, (n,).
    """
    blur, blurrier = sharpness.blur_mm, sharpness.blur_error_mm
    own = float(np.hypot(blur, bin_mm / np.sqrt(12.0)))
    missing = max(float(np.sqrt(max(RESOLUTION_MM**2 - own**2, 0.0))), _LEAST_SMOOTHING * bin_mm)
    resolution = max(RESOLUTION_MM, float(np.hypot(own, missing)))
    versions = versions_of(linear, count)
    # a blur in the plane draws what bends round a middle inwards, by sigma squared over twice the radius
    place = place_mm + blur**2 / (2.0 * place_mm)
    smooth = along_radius(local_line(place, at_mm, missing), np.swapaxes(versions, 0, 1))
    # what is less blurred wants the more smoothing
    sharper = float(np.sqrt(missing**2 + blur**2 - max(blur - blurrier, 0.0) ** 2))
    moved = [(place, sharper), (place + sharpness.radius_error_mm, missing)]
    moved_smooth = [local_line(there, at_mm, sigma) @ versions[:, 0] for there, sigma in moved]
    return CourseSample(at_mm, to_lab(np.concatenate([smooth, moved_smooth])), resolution, ramp_mm)


def versions_of(linear: Array, count: Array) -> Array:
    """Return the mean light of bins, and the means that leave out one sector each, (bins, 1 + sectors, 3)."""
    light = np.where(count[..., None] > 0, linear, 0.0) * count[..., None]
    whole, pixels = light.sum(axis=1), count.sum(axis=1)
    left_out = (whole[:, None] - light) / np.maximum(pixels[:, None] - count, 1)[..., None]
    return np.concatenate([(whole / pixels[:, None])[:, None], left_out], axis=1)


def local_line(place_mm: Array, at_mm: Array, sigma_mm: float) -> Array:
    """Return weights (n, m) of a local line with Gaussian weights: on even places, a plain Gaussian."""
    away = place_mm - at_mm[:, None]
    # far from every place the nearest two decide, whatever their weight
    nearest = np.min(np.abs(away), axis=1, keepdims=True)
    weight = np.exp(-0.5 * (away**2 - nearest**2) / sigma_mm**2)
    weight /= weight.sum(axis=1, keepdims=True)
    centred = away - np.sum(weight * away, axis=1, keepdims=True)
    spread = np.sum(weight * centred**2, axis=1, keepdims=True)
    slope = -np.sum(weight * away, axis=1, keepdims=True) / np.maximum(spread, 1e-12)
    return np.asarray(weight * (1.0 + slope * centred))


@functools.lru_cache(maxsize=8)
def _tangents(number: int) -> Array:
    """Return weights (number - 1, number) of the slope of a local line about the middle of every step, per mm."""
    place = PITCH_MM * np.arange(number)
    away = place - (place[1:] + place[:-1])[:, None] / 2
    weight = np.exp(-0.5 * (away / _TANGENT_MM) ** 2)
    weight /= weight.sum(axis=1, keepdims=True)
    centred = away - np.sum(weight * away, axis=1, keepdims=True)
    return np.asarray(weight * centred / np.sum(weight * centred**2, axis=1, keepdims=True))


def along_radius(weights: Array, colours: Array) -> Array:
    """Return weights (m, n) applied to courses (..., n, 3) as one product of matrices, (..., m, 3)."""
    flat = np.moveaxis(colours, -2, 0).reshape(colours.shape[-2], -1)
    return np.moveaxis((weights @ flat).reshape(len(weights), *colours.shape[:-2], 3), 0, -2)


def ciede2000_metric(lab: Array) -> Array:
    """Return CIEDE2000 about colours as a quadratic form: the square of a small difference d is d G d, (n, 3, 3)."""
    axes = _SMALL * np.eye(3)
    square = {}
    for i, j in ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2)):
        half = (axes[i] + (axes[j] if i != j else 0.0)) / 2
        square[i, j] = (np.asarray(delta_e00(lab - half, lab + half)) / _SMALL) ** 2
    metric = np.empty((*lab.shape[:-1], 3, 3))
    for i, j in square:
        metric[..., i, j] = square[i, j] if i == j else (square[i, j] - square[i, i] - square[j, j]) / 2
        metric[..., j, i] = metric[..., i, j]
    return metric


def euclidean_metric(colours: Array) -> Array:
    """Return the plain distance of a uniform space as a quadratic form, (n, 3, 3)."""
    return np.broadcast_to(np.eye(3), (*colours.shape[:-1], 3, 3))


def speeds(colours: Array, metric: Metric = ciede2000_metric) -> Array:
    """Return how fast colours move, per mm, with the sign of their way along the local tangent: (v, n - 1), by steps.

    Grain goes to and fro and sideways and must add no length. Along the tangent its sign lets it cancel. The square of
    the sideways part has the jackknife's variance taken off, and counts as far as the local course outruns that noise.
    Without noise this is the plain colour difference of neighbours, with a sign.

    Parameters
    ----------
    colours
        A course and its jackknife copies, (v, n, 3), every `PITCH_MM`.
    """
    step = np.diff(colours, axis=1)
    tangent = along_radius(_tangents(colours.shape[1]), colours) * PITCH_MM
    form = metric((colours[0, 1:] + colours[0, :-1]) / 2)
    turned = np.einsum("kij,vkj->vki", form, tangent)
    local = np.maximum(np.sum(tangent * turned, axis=2), _NOTHING)
    along = np.sum(step * turned, axis=2) / np.sqrt(local)
    sideways = _square(form, step) - along**2
    if len(colours) > 1:
        off = sectors_of(step) - step[:1]
        noise = _square(form, off) - np.sum(off * turned[0], axis=2) ** 2 / local[0]
        noise = noise.sum(axis=0) * (len(off) - 1) / len(off)
        sideways = (sideways - noise) * local / (local + noise)
    return np.asarray(np.sign(along) * np.sqrt(np.maximum(along**2 + sideways, 0.0)) / PITCH_MM)


def _square(form: Array, vectors: Array) -> Array:
    return np.asarray(np.einsum("vki,kij,vkj->vk", vectors, form, vectors, optimize=True))


def jackknife_error(values: Array) -> Array:
    """Return the standard error of figures from their delete-one values, (sectors, ...): Efron & Tibshirani, ch. 11."""
    number = len(values)
    return np.asarray(np.sqrt((number - 1) / number * np.sum((values - values.mean(axis=0)) ** 2, axis=0)))


def sectors_of(values: Array) -> Array:
    """Return the copies that leave out one sector each, of all versions of a figure, (v, ...)."""
    return values[1 : 1 + SECTORS]


def standard_error(values: Array) -> Array:
    """Return the standard error of a figure from all its versions, (v, ...) with the figure itself first.

    The jackknife's is that of a mean of n readings, whose standard uncertainty is √((n - 1)/(n - 3)) times as large,
    since its own spread is known from those readings only (JCGM 101:2008, 6.4.9.4); what all sectors share is added.
    """
    left_out, moved = sectors_of(values), values[1 + SECTORS :] - values[0]
    number = len(left_out)
    wider = (number - 1.0) / (number - 3.0)
    return np.asarray(np.sqrt(wider * jackknife_error(left_out) ** 2 + np.sum(moved**2, axis=0)))


def error_de00(lab: Array, standard_error: Array) -> Array:
    """Return standard errors in CIELAB as one in ΔE00, axis by axis in quadrature, (n,)."""
    parts = [delta_e00(lab, lab + standard_error[:, axis : axis + 1] * np.eye(3)[axis]) for axis in range(3)]
    return np.asarray(np.sqrt(np.sum(np.square(parts), axis=0)))


def standard_error_de00(lab: Array) -> Array:
    """Return the standard errors of a course from its copies, (1 + sectors, n, 3), as one ΔE00, (n,)."""
    return np.zeros(lab.shape[1]) if len(lab) == 1 else error_de00(lab[0], standard_error(lab))
