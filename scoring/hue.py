"""Hue swings: where hue leaves its own smooth course, judged against the course that was intended.

The ruler is the hue angle of IPT (Ebner & Fairchild 1998): CIELAB bends blue by 30° on published constant-hue data.
IPT itself is good to 1-4° (rms, by hue), so a swing of a few degrees is a property of the print, but not yet of what is
seen: every swing carries the ruler's own uncertainty at its hue, and its size by a second ruler, Jzazbz (Safdar et al.
2017), that bends elsewhere. Where the two disagree, the swing says so.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from functools import cache
from typing import Final, TypedDict

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import lab_to_ipt, lab_to_jzazbz

from .model import HueSwing

__all__ = ["SWING_LEAST_DEG", "SWING_LEAST_DELTA_H", "find_hue_swings", "hue_departure_deg", "ruler_uncertainty_deg"]

Array = NDArray[np.float64]

SWING_LEAST_DEG: Final = 3.0
SWING_LEAST_DELTA_H: Final = 1.0
_COURSE_DEGREE: Final = 4
_LEAST_CHROMA: Final = 0.03  # of IPT, about 5 in CIELAB: below it, hue is noise
_NARROWEST_MM: Final = 0.3
_FINENESS: Final = 20  # intended colours looked up between two bins
_TUKEY: Final = 4.685  # 95 % efficiency, Beaton & Tukey 1974
_ANCHORS: Final = 10
_ROUNDS: Final = 10
_SCALE_DEG: Final = 0.5  # how closely a print follows its own course, in a pure colour
_SCALE_CHROMA: Final = 0.05  # chroma of IPT at which noise doubles that
# IPT hue of the ten Munsell families, and how far (rms) IPT strays along their chips; `tests/test_hue.py` computes them
_FAMILY_DEG: Final = (24.4, 61.3, 88.7, 110.1, 165.2, 196.3, 222.6, 244.6, 308.8, 356.1)
_FAMILY_RMS_DEG: Final = (1.65, 4.32, 2.93, 1.07, 2.04, 1.41, 1.59, 3.05, 2.34, 1.16)
_OWN_SHARE: Final = 0.3  # of a swing must be in the print's own hue, not only in the file's
_WHITE_POINT_DE: Final = 0.5  # how well the paper's own colour is known (assumed, no source)
_RIDGE: Final = 1e-12  # weights add up to one; without it a course that nothing follows could not be solved for
_DEGREE_PRICE: Final = 0.03  # share of the ramp that a further degree must bring onto the course


def ruler_uncertainty_deg(hue_deg: float) -> float:
    """Return how far IPT's lines of one hue stray from those of Munsell's renotation at an IPT hue, rms in degrees."""
    return float(np.interp(hue_deg % 360.0, _FAMILY_DEG, _FAMILY_RMS_DEG, period=360.0))


def hue_departure_deg(
    radius_mm: Array, printed: Array, intended: Array, ruler: Callable[[Array], Array] = lab_to_ipt
) -> tuple[Array, Array]:
    """Return the departure of printed hue from its smooth course, in degrees, and its weight by chroma, (n,) each.

    Printed hue is compared with that of the intended colour of the same lightness and chroma, not of the same radius:
    a tone that merely landed elsewhere on the ramp has not turned. The course is that of the difference: a polynomial
    of degree 4 at most, which swings do not bend (see `_course`).
    """
    got = ruler(printed)
    asked = _counterparts(got, ruler(intended))
    chroma = np.sqrt(np.hypot(got[:, 1], got[:, 2]) * np.hypot(asked[:, 1], asked[:, 2]))
    angle = np.degrees(np.arctan2(got[:, 2], got[:, 1]) - np.arctan2(asked[:, 2], asked[:, 1]))
    angle = (angle + 180.0) % 360.0 - 180.0
    usable = chroma > _LEAST_CHROMA
    if np.count_nonzero(usable) < 2 * _ANCHORS:
        return np.zeros_like(radius_mm), np.zeros_like(radius_mm)
    turned = np.degrees(np.unwrap(np.radians(angle[usable])))
    off = np.zeros_like(radius_mm)
    off[usable] = turned - _course(radius_mm[usable], turned, chroma[usable])
    return off, np.where(usable, chroma, 0.0)


def _course(radius_mm: Array, angle: Array, chroma: Array) -> Array:
    """Return the polynomial that most of the angles follow, shape (n,).

    Tukey's biweight of fixed scale, least over many starts (curves through a few of the row's block medians, as in
    random sample consensus, but all of them), then refined; every degree must earn its place.
    """
    x = np.interp(radius_mm, [radius_mm[0], radius_mm[-1]], [-1.0, 1.0])
    scale = _TUKEY * _SCALE_DEG * (1.0 + _SCALE_CHROMA / chroma)
    weight = np.sqrt(chroma) / np.sqrt(chroma).sum()
    basis = np.polynomial.chebyshev.chebvander(x, _COURSE_DEGREE)
    blocks = np.array_split(np.arange(len(x)), _ANCHORS)
    anchor = np.array([np.median(angle[block]) for block in blocks])
    at_anchor = np.stack([basis[block].mean(axis=0) for block in blocks])
    best, best_cost = np.zeros(1), np.inf
    for degree in range(_COURSE_DEGREE + 1):
        through = np.array(list(itertools.combinations(range(_ANCHORS), degree + 1)))
        starts = np.linalg.solve(at_anchor[through, : degree + 1], anchor[through][..., None])[..., 0]
        runs: Array = np.asarray(starts @ basis[:, : degree + 1].T, dtype=np.float64)
        costs = _biweight_cost(angle - runs, scale) @ weight + _astray(runs, anchor)
        course = starts[int(np.argmin(costs))]
        for _ in range(_ROUNDS):
            off = (angle - basis[:, : degree + 1] @ course) / scale
            weighted = basis[:, : degree + 1] * (weight * np.maximum(1.0 - off**2, 0.0) ** 2)[:, None]
            gram = weighted.T @ basis[:, : degree + 1] + _RIDGE * np.eye(degree + 1)
            course = np.linalg.solve(gram, weighted.T @ angle)
        run: Array = np.asarray(basis[:, : degree + 1] @ course, dtype=np.float64)
        cost = float(_biweight_cost(angle - run, scale) @ weight + _astray(run, anchor)) + _DEGREE_PRICE * degree
        if cost < best_cost:
            best, best_cost = course, cost
    return np.asarray(basis[:, : len(best)] @ best)


def _biweight_cost(off: Array, scale: Array) -> Array:
    """Return Tukey's bounded loss, 0 to 1 (Beaton & Tukey 1974)."""
    return np.asarray(1.0 - np.maximum(1.0 - (off / scale) ** 2, 0.0) ** 3)


