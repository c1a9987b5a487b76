"""Hue swings: where hue leaves its own smooth course, judged against the course that was intended.

The ruler is the hue angle of IPT (Ebner & Fairchild 1998): CIELAB bends blue by 30° on published constant-hue data.
IPT itself is good to 1-4° (rms, by hue), so a swing of a few degrees is a property of the print, but not yet of what is
seen: every swing carries the ruler's error at its hue, and its size by a second ruler, Jzazbz (Safdar et al. 2017),
that bends elsewhere. Where the two disagree, the swing says so. A swing is judged by its ΔH, not by degrees alone.
Where printed or intended colour is nearly neutral there is none: hue is noise there.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import ipt_to_lab, lab_to_ipt, lab_to_jzazbz

from ..eye.visibility import DEFAULT_VIEWING, local_response, visibility_of
from ..results.score import HueSwing, Viewing
from .course import sectors_of, standard_error

__all__ = [
    "LEAST_CHROMA",
    "SWING_LEAST_DEG",
    "SWING_LEAST_DELTA_H",
    "find_hue_swings",
    "hue_departure_deg",
    "ruler_error_deg",
]

Array = NDArray[np.float64]
Ruler = Callable[[Array], Array]

LEAST_CHROMA: Final = 6.0
"""CIELAB chroma, printed and intended, from which there is a hue to speak of (DESIGN §5.8)."""

SWING_LEAST_DEG: Final = 3.0
"""Three times what the smooth course is known to, 1° (DESIGN §8)."""

SWING_LEAST_DELTA_H: Final = 1.0
"""About a just noticeable difference of hue (common practice, no source)."""

_SURE: Final = 2.0  # standard errors that a swing must have (DESIGN §5.8)
_EVERY_MM: Final = 0.1  # hue is looked at as finely as courses are resolved
_DISC_MM: Final = 34.0  # of a chart's disc of usual size
_COURSE_DEGREE: Final = 4
_TUKEY: Final = 4.685  # 95 % efficiency, Beaton & Tukey 1974
_ANCHORS: Final = 10
_ROUNDS: Final = 10
_SCALE_DEG: Final = 0.5  # how closely a print follows its own course, in a pure colour
_SCALE_CHROMA: Final = 0.05  # chroma of IPT at which noise doubles that
# IPT hue of the ten Munsell families, and how far (rms) IPT strays along their chips; `tests/test_hue.py` computes them
_FAMILY_DEG: Final = (24.4, 61.3, 88.7, 110.1, 165.2, 196.3, 222.6, 244.6, 308.8, 356.1)
_FAMILY_RMS_DEG: Final = (1.65, 4.32, 2.93, 1.07, 2.04, 1.41, 1.59, 3.05, 2.34, 1.16)
_WHITE_POINT_DE: Final = 0.5  # how well the paper's own colour is known (assumed, no source)
_RIDGE: Final = 1e-12  # weights add up to one; without it a course that nothing follows could not be solved for
_DEGREE_PRICE: Final = 0.03  # share of the ramp that a further degree must bring onto the course


def ruler_error_deg(hue_deg: float) -> float:
    """Return how far IPT's lines of one hue stray from those of Munsell's renotation at an IPT hue, rms in degrees."""
    return float(np.interp(hue_deg % 360.0, _FAMILY_DEG, _FAMILY_RMS_DEG, period=360.0))


@dataclass(frozen=True, slots=True, eq=False)
class _Hues:
    """Printed and intended hue along a ramp, and how far the first has left its course against the second, (n,)."""

    printed_deg: Array
    intended_deg: Array
    off_deg: Array

    def printed_part(self, first: int, last: int, peak: int) -> float:
        """Return the share of a stretch's turn that the printed hue makes; the rest is the file's, the other way."""
        place = (peak - first) / max(last - first, 1)

        def bump(hue: Array) -> float:
            return float(hue[peak] - hue[first] - place * (hue[last] - hue[first]))

        printed, intended = bump(self.printed_deg), bump(self.intended_deg)
        return printed / (printed - intended) if printed != intended else 0.0


def hue_departure_deg(radius_mm: Array, printed: Array, intended: Array, ruler: Ruler = lab_to_ipt) -> Array:
    """Return the departure of printed hue from its smooth course against the intended one, in degrees, (n,).

    Printed hue is compared with that of the intended colour of the same lightness and chroma, not of the same radius:
    a tone that merely landed elsewhere on the ramp has not turned. The course is that of the difference: a polynomial
    of degree 4 at most, which swings do not bend (see `_course`). Where either colour is nearly neutral, 0.
    """
    return _hues(radius_mm, printed, intended, ruler).off_deg


def _hues(radius_mm: Array, printed: Array, intended: Array, ruler: Ruler = lab_to_ipt) -> _Hues:
    angles = np.zeros((3, len(radius_mm)))
    coloured = np.minimum(_chroma(printed), _chroma(intended)) >= LEAST_CHROMA
    if np.count_nonzero(coloured) >= 2 * _ANCHORS:
        got = ruler(printed)[coloured]
        asked = _counterparts(got, ruler(intended))
        angles[:2, coloured] = _unwrapped_deg(got), _unwrapped_deg(asked)
        turned = np.degrees(np.unwrap(np.radians(angles[0, coloured] - angles[1, coloured])))
        chroma = np.sqrt(_chroma(got) * _chroma(asked))
        angles[2, coloured] = turned - _course(radius_mm[coloured], turned, chroma)
    return _Hues(*angles)


def _chroma(colours: Array) -> Array:
    return np.asarray(np.hypot(colours[..., 1], colours[..., 2]))


def _unwrapped_deg(colours: Array) -> Array:
    return np.asarray(np.degrees(np.unwrap(np.arctan2(colours[..., 2], colours[..., 1]))))


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
    """Return for each printed colour the intended one that is nearest in lightness and chroma, all in IPT, (n, 3).

    Intended colours are joined by straight lines: the nearest of them, then the nearest place on the two lines at it.
    """
    line, seen = (np.stack([ipt[:, 0], np.hypot(ipt[:, 1], ipt[:, 2])], axis=1) for ipt in (asked, got))
    nearest = np.argmin(np.sum(line**2, axis=1) - 2.0 * seen @ line.T, axis=1)
    found, least = asked[nearest], np.sum((seen - line[nearest]) ** 2, axis=1)
    for start in (nearest - 1, nearest):
        there = np.clip(start, 0, len(line) - 2)
        way = line[there + 1] - line[there]
        along = np.sum((seen - line[there]) * way, axis=1) / np.maximum(np.sum(way**2, axis=1), 1e-30)
        share = np.clip(along, 0.0, 1.0)[:, None]
        away = np.sum((seen - line[there] - share * way) ** 2, axis=1)
        between = asked[there] + share * (asked[there + 1] - asked[there])
        found, least = np.where((away < least)[:, None], between, found), np.minimum(away, least)
    return np.asarray(found)


def find_hue_swings(
    radius_mm: Array,
    printed: Array,
    intended: Array,
    versions: Array | None = None,
    viewing: Viewing = DEFAULT_VIEWING,
    disc_mm: float = _DISC_MM,
) -> tuple[HueSwing, ...]:
    """Return the hue swings along a ramp, inner first.

    Parameters
    ----------
    radius_mm, printed, intended
        Even radii (n,), and CIELAB of the courses there, (n, 3).
    versions
        All versions of the printed course, (v, n, 3), itself first; ``None`` if it is known without error.
    viewing, disc_mm
        What visibility is stated for: conditions, and the diameter of the disc.
    """
    spacing = float(radius_mm[1] - radius_mm[0])
    every = slice(None, None, max(round(_EVERY_MM / spacing), 1))
    coarse, got, asked = radius_mm[every], printed[every], intended[every]
    hues = _hues(coarse, got, asked)
    off = hues.off_deg
    without = _turned(got, -off)
    delta_h = _delta_h(got, without)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (np.abs(off) >= SWING_LEAST_DEG / 2) * np.sign(off), [0]])))
    found, other = [], None
    copies: list[Array] = []
    for first, last in itertools.pairwise(edges.tolist()):
        size, turn = np.abs(delta_h[first:last]), np.abs(off[first:last])
        # chroma grows along a ramp: the turn is greatest before its ΔH is
        peak = first + int(np.argmax(np.where(size >= size.max() / 2, turn, 0.0)))
        degrees = float(off[peak])
        if abs(degrees) < SWING_LEAST_DEG or size.max() < SWING_LEAST_DELTA_H:
            continue
        if hues.printed_part(first, last - 1, peak) < 0.5:
            continue  # it is the file that turns here, and the print that does not
        noise = None
        if versions is not None:
            # the course is fitted anew to each copy: noise may choose another, and then there is no telling
            copies = copies or [hue_departure_deg(coarse, copy, asked) for copy in versions[:, every]]
            refitted = float(standard_error(np.array([copy[peak] for copy in copies])))
            noise = max(_hue_error_deg(versions[:, every][:, peak], without[peak]), refitted)
        if noise is not None and abs(degrees) < _SURE * noise:
            continue
        if other is None:
            other = hue_departure_deg(coarse, got, asked, lab_to_jzazbz)
        ruler = _ruler_deg(got[peak])
        apart = abs(other[peak] - degrees) > 2.0 * ruler or other[peak] * np.sign(degrees) < abs(degrees) / 2
        half = np.flatnonzero(turn >= abs(degrees) / 2) + first
        # to where hue is back on its course
        swing = np.interp(radius_mm, coarse, np.where(_one_side(off, peak), off, 0.0))
        response = local_response(printed, _turned(printed, -swing), spacing, viewing, disc_mm)
        visibility = float(visibility_of(response).max())
        found.append(
            HueSwing(
                radius_mm=float(np.average(coarse[first:last], weights=turn)),
                width_mm=float(coarse[half[-1]] - coarse[half[0]]),
                degrees=degrees,
                delta_h=float(delta_h[peak]),
                noise_deg=noise,
                ruler_deg=ruler,
                other_ruler_deg=float(other[peak]),
                rulers_disagree=bool(apart),
                visibility=visibility,
                visibility_noise=None if noise is None else visibility * noise / abs(degrees),
            )
        )
    return tuple(found)


def _turned(lab: Array, degrees: Array) -> Array:
    """Return colours turned about the neutral axis of IPT, lightness and chroma kept."""
    ipt = lab_to_ipt(lab)
    turned = (ipt[:, 1] + 1j * ipt[:, 2]) * np.exp(1j * np.radians(degrees))
    return np.asarray(ipt_to_lab(np.stack([ipt[:, 0], turned.real, turned.imag], axis=-1)))


def _delta_h(first: Array, second: Array) -> Array:
    """Return 2 √(C₁ C₂) sin(Δh / 2) of CIELAB colours, (n,) (CIE 15:2018, 8.2.1.3)."""
    turn = np.arctan2(first[:, 2], first[:, 1]) - np.arctan2(second[:, 2], second[:, 1])
    turn = (turn + np.pi) % (2.0 * np.pi) - np.pi
    return np.asarray(2.0 * np.sqrt(_chroma(first) * _chroma(second)) * np.sin(turn / 2.0))


def _one_side(off: Array, peak: int) -> NDArray[np.bool_]:
    """Tell which places belong to the stretch about a peak in which nothing changes sign."""
    same = np.sign(off) == np.sign(off[peak])
    number = np.cumsum(np.diff(same, prepend=same[0]))
    return np.asarray(same & (number == number[peak]))


def _hue_error_deg(copies: Array, without: Array) -> float:
    """Return the standard error of a printed IPT hue from all versions of its colour, (v, 3).

    Each copy's departure, made as large as the standard error is ((m - 1) / m of the sum of their squares), is added to
    the colour without the swing: near black a hue is far from linear in its colour, and least sure on its course.
    """
    copies = sectors_of(copies)
    draws = without + np.sqrt(len(copies) - 1.0) * (copies - copies.mean(axis=0))
    ipt, middle = lab_to_ipt(draws), lab_to_ipt(without)
    away = np.angle((ipt[:, 1] + 1j * ipt[:, 2]) * np.conj(middle[1] + 1j * middle[2]), deg=True)
    return float(np.sqrt(np.mean(away**2)))


def _ruler_deg(lab: Array) -> float:
    """Return how well a hue of IPT is known as the one that is seen: the ruler, and the paper's own white."""
    ipt = lab_to_ipt(lab)
    ruler = ruler_error_deg(float(np.degrees(np.arctan2(ipt[2], ipt[1]))))
    return float(np.hypot(ruler, np.degrees(_WHITE_POINT_DE / _chroma(lab))))
