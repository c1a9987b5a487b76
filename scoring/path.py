"""The course of colour along a ramp, with the instrument's blur taken out.

A ring's profile is modelled in CIELAB as a slow smooth course (a cubic spline with knots about 1.8 mm apart, and what
the intended path bends more sharply) plus as few sharp features as the data demand: kinks, where the speed of colour
changes abruptly, and steps, where colour itself does. Every part is blurred by the known width of instrument, pixel and
bin before it is compared with the data, so that the fit describes the print and not its blurred picture; what light
averages otherwise than CIELAB is taken from the data, by the model itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from inkstrain.targets.colorimetry import lab_to_xyz, xyz_to_lab

from .pathmodel import FINE_MM, Course, Problem, course_radii, deblurred, smooth_course, step_widths
from .pathsearch import Candidate, hardened, simplify, snapped, softened, tie
from .pathstarts import add_faults, add_missing, few, from_many, moved_elsewhere, rebuilt

__all__ = ["PathFit", "course_radii", "fit_path", "tolerance_scale"]

Array = NDArray[np.float64]

_KNOT_MM: Final = 1.8
_FEW_FEATURES: Final = 2  # so few are found by any way of searching
_ROUNDS: Final = 12
_FINE_TOLERANCE: Final = (0.03, 0.003)  # misfits not worth a feature: in ΔE00, and in mm along the slope
_COARSE_TOLERANCE: Final = (0.1, 0.03)
_PRECISE_TOLERANCE: Final = (0.01, 0.0005)  # for what is known to be there


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


@dataclass(frozen=True, slots=True, eq=False)
class _Data:
    """A profile and how far each bin is to be trusted; colours and errors are scaled to about ΔE00."""

    radius: Array
    colour: Array
    noise: Array
    slope: Array
    ramp_mm: tuple[float, float]
    sigma: float

    def problem(self, course: Course, tolerance: tuple[float, float], less: Array | float = 0.0) -> Problem:
        """Weight the data; `less` is taken off the colours."""
        floor, place_mm = tolerance
        weight = 1.0 / np.sqrt(self.noise**2 + floor**2 + (place_mm * self.slope) ** 2)
        target = (self.colour - less) * weight[:, None]
        return Problem(self.radius, weight, target, course, *self.ramp_mm, self.sigma)


def fit_path(
    radius_mm: Array,
    lab: Array,
    standard_error: Array,
    ramp_mm: tuple[float, float],
    blur_mm: float,
    intended: Array | None = None,
    faults: tuple[Array, Array] | None = None,
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
    intended
        CIELAB (m, 3) that the file asks for at ``course_radii(*ramp_mm)``, if it is known: its own bends are no
        features.
    faults
        Places of kinks and of steps, if they are known, as a bench knows them: then they are refined, not searched for.

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
    scale = tolerance_scale(lab)
    noise = np.sqrt(np.mean((standard_error / scale) ** 2, axis=1))
    data = _Data(
        radius=radius_mm,
        colour=lab / scale,
        noise=np.maximum(noise, _running_median(noise, 9)),
        slope=np.sqrt(np.sum((np.gradient(lab, radius_mm, axis=0) / scale) ** 2, axis=1)),
        ramp_mm=ramp_mm,
        sigma=max(blur_mm, 0.4 * float(np.median(np.diff(radius_mm)))),
    )
    course = smooth_course(inner, outer, _KNOT_MM, intended)
    if faults is None:
        problem, found = _searched(data, course, scale)
    else:
        problem = data.problem(course, _FINE_TOLERANCE)
        problem = data.problem(course, _FINE_TOLERANCE, _averaging(problem, *faults, scale) / scale)
        found = Candidate.refined(problem, *faults, _ROUNDS)
    kinks, steps = tie(problem, *_places(found)), found.steps
    precise = data.problem(course, _PRECISE_TOLERANCE, _averaging(problem, kinks, steps, scale) / scale)
    kinks, steps = softened(precise, *hardened(precise, kinks, steps))
    less = _averaging(problem, kinks, steps, scale) / scale
    widths = step_widths(data.problem(course, _PRECISE_TOLERANCE, less), kinks, steps)
    problem = data.problem(course, _FINE_TOLERANCE, less)
    amplitudes, residual = problem.solve(kinks, steps, widths)
    radii, values = deblurred(problem, amplitudes, kinks, steps, widths)
    return PathFit(
        radii,
        values * scale,
        np.sort(kinks),
        np.sort(steps),
        float(np.sqrt(np.mean(np.sum((residual / problem.weight[:, None]) ** 2, axis=1)))),
        float(np.mean(residual**2)),
    )


def _searched(data: _Data, course: Course, scale: Array) -> tuple[Problem, Candidate]:
    """Return the features that describe the data at least cost, and the problem that knows how light averages them."""
    problem = data.problem(course, _FINE_TOLERANCE)
    found = _best_features(data.problem(course, _COARSE_TOLERANCE), problem)
    found = Candidate.of(problem, snapped(problem, *_places(found)), found.steps)
    problem = data.problem(course, _FINE_TOLERANCE, _averaging(problem, *_places(found), scale) / scale)
    again = simplify(problem, *_places(found))
    if found.count > _FEW_FEATURES:
        again = add_faults(problem, *_places(again))
    return problem, moved_elsewhere(problem, rebuilt(problem, add_missing(problem, *_places(again))))


def _best_features(coarse: Problem, fine: Problem) -> Candidate:
    """Return the features that describe the data at least cost: the strong ones first, then what is left.

    A few are found by adding one after the other. A search for many may end in a wrong place; it is made from too many
    and from none, and the cheaper end kept.
    """
    simple = few(fine, _FEW_FEATURES)
    if simple is not None:
        return simple
    best = add_missing(fine, *_places(simplify(fine, *_places(from_many(coarse)))))
    best = Candidate.of(fine, tie(fine, *_places(best)), best.steps)
    if best.count <= _FEW_FEATURES:
        return best
    other = simplify(fine, *_places(add_faults(fine, np.empty(0), np.empty(0))))
    return min(best, other, key=lambda trial: trial.cost)


def _places(found: Candidate) -> tuple[Array, Array]:
    return found.kinks, found.steps


def _averaging(problem: Problem, kinks: Array, steps: Array, scale: Array) -> Array:
    """Return what blur in linear light, as it happens, has over blur in CIELAB, as it is modelled, at the bins."""
    amplitudes, _ = problem.solve(kinks, steps)
    radii, values = deblurred(problem, amplitudes, kinks, steps)
    pitch = FINE_MM / 2
    fine = np.arange(problem.radius[0] - 6 * problem.sigma, problem.radius[-1] + 6 * problem.sigma, pitch)
    rows = np.stack([np.interp(fine, radii, column) for column in (values * scale).T], axis=1)

    def blurred(colours: Array) -> Array:
        return np.asarray(gaussian_filter1d(colours, problem.sigma / pitch, axis=0, mode="nearest", truncate=6.0))

    difference = xyz_to_lab(blurred(lab_to_xyz(rows))) - blurred(rows)
    return np.stack([np.interp(problem.radius, fine, column) for column in difference.T], axis=1)


def tolerance_scale(lab: Array) -> Array:
    """Return one size a coordinate that is worth about one ΔE00: CIE94 weights at the ring's median chroma."""
    chroma = float(np.median(np.hypot(lab[:, 1], lab[:, 2])))
    return np.array([1.2, 1 + 0.03 * chroma, 1 + 0.03 * chroma])


def _running_median(values: Array, width: int) -> Array:
    padded = np.pad(values, width // 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))
