"""The local map between a sheet's millimetres and a scan's pixels: affine plus a smooth residual.

A flatbed's carriage moves along one axis of its picture, so what the affine map leaves is nearly a function of
one picture coordinate, whichever way the sheet lies. With u along rows and v along columns, both centred and
scaled to -1..1, the residual of each axis is modelled as f0(v) + u f1(v) + g0(u) + v g1(u), each a penalised
cubic B-spline (Eilers and Marx 1996, Statistical Science 11: P-splines). So a wobble that the rows of marks
along two edges see is carried into the middle, where there are few marks. Penalties are chosen by generalised
cross-validation (Craven and Wahba 1979), and residuals are reported leave-one-out, by the hat matrix.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

from .marks import affine_fit

__all__ = ["LocalFit", "LocalMap", "fit_local_map"]

Floats = npt.NDArray[np.float64]

_KNOT_MM: Final = 6.0
"""Distance between knots where marks allow: charts set marks about that far apart along their edges."""
_CROSS_KNOT_MM: Final = 12.0
"""The same for the terms that change along both axes; they are small, and follow waves of 40 mm and more."""
_CROSS_PENALTY: Final = 8.0
"""How much dearer their roughness is: where marks of one side are missing, nothing else holds them."""
_PENALTIES: Final = tuple(10.0**power for power in range(-3, 4))
_RIDGE: Final = 1e-6
"""Keeps what two terms could both explain (a constant, a slope, a twist) small instead of undetermined."""
_OUTLIER_SIGMAS: Final = 6.0
_LEAST_OUTLIER_MM: Final = 0.06
"""Nearer than this a mark is never an outlier: a short wobble between marks leaves as much, and is no fault."""
_LEAST_OUTLIER_PX: Final = 0.3
_GCV_CAUTION: Final = 1.2
"""Counts a degree of freedom a little dearer, against the score's known leaning to fits that follow noise."""
_GCV_FLOOR_PX2: Final = 1e-6
"""A residual that no scan falls short of, so that a fit through every mark does not look perfect."""
_ROUNDS: Final = 6
_CHUNK: Final = 1 << 15
_TABLE_PX: Final = 2.0
_INVERSE_ROUNDS: Final = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LocalMap:
    """Map between chart mm and scan px, both ways.

    Attributes
    ----------
    affine : float array, shape (2, 3)
        From (x, y, 1) in mm to px, the residual left out.
    low_px, high_px : float arrays, shape (2,)
        Range of the marks in u, v; the residual is held constant beyond it.
    tables : two float arrays, shape (2, 4, n)
        Residual against v, then against u, at equal steps from low to high: four rows of values and four of
        steps to the next value. Rows are x0, y0, x1, y1; x0 and y0 are taken as they are, x1 and y1 are
        multiplied by the other coordinate, scaled to -1..1.
    """

    affine: Floats
    low_px: Floats
    high_px: Floats
    tables: tuple[Floats, Floats]

    def residual_px(self, points_px: Floats) -> Floats:
        """Return what the scanner adds to the affine place at each px point, shape (n, 2)."""
        return self._in_pieces(points_px, self._residual)

    def to_mm(self, points_px: Floats) -> Floats:
        """Return chart mm of px points, shape (n, 2)."""
        (a, b), (c, d) = np.linalg.inv(self.affine[:, :2])
        x_off, y_off = self.affine[:, 2]

        def piece(x: Floats, y: Floats) -> tuple[Floats, Floats]:
            dx, dy = self._residual(x, y)
            flat_x, flat_y = x - dx - x_off, y - dy - y_off
            return a * flat_x + b * flat_y, c * flat_x + d * flat_y

        return self._in_pieces(points_px, piece)

    def to_px(self, points_mm: Floats) -> Floats:
        """Return px of chart mm points, shape (n, 2), by fixed-point rounds (the residual changes slowly)."""
        (a, b, x_off), (c, d, y_off) = self.affine

        def piece(x: Floats, y: Floats) -> tuple[Floats, Floats]:
            flat_x, flat_y = a * x + b * y + x_off, c * x + d * y + y_off
            px, py = flat_x, flat_y
            for _ in range(_INVERSE_ROUNDS):
                dx, dy = self._residual(px, py)
                px, py = flat_x + dx, flat_y + dy
            return px, py

        return self._in_pieces(points_mm, piece)

    @staticmethod
    def _in_pieces(points: Floats, piece: Callable[[Floats, Floats], tuple[Floats, Floats]]) -> Floats:
        """Apply a function of columns in pieces that stay in the processor's cache."""
        out = np.empty((len(points), 2))
        for start in range(0, len(points), _CHUNK):
            columns = np.ascontiguousarray(points[start : start + _CHUNK].T, dtype=np.float64)
            out[start : start + _CHUNK, 0], out[start : start + _CHUNK, 1] = piece(columns[0], columns[1])
        return out

    def _residual(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        shares = [
            np.clip((column - low) / (high - low), 0.0, 1.0)
            for column, low, high in zip((x, y), self.low_px.tolist(), self.high_px.tolist(), strict=True)
        ]
        dx, dy = np.zeros_like(x), np.zeros_like(y)
        for axis, table in ((1, self.tables[0]), (0, self.tables[1])):
            place = shares[axis] * (table.shape[2] - 1)
            index = place.astype(np.intp)
            part = place - index
            across = 2 * shares[1 - axis] - 1
            plain_x, plain_y, crossed_x, crossed_y = (
                column.take(index) + step.take(index) * part for column, step in zip(*table, strict=True)
            )
            dx += plain_x + across * crossed_x
            dy += plain_y + across * crossed_y
        return dx, dy


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LocalFit:
    """A fitted map and what it leaves.

    Attributes
    ----------
    map : LocalMap
    left_out_px : float array, shape (n, 2)
        Residual of each mark when the fit leaves it out.
    used : bool array, shape (n,)
        False for marks that the fit took for outliers.
    affine_px : float array, shape (n, 2)
        Residual of each mark about the affine map alone.
    """

    map: LocalMap
    left_out_px: Floats
    used: npt.NDArray[np.bool_]
    affine_px: Floats


def fit_local_map(marks_mm: Floats, marks_px: Floats, px_per_mm: float) -> LocalFit:
    """Fit the local map to marks.

    Parameters
    ----------
    marks_mm, marks_px : float arrays, shape (n, 2), n >= 12
        Where marks are on the chart and in the scan.
    px_per_mm
        Scale of the scan, for the distance between knots.
    """
    # matrices of about 130 a side: threads only get in each other's way
    with threadpool_limits(limits=1, user_api="blas"):
        return _fit(marks_mm, marks_px, px_per_mm)


def _fit(marks_mm: Floats, marks_px: Floats, px_per_mm: float) -> LocalFit:
    affine, weights = _robust_affine(marks_mm, marks_px)
    left = marks_px - _apply(affine, marks_mm)
    low, high = marks_px.min(axis=0), marks_px.max(axis=0)
    model = _Additive(marks_px, low, high, px_per_mm)
    least = max(_LEAST_OUTLIER_PX, _LEAST_OUTLIER_MM * px_per_mm)
    penalties = ((1.0, 1.0), (1.0, 1.0))
    for turn in range(_ROUNDS):
        if turn == 0 or (turn == 2 and weights.min() < 1.0):  # again once gross outliers are out
            penalties = model.choose(left, weights)
        coefficients, hat = model.solve(left, weights, penalties)
        # a mark of weight 0 has no leverage: its residual is a prediction already
        left_out = (left - model.design @ coefficients) / np.maximum(1.0 - hat, 0.05)
        apart = np.hypot(left_out[:, 0], left_out[:, 1])
        limit = max(_OUTLIER_SIGMAS * _spread(apart[weights > 0.5]), least)
        before, weights = weights, np.clip(2.5 - 1.5 * apart / limit, 0.0, 1.0)
        if turn > 2 and np.abs(weights - before).max() < 0.02:
            break
    used = weights > 0.5
    return LocalFit(
        map=LocalMap(affine=affine, low_px=low, high_px=high, tables=model.tables(coefficients)),
        left_out_px=left_out, used=used, affine_px=left,
    )  # fmt: skip


def _apply(affine: Floats, mm: Floats) -> Floats:
    px: Floats = mm @ affine[:, :2].T + affine[:, 2]
    return px


def _spread(apart: Floats) -> float:
    """Return sigma along one axis from two-dimensional distances: a normal error's median is 1.1774 sigma."""
    return float(np.median(apart)) / 1.1774


def _robust_affine(mm: Floats, px: Floats) -> tuple[Floats, Floats]:
    weights = np.ones(len(mm))
    affine = affine_fit(mm, px)
    for _ in range(_ROUNDS):
        apart = np.hypot(*(px - _apply(affine, mm)).T)
        # wide limits: a wobble is not an outlier, and the spline fit judges again
        weights = np.clip(1 - (apart / max(10 * _spread(apart), 1.0)) ** 2, 0.0, None) ** 2
        affine = affine_fit(mm, px, weights)
    return affine, (weights > 0).astype(np.float64)


class _Additive:
    """Design and penalty of f0(v) + u f1(v) + g0(u) + v g1(u), the same for both axes' residuals."""

    def __init__(self, px: Floats, low: Floats, high: Floats, px_per_mm: float) -> None:
        self._steps = [max(2, int(span / _TABLE_PX) + 1) for span in high - low]
        self._pieces: list[int] = []
        for axis, apart_mm in ((1, _KNOT_MM), (1, _CROSS_KNOT_MM), (0, _KNOT_MM), (0, _CROSS_KNOT_MM)):
            distinct = len(np.unique(np.round(px[:, axis] / px_per_mm)))
            span_mm = (high[axis] - low[axis]) / px_per_mm
            self._pieces.append(int(np.clip(min(span_mm / apart_mm, distinct - 1), 1, 200)))
        u, v = (2 * (px - low) / (high - low) - 1).T
        terms = (_basis(self._pieces[0], v), u[:, None] * _basis(self._pieces[1], v),
                 _basis(self._pieces[2], u), v[:, None] * _basis(self._pieces[3], u))  # fmt: skip
        self.design = np.hstack(terms)
        self._cuts = np.cumsum([0, *(term.shape[1] for term in terms)])
        self._rough = (self._roughness((0, 1)), self._roughness((2, 3)))

    def _roughness(self, terms: tuple[int, int]) -> Floats:
        total = np.zeros((self.design.shape[1], self.design.shape[1]))
        for term in terms:
            block = slice(self._cuts[term], self._cuts[term + 1])
            difference = np.diff(np.eye(block.stop - block.start), 2, axis=0)
            total[block, block] = difference.T @ difference * (_CROSS_PENALTY if term % 2 else 1.0)
        return total

    def _inverse(self, gram: Floats, penalty: tuple[float, float]) -> Floats:
        ridge = _RIDGE * np.eye(len(gram))
        normal = gram + penalty[0] * self._rough[0] + penalty[1] * self._rough[1] + ridge
        half = np.linalg.inv(np.linalg.cholesky(normal))
        return np.asarray(half.T @ half)

    def solve(
        self, left: Floats, weights: Floats, penalties: tuple[tuple[float, float], tuple[float, float]]
    ) -> tuple[Floats, Floats]:
        """Return coefficients, shape (size, 2), and the hat matrix' diagonal, shape (n, 2), for both axes."""
        weighted = self.design * weights[:, None]
        gram = self.design.T @ weighted
        coefficients = np.empty((self.design.shape[1], 2))
        hat = np.empty_like(left)
        for axis, penalty in enumerate(penalties):
            inverse = self._inverse(gram, penalty)
            coefficients[:, axis] = inverse @ (weighted.T @ left[:, axis])
            hat[:, axis] = ((self.design @ inverse) * weighted).sum(axis=1)
        return coefficients, hat

    def choose(self, left: Floats, weights: Floats) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return each axis' pair of penalties with the least generalised cross-validation score.

        The pair is found by turns, one penalty at a time: the score has one valley in all scans seen.
        """
        weighted = self.design * weights[:, None]
        gram, right = self.design.T @ weighted, weighted.T @ left
        total = weights.sum()

        @functools.cache
        def scores(along_v: int, along_u: int) -> tuple[float, float]:
            inverse = self._inverse(gram, (_PENALTIES[along_v], _PENALTIES[along_u]))
            freedom = max(total - _GCV_CAUTION * float((inverse * gram).sum()), 1e-3)
            errors = (weights[:, None] * (left - self.design @ (inverse @ right)) ** 2).sum(axis=0)
            x, y = total * (errors + _GCV_FLOOR_PX2 * total) / freedom**2
            return float(x), float(y)

        chosen = []
        for axis in range(2):
            pair = [len(_PENALTIES) // 2, len(_PENALTIES) // 2]
            for turn in (0, 1, 0, 1):
                trials = [(k, pair[1]) if turn == 0 else (pair[0], k) for k in range(len(_PENALTIES))]
                pair = list(min(trials, key=lambda trial: scores(*trial)[axis]))
            chosen.append((_PENALTIES[pair[0]], _PENALTIES[pair[1]]))
        return chosen[0], chosen[1]

    def tables(self, coefficients: Floats) -> tuple[Floats, Floats]:
        """Return the terms against v and against u at equal steps, as `LocalMap` keeps them."""
        out = []
        for axis, first in ((1, 0), (0, 2)):
            place = np.linspace(-1.0, 1.0, self._steps[axis])
            plain, crossed = (
                _basis(self._pieces[term], place) @ coefficients[self._cuts[term] : self._cuts[term + 1]]
                for term in (first, first + 1)
            )
            values = np.hstack([plain, crossed]).T
            out.append(np.stack([values, np.diff(values, axis=1, append=values[:, -1:])]))
        return out[0], out[1]


def _basis(pieces: int, place: Floats) -> Floats:
    """Return the cubic B-splines on evenly spaced knots at places from -1 to 1, shape (n, pieces + 3)."""
    scaled = np.clip((place + 1.0) / 2.0 * pieces, 0.0, pieces)
    piece = np.minimum(scaled.astype(np.intp), pieces - 1)
    t = scaled - piece
    values = np.zeros((len(place), pieces + 3))
    # the four that reach a piece: de Boor, A Practical Guide to Splines, chapter X, worked out for even knots
    weights = ((1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, -3 * t**3 + 3 * t**2 + 3 * t + 1, t**3)
    for number, weight in enumerate(weights):
        values[np.arange(len(place)), piece + number] = weight / 6.0
    return values
