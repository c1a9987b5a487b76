"""The model of a ramp's path: a smooth course, kinks and steps, all blurred as the instrument blurs.

A kink is where the speed of colour changes abruptly, a step where colour itself does. The places of kinks and steps
enter the model as they are, everything else linearly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.linalg.lapack import dpotrf, dpotrs
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

__all__ = [
    "FINE_MM",
    "LEAST_WIDTH_BLURS",
    "WIDTH_GAIN",
    "Cholesky",
    "Course",
    "Fit",
    "Problem",
    "cholesky",
    "course_radii",
    "deblurred",
    "ridged",
    "smooth_course",
    "step_widths",
]

Array = NDArray[np.float64]
Course = Callable[[Array], Array]
"""Columns of a smooth course at radii (n,), shape (n, j); constant beyond the ramp's ends."""

FINE_MM: Final = 0.01
_BEND_MM: Final = 1.5
_LEAST_BENT: Final = 0.01  # rms in CIELAB
_NEAR_BLURS: Final = 7.0
_RIDGE: Final = 1e-8
_NO_BLUR_MM: Final = 1e-9
_MARGIN_MM: Final = 0.1
_WIDTH_BLURS: Final = 0.4
_WIDEST_STEP_BLURS: Final = 4.5
LEAST_WIDTH_BLURS: Final = 1.1
"""Of blur: a step spread over less looks the same as a blur that is a tenth wider than it is held for."""
WIDTH_GAIN: Final = 15.0
"""Fall of chi-squared, by precise weights, that a step's width must bring: of 283 hard steps 4 seem to bring more."""


def course_radii(inner_mm: float, outer_mm: float) -> Array:
    """Return the radii (n,) of a ramp where an intended path must be known."""
    return np.linspace(inner_mm, outer_mm, round((outer_mm - inner_mm) / FINE_MM) + 1)


def smooth_course(inner_mm: float, outer_mm: float, knot_mm: float, intended: Array | None = None) -> Course:
    """Return cubic B-splines with knots about `knot_mm` apart, and what they leave of the intended path.

    That path is given as CIELAB (n, 3) at `course_radii`. What a file bends more sharply than the splines do is then no
    feature of the print's.
    """
    count = max(round((outer_mm - inner_mm) / knot_mm), 2)
    knots = np.concatenate([[inner_mm] * 3, np.linspace(inner_mm, outer_mm, count + 1), [outer_mm] * 3])
    spline = BSpline(knots, np.eye(len(knots) - 4), 3)
    grid = course_radii(inner_mm, outer_mm)
    bent = np.empty((len(grid), 0))
    if intended is not None:
        basis = spline(grid)
        rest = intended - basis @ np.linalg.lstsq(basis, intended, rcond=None)[0]
        left, sizes, _ = np.linalg.svd(rest, full_matrices=False)
        bent = (left * np.sqrt(len(grid)))[:, sizes > _LEAST_BENT * np.sqrt(len(grid))]

    def columns(radius_mm: Array) -> Array:
        within = np.clip(radius_mm, inner_mm, outer_mm)
        return np.hstack([spline(within), *(np.interp(within, grid, column)[:, None] for column in bent.T)])

    return columns


