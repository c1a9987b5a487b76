"""Courses: the stated resolution, speed along the course, and the jackknife, against formulas and SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.special import ndtr
from scipy.stats import t as t_distribution

from inkstrain.scoring.measure.course import (
    PITCH_MM,
    RESOLUTION_MM,
    SECTORS,
    CourseSample,
    Sharpness,
    cells_course,
    exact_course,
    jackknife_error,
    radii,
    speeds,
    standard_error,
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
    sharpness = Sharpness(blur_mm=blur_mm)
    return cells_course(place, light, count, lambda light: grey(light[..., 0]), RAMP, AT, sharpness, bin_mm)


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
        place,
        linear,
        np.ones(linear.shape[:2]),
        lambda light: grey(light[..., 0]),
        RAMP,
        AT,
        Sharpness(blur_mm=0.0),
        BIN,
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


def test_the_stated_error_of_a_mean_covers_what_a_t_distribution_does() -> None:
    values = np.random.default_rng(9).normal(0.0, 1.0, (4000, SECTORS))
    mean = values.mean(axis=1)
    left_out = (values.sum(axis=1)[:, None] - values) / (SECTORS - 1)
    stated = standard_error(np.concatenate([mean[:, None], left_out], axis=1).T)
    # JCGM 101:2008, 6.4.9.4: the standard deviation of t with 23 degrees of freedom, times that of the mean
    assert stated / (values.std(axis=1, ddof=1) / np.sqrt(SECTORS)) == pytest.approx(t_distribution(SECTORS - 1).std())
    assert np.mean(np.abs(mean) <= 1.96 * stated) == pytest.approx(0.95, abs=0.012)


def test_what_all_sectors_share_is_in_the_stated_error() -> None:
    place = np.arange(0.8 + BIN / 2, 18.7, BIN)
    linear = np.repeat(np.repeat(step(0.07)(place)[:, None], SECTORS, axis=1)[..., None], 3, axis=-1)

    def error(sharpness: Sharpness) -> np.ndarray:
        course = cells_course(
            place, linear, np.ones(linear.shape[:2]), lambda x: grey(x[..., 0]), RAMP, AT, sharpness, BIN
        )
        return np.asarray(standard_error(luminance(course)))

    # by how much the step's slope moves: of the radius by its derivative, of the blur by that of the resolution
    at, slope = AT - 10.0, 0.2 * np.exp(-0.5 * ((AT - 10.0) / 0.1) ** 2) / (np.sqrt(2 * np.pi) * 0.1)
    assert error(Sharpness(blur_mm=0.068)) == pytest.approx(np.zeros(len(AT)), abs=1e-12)
    assert error(Sharpness(blur_mm=0.068, radius_error_mm=0.002)) == pytest.approx(0.002 * slope, abs=1e-4)
    wider = 0.068 * 0.002 / 0.1
    assert error(Sharpness(blur_mm=0.068, blur_error_mm=0.002)) == pytest.approx(
        np.abs(at) / 0.1 * slope * wider, abs=1e-4
    )


def test_a_blur_in_the_plane_moves_a_step_round_a_middle_inwards_and_it_is_put_back() -> None:
    # 2-D convolution by scipy: the outside truth
    pitch, blur = 0.02, 0.1
    x = pitch * (np.arange(1000) - 499.5)
    radius = np.hypot(x[:, None], x)
    seen = gaussian_filter(np.where(radius < 4.0, 0.3, 0.5), blur / pitch)
    bins = (radius / BIN).astype(int).ravel()
    counts = np.bincount(bins)
    place, light = (np.bincount(bins, weights=of.ravel())[16:190] / counts[16:190] for of in (radius, seen))
    linear = np.repeat(np.repeat(light[:, None], SECTORS, axis=1)[..., None], 3, axis=-1)
    at = radii((3.0, 8.0), 9.0)
    middle = []
    for blur_mm in (blur, 0.0):
        course = cells_course(
            place,
            linear,
            np.ones(linear.shape[:2]),
            lambda x: grey(x[..., 0]),
            (3.0, 8.0),
            at,
            Sharpness(blur_mm=blur_mm),
            BIN,
        )
        middle.append(float(np.interp(0.4, luminance(course)[0], at)))
    assert middle[0] == pytest.approx(4.0, abs=3e-4)
    assert middle[1] == pytest.approx(4.0 - blur**2 / 8.0, abs=3e-4)


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