def _astray(courses: Array, anchor: Array) -> Array:
    """Return 1 for courses (..., n) that leave the range of what was seen, else 0."""
    low, high = anchor.min() - _SCALE_DEG, anchor.max() + _SCALE_DEG
    return np.asarray(((courses < low) | (courses > high)).any(axis=-1), dtype=np.float64)


def _counterparts(got: Array, asked: Array) -> Array:
    """Return for each printed colour the intended one that is nearest in lightness and chroma, all in IPT, (n, 3)."""
    from scipy.spatial import KDTree

    rows = np.linspace(0.0, len(asked) - 1.0, _FINENESS * len(asked))
    fine = np.stack([np.interp(rows, np.arange(len(asked)), column) for column in asked.T], axis=1)
    without_hue = [np.stack([ipt[:, 0], np.hypot(ipt[:, 1], ipt[:, 2])], axis=1) for ipt in (fine, got)]
    return np.asarray(fine[KDTree(without_hue[0]).query(without_hue[1])[1]])


def find_hue_swings(radius_mm: Array, printed: Array, intended: Array) -> tuple[HueSwing, ...]:
    """Return the hue swings along a ramp, inner first; arrays of shape (n,), (n, 3), (n, 3)."""
    off, weight = hue_departure_deg(radius_mm, printed, intended)
    chroma = np.hypot(printed[:, 1], printed[:, 2])
    delta_h = 2.0 * chroma * np.sin(np.radians(off) / 2.0)
    beyond = (np.abs(off) >= SWING_LEAST_DEG / 2) & (weight > 0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (beyond * np.sign(off)).astype(int), [0]])))
    # of the whole ramp, worked out once and only if asked for
    own = cache(lambda: _own_departure_deg(radius_mm, printed, weight > 0))
    other = cache(lambda: hue_departure_deg(radius_mm, printed, intended, lab_to_jzazbz)[0])
    found = []
    for first, last in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if not beyond[first] or radius_mm[last - 1] - radius_mm[first] < _NARROWEST_MM:
            continue
        part = slice(first, last)
        size = np.abs(delta_h[part])
        # chroma grows along a ramp: the turn is greatest before its ΔH is
        peak = first + int(np.argmax(np.where(size >= size.max() / 2, np.abs(off[part]), 0.0)))
        degrees = float(off[peak])
        half = np.flatnonzero(np.abs(off[part]) >= abs(degrees) / 2)
        inner, outer = radius_mm[first + half[0]], radius_mm[first + half[-1]]
        if abs(degrees) < SWING_LEAST_DEG or size.max() < SWING_LEAST_DELTA_H:
            continue
        turns = (
            _own_turn_deg(radius_mm, printed, first, last - 1, peak),
            own()[peak],  # a wide swing bends this one's course
        )
        if max(turn * np.sign(degrees) for turn in turns) < _OWN_SHARE * abs(degrees):
            continue  # the file turns here and the print does not
        found.append(
            HueSwing(
                radius_mm=float(np.average(radius_mm[part], weights=np.abs(off[part]))),
                width_mm=float(outer - inner),
                degrees=degrees,
                delta_h=float(delta_h[peak]),
                **_by_rulers(printed[peak], degrees, float(other()[peak])),
            )
        )
    return tuple(found)


