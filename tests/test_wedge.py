"""The neutral wedge as measured: L*, density, order, separation, cast and smoothness, against their formulae."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from inkstrain.scoring.basis import basis_from_profile
from inkstrain.scoring.model import NeutralWedgeScore
from inkstrain.scoring.sampling import Window
from inkstrain.scoring.wedge import (
    RAMP_BIN_MM,
    SEPARATED_D_PRIME,
    WedgeReading,
    ramp_smoothness,
    read_wedge,
    wedge_score,
)
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
    return read.score((1, 1))


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


def test_an_even_climb_is_whole() -> None:
    score = measured(scanned(greys(STEPS_L), noise=0.01))
    assert score.monotonic
    assert score.breaks == ()
    assert score.first_from_black == 2
    assert score.first_from_white == len(STEPS_L) - 1


@pytest.mark.parametrize("at", [3, 9, 20])
def test_two_steps_alike_are_tied_and_one_that_falls_is_reversed(at: int) -> None:
    tied = np.array(STEPS_L)
    tied[at] = tied[at - 1]
    score = measured(scanned(greys(tied), noise=0.01))
    assert [(b.after_step, b.kind) for b in score.breaks] == [(at, "tied")]
    assert score.monotonic
    falls = np.array(STEPS_L)
    falls[at] = falls[at - 1] - 0.8
    score = measured(scanned(greys(falls), noise=0.01))
    (fall,) = score.breaks
    assert (fall.after_step, fall.kind) == (at, "reversed")
    assert fall.delta_l == pytest.approx(-0.8, abs=0.1)
    assert not score.monotonic


def test_the_first_step_told_from_black_and_from_white() -> None:
    printed = np.clip(np.array(STEPS_L), 5.0, 97.0)  # blocked up to L* 5, blown from L* 97 on
    score = measured(scanned(greys(printed), noise=0.01))
    assert score.first_from_black == STEPS_L.index(6.0) + 1
    assert score.first_from_white == STEPS_L.index(96.0) + 1


def test_separation_is_the_distance_over_its_own_noise() -> None:
    """d' of two means is their distance over the root of the sum of their squared standard errors."""
    error = np.full(len(STEPS_L), 0.2)
    lightness = np.array(STEPS_L, dtype=float)
    for factor, tied in ((0.99, True), (1.01, False)):
        close = lightness.copy()
        close[15] = close[14] + factor * SEPARATED_D_PRIME * math.hypot(0.2, 0.2)
        score = wedge_score(WEDGE, greys(close), error, None, (1, 1))
        assert any(b.after_step == 15 for b in score.breaks) is tied
        for b in score.breaks:
            i = b.after_step
            assert b.d_prime == pytest.approx((close[i] - close[i - 1]) / math.hypot(0.2, 0.2))


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
        assert step.standard_error_l == pytest.approx(expected, rel=0.5)


def test_a_cast_is_where_it_is_and_as_large() -> None:
    steps = greys(STEPS_L)
    steps[15:18, 1:] = (1.2, -0.9)
    steps[16, 1:] = (3.0, -4.0)
    cast = measured(scanned(steps)).cast
    assert cast.at_step == 17
    assert cast.max_c == pytest.approx(5.0, abs=0.02)
    assert (cast.a_at_max, cast.b_at_max) == pytest.approx((3.0, -4.0), abs=0.02)
    assert cast.mean_c == pytest.approx((5.0 + 2 * 1.5) / len(STEPS_L), abs=0.01)


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
