"""The neutral wedge as measured: L*, density, gain, separation, cast and smoothness, against their formulae."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from inkstrain.scoring.colour.basis import basis_from_profile
from inkstrain.scoring.colour.uncertainty import scanner_repeatability_l
from inkstrain.scoring.eye.visibility import DEFAULT_VIEWING
from inkstrain.scoring.measure.sampling import Window
from inkstrain.scoring.measure.wedge import (
    RAMP_BIN_MM,
    SEEN_ERRORS,
    WedgeReading,
    ramp_smoothness,
    read_wedge,
    wedge_score,
)
from inkstrain.scoring.results.score import NeutralWedgeScore
from inkstrain.targets.colorimetry import WHITE_D50, lab_to_xyz
from inkstrain.targets.spaces import encode, icc_profile, rgb_to_xyz_matrix
from inkstrain.targets.wedge import STEPS_L, make_wedge

Array = NDArray[np.float64]

SPACE = "prophoto"
BASIS = basis_from_profile(icc_profile(SPACE), "")
WEDGE = make_wedge(SPACE, (2.0, 2.0, 150.0, 19.0))
PAPER = np.array([0.80, 0.82, 0.85])  # a bluish paper, linear light in the scan
L = 0.02
DENSITY = 0.002


def light_of(lab: Array) -> Array:
    """Return linear light in the scan of media-relative colours on that paper."""
    paper_xyz = PAPER @ rgb_to_xyz_matrix(SPACE).T
    return np.asarray(lab_to_xyz(lab) / WHITE_D50 * paper_xyz @ np.linalg.inv(rgb_to_xyz_matrix(SPACE)).T)


def scanned(steps: Array, ramp_l: Array | None = None, noise: float = 0.0, dpi: float = 200.0) -> Window:
    """Return a wedge whose steps have given colours, (n, 3), and whose ramp runs through given L*."""
    scale = dpi / 25.4
    width, height = math.ceil(154 * scale), math.ceil(23 * scale)
    y, x = (np.indices((height, width)) + 0.5) / scale
    light = np.broadcast_to(PAPER, (height, width, 3)).copy()
    for step, lab in zip(WEDGE.steps, steps, strict=True):
        left, top, across, down = step.box_mm
        light[(x >= left) & (x < left + across) & (y >= top) & (y < top + down)] = light_of(lab)
    left, top, across, down = WEDGE.ramp_box_mm
    inside = (x >= left) & (x < left + across) & (y >= top) & (y < top + down)
    ramp_l = np.linspace(0.0, 100.0, 101) if ramp_l is None else ramp_l
    grey = np.interp((x[inside] - left) / across, np.linspace(0, 1, len(ramp_l)), ramp_l)
    light[inside] = light_of(np.stack([grey, np.zeros_like(grey), np.zeros_like(grey)], -1))
    if noise:
        light *= 1.0 + noise * np.random.default_rng(4).standard_normal((height, width, 1))
    pixels = np.rint(65535 * encode(SPACE, np.clip(light, 0, 1))).astype(np.uint16)
    return Window(pixels, x.astype(np.float32), y.astype(np.float32), 1 / scale, False)


def greys(lightness: Array | tuple[float, ...]) -> Array:
    lightness = np.asarray(lightness, dtype=float)
    return np.stack([lightness, np.zeros_like(lightness), np.zeros_like(lightness)], axis=-1)


def reading(window: Window) -> WedgeReading | None:
    return read_wedge(window, WEDGE, BASIS, PAPER @ rgb_to_xyz_matrix(SPACE).T)


def measured(window: Window) -> NeutralWedgeScore:
    read = reading(window)
    assert read is not None
    return read.score((1, 1), DEFAULT_VIEWING)


def test_lightness_and_density_of_every_step() -> None:
    """CIE 15:2018, 8.2.1 and ISO 5-3, on a paper that is not white: both are relative to it."""
    # what a printer of black L* 6 makes of it
    printed = 6.0 + 0.94 * np.array(STEPS_L)
    score = measured(scanned(greys(printed)))
    assert [step.lab[0] for step in score.steps] == pytest.approx(printed.tolist(), abs=L)
    for step, lightness in zip(score.steps, printed, strict=True):
        y = ((lightness + 16) / 116) ** 3 if lightness > 8 else lightness * 27 / 24389
        assert step.density == pytest.approx(-math.log10(y), abs=DENSITY)
    assert [step.intended_l for step in score.steps] == pytest.approx(STEPS_L, abs=1e-3)
    assert score.cast.max_c < L


def test_a_ladder_of_equal_densities_comes_out_as_equal_densities() -> None:
    """Steps of 0.15 in density: common practice, no source."""
    density = 0.15 * np.arange(14)[::-1]
    y = 10.0**-density
    lightness = np.where(y > (6 / 29) ** 3, 116 * np.cbrt(y) - 16, (29 / 3) ** 3 * y)
    rest = np.linspace(lightness[-1], lightness[-1], len(STEPS_L) - len(density))
    score = measured(scanned(greys(np.concatenate([lightness, rest]))))
    found = np.array([step.density for step in score.steps[: len(density)]])
    assert np.diff(found) == pytest.approx(-0.15, abs=2 * DENSITY)


def steps_score(lightness: Array | tuple[float, ...], error_l: float = 0.0) -> NeutralWedgeScore:
    """Return the score of steps with given L* and errors, as of a forecast if these are nought."""
    lab = greys(lightness)
    return wedge_score(WEDGE, lab, np.full_like(lab, error_l), None, (1, 1), DEFAULT_VIEWING)


def test_an_even_climb_is_whole() -> None:
    score = measured(scanned(greys(STEPS_L), noise=0.01))
    assert score.monotonic
    assert score.breaks == ()
    assert score.merged == ()
    assert all(step.seen for step in score.steps[1:])
    assert (score.steps[0].gain, score.steps[0].seen, score.steps[0].visibility) == (None, None, None)
    assert score.first_from_black == 2
    assert score.first_from_white == len(STEPS_L) - 1


@pytest.mark.parametrize("at", [3, 9, 20])
def test_two_steps_alike_merge_and_one_that_is_seen_to_fall_runs_back(at: int) -> None:
    merged = np.array(STEPS_L)
    merged[at] = merged[at - 1]
    score = measured(scanned(greys(merged), noise=0.01))
    assert score.merged == (at + 1,)
    assert score.breaks == ()
    assert score.monotonic
    falls = np.array(STEPS_L)
    falls[at] = falls[at - 1] - 0.8
    score = measured(scanned(greys(falls), noise=0.01))
    (fall,) = score.breaks
    assert fall.after_step == at
    assert fall.delta_l == pytest.approx(-0.8, abs=0.1)
    assert score.merged == ()
    assert not score.monotonic


def test_gain_is_what_was_printed_of_what_was_asked() -> None:
    score = steps_score(6.0 + 0.8 * np.array(STEPS_L))
    assert [step.gain for step in score.steps[1:]] == pytest.approx([0.8] * (len(STEPS_L) - 1), abs=0.01)
    falls = np.array(STEPS_L)
    falls[14] = falls[13] - 1.0
    assert steps_score(falls).steps[14].gain == pytest.approx(-1.0 / (STEPS_L[14] - STEPS_L[13]), abs=0.01)


def test_a_step_far_under_the_threshold_neither_climbs_nor_separates_from_black() -> None:
    """0.017 L* where 2.5 was asked, without noise: a forecast of a black that is blocked up."""
    blocked = np.array(STEPS_L)
    blocked[:5] = blocked[4] + 0.017 * np.arange(-4, 1)
    score = steps_score(blocked)
    assert score.merged == (2, 3, 4, 5)
    assert score.monotonic
    assert score.first_from_black == 6
    assert all(step.visibility is None or step.visibility < 1.0 for step in score.steps[1:5])


def test_the_first_step_seen_from_black_and_from_white() -> None:
    printed = np.clip(np.array(STEPS_L), 5.0, 97.0)  # blocked up to L* 5, blown from L* 97 on
    score = measured(scanned(greys(printed), noise=0.01))
    assert score.first_from_black == STEPS_L.index(6.0) + 1
    assert score.first_from_white == STEPS_L.index(96.0) + 1


def test_a_step_is_sure_from_three_standard_errors_with_repeatability() -> None:
    lightness, at, error = np.array(STEPS_L, dtype=float), 14, 0.2
    whole = math.hypot(error, float(scanner_repeatability_l(np.array(lightness[at])))) * math.sqrt(2)
    for factor, sure in ((0.99, False), (1.01, True)):
        lightness[at + 1] = lightness[at] + factor * SEEN_ERRORS * whole
        score = steps_score(lightness, error)
        step = score.steps[at + 1]
        assert step.visibility is not None
        assert step.visibility > 1.0
        assert step.seen is sure
        assert (step.step in score.merged) is not sure


def test_without_noise_the_eye_decides() -> None:
    lightness, at = np.array(STEPS_L, dtype=float), 14
    seen = {}
    for rise in (0.15, 0.16, 0.17, 0.18, 0.19, 0.20, 0.21):  # all of them three times the repeatability at least
        lightness[at + 1] = lightness[at] + rise
        step = steps_score(lightness).steps[at + 1]
        assert step.visibility is not None
        seen[step.visibility >= 1.0] = step.seen
    assert seen == {True: True, False: False}


def test_what_is_less_than_its_own_error_has_no_visibility() -> None:
    lightness = np.array(STEPS_L, dtype=float)
    lightness[15] = lightness[14] + 0.2
    assert steps_score(lightness, 0.1).steps[15].visibility is not None
    assert steps_score(lightness, 0.3).steps[15].visibility is None


def test_two_alike_steps_are_seen_apart_in_one_of_hundreds_of_scans() -> None:
    """Monte Carlo of the stated error: 3 standard errors are passed by 0.27 % of a normal law."""
    rng = np.random.default_rng(7)
    error, found, number = 0.3, 0, 0
    for _ in range(60):
        alike = np.repeat(60.0, len(STEPS_L)) + error * rng.standard_normal(len(STEPS_L))
        steps = steps_score(alike, error).steps[1:]
        found, number = found + sum(bool(step.seen) for step in steps), number + len(steps)
    assert found / number < 0.01


def test_standard_errors_are_those_of_the_noise() -> None:
    """Noise of 2 % in light of each pixel, n pixels a step: 2 % / sqrt(n) of light, in L* by the formula's slope."""
    dpi = 200.0
    score = measured(scanned(greys(STEPS_L), noise=0.02, dpi=dpi))
    for step in score.steps[12:-4]:
        box = WEDGE.steps[step.step - 1].box_mm
        count = (box[2] - 1.2) * (box[3] - 1.2) * (dpi / 25.4) ** 2
        y = ((step.lab[0] + 16) / 116) ** 3
        expected = 116 / 3 * y ** (-2 / 3) * y * 0.02 / math.sqrt(count)
        # 24 blocks give a standard error that is itself good to 15 %
        assert step.noise_l == pytest.approx(expected, rel=0.5)


