"""Fitting a path to blurred, noisy profiles whose kinks and steps are known because they were put there."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from inkstrain.scoring.path import PathFit, course_radii, fit_path
from inkstrain.scoring.pathmodel import Problem, smooth_course
from inkstrain.scoring.pathsearch import Candidate, hardened, refine, softened
from inkstrain.scoring.pathstarts import moved_elsewhere, rebuilt
from inkstrain.targets.colorimetry import delta_e00, path_length_de00

Array = NDArray[np.float64]

RAMP_MM = (3.0, 16.5)
BIN_MM = 0.0423  # a pixel at 600 dpi
BLUR_MM = 0.06
FINE_MM = 0.001
PLACE_MM = 0.03  # DESIGN section 8: radius of a contour at 600 dpi
CONTRAST_DE00 = 0.3  # DESIGN section 8: contrast of a contour
LENGTH = 0.01
ERROR = 0.02  # of each coordinate of each bin
MEASURED = np.arange(0.8, 18.0, BIN_MM)


def blurred(course: Callable[[Array], Array], seed: int | None = 1, blur_mm: float = BLUR_MM) -> tuple[Array, Array]:
    """Return a profile of a course as an instrument sees it: blurred by a Gaussian, with independent noise."""
    fine = np.arange(0.0, 19.0, FINE_MM)
    seen = gaussian_filter1d(course(fine), blur_mm / FINE_MM, axis=0, mode="nearest", truncate=6.0)
    lab = np.stack([np.interp(MEASURED, fine, channel) for channel in seen.T], axis=1)
    if seed is not None:
        lab = lab + np.random.default_rng(seed).normal(0.0, ERROR, lab.shape)
    return lab, np.full_like(lab, ERROR)


def fitted(course: Callable[[Array], Array], seed: int | None = 1, blur_mm: float = BLUR_MM) -> PathFit:
    return fit_path(MEASURED, *blurred(course, seed, blur_mm), RAMP_MM, blur_mm)


def smooth(radius: Array) -> Array:
    """White hub, a gently bent course through blues, a rim."""
    t = np.clip((radius - RAMP_MM[0]) / (RAMP_MM[1] - RAMP_MM[0]), 0.0, 1.0)
    return np.stack([100.0 - 55.0 * t - 8.0 * t * t, 20.0 * t**2, -60.0 * t + 10.0 * t**2], axis=-1)


def with_step(at_mm: float, jump: tuple[float, float, float]) -> Callable[[Array], Array]:
    return lambda radius: smooth(radius) + np.where(radius[:, None] > at_mm, 1.0, 0.0) * np.array(jump)


def with_held(inner_mm: float, outer_mm: float) -> Callable[[Array], Array]:
    return lambda radius: smooth(np.where((radius > inner_mm) & (radius < outer_mm), inner_mm, radius))


def with_kink(at_mm: float, slope: tuple[float, float, float]) -> Callable[[Array], Array]:
    def course(radius: Array) -> Array:
        inside = np.minimum(radius, RAMP_MM[1])
        return smooth(radius) + np.maximum(inside - at_mm, 0.0)[:, None] * np.array(slope)

    return course


def on_ramp(fit: PathFit) -> tuple[Array, Array]:
    rows = (fit.radius_mm >= RAMP_MM[0]) & (fit.radius_mm <= RAMP_MM[1])
    return fit.radius_mm[rows], fit.lab[rows]


def length_of(course: Callable[[Array], Array]) -> float:
    return float(path_length_de00(course(np.arange(*RAMP_MM, 0.01)))[-1])


def test_a_smooth_course_has_no_features() -> None:
    for seed in range(12):
        fit = fitted(smooth, seed)
        assert fit.steps_mm.size == 0, seed
        radius, lab = on_ramp(fit)
        assert np.max(delta_e00(lab, smooth(radius))) < 0.15
        # noise does not lengthen the path
        assert path_length_de00(lab)[-1] == pytest.approx(length_of(smooth), rel=LENGTH)


def test_the_noise_is_recognised_for_what_it_is() -> None:
    # ten times the usual noise, well above what the model is forgiven
    lab, error = blurred(smooth, None)
    lab = lab + np.random.default_rng(3).normal(0.0, 10 * ERROR, lab.shape)
    fit = fit_path(MEASURED, lab, 10 * error, RAMP_MM, BLUR_MM)
    assert fit.chi2_per_bin == pytest.approx(1.0, abs=0.2)
    assert fit.steps_mm.size == 0


@pytest.mark.parametrize("at_mm", [5.003, 8.317, 12.75])
@pytest.mark.parametrize("jump", [(-3.0, 0.0, 0.0), (-1.5, 0.0, 0.0), (0.0, 4.0, -4.0), (2.0, 1.0, 3.0)])
def test_a_step_is_found_at_its_place_with_its_height(at_mm: float, jump: tuple[float, float, float]) -> None:
    course = with_step(at_mm, jump)
    fit = fitted(course, 2)
    assert fit.steps_mm.size == 1
    assert fit.steps_mm[0] == pytest.approx(at_mm, abs=PLACE_MM)
    row = int(np.flatnonzero(np.diff(fit.radius_mm) == 0)[0])
    true = delta_e00(*course(np.array([at_mm - 1e-6, at_mm + 1e-6])))
    assert delta_e00(fit.lab[row], fit.lab[row + 1]) == pytest.approx(float(true), abs=CONTRAST_DE00)


def test_a_held_stretch_is_flat_between_its_ends() -> None:
    """Drawn fourteen times: a search among features may stop short now and then, not often."""
    inner_off, outer_off, flat_off = [], [], []
    for inner_mm, outer_mm in ((7.0, 7.6), (9.0, 12.0)):
        held = smooth(np.array([inner_mm]))[0]
        for seed in range(4, 11):
            fit = fitted(with_held(inner_mm, outer_mm), seed)
            inner_off.append(np.min(np.abs(fit.kinks_mm - inner_mm), initial=np.inf))
            outer_off.append(np.min(np.abs(fit.steps_mm - outer_mm), initial=np.inf))
            flat = (fit.radius_mm > inner_mm + 0.1) & (fit.radius_mm < outer_mm - 0.1)
            flat_off.append(np.max(delta_e00(fit.lab[flat], held)))
    assert np.max(outer_off) < PLACE_MM
    assert np.max(flat_off) < CONTRAST_DE00
    assert np.median(inner_off) < PLACE_MM / 2
    assert np.quantile(inner_off, 0.8) < PLACE_MM


@pytest.mark.parametrize("at_mm", [6.7, 11.02])
@pytest.mark.parametrize("slope", [(-4.0, 0.0, 0.0), (2.5, 4.0, 6.0)])
def test_a_kink_changes_the_speed_where_it_stands(at_mm: float, slope: tuple[float, float, float]) -> None:
    course = with_kink(at_mm, slope)
    fit = fitted(course, 5)
    assert min(abs(fit.kinks_mm - at_mm)) < 2 * PLACE_MM
    assert fit.steps_mm.size == 0
    radius, lab = on_ramp(fit)
    assert np.max(delta_e00(lab, course(radius))) < 0.2


@pytest.mark.parametrize("blur_mm", [0.03, 0.06, 0.1])
def test_blur_is_taken_out_and_never_taken_for_print(blur_mm: float) -> None:
    """The ends of the ramp, a corner of the course in themselves, are blurred as well, and are no features."""
    course = with_step(9.4, (-4.0, 0.0, 0.0))
    fit = fitted(course, 6, blur_mm)
    assert fit.steps_mm == pytest.approx([9.4], abs=PLACE_MM)
    radius, lab = on_ramp(fit)
    near = (np.abs(radius - 9.4) > 0.005) & (np.abs(radius - 9.4) < 0.2)
    assert np.max(delta_e00(lab[near], course(radius[near]))) < 0.5
    assert np.max(delta_e00(lab[:5], course(radius[:5]))) < 0.3
    assert np.max(delta_e00(lab[-5:], course(radius[-5:]))) < 0.3


def test_without_noise_it_is_exact() -> None:
    course = with_step(10.111, (-3.0, 1.0, -2.0))
    fit = fit_path(MEASURED, blurred(course, None)[0], np.full((len(MEASURED), 3), 1e-3), RAMP_MM, BLUR_MM)
    assert min(abs(fit.steps_mm - 10.111)) < 0.01
    radius, lab = on_ramp(fit)
    away = np.abs(radius - 10.111) > 0.02
    assert np.max(delta_e00(lab[away], course(radius[away]))) < 0.15


def test_too_few_bins_are_refused() -> None:
    lab, error = blurred(smooth)
    few = (RAMP_MM[0] < MEASURED) & (RAMP_MM[0] + 0.5 > MEASURED)
    with pytest.raises(ValueError, match="bins on the ramp"):
        fit_path(MEASURED[few], lab[few], error[few], RAMP_MM, BLUR_MM)


def test_inputs_come_out_unchanged() -> None:
    lab, error = blurred(with_step(9.0, (-3.0, 0.0, 0.0)))
    given = (MEASURED.copy(), lab.copy(), error.copy())
    fit_path(*given, RAMP_MM, BLUR_MM)
    for array, kept in zip(given, (MEASURED, lab, error), strict=True):
        np.testing.assert_array_equal(array, kept)


def with_stretch(inner_mm: float, outer_mm: float, jump: tuple[float, float, float]) -> Callable[[Array], Array]:
    """Return the smooth course with a jump spread evenly over a stretch."""
    width = outer_mm - inner_mm
    return lambda radius: smooth(radius) + np.clip((radius[:, None] - inner_mm) / width, 0.0, 1.0) * np.array(jump)


def problem(course: Callable[[Array], Array], seed: int | None = 1) -> Problem:
    lab, error = blurred(course, seed)
    weight = 1.0 / error[:, 0]
    return Problem(MEASURED, weight, lab * weight[:, None], smooth_course(*RAMP_MM, 1.8), *RAMP_MM, BLUR_MM)


def test_amplitudes_are_those_of_plain_least_squares_however_close_kinks_stand() -> None:
    """Against numpy's singular value solver, which minds no near dependence of columns."""
    kinks, steps = np.array([7.14, 8.09, 8.27, 9.6]), np.array([9.6])
    for given in (problem(with_held(7.14, 8.23)), problem(with_stretch(8.09, 8.27, (-4.0, 2.0, 3.0)))):
        amplitudes, left = given.solve(kinks, steps)
        basis = np.hstack([given.smooth, given.weighted(kinks, steps)])
        expected = given.target - basis @ np.linalg.lstsq(basis, given.target, rcond=1e-13)[0]
        np.testing.assert_allclose(left, expected, atol=0.02)
        np.testing.assert_allclose(basis @ amplitudes, given.target - left, atol=1e-4)
        assert given.fit(kinks, steps).loss == pytest.approx(float(np.sum(left**2)), rel=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_two_close_kinks_are_a_step_unless_the_data_say_otherwise(seed: int) -> None:
    kinks, steps = np.array([8.93, 9.07]), np.empty(0)
    hard = hardened(problem(with_step(9.0, (-4.0, 2.0, 3.0)), seed), kinks, steps)
    assert hard[1] == pytest.approx([9.0], abs=0.01)
    assert hard[0] == pytest.approx([9.0], abs=0.01)
    wide = hardened(problem(with_stretch(8.93, 9.07, (-4.0, 2.0, 3.0)), seed), kinks, steps)
    assert not wide[1].size
    np.testing.assert_array_equal(wide[0], kinks)


@pytest.mark.parametrize("seed", range(5))
def test_a_step_is_two_kinks_only_if_the_data_say_so(seed: int) -> None:
    kinks, steps = np.array([9.0]), np.array([9.0])
    hard = softened(problem(with_step(9.0, (-4.0, 2.0, 3.0)), seed), kinks, steps)
    np.testing.assert_array_equal(hard, (kinks, steps))
    wide = softened(problem(with_stretch(8.9, 9.1, (-4.0, 2.0, 3.0)), seed), kinks, steps)
    assert not wide[1].size
    assert wide[0] == pytest.approx([8.9, 9.1], abs=0.01)


def test_a_search_caught_in_a_wrong_place_is_freed() -> None:
    given = problem(with_held(7.0, 8.0))
    right = Candidate.refined(given, np.array([7.0, 8.0]), np.array([8.0]), 12)
    wrong = Candidate.of(given, np.array([6.9, 7.9, 8.1, 8.3]), np.empty(0))
    freed = rebuilt(given, wrong)
    assert wrong.cost > right.cost + 5.0
    assert freed.cost <= right.cost + 1.0
    assert freed.steps == pytest.approx([8.0], abs=PLACE_MM)


def test_a_feature_in_a_wrong_place_is_moved_to_where_it_explains_most() -> None:
    given = problem(with_held(6.0, 9.5))
    right = Candidate.refined(given, np.array([6.0, 9.5]), np.array([9.5]), 12)
    wrong = Candidate.refined(given, np.array([9.5, 13.0]), np.array([9.5]), 12)
    moved = moved_elsewhere(given, wrong)
    assert wrong.cost > right.cost + 5.0
    assert moved.cost <= right.cost + 1.0
    assert moved.kinks == pytest.approx([6.0, 9.5], abs=2 * PLACE_MM)


def test_a_kink_at_a_step_is_cheaper_and_stays_at_it() -> None:
    given = problem(with_held(7.0, 8.0))
    tied = Candidate.of(given, np.array([7.0, 8.1]), np.array([8.1]))
    apart = Candidate.of(given, np.array([7.0, 8.1 + 1e-6]), np.array([8.1]))
    assert apart.cost - tied.cost == pytest.approx(10.0, abs=0.05)
    # but not for a step that is not there: it would help a kink to describe a bend
    smoothly = problem(with_kink(8.0, (-4.0, 2.0, 3.0)))
    helped = Candidate.of(smoothly, np.array([8.0]), np.array([8.0]))
    alone = Candidate.of(smoothly, np.array([8.0]), np.empty(0))
    assert helped.cost > alone.cost + 5.0
    kinks, steps = refine(given, tied.kinks, tied.steps, 12)
    assert steps == pytest.approx([8.0], abs=0.01)
    assert kinks[1] == steps[0]


def test_what_the_file_bends_itself_is_no_feature() -> None:
    def bent(radius: Array) -> Array:
        """A course with a corner of its own, a quarter of a millimetre wide."""
        return smooth(radius) + 6.0 * np.tanh((radius[:, None] - 6.0) / 0.25) * np.array([-1.0, 0.5, 1.0])

    lab, error = blurred(bent)
    assert fit_path(MEASURED, lab, error, RAMP_MM, BLUR_MM).kinks_mm.size
    fit = fit_path(MEASURED, lab, error, RAMP_MM, BLUR_MM, bent(course_radii(*RAMP_MM)))
    assert not fit.kinks_mm.size
    assert not fit.steps_mm.size
    radius, fitted_lab = on_ramp(fit)
    assert np.max(delta_e00(fitted_lab, bent(radius))) < 0.15


def test_an_intended_path_that_splines_describe_changes_nothing() -> None:
    lab, error = blurred(with_step(9.0, (-3.0, 0.0, 0.0)))
    plain = fit_path(MEASURED, lab, error, RAMP_MM, BLUR_MM)
    told = fit_path(MEASURED, lab, error, RAMP_MM, BLUR_MM, smooth(course_radii(*RAMP_MM)))
    assert told.steps_mm == pytest.approx(plain.steps_mm, abs=1e-6)
    assert told.chi2_per_bin == pytest.approx(plain.chi2_per_bin, rel=0.01)


def test_faults_that_are_told_are_refined_and_no_others_sought() -> None:
    course = with_step(9.0, (-3.0, 0.0, 0.0))
    given = (MEASURED, *blurred(course), RAMP_MM, BLUR_MM)
    fit = fit_path(*given, faults=(np.array([9.02]), np.array([9.02])))
    assert fit.steps_mm == pytest.approx([9.0], abs=PLACE_MM / 2)
    nothing = fit_path(*given, faults=(np.empty(0), np.empty(0)))
    assert not nothing.kinks_mm.size
    assert nothing.chi2_per_bin > 10 * fit.chi2_per_bin
