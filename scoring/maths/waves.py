"""Waves in rows of values: least squares of a sinusoid beside a smooth course, and how seldom noise looks like one.

A sliding Lomb-Scargle periodogram (Lomb 1976, Scargle 1982) whose floating mean (Zechmeister and Kürster 2009) is a
floating polynomial. Rings, discs, fields and wedges are searched with it, each in its own rows.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

__all__ = ["FALSE_ALARM", "WaveFits", "log_chance", "noise_reach_mm", "period_error_mm", "wave_fits"]

Array = NDArray[np.float64]

FALSE_ALARM: Final = 1e-3
"""How often noise may be taken for a wave in one figure, over all that is tried in it (common practice, no source)."""

_HOPS: Final = 8  # windows a period
_REACH_MM: Final = 3.0
_UNCORRELATED: Final = 0.05


def log_chance(gain: Any, noise: Any, freedom: Any, shared: float = 1.0) -> Any:
    """Return the logarithm of the chance that noise alone gains so much: the tail of F on 2 and ``freedom`` degrees.

    Parameters
    ----------
    gain
        What a wave takes from the sum of squares.
    noise
        Mean square of a value's noise.
    freedom
        Degrees of freedom of ``noise``, neighbours that share their noise counted once.
    shared
        How many neighbours share their noise.
    """
    f_value = gain / (2.0 * shared * np.maximum(noise, 1e-12))
    return -freedom / 2 * np.log1p(2.0 * f_value / freedom)


@dataclass(frozen=True, slots=True)
class WaveFits:
    """Fits of a course and a wave of one period in windows along a profile; arrays over the windows.

    Attributes
    ----------
    first
        Index of each window's first sample.
    length
        Samples in a window.
    wave
        Complex amplitude about the window's middle.
    gain
        How much the wave lowers the sum of squares.
    residual
        Mean square of what is left, by degrees of freedom.
    """

    first: NDArray[np.intp]
    length: int
    wave: NDArray[np.complex128]
    gain: Array
    residual: Array


def wave_fits(values: Array, spacing_mm: float, period_mm: float, periods: float, degree: int) -> WaveFits | None:
    """Fit every window of evenly spaced values with a polynomial course and a wave; ``None`` if no window fits.

    Parameters
    ----------
    values
        Shape (n,).
    periods
        Length of the windows in periods.
    degree
        Of the course.
    """
    length = round(periods * period_mm / spacing_mm)
    if length > len(values) or length < degree + 6:
        return None
    course, waves, gram = _columns(length, spacing_mm, period_mm, degree)
    hop = max(int(period_mm / spacing_mm / _HOPS), 1)
    first = np.arange(0, len(values) - length + 1, hop)
    windows = sliding_window_view(values, length)[first]
    along = windows @ waves
    amplitude = np.linalg.solve(gram, along.T).T
    gain = np.sum(amplitude * along, axis=1)
    left = np.sum(windows**2, axis=1) - np.sum((windows @ course) ** 2, axis=1) - gain
    residual = np.maximum(left, 0.0) / (length - degree - 3)
    return WaveFits(first, length, amplitude[:, 0] - 1j * amplitude[:, 1], gain, residual)


def noise_reach_mm(cells: Array, spacing_mm: float) -> float:
    """Return over which length neighbouring bins share their noise: the integral of its autocorrelation.

    Parameters
    ----------
    cells
        CIELAB by bin and group, (n, groups, 3); what a bin's groups have in common is no noise.
    """
    lightness = cells[..., 0]
    known = np.isfinite(lightness)
    mean = np.sum(np.where(known, lightness, 0.0), axis=1) / np.maximum(known.sum(axis=1), 1)
    noise = np.where(known, lightness - mean[:, None], 0.0)
    noise -= noise.mean(axis=0)
    spectrum = np.mean(np.abs(np.fft.rfft(noise, 2 * len(noise), axis=0)) ** 2, axis=1)
    lags = np.fft.irfft(spectrum)[: max(round(_REACH_MM / spacing_mm), 2)]
    if lags[0] <= 0:
        return spacing_mm
    part = lags / lags[0]
    end = int(np.argmax(part < _UNCORRELATED)) or len(part)
    return float(spacing_mm * (1.0 + 2.0 * part[1:end].sum()))


@functools.lru_cache(maxsize=256)
def _columns(length: int, spacing_mm: float, period_mm: float, degree: int) -> tuple[Array, Array, Array]:
    """Return orthonormal columns of a course, those of a wave without what a course shows, and the latter's gram."""
    turn = 2.0 * np.pi * (np.arange(length) - (length - 1) / 2) * spacing_mm / period_mm
    course = np.linalg.qr(np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, length), degree))[0]
    waves = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    waves -= course @ (course.T @ waves)
    return course, waves, waves.T @ waves


def period_error_mm(columns: Array, frequency: float) -> float:
    """Return the standard error of a wave's period in mm for noise of 1 L*, by least squares of columns (n, k).

    The last column is what a change of frequency (per mm) moves, the others are all that is fitted beside it.
    """
    scale = np.linalg.norm(columns, axis=0)
    inverse = np.linalg.pinv((columns / scale).T @ (columns / scale))
    return float(np.sqrt(inverse[-1, -1]) / scale[-1] / frequency**2)