def test_a_cast_is_where_it_is_and_as_large() -> None:
    steps = greys(STEPS_L)
    steps[15:18, 1:] = (1.2, -0.9)
    steps[16, 1:] = (3.0, -4.0)
    cast = measured(scanned(steps)).cast
    assert cast.at_step == 17
    assert cast.max_c == pytest.approx(5.0, abs=0.02)
    assert (cast.a_at_max, cast.b_at_max) == pytest.approx((3.0, -4.0), abs=0.02)
    assert cast.mean_c == pytest.approx((5.0 + 2 * 1.5) / len(STEPS_L), abs=0.01)


def test_the_mean_cast_scatters_as_stated() -> None:
    """Monte Carlo (JCGM 101:2008): 400 draws of the steps' noise."""
    rng = np.random.default_rng(3)
    lab, error = greys(STEPS_L), np.full((len(STEPS_L), 3), (0.1, 0.06, 0.12))
    lab[:, 1:] = (2.0, -3.0)
    stated = wedge_score(WEDGE, lab, error, None, (1, 1), DEFAULT_VIEWING).cast.mean_noise_c
    draws = [np.hypot(*(lab + error * rng.standard_normal(lab.shape))[:, 1:].T).mean() for _ in range(400)]
    assert stated == pytest.approx(np.std(draws), rel=0.12)  # 400 draws give a scatter to 4 %, three of it


