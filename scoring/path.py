"""The course of colour along a ramp, with the instrument's blur taken out.

A ring's profile is modelled in CIELAB as a slow smooth course (a cubic spline with knots about 1.8 mm apart)
plus as few sharp features as the data demand: kinks, where the speed of colour changes abruptly, and steps,
where colour itself does. Every part is blurred by the known width of instrument, pixel and bin before it is
compared with the data, so that the fit describes the print and not its blurred picture; what light averages otherwise
than CIELAB is taken from the data, by the model itself. A dense row of kinks is
thinned out by backward elimination, all three coordinates as one group; the places of those left are refined
together by Gauss-Newton (variable projection, Golub & Pereyra 1973); two kinks closer than the blur can tell apart
become a step; what is then still missing is added by orthogonal matching pursuit (Pati, Rezaiifar & Krishnaprasad
1993).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from inkstrain.targets.colorimetry import lab_to_xyz, xyz_to_lab

__all__ = ["PathFit", "fit_path"]

Array = NDArray[np.float64]

_COURSE_KNOT_MM: Final = 1.8
_CANDIDATE_MM: Final = 0.15
_MARGIN_MM: Final = 0.1
_END_MM: Final = 0.05
_JOIN_BLURS: Final = 4.0
_TIE_BLURS: Final = 3.0
_BEND_MM: Final = 1.5
_NEAR_BLURS: Final = 7.0
_FINE_MM: Final = 0.01
_MOST_ADDED: Final = 6
_MOST_KINKS: Final = 24
_CROWD_MM: Final = 2.5
_MOST_MOVES: Final = 12
_HOPEFUL_MOVES: Final = 40
_BEST_MOVES: Final = 5
_PRICE: Final = 12.0  # what a feature costs in chi-squared: a place and three coordinates, with a reserve
_GAIN: Final = 25.0  # fall of chi-squared a feature must bring: three coordinates, one place, many places tried
_FINE_TOLERANCE: Final = (0.03, 0.003)  # misfits not worth a feature: in ΔE00, and in mm along the slope
_COARSE_TOLERANCE: Final = (0.1, 0.03)
_CLOSEST_BLURS: Final = 1.6
_RIDGE: Final = 1e-8


@dataclass(frozen=True, slots=True)
class PathFit:
    """A deblurred path from inside the hub to inside the rim.

    Attributes
    ----------
    radius_mm
        Increasing radii, shape (n,); a step stands as two rows at the same radius.
    lab
        CIELAB there, shape (n, 3).
    kinks_mm, steps_mm
        Places of the features.
    residual_de00
        Weighted rms of what the model leaves, in units of about one ΔE00.
    chi2_per_bin
        Mean of squared residuals over their expected variance, per coordinate.
    """

    radius_mm: Array
    lab: Array
    kinks_mm: Array
    steps_mm: Array
    residual_de00: float
    chi2_per_bin: float


@dataclass(slots=True)
class _Problem:
    """Data and fixed part of the model, weighted."""

    radius: Array
    weight: Array
    target: Array  # (n, 3), scaled to about ΔE00 and weighted
    course: Array  # (n, j), blurred spline columns, weighted
    inner: float
    outer: float
    sigma: float
    course_q: Array = field(init=False)
    without_course: Array = field(init=False)

    def __post_init__(self) -> None:
        self.course_q = np.linalg.qr(self.course)[0]
        self.without_course = self._project(self.target)

    def _project(self, columns: Array) -> Array:
        """Take out of weighted columns what the smooth course can describe."""
        return np.asarray(columns - self.course_q @ (self.course_q.T @ columns))

    def raw_columns(self, kinks: Array, steps: Array) -> Array:
        """Columns of features: ramps and bends of the kinks, then the steps."""
        ramps, bends = _kink(self.radius, kinks, self.outer, self.sigma)
        return np.hstack([ramps, bends, _step(self.radius, steps, self.sigma)])

    def columns(self, kinks: Array, steps: Array) -> Array:
        """Weighted columns of features, without their common part with the smooth course."""
        return self._project(self.raw_columns(kinks, steps) * self.weight[:, None])

    def slopes(self, kinks: Array, steps: Array) -> Array:
        """Derivatives of the columns by their places (the rim's part of the bends left out, it is small)."""
        x, z = self.radius[:, None] - kinks, (self.radius[:, None] - steps) / self.sigma
        passed, ramp, _ = _blurred(x, self.sigma)
        by_ramp, by_bend = -passed, -2 * (ramp - _blurred(x - _BEND_MM, self.sigma)[1])
        by_step = -np.exp(-0.5 * z * z) / (self.sigma * np.sqrt(2 * np.pi))
        return self._project(np.hstack([by_ramp, by_bend, by_step]) * self.weight[:, None])


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


def _kink(radius: Array, places: Array, outer: float, sigma: float) -> tuple[Array, Array]:
    """Return a change of slope, and one of curvature that lasts `_BEND_MM`; constant from the rim on."""
    x = radius[:, None] - places
    _, ramp, square = _blurred(x, sigma)
    _, rim_ramp, rim_square = _blurred(radius[:, None] - outer, sigma)
    left = outer - places
    bend = square - _blurred(x - _BEND_MM, sigma)[2]
    bend -= 2 * np.minimum(left, _BEND_MM) * rim_ramp + (left < _BEND_MM) * rim_square
    return ramp - rim_ramp, bend


def _step(radius: Array, places: Array, sigma: float) -> Array:
    return _blurred(radius[:, None] - places, sigma)[0]


def _course_spline(inner: float, outer: float) -> BSpline:
    count = max(round((outer - inner) / _COURSE_KNOT_MM), 2)
    knots = np.concatenate([[inner] * 3, np.linspace(inner, outer, count + 1), [outer] * 3])
    return BSpline(knots, np.eye(len(knots) - 4), 3)


def _course_columns(spline: BSpline, radius: Array, inner: float, outer: float, sigma: float) -> Array:
    """Blurred spline columns at radii; hub and rim continue the ramp's end values."""
    fine = np.arange(radius[0] - 6 * sigma, radius[-1] + 6 * sigma, _FINE_MM)
    values = spline(np.clip(fine, inner, outer))
    blurred = gaussian_filter1d(values, sigma / _FINE_MM, axis=0, mode="nearest", truncate=6.0)
    return np.stack([np.interp(radius, fine, column) for column in blurred.T], axis=1)


def fit_path(
    radius_mm: Array, lab: Array, standard_error: Array, ramp_mm: tuple[float, float], blur_mm: float
) -> PathFit:
    """Fit the course of colour to a radial profile.

    Parameters
    ----------
    radius_mm
        Increasing radii of the bins, shape (n,), from inside the hub to inside the rim.
    lab
        CIELAB of the bins, shape (n, 3).
    standard_error
        Standard errors of `lab`, shape (n, 3).
    ramp_mm
        Radii where the ramp begins and ends.
    blur_mm
        Gaussian sigma of everything between print and profile: instrument, pixel, bin.

    Returns
    -------
    PathFit

    Raises
    ------
    ValueError
        If there are fewer than 16 bins on the ramp.
    """
    inner, outer = ramp_mm
    on_ramp = (radius_mm > inner) & (radius_mm < outer)
    if on_ramp.sum() < 16:
        raise ValueError(f"{on_ramp.sum()} bins on the ramp: at least 16 are needed")
    spacing = float(np.median(np.diff(radius_mm)))
    sigma = max(blur_mm, 0.4 * spacing)
    given, scale = lab, _tolerance_scale(lab)
    noise = np.sqrt(np.mean((standard_error / scale) ** 2, axis=1))
    noise = np.maximum(noise, _running_median(noise, 9))
    slope = np.sqrt(np.sum((np.gradient(lab, radius_mm, axis=0) / scale) ** 2, axis=1))
    spline = _course_spline(inner, outer)
    course = _course_columns(spline, radius_mm, inner, outer, sigma)

    def problem_for(floor_de00: float, place_mm: float) -> _Problem:
        weight = 1.0 / np.sqrt(noise**2 + floor_de00**2 + (place_mm * slope) ** 2)
        target, columns = lab / scale * weight[:, None], course * weight[:, None]
        return _Problem(radius_mm, weight, target, columns, inner, outer, sigma)

    problem = problem_for(*_FINE_TOLERANCE)
    kinks, steps = _pursue(problem_for(*_COARSE_TOLERANCE), problem)
    lab = given - _averaging(spline, kinks, steps, problem, scale)
    problem = problem_for(*_FINE_TOLERANCE)
    kinks, steps = _add_missing(problem, *_simplify(problem, kinks, steps))
    kinks = _tie(problem, kinks, steps)
    weight = problem.weight
    basis = np.hstack([problem.course, problem.raw_columns(kinks, steps) * weight[:, None]])
    amplitudes = _solve(basis, problem.target)
    residual = problem.target - basis @ amplitudes
    radii, values = _deblurred(spline, amplitudes, kinks, steps, problem)
    return PathFit(
        radii,
        values * scale,
        np.sort(kinks),
        np.sort(steps),
        float(np.sqrt(np.mean(np.sum((residual / weight[:, None]) ** 2, axis=1)))),
        float(np.mean(residual**2)),
    )


def _averaging(spline: BSpline, kinks: Array, steps: Array, problem: _Problem, scale: Array) -> Array:
    """Return what blur in linear light, as it happens, has over blur in CIELAB, as it is modelled, at the bins."""
    basis = np.hstack([problem.course, problem.raw_columns(kinks, steps) * problem.weight[:, None]])
    radii, values = _deblurred(spline, _solve(basis, problem.target), kinks, steps, problem)
    fine = np.arange(problem.radius[0] - 6 * problem.sigma, problem.radius[-1] + 6 * problem.sigma, _FINE_MM / 2)
    rows = np.stack([np.interp(fine, radii, column) for column in (values * scale).T], axis=1)

    def blurred(colours: Array) -> Array:
        width = problem.sigma / (_FINE_MM / 2)
        return np.asarray(gaussian_filter1d(colours, width, axis=0, mode="nearest", truncate=6.0))

    difference = xyz_to_lab(blurred(lab_to_xyz(rows))) - blurred(rows)
    return np.stack([np.interp(problem.radius, fine, column) for column in difference.T], axis=1)


def _tolerance_scale(lab: Array) -> Array:
    """Return one size a coordinate that is worth about one ΔE00: CIE94 weights at the ring's median chroma."""
    chroma = float(np.median(np.hypot(lab[:, 1], lab[:, 2])))
    return np.array([1.2, 1 + 0.03 * chroma, 1 + 0.03 * chroma])


def _running_median(values: Array, width: int) -> Array:
    padded = np.pad(values, width // 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))


def _solve(basis: Array, target: Array) -> Array:
    gram = basis.T @ basis
    gram[np.diag_indices_from(gram)] *= 1.0 + _RIDGE
    gram[np.diag_indices_from(gram)] += 1e-9
    return np.asarray(np.linalg.solve(gram, basis.T @ target))


def _pursue(coarse: _Problem, fine: _Problem) -> tuple[Array, Array]:
    """Return the places of kinks and steps that the data demand: the strong ones first, then what is left."""
    kinks = _thin_out(coarse, np.arange(coarse.inner + _MARGIN_MM, coarse.outer - _MARGIN_MM, _CANDIDATE_MM))
    kinks, steps = _refine(coarse, kinks, np.empty(0), rounds=10)
    kinks, steps = _join(coarse, kinks, steps)
    kinks, steps = _simplify(coarse, kinks, steps)
    kinks, steps = _add_missing(fine, *_simplify(fine, kinks, steps))
    return _tie(fine, kinks, steps), steps


def _tie(problem: _Problem, kinks: Array, steps: Array) -> Array:
    """Give every step a kink of its own, in place of those that blur cannot tell from it."""
    for step in steps:
        near = np.abs(kinks - step) < _TIE_BLURS * problem.sigma
        tied = np.append(kinks[~near], step)
        before = _fit(problem, np.concatenate([kinks, steps]), len(kinks)).loss
        after = _fit(problem, np.concatenate([tied, steps]), len(tied)).loss
        if after < before + _PRICE * near.sum() and (near.any() or after < before - _PRICE):
            kinks = tied
    return kinks


def _thin_out(problem: _Problem, kinks: Array) -> Array:
    """Delete from a dense row of kinks, one by one, whichever chi-squared minds least (closed form)."""
    basis = problem.columns(kinks, np.empty(0))[:, : len(kinks)]
    gram = basis.T @ basis
    gram[np.diag_indices_from(gram)] *= 1.0 + 1e-11
    inverse = np.linalg.inv(gram)
    amplitudes = inverse @ (basis.T @ problem.without_course)
    kept = np.arange(len(kinks))
    while len(kept):
        spread = np.diag(inverse)
        rises = np.sum(amplitudes**2, axis=1) / spread
        i = int(np.argmin(rises))
        if rises[i] > _GAIN and len(kept) <= _MOST_KINKS:
            break
        column = inverse[:, i] / inverse[i, i]
        amplitudes = np.delete(amplitudes - column[:, None] * amplitudes[i], i, axis=0)
        inverse = inverse - np.outer(column, inverse[i])
        inverse = np.delete(np.delete(inverse, i, axis=0), i, axis=1)
        kept = np.delete(kept, i)
    return kinks[kept]


def _join(problem: _Problem, kinks: Array, steps: Array) -> tuple[Array, Array]:
    """Take two close kinks for one step, with a kink or without, wherever that describes the data as well."""
    pairs = True
    refused: set[float] = set()
    while pairs:
        pairs = False
        kinks = np.sort(kinks)
        gaps = np.diff(kinks)
        for i in np.argsort(gaps):
            middle = float(kinks[i] + kinks[i + 1]) / 2
            if gaps[i] > _JOIN_BLURS * problem.sigma + 0.1 or round(middle, 2) in refused:
                continue
            before = _fit(problem, np.concatenate([kinks, steps]), len(kinks)).loss
            rest = np.delete(kinks, [i, i + 1])
            joined = _refine(problem, np.append(rest, middle), np.append(steps, middle), rounds=8)
            after = _fit(problem, np.concatenate(joined), len(joined[0])).loss
            if after < before + _GAIN / 3:
                kinks, steps = joined
                pairs = True
                break
            refused.add(round(middle, 2))
    return kinks, steps


def _add_missing(problem: _Problem, kinks: Array, steps: Array) -> tuple[Array, Array]:
    """Add what is still missing, the best single feature at a time (orthogonal matching pursuit)."""
    grid = np.arange(problem.inner + _MARGIN_MM, problem.outer - _MARGIN_MM, _CANDIDATE_MM / 2)
    columns = problem.columns(grid, grid)
    candidates = np.hstack([columns[:, : len(grid)], columns[:, 2 * len(grid) :]])
    norms = np.sum(candidates**2, axis=0)
    apart = max(_CLOSEST_BLURS * problem.sigma, 0.08)
    for _ in range(_MOST_ADDED):
        q, _r = np.linalg.qr(problem.columns(kinks, steps))
        residual = problem.without_course - q @ (q.T @ problem.without_course)
        left = norms - np.sum((q.T @ candidates) ** 2, axis=0)
        gain = np.sum((candidates.T @ residual) ** 2, axis=1) / np.maximum(left, 1e-3 * norms + 1e-12)
        for offset, places in ((0, kinks), (len(grid), steps)):
            taken = np.min(np.abs(grid[:, None] - places), axis=1, initial=np.inf) < apart
            gain[offset : offset + len(grid)][taken] = 0.0
        best = int(np.argmax(gain))
        if gain[best] < _GAIN:
            break
        place, is_step = grid[best % len(grid)], best >= len(grid)
        kinks, steps = (kinks, np.append(steps, place)) if is_step else (np.append(kinks, place), steps)
        kinks, steps = _refine(problem, kinks, steps, rounds=6)
    return _simplify(problem, kinks, steps)


def _refine(problem: _Problem, kinks: Array, steps: Array, rounds: int) -> tuple[Array, Array]:
    """Move all places together to where chi-squared is least (Gauss-Newton with shrinking steps)."""
    count = len(kinks)
    places = np.concatenate([kinks, steps])
    if not len(places):
        return kinks, steps
    # nearer to hub or rim than blur can tell, a feature is the border itself
    edge = max(_END_MM, problem.sigma)
    low, high = problem.inner + edge, problem.outer - edge
    now = _fit(problem, places, count)
    for _ in range(rounds):
        slopes = problem.slopes(places[:count], places[count:])
        slopes = slopes - now.columns @ np.linalg.solve(now.gram, now.columns.T @ slopes)
        change = slopes.T[:, :, None] * now.amplitudes[:, None, :]  # (columns, bins, coordinates)
        change = np.concatenate([change[:count] + change[count : 2 * count], change[2 * count :]])
        change = change.reshape(len(places), -1)
        gram = change @ change.T
        gram[np.diag_indices_from(gram)] = gram.diagonal() * 1.001 + 1e-9
        move = np.clip(np.linalg.solve(gram, change @ now.residual.ravel()), -0.15, 0.15)
        before = now.loss
        for share in (1.0, 0.4, 0.1):
            moved = np.clip(places + share * move, low, high)
            trial = _fit(problem, moved, count)
            if trial.loss < before:
                places, now = moved, trial
                break
        if before - now.loss < 0.02:
            break
    return places[:count], places[count:]


@dataclass(frozen=True, slots=True)
class _Fit:
    columns: Array
    gram: Array
    amplitudes: Array
    residual: Array
    loss: float


def _fit(problem: _Problem, places: Array, count: int) -> _Fit:
    """Fit the amplitudes of features at given places, the first `count` of them kinks."""
    columns = problem.columns(places[:count], places[count:])
    gram = columns.T @ columns
    gram[np.diag_indices_from(gram)] = gram.diagonal() * (1.0 + _RIDGE) + 1e-9
    amplitudes: Array = np.asarray(np.linalg.solve(gram, columns.T @ problem.without_course), dtype=np.float64)
    residual = np.asarray(problem.without_course - columns @ amplitudes, dtype=np.float64)
    return _Fit(columns, gram, amplitudes, residual, float(np.sum(residual**2)))


def _simplify(problem: _Problem, kinks: Array, steps: Array) -> tuple[Array, Array]:
    """Descend in chi-squared plus a price for every feature, by dropping, exchanging and merging features."""
    best = _Candidate.of(problem, *_refine(problem, kinks, steps, rounds=6))
    for _ in range(_MOST_MOVES):
        hopeful = _screen(problem, list(_moves(best, problem.sigma)))
        quick = [_Candidate.of(problem, *_refine(problem, *move, rounds=2)) for move in hopeful]
        quick.sort(key=lambda trial: trial.cost)
        trials = [
            _Candidate.of(problem, *_refine(problem, trial.kinks, trial.steps, rounds=8))
            for trial in quick[:_BEST_MOVES]
        ]
        winner = min(trials, key=lambda trial: trial.cost, default=best)
        if winner.cost >= best.cost - 0.1:
            break
        best = winner
    return _refine(problem, best.kinks, best.steps, rounds=12)


@dataclass(frozen=True, slots=True)
class _Candidate:
    """A set of features and what it costs."""

    kinks: Array
    steps: Array
    cost: float

    @classmethod
    def of(cls, problem: _Problem, kinks: Array, steps: Array) -> _Candidate:
        """Price a set of features; those closer together than blur can tell apart are not allowed."""
        apart = max(_CLOSEST_BLURS * problem.sigma, 0.08)
        crowded = any(len(places) > 1 and np.diff(np.sort(places)).min() < apart for places in (kinks, steps))
        loss = _fit(problem, np.concatenate([kinks, steps]), len(kinks)).loss
        return cls(np.sort(kinks), np.sort(steps), loss + _PRICE * (len(kinks) + len(steps)) + 1e3 * crowded)


def _screen(problem: _Problem, moves: list[tuple[Array, Array]]) -> list[tuple[Array, Array]]:
    """Return the sets of features that cost least where they stand; all share one table of columns and products."""
    kinks = np.unique(np.concatenate([np.empty(0), *(move[0] for move in moves)]))
    steps = np.unique(np.concatenate([np.empty(0), *(move[1] for move in moves)]))
    columns = problem.columns(kinks, steps)
    gram = columns.T @ columns
    gram[np.diag_indices_from(gram)] = gram.diagonal() * (1.0 + _RIDGE) + 1e-9
    right = columns.T @ problem.without_course
    costs = []
    for move in moves:
        k, s = np.searchsorted(kinks, move[0]), np.searchsorted(steps, move[1])
        if len(np.unique(k)) < len(k) or len(np.unique(s)) < len(s):
            costs.append(np.inf)
            continue
        chosen = np.concatenate([k, len(kinks) + k, 2 * len(kinks) + s])
        part = right[chosen]
        gained = np.sum(part * np.linalg.solve(gram[np.ix_(chosen, chosen)], part)) if len(chosen) else 0.0
        costs.append(_PRICE * (len(k) + len(s)) - float(gained))
    order = np.argsort(costs, kind="stable")[:_HOPEFUL_MOVES]
    return [moves[i] for i in order if np.isfinite(costs[i])]


def _moves(now: _Candidate, sigma: float) -> Iterator[tuple[Array, Array]]:
    """Yield simpler or other sets of features near one."""
    near = _JOIN_BLURS * sigma + 0.1
    kinks, steps = now.kinks, now.steps
    for i in range(len(kinks)):
        yield np.delete(kinks, i), steps
        yield np.delete(kinks, i), np.append(steps, kinks[i])
    for i in range(len(steps)):
        yield kinks, np.delete(steps, i)
        yield np.append(kinks, steps[i]), np.delete(steps, i)
        for j in np.flatnonzero(np.abs(kinks - steps[i]) < near):
            yield np.append(np.delete(kinks, j), steps[i]), steps
    for i in np.flatnonzero(np.diff(kinks) < near).tolist():
        middle = (kinks[i] + kinks[i + 1]) / 2
        rest = np.delete(kinks, [i, i + 1])
        yield np.append(rest, middle), np.append(steps, middle)
        yield rest, np.append(steps, middle)
        yield np.append(rest, middle), steps
    yield from _rewritten(kinks, steps)


def _rewritten(kinks: Array, steps: Array) -> Iterator[tuple[Array, Array]]:
    """Yield sets in which a crowd of features becomes one held stretch and its step, or one steep stretch."""
    places = np.sort(np.concatenate([kinks, steps]))
    for i in range(len(places)):
        for j in range(i + 1, min(i + 6, len(places))):
            start, stop = places[i], places[j]
            if stop - start > _CROWD_MM:
                break
            others = kinks[(kinks < start) | (kinks > stop)], steps[(steps < start) | (steps > stop)]
            ends = np.append(others[0], [start, stop])
            yield ends, np.append(others[1], stop)
            yield ends, np.append(others[1], start)
            if j > i + 1:
                yield ends, others[1]


def _deblurred(
    spline: BSpline, amplitudes: Array, kinks: Array, steps: Array, problem: _Problem
) -> tuple[Array, Array]:
    """Evaluate the model without blur, with two rows at every step and one at every kink."""
    start, stop = problem.radius[0], problem.radius[-1]
    radii = np.union1d(np.arange(start, stop, _FINE_MM), np.concatenate([kinks, [problem.inner, problem.outer]]))
    before = radii[np.min(np.abs(radii[:, None] - steps[None, :]), axis=1, initial=1.0) > 1e-9]
    radii = np.sort(np.concatenate([before, steps, steps]))
    spread = 1e-9  # as good as no blur
    ramps, bends = _kink(radii, kinks, problem.outer, spread)
    second = np.concatenate([[False], np.diff(radii) == 0])  # the outer of a step's two rows
    passed = (radii[:, None] > steps) | (second[:, None] & (radii[:, None] == steps))
    course = spline(np.clip(radii, problem.inner, problem.outer))
    return radii, np.hstack([course, ramps, bends, passed]) @ amplitudes
