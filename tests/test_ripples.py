"""Ripples against rehearsed waves of known size, noise alone, what is no wave, and SciPy's Lomb-Scargle."""

from __future__ import annotations

import numpy as np
import pytest
from disc_samples import RECIPE, Sample, Setting, sample
from scipy import stats
from scipy.signal import lombscargle

from inkstrain.scoring.maths.waves import FALSE_ALARM, log_chance, wave_fits
from inkstrain.scoring.measure.rings import BIN_MM
from inkstrain.scoring.measure.ripples import find_ripples
from inkstrain.targets.rehearsal import LightnessWave, ScanOptions
from inkstrain.targets.rings import ring_lab

RAMP_MM = (3.0, 17.01)
SPACING_MM = 0.0423
BLUR_MM = 0.06
RADIUS = np.arange(2.0, 18.0, SPACING_MM)
INTENDED = 100.0 - 4.0 * np.clip(RADIUS - RAMP_MM[0], 0.0, RAMP_MM[1] - RAMP_MM[0])

JUST_NOTICEABLE = 0.065  # change of existing banding, J. Imaging Sci. Technol. 51(3), 2007 (abstract)
PERIOD_PART = 0.04


def ripples_of(disc: Sample):
    means = disc.means()
    intended = ring_lab(disc.element, RECIPE, means.place)[:, 0]
    blur = float(np.hypot(disc.blur_mm, BIN_MM / np.sqrt(12)))
    return find_ripples(means.place, means.lab[:, 0], means.standard_error[:, 0], intended, disc.element.ramp_mm, blur)


def found_in(lightness, noise=0.015):
    return find_ripples(RADIUS, lightness, np.full_like(RADIUS, noise), INTENDED, RAMP_MM, BLUR_MM)


def blurred_grain(rng, size):
    """Noise of bins that share grain over the blur, with standard deviation 1."""
    from scipy.ndimage import gaussian_filter1d

    raw = gaussian_filter1d(rng.standard_normal(size + 40), BLUR_MM / SPACING_MM)[20:-20]
    return raw / raw.std()


# the amplitude that published work on real prints calls possibly objectionable: J. Electron. Imaging 19(1):011017, 2010
@pytest.mark.parametrize(
    ("ring", "period_mm", "dpi"),
    [
        ("ring-to-white-red", 0.5, 600),
        ("ring-to-white-violet", 0.8, 300),
        ("ring-to-black-green", 1.5, 300),
        ("ring-to-white-yellow", 3.0, 300),
        ("ring-to-white-orange", 5.0, 300),
    ],
)
def test_a_wave_of_a_fifth_of_l_is_found_under_grain(ring, period_mm, dpi):
    got = ripples_of(sample(ring, [LightnessWave(ring, 0.2, period_mm)], Setting(dpi=dpi, seed=int(10 * period_mm))))
    assert len(got) == 1
    assert got[0].period_mm == pytest.approx(period_mm, rel=PERIOD_PART)
    assert got[0].amplitude_l == pytest.approx(0.2, rel=0.15)


# scanned to a wide space: in a narrower one a wave about a colour at its border is clipped by the scan
@pytest.mark.parametrize(
    ("ring", "period_mm"), [("ring-to-white-blue", 0.5), ("ring-to-black-red", 0.8), ("ring-to-black-green", 5.0)]
)
def test_the_amplitude_of_a_wave_is_told_closer_than_an_eye_can(ring, period_mm):
    scan = ScanOptions(dpi=400, blur_mm=BLUR_MM, space="prophoto")
    got = ripples_of(sample(ring, [LightnessWave(ring, 1.0, period_mm)], Setting(scan=scan, seed=7)))
    assert len(got) == 1
    assert got[0].amplitude_l == pytest.approx(1.0, rel=JUST_NOTICEABLE)


def test_a_wave_is_found_where_it_is():
    ring = "ring-to-white-magenta"
    (got,) = ripples_of(sample(ring, [LightnessWave(ring, 0.3, 1.0, 6.0, 13.0)], Setting(dpi=300)))
    assert got.inner_mm == pytest.approx(6.0, abs=0.75)
    assert got.outer_mm == pytest.approx(13.0, abs=0.75)


@pytest.mark.parametrize("ring", ["ring-to-white-cyan", "ring-to-black-violet"])
def test_a_clean_print_has_no_ripples(ring):
    assert ripples_of(sample(ring, (), Setting(dpi=300))) == ()


def test_grain_alone_gives_false_ripples_no_more_often_than_stated():
    rng = np.random.default_rng(11)
    alarms = sum(bool(found_in(INTENDED + 0.1 * blurred_grain(rng, RADIUS.size), 0.1)) for _ in range(150))
    # grain of 0.1 L* a bin hides nothing behind the least amplitude: the test itself holds
    assert alarms <= 150 * FALSE_ALARM + 2


@pytest.mark.parametrize(
    "shape",
    [
        np.where(RADIUS > 9.3, 3.0, 0.0),
        np.where((RADIUS > 7.0) & (RADIUS < 9.0), 4.0 * (RADIUS - 7.0), 0.0),
        2.5 * np.abs(RADIUS - 10.2),
        1.5 * np.abs(RADIUS - 8.0) - 2.0 * np.abs(RADIUS - 11.0),
        6.0 * np.tanh((RADIUS - 12.0) / 0.8),
    ],
    ids=["step", "held", "kink", "two kinks", "steep"],
)
def test_what_has_no_period_is_no_ripple(shape):
    grain = 0.015 * blurred_grain(np.random.default_rng(3), RADIUS.size)
    assert found_in(INTENDED + shape + grain) == ()


def test_the_instruments_blur_is_taken_out_of_the_amplitude():
    period = 0.6
    blurred = np.exp(-2 * (np.pi * BLUR_MM / period) ** 2)  # transfer of a Gaussian, analytic
    wave = 0.5 * blurred * np.sin(2 * np.pi * RADIUS / period)
    (got,) = found_in(INTENDED + wave + 0.01 * blurred_grain(np.random.default_rng(5), RADIUS.size), 0.01)
    assert got.amplitude_l == pytest.approx(0.5, rel=0.03)


def test_a_fit_with_a_constant_course_is_the_generalised_lomb_scargle_periodogram():
    rng = np.random.default_rng(2)
    values = rng.standard_normal(200) + 0.8 * np.sin(2 * np.pi * np.arange(200) * 0.05 / 0.9)
    for period in (0.5, 0.9, 2.2):
        length = round(200 * 0.05 / period, 6)
        fits = wave_fits(values, 0.05, period, length, 0)
        assert fits is not None
        power = fits.gain[0] / np.sum((values - values.mean()) ** 2)
        outside = lombscargle(
            np.arange(200) * 0.05, values, [2 * np.pi / period], normalize=True, floating_mean=True
        )  # Zechmeister & Kürster 2009, by SciPy
        assert power == pytest.approx(float(np.squeeze(outside)), rel=1e-9)


@pytest.mark.parametrize("freedom", [3, 40, 900])
def test_the_chance_of_a_gain_is_the_tail_of_f_on_two_degrees(freedom):
    gain, noise = np.array([0.01, 0.5, 8.0, 60.0]), 0.7
    assert log_chance(gain, noise, freedom) == pytest.approx(stats.f.logsf(gain / 2 / noise, 2, freedom), rel=1e-9)
    assert log_chance(gain, noise, freedom, 4.0) == pytest.approx(log_chance(gain / 4, noise, freedom), rel=1e-12)