@dataclass(slots=True)
class Problem:
    """Data, their weights, and the linear part of the model.

    Attributes
    ----------
    radius, weight
        Of the bins, shape (n,).
    target
        Colours, scaled to about ΔE00 and weighted, shape (n, 3).
    course
        The smooth course.
    inner, outer
        Where the ramp begins and ends, in mm.
    sigma
        Gaussian blur of the data in mm.
    """

    radius: Array
    weight: Array
    target: Array
    course: Course
    inner: float
    outer: float
    sigma: float
    smooth: Array = field(init=False)
    without_course: Array = field(init=False)
    _base: Array = field(init=False)
    _triangle: Array = field(init=False)
    _rim: tuple[Array, Array] = field(init=False)
    _length: float = field(init=False)
    _near: int = field(init=False)
    _tables: dict[float, tuple[Array, Array]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        """Blur the course and take what it describes out of the data."""
        fine = np.arange(self.radius[0] - 6 * self.sigma, self.radius[-1] + 6 * self.sigma, FINE_MM)
        blurred = gaussian_filter1d(self.course(fine), self.sigma / FINE_MM, axis=0, mode="nearest", truncate=6.0)
        columns = np.stack([np.interp(self.radius, fine, column) for column in blurred.T], axis=1)
        self.smooth = columns * self.weight[:, None]
        self._near = _most_near(self.radius, self.sigma)
        self._rim = rim_rows(self.radius, self.outer, self.sigma)
        self._base, self._triangle = np.linalg.qr(self.smooth)
        self.without_course = self._project(self.target)
        self._length = float(np.sum(self.without_course**2))

    def _project(self, columns: Array) -> Array:
        """Take out of weighted columns what the smooth course can describe."""
        return np.asarray(columns - self._base @ (self._base.T @ columns))

    def weighted(self, kinks: Array, steps: Array, widths: Array | None = None) -> Array:
        """Weighted columns: ramps and bends of the kinks, then the steps, which may be spread over widths in mm."""
        return self._rows(_Blurred.at(self.radius, kinks, steps, self.sigma, self._near), widths).T

    def _rows(self, blurred: _Blurred, widths: Array | None = None) -> Array:
        """Return the weighted columns as rows."""
        rows = feature_rows(blurred, self.outer, self._rim)
        for i, width in enumerate([] if widths is None else widths.tolist()):
            if width > 0:
                ends = blurred.steps[i] + np.array([-width / 2, width / 2])
                ramps = _blurred(self.radius, ends, self.sigma, self._near)[1]
                rows[2 * len(blurred.kinks) + i] = (ramps[0] - ramps[1]) / width
        rows *= self.weight
        return rows

    def columns(self, kinks: Array, steps: Array) -> Array:
        """Weighted columns of features, without their common part with the smooth course."""
        return self._project(self.weighted(kinks, steps))

    def grid(self, pitch_mm: float) -> Array:
        """Return places (g,) all along the ramp."""
        return np.arange(self.inner + _MARGIN_MM, self.outer - _MARGIN_MM, pitch_mm)

    def table(self, pitch_mm: float) -> tuple[Array, Array]:
        """Return `grid` and `columns` of a kink and a step at each of its places; not to be changed."""
        if pitch_mm not in self._tables:
            grid = self.grid(pitch_mm)
            self._tables[pitch_mm] = grid, self.columns(grid, grid)
        return self._tables[pitch_mm]

    def fit(self, kinks: Array, steps: Array, widths: Array | None = None) -> Fit:
        """Fit the amplitudes of features at given places; steps may be spread over widths in mm."""
        blurred = _Blurred.at(self.radius, kinks, steps, self.sigma, self._near)
        rows = self._rows(blurred, widths)
        by_course = rows @ self._base
        rows -= by_course @ self._base.T
        gram, right = rows @ rows.T, rows @ self.without_course
        ridge = -gram.diagonal()
        triangle = cholesky(ridged(gram))
        ridge += gram.diagonal()
        amplitudes = triangle.solve(right)
        explained = float(np.vdot(right + ridge[:, None] * amplitudes, amplitudes))
        return Fit(blurred, rows, by_course, triangle, amplitudes, self._length - explained)

    def descent(self, fit: Fit) -> tuple[Array, Array]:
        """Return the matrix and the right side of Gauss-Newton's equations for the places: kinks, then steps.

        Amplitudes follow the places (variable projection). Of how the model changes with each place, in all three
        coordinates, only products are wanted. The rim's part of the bends is left out, it is small.
        """
        slopes = fit.blurred.slopes() * self.weight
        by_course, shared = slopes @ self._base, fit.rows @ slopes.T
        own = ridged(slopes @ slopes.T) - by_course @ by_course.T - shared.T @ fit.triangle.solve(shared)
        weights = fit.amplitudes
        downhill = np.sum((slopes @ self.without_course - shared.T @ weights) * weights, axis=1)
        count = len(fit.blurred.kinks)
        return _by_place(_by_place(own * (weights @ weights.T), count).T, count), _by_place(downhill, count)

    def solve(self, kinks: Array, steps: Array, widths: Array | None = None) -> tuple[Array, Array]:
        """Return amplitudes of course and features together, and what the whole model leaves of the target."""
        fit = self.fit(kinks, steps, widths)
        of_course = self._base.T @ self.target - fit.by_course.T @ fit.amplitudes
        course = np.linalg.lstsq(self._triangle, of_course, rcond=None)[0]
        return np.concatenate([course, fit.amplitudes]), self.without_course - fit.rows.T @ fit.amplitudes


def _by_place(of_columns: Array, count: int) -> Array:
    """Add up what belongs to one place: a kink has a ramp and a bend, a step one column."""
    return np.concatenate([of_columns[:count] + of_columns[count : 2 * count], of_columns[2 * count :]])


@dataclass(frozen=True, slots=True)
class Fit:
    """Amplitudes of features (ramps, bends, steps; 3 coordinates) and the sum of squares that they leave.

    `rows` are the weighted features, what the smooth course can describe taken out; `by_course` are the products of
    that with its base, `triangle` is the Cholesky factor of the rows' products with each other.
    """

    blurred: _Blurred
    rows: Array
    by_course: Array
    triangle: Cholesky
    amplitudes: Array
    loss: float


@dataclass(frozen=True, slots=True)
class Cholesky:
    """The factor of a positive definite matrix."""

    upper: Array

    def solve(self, right: Array) -> Array:
        """Return the matrix's inverse times columns."""
        return np.asarray(dpotrs(self.upper, right)[0]) if len(right) else right


def cholesky(matrix: Array) -> Cholesky:
    """Factor a positive definite matrix, by LAPACK itself: for ones so small NumPy's call takes longer than the work.

    Raises
    ------
    numpy.linalg.LinAlgError
        If it is not positive definite.
    """
    if not len(matrix):
        return Cholesky(matrix)
    upper, info = dpotrf(matrix)
    if info:
        raise np.linalg.LinAlgError("a matrix of products is not positive definite")
    return Cholesky(upper)


def ridged(gram: Array, part: float = _RIDGE) -> Array:
    """Make a matrix of products safe to solve with, its diagonal larger by a part; changes its argument."""
    diagonal = np.einsum("ii->i", gram)  # a view
    diagonal *= 1.0 + part
    diagonal += 1e-9
    return gram


def deblurred(
    problem: Problem, amplitudes: Array, kinks: Array, steps: Array, widths: Array | None = None
) -> tuple[Array, Array]:
    """Return radii and the model there without blur: two rows at every step, its ends, and one at every kink."""
    start, stop = problem.radius[0], problem.radius[-1]
    half = np.zeros_like(steps) if widths is None else widths / 2
    ends = np.concatenate([steps - half, steps + half])
    radii = np.union1d(np.arange(start, stop, FINE_MM), np.concatenate([kinks, [problem.inner, problem.outer]]))
    before = radii[np.min(np.abs(radii[:, None] - ends[None, :]), axis=1, initial=1.0) > 1e-9]
    radii = np.sort(np.concatenate([before, ends]))
    sharp = _Blurred.at(radii, kinks, np.empty(0), _NO_BLUR_MM, _most_near(radii, _NO_BLUR_MM))
    smooth = feature_rows(sharp, problem.outer, rim_rows(radii, problem.outer, _NO_BLUR_MM)).T
    second = np.concatenate([[False], np.diff(radii) == 0])  # the outer of a hard step's two rows
    passed = (radii[:, None] > steps) | (second[:, None] & (radii[:, None] == steps))
    spread = np.clip((radii[:, None] - steps + half) / np.maximum(2 * half, _NO_BLUR_MM), 0.0, 1.0)
    return radii, np.hstack([problem.course(radii), smooth, np.where(half > 0, spread, passed)]) @ amplitudes


@dataclass(frozen=True, slots=True)
class _Blurred:
    """Blurred steps, ramps and squares (one a row) that begin at kinks, `_BEND_MM` after them, and at steps."""

    radius: Array
    kinks: Array
    steps: Array
    sigma: float
    step: Array
    ramp: Array
    square: Array

    @classmethod
    def at(cls, radius: Array, kinks: Array, steps: Array, sigma: float, near: int) -> _Blurred:
        places = np.concatenate([kinks, kinks + _BEND_MM, steps])
        return cls(radius, kinks, steps, sigma, *_blurred(radius, places, sigma, near))

    def slopes(self) -> Array:
        """Return the derivatives of the features by their places, without the rim's part."""
        count, offset = len(self.kinks), (self.radius - self.steps[:, None]) / self.sigma
        by_bend = 2 * (self.ramp[count : 2 * count] - self.ramp[:count])
        by_step = np.exp(-0.5 * offset * offset) / (-self.sigma * np.sqrt(2 * np.pi))
        return np.concatenate([-self.step[:count], by_bend, by_step])


def feature_rows(blurred: _Blurred, outer: float, rim: tuple[Array, Array]) -> Array:
    """Return a change of slope a kink, one of curvature that lasts `_BEND_MM`, and a unit step a step, a row each.

    Kinks stay constant from the rim on; `rim` is what `rim_rows` gives.
    """
    count, square = len(blurred.kinks), blurred.square
    rim_ramp, rim_square = rim
    left = outer - blurred.kinks[:, None]
    bend = square[:count] - square[count : 2 * count]
    bend -= 2 * np.minimum(left, _BEND_MM) * rim_ramp + (left < _BEND_MM) * rim_square
    return np.concatenate([blurred.ramp[:count] - rim_ramp, bend, blurred.step[2 * count :]])


def rim_rows(radius: Array, outer: float, sigma: float) -> tuple[Array, Array]:
    """Return the blurred ramp and square that begin at the rim, (n,) each."""
    _, ramp, square = _blurred(radius, np.array([outer]), sigma, _most_near(radius, sigma))
    return ramp[0], square[0]


def _blurred(radius: Array, places: Array, sigma: float, near: int) -> tuple[Array, Array, Array]:
    """Return the unit step at places (k,), max(x, 0) and its square, x from there, blurred by a Gaussian; (k, n) each.

    Exact, but worked out at the `near` radii about each place only.
    """
    x = radius - places[:, None]
    positive = x > 0
    step, ramp = positive.astype(np.float64), x * positive
    square = ramp * ramp
    square += sigma * sigma * step
    first = np.minimum(radius.searchsorted(places - _NEAR_BLURS * sigma), len(radius) - near)
    first += len(radius) * np.arange(len(places))
    at = first[:, None] + np.arange(near)  # as if all were one row
    x = x.ravel()[at]
    z = x / sigma
    below = ndtr(z)
    rise = x * below + (sigma / np.sqrt(2 * np.pi)) * np.exp(-0.5 * z * z)
    step.ravel()[at] = below
    ramp.ravel()[at] = rise
    square.ravel()[at] = x * rise + sigma * sigma * below
    return step, ramp, square


def _most_near(radius: Array, sigma: float) -> int:
    """Return how many radii lie at most where a blurred place shows."""
    return int(np.max(radius.searchsorted(radius + 2 * _NEAR_BLURS * sigma) - np.arange(len(radius))))


def step_widths(problem: Problem, kinks: Array, steps: Array) -> Array:
    """Return over how many mm each step is spread: none, unless the data say so and blur cannot be what they show."""
    trials = np.arange(0.0, _WIDEST_STEP_BLURS, _WIDTH_BLURS) * problem.sigma
    widths = np.zeros_like(steps)

    def loss(index: int, width: float) -> float:
        trial = widths.copy()
        trial[index] = width
        return problem.fit(kinks, steps, trial).loss

    for i in range(len(steps)):
        losses = np.array([loss(i, width) for width in trials])
        best = int(np.argmin(losses))
        if 0 < best < len(trials) - 1:
            below, at, above = losses[best - 1 : best + 2]
            width = trials[best] + 0.5 * (trials[1] - trials[0]) * (below - above) / (below - 2 * at + above)
            if width > LEAST_WIDTH_BLURS * problem.sigma and losses[0] - at > WIDTH_GAIN:
                widths[i] = width
    return widths