def _own_turn_deg(radius_mm: Array, printed: Array, first: int, last: int, peak: int) -> float:
    """Return how far printed hue at a peak lies off the line between a stretch's ends, whatever was intended."""
    ipt = lab_to_ipt(printed[[first, peak, last]])
    start, top, stop = np.degrees(np.unwrap(np.arctan2(ipt[:, 2], ipt[:, 1])))
    share = (radius_mm[peak] - radius_mm[first]) / (radius_mm[last] - radius_mm[first])
    return float(top - start - share * (stop - start))


def _own_departure_deg(radius_mm: Array, printed: Array, usable: NDArray[np.bool_]) -> Array:
    """Return the departure of printed hue from its own smooth course, whatever was intended, (n,)."""
    ipt = lab_to_ipt(printed)[usable]
    angle = np.degrees(np.unwrap(np.arctan2(ipt[:, 2], ipt[:, 1])))
    off = np.zeros_like(radius_mm)
    off[usable] = angle - _course(radius_mm[usable], angle, np.hypot(ipt[:, 1], ipt[:, 2]))
    return off


class _ByRulers(TypedDict):
    uncertainty_deg: float
    other_ruler_deg: float
    rulers_disagree: bool


def _by_rulers(lab: Array, degrees: float, other: float) -> _ByRulers:
    """Return how sure a swing of a colour is, and whether what the second ruler makes of it is another thing."""
    ipt = lab_to_ipt(lab)
    ruler = ruler_uncertainty_deg(float(np.degrees(np.arctan2(ipt[2], ipt[1]))))
    doubt = float(np.hypot(ruler, np.degrees(_WHITE_POINT_DE / max(np.hypot(*lab[1:]), 1.0))))
    apart = abs(other - degrees) > 2.0 * doubt or other * np.sign(degrees) < abs(degrees) / 2
    return _ByRulers(uncertainty_deg=doubt, other_ruler_deg=other, rulers_disagree=bool(apart))
