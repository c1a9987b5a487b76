"""Ripples: shallow ring-shaped waves of lightness about the smooth course of a ramp.

A ripple is at least `_LEAST_PERIODS` periods of one wave. Every window of a few periods is fitted, by least squares,
with a smooth course (a polynomial) and with a sinusoid added to it, for every period of a fine grid: a sliding
Lomb-Scargle periodogram whose floating mean (Zechmeister & Kürster 2009) is a floating course. The gain is judged by
an F test on 2 degrees of freedom against the larger of what the bins' own standard errors and the misfit say of noise,
at a false alarm rate of `FALSE_ALARM` a disc over all windows and periods tried (Bonferroni); neighbouring bins that
share grain or a paper's texture count as one (`noise_reach_mm`). What passes must also be
a wave: explain nearly all that the course leaves, and more than two kinks at the best places would, so that kinks and
steps, which have no period, do not count.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ..maths.solvers import lowest_place
from ..maths.waves import FALSE_ALARM, log_chance, wave_fits
from ..results.score import Ripple

__all__ = ["LEAST_AMPLITUDE_L", "find_ripples"]

Array = NDArray[np.float64]

LEAST_AMPLITUDE_L: Final = 0.1  # half of what published work on real prints calls possibly objectionable (0.2 L*)
_PERIODS_MM: Final = (0.4, 5.3)  # longer ones are not told from a ramp's own course
_PERIODS_TRIED: Final = 64
_LEAST_PERIODS: Final = 2.1
_WINDOW_PERIODS: Final = 4.0
_LOCAL_PERIODS: Final = 2.0
_COURSE_DEGREE: Final = 4
_LOCAL_DEGREE: Final = 3
_SHARE: Final = (0.85, 0.92)  # of what the course leaves, in windows of four periods, and in shorter ones
_EDGE_BLURS: Final = 2.5
_LEAST_TRANSFER: Final = 0.2  # where blur leaves less of a wave, its size is anybody's guess
_COURSE_SHARE: Final = 0.015  # of an amplitude that the course may take, measured on rehearsals
_KINK_PLACES: Final = 24
_GROUP_FREEDOM: Final = 23  # of a bin's standard error, from 24 sectors


@dataclass(frozen=True, slots=True)
class _Course:
    """Lightness on even radii, less what follows the intended course; noise of a sample, samples that share it."""

    radius: Array
    lightness: Array
    spacing: float
    noise: float
    shared: float


@dataclass(frozen=True, slots=True)
class _Candidate:
    period: float
    first: int
    length: int
    left: float  # sum of squares that course and wave leave
    f_value: float


def find_ripples(
    radius_mm: Array,
    lightness: Array,
    standard_error_l: Array,
    intended_l: Array,
    ramp_mm: tuple[float, float],
    blur_mm: float,
    reach_mm: float = 0.0,
) -> tuple[Ripple, ...]:
    """Return the ripples of a radial profile, inner first, visibility left open.

    Parameters
    ----------
    radius_mm, lightness, standard_error_l
        Increasing radii of the bins, their L* as measured, and its standard error, shape (n,).
    intended_l
        L* the file asks for there, shape (n,): its course is no finding.
    ramp_mm
        Radii where the ramp begins and ends.
    blur_mm
        Gaussian sigma of instrument, pixel and bin: a wave of period p comes through by exp(-2 π² σ² / p²), which is
        undone.
    reach_mm
        Length over which bins share their noise (`noise_reach_mm`), if more than the blur's own.
    """
    margin = _EDGE_BLURS * blur_mm
    rows = (radius_mm > ramp_mm[0] + margin) & (radius_mm < ramp_mm[1] - margin)
    if rows.sum() < 4 * _COURSE_DEGREE:
        return ()
    # grain is blurred too: neighbouring bins share it over the blur's equivalent width
    reach_mm = max(reach_mm, 2.0 * float(np.sqrt(np.pi)) * blur_mm)
    course = _prepare(radius_mm[rows], lightness[rows], standard_error_l[rows], intended_l[rows], reach_mm)
    found: list[Ripple] = []
    for candidate in sorted(_candidates(course, blur_mm), key=lambda one: -one.f_value):
        middle = course.radius[0] + (candidate.first + candidate.length / 2) * course.spacing
        if any(ripple.inner_mm < middle < ripple.outer_mm for ripple in found):
            continue
        ripple = _describe(course, candidate, ramp_mm, blur_mm)
        if ripple is not None and not any(
            ripple.inner_mm < other.outer_mm and other.inner_mm < ripple.outer_mm for other in found
        ):
            found.append(ripple)
    return tuple(sorted(found, key=lambda ripple: ripple.inner_mm))


def _prepare(radius: Array, lightness: Array, error: Array, intended: Array, reach_mm: float) -> _Course:
    columns = np.stack([np.ones_like(radius), radius, intended], axis=1)
    rest = lightness - columns @ np.linalg.lstsq(columns, lightness, rcond=None)[0]
    spacing = round(float(np.median(np.diff(radius))), 4)  # the same for all discs of a scan
    even = np.arange(radius[0], radius[-1] + spacing / 2, spacing)
    shared = max(reach_mm / spacing, 1.0)
    return _Course(even, np.interp(even, radius, rest), spacing, max(float(np.median(error)), 1e-4), shared)


def _candidates(course: _Course, blur_mm: float) -> list[_Candidate]:
    """Return the windows that hold a wave, the best of neighbours only."""
    span = (len(course.radius) - 1) * course.spacing
    tried, passed = 0, []
    for period in np.geomspace(*_PERIODS_MM, _PERIODS_TRIED):
        periods = min(_WINDOW_PERIODS, 0.995 * span / period)
        transfer = _transfer(period, blur_mm)
        if periods < _LEAST_PERIODS or transfer < _LEAST_TRANSFER or period < 5 * course.spacing:
            continue
        fits = wave_fits(course.lightness, course.spacing, period, periods, _COURSE_DEGREE)
        if fits is None:
            continue
        tried += len(fits.first)
        noise = np.maximum(fits.residual, course.noise**2)
        f_value = fits.gain / (2.0 * course.shared) / noise
        power = np.abs(fits.wave) ** 2 / 2
        misfit = np.maximum(fits.residual - course.noise**2, 0.0)
        part = power / np.maximum(power + misfit, 1e-12)
        freedom = _GROUP_FREEDOM * fits.length / course.shared
        chance = log_chance(fits.gain, noise, freedom, course.shared)
        left = fits.residual * (fits.length - _COURSE_DEGREE - 3)
        good = (part > _SHARE[int(periods < _WINDOW_PERIODS)]) & (np.abs(fits.wave) > LEAST_AMPLITUDE_L * transfer)
        passed += [
            (chance[i], _Candidate(float(period), int(fits.first[i]), fits.length, float(left[i]), float(f_value[i])))
            for i in np.flatnonzero(good)
        ]
    return [one for chance, one in passed if chance < np.log(FALSE_ALARM / max(tried, 1))]


def _transfer(period_mm: float, blur_mm: float) -> float:
    """Return how much of a wave is left after a Gaussian blur."""
    return float(np.exp(-2.0 * (np.pi * blur_mm / period_mm) ** 2))


def _left_by_kinks(values: Array) -> float:
    """Return the sum of squares that a parabola with two kinks at the best of many places leaves, as many figures."""
    x = np.linspace(-1.0, 1.0, len(values))
    course = np.linalg.qr(np.polynomial.legendre.legvander(x, 2))[0]
    kinks = np.maximum(x[:, None] - np.linspace(-1.0, 1.0, _KINK_PLACES + 2)[1:-1], 0.0)
    kinks -= course @ (course.T @ kinks)
    rest = values - course @ (course.T @ values)
    gram, along = kinks.T @ kinks, kinks.T @ rest
    size = np.diag(gram)
    i, j = np.triu_indices(_KINK_PLACES, 1)
    shared = gram[i, j]
    gain = size[j] * along[i] ** 2 - 2 * shared * along[i] * along[j] + size[i] * along[j] ** 2
    return float(rest @ rest - np.max(gain / (size[i] * size[j] - shared**2)))


def _describe(course: _Course, candidate: _Candidate, ramp_mm: tuple[float, float], blur_mm: float) -> Ripple | None:
    """Return period, extent and amplitude of the wave in a window, or ``None`` if it does not last."""
    part = course.lightness[candidate.first : candidate.first + candidate.length]
    if _left_by_kinks(part) < candidate.left:
        return None

    def loss(period: float) -> float:
        fits = wave_fits(part, course.spacing, period, (len(part) - 0.5) * course.spacing / period, _COURSE_DEGREE)
        return np.inf if fits is None else -float(fits.gain[0])

    low, high = 0.92 * candidate.period, 1.08 * candidate.period
    period = lowest_place(loss, low, high, 1e-3 * low)
    local = wave_fits(course.lightness, course.spacing, period, _LOCAL_PERIODS, _LOCAL_DEGREE)
    if local is None:
        return None
    size = np.abs(local.wave)
    centre = course.radius[0] + (local.first + (local.length - 1) / 2) * course.spacing
    middle = course.radius[0] + (candidate.first + candidate.length / 2) * course.spacing
    peak = int(np.argmin(np.abs(centre - middle)))
    level = float(np.median(size[np.abs(centre - middle) <= candidate.length * course.spacing / 4 + period / 8]))
    strong = np.concatenate([[False], size >= level / 2, [False]])
    if not strong[peak + 1]:
        return None
    first = peak + 1 - int(np.argmin(strong[peak + 1 :: -1])) + 1
    last = peak + int(np.argmin(strong[peak + 1 :]))
    inner, outer = float(centre[first - 1]), float(centre[last - 1])
    core = (centre >= inner + period / 2) & (centre <= outer - period / 2)
    amplitude = float(np.median(size[core])) if core.any() else level
    half = _LOCAL_PERIODS * period / 2
    if first == 1:
        inner = max(inner - half, ramp_mm[0])
    if last == len(size):
        outer = min(outer + half, ramp_mm[1])
    transfer = _transfer(period, blur_mm)
    amplitude /= transfer
    if outer - inner < _LEAST_PERIODS * period or amplitude < LEAST_AMPLITUDE_L:
        return None
    spread = float(np.std(size[core])) if core.sum() > 1 else 0.0
    apart = max((outer - inner) / (_LOCAL_PERIODS * period), 1.0)  # windows that share no sample
    grain = course.noise * np.sqrt(2.0 * course.shared * course.spacing / (outer - inner))
    error = float(np.hypot(np.hypot(spread / np.sqrt(apart), grain) / transfer, _COURSE_SHARE * amplitude))
    return Ripple(
        inner_mm=inner,
        outer_mm=outer,
        amplitude_l=amplitude,
        period_mm=period,
        noise_l=error,
    )
