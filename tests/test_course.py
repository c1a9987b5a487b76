"""Courses: the stated resolution, speed along the course, and the jackknife, against formulas and SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from inkstrain.scoring.measure.course import (
    PITCH_MM,
    RESOLUTION_MM,
    CourseSample,
    cells_course,
    exact_course,
    jackknife_error,
    radii,
    speeds,
)
from inkstrain.targets.colorimetry import WHITE_D50, delta_e00, lab_to_xyz, xyz_to_lab

RAMP = (3.0, 17.0)
AT = radii(RAMP, 18.7)
BIN = 0.05


def grey(y: np.ndarray) -> np.ndarray:
    return xyz_to_lab(y[..., None] * WHITE_D50)


def luminance(course: CourseSample) -> np.ndarray:
    return lab_to_xyz(course.lab)[..., 1]


def scanned(y_of_radius, blur_mm: float, noise: np.ndarray | None = None, bin_mm: float = BIN) -> CourseSample:
    """Return the course of a disc whose luminance by radius a scan of a given blur has read."""
    place = np.arange(0.8 + bin_mm / 2, 18.7, bin_mm)
    linear = np.repeat(y_of_radius(place)[:, None], 24, axis=1)
    if noise is not None:
        linear = linear + noise[:, : len(place)].T
    count = np.full(linear.shape, 10.0)
    light = np.repeat(linear[..., None], 3, axis=-1)
    return cells_course(place, light, count, lambda light: grey(light[..., 0]), RAMP, AT, blur_mm, bin_mm)


def step(sigma: float):
    """A hard step at 10 mm, blurred: a Gaussian's integral."""
    return lambda radius: 0.3 + 0.2 * ndtr((radius - 10.0) / sigma)


def test_an_exact_course_is_smoothed_in_linear_light_to_the_stated_resolution() -> None:
    radius = 0.01 * (np.arange(1900) + 0.5)
    course = exact_course(radius, grey(np.where(radius < 10.0, 0.3, 0.5)), RAMP, AT, RESOLUTION_MM)
    assert luminance(course)[0] == pytest.approx(step(RESOLUTION_MM)(AT), abs=2e-4)


@pytest.mark.parametrize("blur_mm", [0.02, 0.05, 0.08])
def test_a_sharper_scan_is_brought_to_the_stated_resolution(blur_mm: float) -> None:
    # the bin adds its own width: the mean of the blurred step over it
    seen = np.hypot(blur_mm, BIN / np.sqrt(12.0))
    course = scanned(step(float(seen)), blur_mm)
    assert course.resolution_mm == pytest.approx(RESOLUTION_MM, abs=1e-9)
    assert luminance(course)[0] == pytest.approx(step(RESOLUTION_MM)(AT), abs=1e-3)


def test_a_scan_that_is_less_sharp_keeps_its_own_resolution_and_says_so() -> None:
    seen = float(np.hypot(0.15, BIN / np.sqrt(12.0)))
    course = scanned(step(seen), 0.15)
    assert course.resolution_mm > 0.15
    assert luminance(course)[0] == pytest.approx(step(course.resolution_mm)(AT), abs=1e-3)


def test_places_of_bins_need_not_be_even() -> None:
    rng = np.random.default_rng(2)
    place = np.arange(0.825, 18.7, BIN) + rng.uniform(-0.01, 0.01, 358)
    slope = 0.2 + 0.02 * place
    linear = np.repeat(np.repeat(slope[:, None], 24, axis=1)[..., None], 3, axis=-1)
    course = cells_course(
        place, linear, np.ones(linear.shape[:2]), lambda light: grey(light[..., 0]), RAMP, AT, 0.05, BIN
    )
    assert luminance(course)[0] == pytest.approx(0.2 + 0.02 * AT, abs=1e-9)


