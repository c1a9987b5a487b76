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
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

__all__ = [
    "FINE_MM",
    "LEAST_WIDTH_BLURS",
    "WIDTH_GAIN",
    "Course",
    "Fit",
    "Problem",
    "deblurred",
    "feature_columns",
    "ridged",
    "smooth_course",
    "solve",
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
_WIDTH_BLURS: Final = 0.4
_WIDEST_STEP_BLURS: Final = 4.5
LEAST_WIDTH_BLURS: Final = 1.1
"""Of blur: a step spread over less looks the same as a blur that is a tenth wider than it is held for."""
WIDTH_GAIN: Final = 15.0
"""Fall of chi-squared, by precise weights, that a step's width must bring: of 283 hard steps 4 seem to bring more."""


def smooth_course(inner_mm: float, outer_mm: float, knot_mm: float, intended: Course | None = None) -> Course:
    """Return cubic B-splines with knots about `knot_mm` apart, and what they leave of the intended path (n, 3).

    What a file bends more sharply than the splines do is then no feature of the print's.
    """
    count = max(round((outer_mm - inner_mm) / knot_mm), 2)
    knots = np.concatenate([[inner_mm] * 3, np.linspace(inner_mm, outer_mm, count + 1), [outer_mm] * 3])
    spline = BSpline(knots, np.eye(len(knots) - 4), 3)
    grid = np.linspace(inner_mm, outer_mm, round((outer_mm - inner_mm) / FINE_MM) + 1)
    bent = np.empty((len(grid), 0))
    if intended is not None:
        basis, asked = spline(grid), intended(grid)
        rest = asked - basis @ np.linalg.lstsq(basis, asked, rcond=None)[0]
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

    def __post_init__(self) -> None:
        """Blur the course and take what it describes out of the data."""
        fine = np.arange(self.radius[0] - 6 * self.sigma, self.radius[-1] + 6 * self.sigma, FINE_MM)
        blurred = gaussian_filter1d(self.course(fine), self.sigma / FINE_MM, axis=0, mode="nearest", truncate=6.0)
        columns = np.stack([np.interp(self.radius, fine, column) for column in blurred.T], axis=1)
        self.smooth = columns * self.weight[:, None]
        self._rim = rim_columns(self.radius, self.outer, self.sigma)
        self._base, self._triangle = np.linalg.qr(self.smooth)
        self.without_course = self._project(self.target)

    def _project(self, columns: Array) -> Array:
        """Take out of weighted columns what the smooth course can describe."""
        return np.asarray(columns - self._base @ (self._base.T @ columns))

    def weighted(self, kinks: Array, steps: Array, widths: Array | None = None) -> Array:
        """Weighted columns: ramps and bends of the kinks, then the steps, which may be spread over widths in mm."""
        columns = feature_columns(self.radius, kinks, steps, self.outer, self.sigma, self._rim)
        for i, width in enumerate([] if widths is None else widths.tolist()):
            if width > 0:
                ends = self.radius[:, None] - steps[i] + np.array([width / 2, -width / 2])
                _, ramps, _ = _blurred(ends, self.sigma)
                columns[:, 2 * len(kinks) + i] = (ramps[:, 0] - ramps[:, 1]) / width
        return columns * self.weight[:, None]

    def columns(self, kinks: Array, steps: Array) -> Array:
        """Weighted columns of features, without their common part with the smooth course."""
        return self._project(self.weighted(kinks, steps))

    def slopes(self, kinks: Array, steps: Array) -> Array:
        """Derivatives of the columns by their places (the rim's part of the bends left out, it is small)."""
        count, z = len(kinks), (self.radius[:, None] - steps) / self.sigma
        passed, ramp, _ = _blurred(self.radius[:, None] - np.concatenate([kinks, kinks + _BEND_MM]), self.sigma)
        by_ramp, by_bend = -passed[:, :count], -2 * (ramp[:, :count] - ramp[:, count:])
        by_step = -np.exp(-0.5 * z * z) / (self.sigma * np.sqrt(2 * np.pi))
        return self._project(np.hstack([by_ramp, by_bend, by_step]) * self.weight[:, None])

    def fit(self, kinks: Array, steps: Array) -> Fit:
        """Fit the amplitudes of features at given places."""
        return self.fit_columns(self.weighted(kinks, steps))

    def fit_columns(self, weighted: Array) -> Fit:
        """Fit the amplitudes of weighted columns."""
        columns = self._project(weighted)
        gram = ridged(columns.T @ columns)
        amplitudes: Array = np.asarray(np.linalg.solve(gram, columns.T @ self.without_course), dtype=np.float64)
        residual = np.asarray(self.without_course - columns @ amplitudes, dtype=np.float64)
        return Fit(columns, gram, amplitudes, residual, float(np.sum(residual**2)))

    def course_amplitudes(self, target: Array) -> Array:
        """Return the amplitudes of the smooth course that is nearest to weighted data."""
        return np.asarray(np.linalg.lstsq(self._triangle, self._base.T @ target, rcond=None)[0])


@dataclass(frozen=True, slots=True)
class Fit:
    """Amplitudes of features (ramps, bends, steps; 3 coordinates), what they leave, and its sum of squares."""

    columns: Array
    gram: Array
    amplitudes: Array
    residual: Array
    loss: float


def ridged(gram: Array) -> Array:
    """Make a matrix of products safe to solve with; changes its argument."""
    diagonal = np.einsum("ii->i", gram)  # a view
    diagonal *= 1.0 + _RIDGE
    diagonal += 1e-9
    return gram


def solve(problem: Problem, kinks: Array, steps: Array, widths: Array | None = None) -> tuple[Array, Array]:
    """Return amplitudes of course and features together, and what the whole model leaves of the target."""
    features = problem.weighted(kinks, steps, widths)
    fit = problem.fit_columns(features)
    course = problem.course_amplitudes(problem.target - features @ fit.amplitudes)
    return np.concatenate([course, fit.amplitudes]), fit.residual


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
    smooth = feature_columns(radii, kinks, np.empty(0), problem.outer, _NO_BLUR_MM)
    second = np.concatenate([[False], np.diff(radii) == 0])  # the outer of a hard step's two rows
    passed = (radii[:, None] > steps) | (second[:, None] & (radii[:, None] == steps))
    spread = np.clip((radii[:, None] - steps + half) / np.maximum(2 * half, _NO_BLUR_MM), 0.0, 1.0)
    return radii, np.hstack([problem.course(radii), smooth, np.where(half > 0, spread, passed)]) @ amplitudes


def feature_columns(
    radius: Array, kinks: Array, steps: Array, outer: float, sigma: float, rim: tuple[Array, Array] | None = None
) -> Array:
    """Return a change of slope a kink, one of curvature that lasts `_BEND_MM`, and a unit step a step.

    Kinks stay constant from the rim on; `rim` is what `rim_columns` gives, if it is at hand.
    """
    count = len(kinks)
    x = radius[:, None] - np.concatenate([kinks, kinks + _BEND_MM, steps])
    step, ramp, square = _blurred(x, sigma)
    rim_ramp, rim_square = rim_columns(radius, outer, sigma) if rim is None else rim
    left = outer - kinks
    bend = square[:, :count] - square[:, count : 2 * count]
    bend -= 2 * np.minimum(left, _BEND_MM) * rim_ramp + (left < _BEND_MM) * rim_square
    return np.hstack([ramp[:, :count] - rim_ramp, bend, step[:, 2 * count :]])


def rim_columns(radius: Array, outer: float, sigma: float) -> tuple[Array, Array]:
    """Return the blurred ramp and square that begin at the rim, (n, 1) each."""
    _, ramp, square = _blurred(radius[:, None] - outer, sigma)
    return ramp, square


def _blurred(x: Array, sigma: float) -> tuple[Array, Array, Array]:
    """Return the unit step at 0, max(x, 0) and its square, blurred by a Gaussian; exact, but worked out near 0 only."""
    step = (x > 0).astype(np.float64)
    ramp = np.maximum(x, 0.0)
    square = ramp * ramp + sigma * sigma * step
    near = np.abs(x) < _NEAR_BLURS * sigma
    x = x[near]
    z = x / sigma
    step[near] = below = ndtr(z)
    ramp[near] = rise = x * below + (sigma / np.sqrt(2 * np.pi)) * np.exp(-0.5 * z * z)
    square[near] = x * rise + sigma * sigma * below
    return step, ramp, square


def step_widths(problem: Problem, kinks: Array, steps: Array) -> Array:
    """Return over how many mm each step is spread: none, unless the data say so and blur cannot be what they show."""
    trials = np.arange(0.0, _WIDEST_STEP_BLURS, _WIDTH_BLURS) * problem.sigma
    widths = np.zeros_like(steps)

    def loss(index: int, width: float) -> float:
        trial = widths.copy()
        trial[index] = width
        return float(np.sum(solve(problem, kinks, steps, trial)[1] ** 2))

    for i in range(len(steps)):
        losses = np.array([loss(i, width) for width in trials])
        best = int(np.argmin(losses))
        if 0 < best < len(trials) - 1:
            below, at, above = losses[best - 1 : best + 2]
            width = trials[best] + 0.5 * (trials[1] - trials[0]) * (below - above) / (below - 2 * at + above)
            if width > LEAST_WIDTH_BLURS * problem.sigma and losses[0] - at > WIDTH_GAIN:
                widths[i] = width
    return widths
