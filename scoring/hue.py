"""Hue swings: where hue leaves its own smooth course, judged against the course that was intended.

The ruler is the hue angle of IPT (Ebner & Fairchild 1998): CIELAB bends blue by 30° on published constant-hue data.
IPT itself is good to 2-5° there, so a swing of a few degrees is a property of the print, but not yet of what is seen.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import lab_to_ipt

from .model import HueSwing

__all__ = ["SWING_LEAST_DEG", "SWING_LEAST_DELTA_H", "find_hue_swings", "hue_departure_deg"]

Array = NDArray[np.float64]

SWING_LEAST_DEG: Final = 3.0
SWING_LEAST_DELTA_H: Final = 1.0
_COURSE_DEGREE: Final = 4
_LEAST_CHROMA: Final = 0.03  # of IPT, about 5 in CIELAB: below it, hue is noise
_NARROWEST_MM: Final = 0.3
_TUKEY: Final = 4.685  # 95 % efficiency, Beaton & Tukey 1974


def hue_departure_deg(radius_mm: Array, printed: Array, intended: Array) -> tuple[Array, Array]:
    """Return the departure of printed hue from its smooth course, in degrees, and its weight by chroma, (n,) each.

    The course is that of the difference from the intended hue: a polynomial of degree 4, fitted robustly (Tukey's
    biweight), so that a swing does not bend it.
    """
    got, asked = lab_to_ipt(printed), lab_to_ipt(intended)
    chroma = np.sqrt(np.hypot(got[:, 1], got[:, 2]) * np.hypot(asked[:, 1], asked[:, 2]))
    angle = np.degrees(np.arctan2(got[:, 2], got[:, 1]) - np.arctan2(asked[:, 2], asked[:, 1]))
    angle = (angle + 180.0) % 360.0 - 180.0
    weight = np.where(chroma > _LEAST_CHROMA, chroma, 0.0)
    if np.count_nonzero(weight) < 3 * _COURSE_DEGREE:
        return np.zeros_like(radius_mm), np.zeros_like(radius_mm)
    usable = weight > 0
    angle[usable] = np.degrees(np.unwrap(np.radians(angle[usable])))
    x = np.interp(radius_mm, [radius_mm[0], radius_mm[-1]], [-1.0, 1.0])
    basis = np.polynomial.chebyshev.chebvander(x, _COURSE_DEGREE)
    trust = np.ones_like(weight)
    for power in (1, 1, 1, 1, 1, 2, 2, 2, 2, 2):  # least absolute deviations first, then the biweight
        root = (weight * trust)[:, None]
        course = basis @ np.linalg.lstsq(basis * root, angle * root[:, 0], rcond=None)[0]
        off = angle - course
        scale = max(1.4826 * float(np.median(np.abs(off[usable]))), 0.15)
        if power == 1:
            trust = 1.0 / np.sqrt(np.maximum(np.abs(off) / scale, 0.3))
        else:
            trust = np.maximum(1.0 - (off / (_TUKEY * scale)) ** 2, 0.0)
    return np.where(usable, off, 0.0), np.where(usable, weight, 0.0)


def find_hue_swings(radius_mm: Array, printed: Array, intended: Array) -> tuple[HueSwing, ...]:
    """Return the hue swings along a ramp, inner first; arrays of shape (n,), (n, 3), (n, 3)."""
    off, weight = hue_departure_deg(radius_mm, printed, intended)
    chroma = np.hypot(printed[:, 1], printed[:, 2])
    delta_h = 2.0 * chroma * np.sin(np.radians(off) / 2.0)
    beyond = (np.abs(off) >= SWING_LEAST_DEG / 2) & (weight > 0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (beyond * np.sign(off)).astype(int), [0]])))
    found = []
    for first, last in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if not beyond[first] or radius_mm[last - 1] - radius_mm[first] < _NARROWEST_MM:
            continue
        part = slice(first, last)
        size = np.abs(delta_h[part])
        peak = first + int(np.argmax(size))
        degrees = float(off[peak])
        half = np.flatnonzero(np.abs(off[part]) >= abs(degrees) / 2)
        inner, outer = radius_mm[first + half[0]], radius_mm[first + half[-1]]
        if abs(degrees) < SWING_LEAST_DEG or size.max() < SWING_LEAST_DELTA_H:
            continue
        found.append(
            HueSwing(
                radius_mm=float(np.average(radius_mm[part], weights=np.abs(off[part]))),
                width_mm=float(outer - inner),
                degrees=degrees,
                delta_h=float(delta_h[peak]),
            )
        )
    return tuple(found)