def test_a_sector_left_out_is_not_in_its_copy() -> None:
    noise = np.zeros((24, 400))
    noise[5] = 0.1
    course = scanned(lambda radius: np.full_like(radius, 0.5), 0.05, noise)
    assert luminance(course)[0] == pytest.approx(np.full(len(AT), 0.5 + 0.1 / 24))
    assert luminance(course)[1 + 5] == pytest.approx(np.full(len(AT), 0.5))
    assert luminance(course)[1 + 4] == pytest.approx(np.full(len(AT), 0.5 + 0.1 / 23))


def test_the_jackknife_of_a_mean_is_the_textbook_standard_error() -> None:
    values = np.random.default_rng(3).normal(5.0, 2.0, 24)
    left_out = (values.sum() - values) / 23
    # Efron & Tibshirani 1993, eq. 11.7: of a mean, s / √n
    assert jackknife_error(left_out) == pytest.approx(values.std(ddof=1) / np.sqrt(24))


def test_the_jackknife_of_a_ratio_is_that_of_sampling_theory() -> None:
    rng = np.random.default_rng(4)
    x = rng.uniform(5.0, 6.0, 200)
    y = 2.0 * x + rng.normal(0.0, 0.3, 200)
    left_out = (y.sum() - y) / (x.sum() - x)
    # Cochran, Sampling Techniques (1977), eq. 6.13, from memory: s(y - R x) / (√n mean x)
    ratio = y.mean() / x.mean()
    expected = (y - ratio * x).std(ddof=1) / np.sqrt(200) / x.mean()
    assert jackknife_error(left_out) == pytest.approx(expected, rel=0.02)


def test_speed_is_ciede2000_a_millimetre_along_a_straight_course() -> None:
    lab = np.stack([np.linspace(40, 60, len(AT)), np.linspace(10, 30, len(AT)), np.linspace(5, 0, len(AT))], axis=-1)
    found = speeds(lab[None])[0]
    assert found * PITCH_MM == pytest.approx(delta_e00(lab[:-1], lab[1:]), rel=1e-4)
    assert speeds(lab[None, ::-1])[0] == pytest.approx(found[::-1], rel=1e-4)


def test_grain_adds_no_length_and_going_back_takes_it_away() -> None:
    rng = np.random.default_rng(5)
    clean = np.stack([np.linspace(40, 60, len(AT)), np.full(len(AT), 20.0), np.zeros(len(AT))], axis=-1)
    true = delta_e00(clean[:-1], clean[1:]).sum()
    lengths, plain = [], []
    for _ in range(30):
        # 24 sectors whose mean has a grain of about 0.1 ΔE00, as ink dots have at the stated resolution
        sectors = gaussian_filter1d(rng.normal(0.0, 1.8, (24, *clean.shape)), 0.1 / PITCH_MM, axis=1)
        copies = np.concatenate([sectors.mean(axis=0)[None], (sectors.sum(axis=0) - sectors) / 23])
        lengths.append(speeds(clean + copies)[0].sum() * PITCH_MM)
        plain.append(delta_e00((clean + copies)[0, :-1], (clean + copies)[0, 1:]).sum())
    assert np.mean(lengths) == pytest.approx(true, rel=0.012)
    assert np.mean(plain) > 1.03 * true
    notch = clean.copy()
    notch[300:306, 0] -= 0.5
    assert speeds(notch[None])[0][298:308].min() < 0.0
    assert speeds(notch[None]).sum() == pytest.approx(speeds(clean[None]).sum(), rel=5e-3)


def test_a_sideways_jump_counts_in_full() -> None:
    lab = np.stack([np.linspace(40, 60, len(AT)), np.full(len(AT), 20.0), np.zeros(len(AT))], axis=-1)
    lab[:, 2] += 4.0 * ndtr((AT - 10.0) / RESOLUTION_MM)
    assert np.abs(speeds(lab[None])[0]) * PITCH_MM == pytest.approx(delta_e00(lab[:-1], lab[1:]), rel=2e-3)
