"""Head banding in the neutral wedge: taken out of the steps, and what is left of it stated, against known waves."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.signal import lombscargle
from test_wedge import BASIS, PAPER, SPACE, STEPS_L, WEDGE, greys, light_of

from inkstrain.scoring.colour.paper import paper_part_l
from inkstrain.scoring.eye.visibility import DEFAULT_VIEWING
from inkstrain.scoring.measure.sampling import Window
from inkstrain.scoring.measure.wedge import WedgeReading, read_wedge
from inkstrain.scoring.measure.wedgestripes import left_over, wedge_lines, wedge_stripes
from inkstrain.scoring.results.score import HeadBanding
from inkstrain.targets.spaces import encode, rgb_to_xyz_matrix

Array = NDArray[np.float64]

PRINTED_L = 10.0 + 0.78 * np.array(STEPS_L)  # a matte black, and no step so light that its stripes fade
PAPER_XYZ = PAPER @ rgb_to_xyz_matrix(SPACE).T
AMPLITUDE_L = 0.8
COVERED = 1.96
PITCH_MM = 0.085


def scanned(period_mm: float, direction: str, noise: float = 0.02, seed: int = 4, scatter: float = 0.0) -> Window:
    """Return a scan of a wedge with a wave of `AMPLITUDE_L` through it; `scatter` is of its size from step to step."""
    rng = np.random.default_rng(seed)
    height, width = round(23.0 / PITCH_MM), round(154.0 / PITCH_MM)
    y, x = (np.indices((height, width)) + 0.5) * PITCH_MM
    level = np.full((height, width), np.nan)
    size = np.ones((height, width))
    for step, lightness in zip(WEDGE.steps, PRINTED_L, strict=True):
        left, top, across, down = step.box_mm
        inside = (x >= left) & (x < left + across) & (y >= top) & (y < top + down)
        level[inside] = lightness
        size[inside] = 1.0 + scatter * rng.standard_normal()
    left, top, across, down = WEDGE.ramp_box_mm
    inside = (x >= left) & (x < left + across) & (y >= top) & (y < top + down)
    level[inside] = np.interp(x[inside], [left, left + across], [PRINTED_L[0], PRINTED_L[-1]])
    place = x if direction == "along" else y
    level += AMPLITUDE_L * size * np.sin(2 * np.pi * place / period_mm + 0.7)
    light = np.broadcast_to(PAPER, (height, width, 3)).copy()
    inked = np.isfinite(level)
    light[inked] = light_of(greys(level[inked]))
    light *= 1.0 + noise * rng.standard_normal((height, width, 1))
    pixels = np.rint(65535 * encode(SPACE, np.clip(light, 0, 1))).astype(np.uint16)
    return Window(pixels, x.astype(np.float32), y.astype(np.float32), PITCH_MM, False)


def reading(window: Window) -> WedgeReading:
    found = read_wedge(window, WEDGE, BASIS, PAPER_XYZ)
    assert found is not None
    return found


def errors(found: WedgeReading) -> tuple[Array, Array]:
    score = found.score((1, 1), DEFAULT_VIEWING)
    return (
        np.array([step.lab[0] for step in score.steps]) - PRINTED_L,
        np.array([step.noise_l for step in score.steps]),
    )


@pytest.mark.parametrize("direction", ["along", "across"])
@pytest.mark.parametrize("period_mm", [1.3, 4.1, 9.0])
def test_a_wave_is_found_and_no_step_keeps_a_share_of_it(period_mm, direction):
    found = reading(scanned(period_mm, direction))
    (one,) = found.stripes
    assert one.stripes.direction == direction
    assert one.stripes.period_mm == pytest.approx(period_mm, rel=0.005)
    assert abs(one.stripes.wave[0]) == pytest.approx(AMPLITUDE_L, rel=0.04)
    off, stated = errors(found)
    assert np.max(np.abs(off)) < 0.04
    assert np.mean(np.abs(off) <= COVERED * stated) > 0.85  # 31 steps; 500 are counted by the accuracy bench
    assert np.median(stated) < 0.03  # and not by stating too much


def test_left_alone_the_steps_would_be_off_by_what_the_wave_leaves_of_itself():
    """∫ of the wave over a step's inner part, by scipy.integrate.quad."""
    period_mm = 9.0
    found = reading(scanned(period_mm, "along", noise=0.0))
    (one,) = found.stripes
    for step in WEDGE.steps[::6]:
        low, high = step.box_mm[0] + 0.6, step.box_mm[0] + step.box_mm[2] - 0.6
        true = quad(lambda p: AMPLITUDE_L * np.sin(2 * np.pi * p / period_mm + 0.7), low, high)[0] / (high - low)
        turn = quad(lambda p: np.real(one.stripes.wave[0] * np.exp(2j * np.pi * p / one.stripes.period_mm)), low, high)
        assert turn[0] / (high - low) == pytest.approx(true, abs=0.01)
    assert np.max(np.abs(errors(found)[0])) < 0.015