def test_equal_steps_are_perfectly_smooth() -> None:
    assert ramp_smoothness(np.linspace(0.0, 100.0, 60)) == pytest.approx(0.0, abs=1e-12)
    assert ramp_smoothness(np.full(30, 42.0)) == 0.0


def test_smoothness_is_the_rms_of_second_differences() -> None:
    """One step of 3 L* in an even ramp of n values: two of the n - 2 second differences are 3, the rest 0."""
    values = np.linspace(0.0, 50.0, 40)
    values[20:] += 3.0
    assert ramp_smoothness(values) == pytest.approx(3.0 * math.sqrt(2 / 38) / RAMP_BIN_MM**2)
    # a parabola has one second difference everywhere
    assert ramp_smoothness(0.25 * np.arange(30.0) ** 2) == pytest.approx(0.5 / RAMP_BIN_MM**2)


def test_a_ramp_that_was_not_read_has_no_smoothness() -> None:
    assert ramp_smoothness(np.array([1.0, np.nan, 3.0, 4.0])) is None


def test_a_step_in_the_printed_ramp_makes_it_rougher() -> None:
    even = measured(scanned(greys(STEPS_L))).smoothness
    ramp = np.linspace(0.0, 100.0, 1001)
    ramp[500:] += 4.0
    rough = measured(scanned(greys(STEPS_L), ramp_l=np.clip(ramp, 0, 100))).smoothness
    assert even is not None
    assert rough is not None
    # 4 L* over two bins at most, of about 148
    assert even < 0.05 < 0.25 < rough < 4.0 * math.sqrt(2 / 146) + 0.05


def test_a_wedge_that_is_not_all_in_the_window_is_not_measured() -> None:
    window = scanned(greys(STEPS_L))
    half = window.pixels.shape[1] // 2
    cut = Window(window.pixels[:, :half], window.x_mm[:, :half], window.y_mm[:, :half], window.pixel_mm, True)
    assert reading(cut) is None