def test_the_period_is_where_lomb_and_scargle_find_it():
    """scipy.signal.lombscargle, floating mean, on the residuals of the same lines from their steps' means."""
    lines, _ = wedge_lines(scanned(3.3, "along"), WEDGE, BASIS, PAPER_XYZ)
    means = np.bincount(lines.patch, weights=lines.lab[:, 0]) / np.bincount(lines.patch)
    periods = np.linspace(3.0, 3.6, 1201)
    power = lombscargle(lines.place_mm, lines.lab[:, 0] - means[lines.patch], 2 * np.pi / periods, floating_mean=True)
    (one,) = wedge_stripes(lines)
    assert one.stripes.period_mm == pytest.approx(periods[np.argmax(power)], rel=0.003)


def test_stripes_are_no_roughness_of_the_ramp():
    """Left alone, second differences of the wave in bins of 1 mm had an rms of 4 sin²(π/4.1) A sinc(1/4.1) / √2."""
    across, along = (reading(scanned(4.1, way, noise=0.01)).smoothness for way in ("across", "along"))
    left_alone = 4 * np.sin(np.pi / 4.1) ** 2 * AMPLITUDE_L * np.sinc(1 / 4.1) / np.sqrt(2)
    assert abs(along - across) < 0.05 * left_alone


def test_a_wave_that_differs_from_step_to_step_is_stated_the_less_sure():
    even, uneven = (reading(scanned(4.1, "along", scatter=scatter)) for scatter in (0.0, 0.3))
    parts = [found.stripes[0].stripes.amplitude_part for found in (even, uneven)]
    assert parts[0] < 0.06
    assert parts[1] == pytest.approx(0.3, rel=0.35)  # 31 steps give their own scatter to 13 %
    off, stated = errors(uneven)
    assert np.mean(np.abs(off) <= COVERED * stated) > 0.85


def test_grain_alone_is_no_wave_and_shifts_nothing():
    rng = np.random.default_rng(3)
    lines, _ = wedge_lines(scanned(4.1, "along"), WEDGE, BASIS, PAPER_XYZ)
    alarms = 0
    for _ in range(40):
        lab = greys(lines.level_l) + 0.05 * rng.standard_normal((len(lines.level_l), 1))
        alarms += bool(wedge_stripes(type(lines)(
            direction="along", lab=lab, place_mm=lines.place_mm, patch=lines.patch, level_l=lines.level_l,
            pitch_mm=lines.pitch_mm, reach_mm=lines.pitch_mm,
        )))  # fmt: skip
    assert alarms == 0  # 0.04 expected


def test_stripes_that_only_others_show_are_an_arcsine_part_of_the_uncertainty():
    """JCGM 100:2008, 4.4.5: a sinusoid of unknown phase has the standard deviation amplitude / √2."""
    boxes = np.array([[0.0, 0.0, 4.0, 9.0], [5.0, 0.0, 4.0, 9.0], [10.0, 0.0, 4.0, 9.0]])
    lightness = np.array([50.0, 95.0, 100.0])
    seen = [
        HeadBanding(period_mm=6.0, amplitude_l=0.5, direction="along"),
        HeadBanding(period_mm=6.1, amplitude_l=0.4, direction="along"),
    ]
    phase = np.linspace(0, 2 * np.pi, 3601)[:-1]
    means = [quad(lambda p, f=f: 0.5 * np.sin(2 * np.pi * p / 6.0 + f), 0.0, 4.0)[0] / 4.0 for f in phase[::60]]
    whole, fading, bare = left_over(boxes, lightness, seen, ())
    assert whole == pytest.approx(np.std(means), rel=1e-3)
    assert (fading, bare) == pytest.approx((whole / 2, 0.0))
    found = reading(scanned(6.05, "along")).stripes
    assert left_over(boxes, lightness, seen, found) == pytest.approx(0.0)


def test_white_shifts_what_is_printed_in_proportion_to_its_light():
    """Differences of CIE 15's formula for L*, white 0.1 % brighter than thought."""
    y = np.array([0.004, 0.0088, 0.05, 0.4, 1.0])

    def lightness(v: Array) -> Array:
        return np.where(v > (6 / 29) ** 3, 116 * np.cbrt(v) - 16, v * 24389 / 27)

    change = lightness(y * 1.001) - lightness(y)
    assert paper_part_l(lightness(y), float(change[-1])) == pytest.approx(change, rel=2e-3)
