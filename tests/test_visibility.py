"""Visibility against hand computation from published sensitivity functions, and against measured thresholds."""

from __future__ import annotations

import math

import numpy as np
import pytest
from disc_samples import Setting, sample
from scipy.integrate import quad
from score_samples import ring

from inkstrain.scoring.model import FlatBand, HueSwing, RingProfile, RingScore, Ripple, Viewing
from inkstrain.scoring.totals import totals_of
from inkstrain.scoring.visibility import (
    LIGHTS_CD_M2,
    VEIL,
    barten,
    bump_jnd,
    castle,
    change_jnd,
    grating_jnd,
    opponent,
    see,
    viewing_of,
)
from inkstrain.targets.colorimetry import delta_e00
from inkstrain.targets.errors import WrongUsageError
from inkstrain.targets.rehearsal import DropOff, LightnessWave, Step

VIEWING = Viewing(distance_mm=400.0, luminance_cd_m2=143.0)
FIELD_MM = (34.0, 34.0)
DEG_A_MM = math.degrees(1 / 400.0)
FIELD_DEG = 34.0 * DEG_A_MM


def barten_by_hand(u, luminance, field):
    """Barten (1999), equation 3.26 with his constants, written out."""
    pupil = 5 - 3 * math.tanh(0.4 * math.log10(luminance * field**2 / 40**2))
    sigma = math.hypot(0.5 / 60, 0.08 / 60 * pupil)
    trolands = math.pi * pupil**2 / 4 * luminance * (1 - (pupil / 9.7) ** 2 + (pupil / 12.4) ** 4)
    optics = math.exp(-2 * (math.pi * sigma * u) ** 2)
    area = 1 / field**2 + 1 / 12**2 + u**2 / 15**2
    noise = 1 / (0.03 * 1.2274e6 * trolands) + 3e-8 / (1 - math.exp(-((u / 7) ** 2)))
    return optics / 3.0 / math.sqrt(2 / 0.1 * area * noise)


def luminance_of(lightness):
    """CIE 15: relative luminance of L*."""
    return ((lightness + 16) / 116) ** 3 if lightness > 8 else lightness / 903.3


@pytest.mark.parametrize(("u", "luminance"), [(0.5, 143.0), (3.35, 143.0), (16.0, 573.0), (4.0, 20.0)])
def test_sensitivity_to_luminance_is_bartens(u, luminance):
    assert barten(u, luminance, (10.0, 10.0)) == pytest.approx(barten_by_hand(u, luminance, 10.0), rel=1e-3)


# thresholds of 3 observers for Gabor patches of 0.785 deg² at 40 cd/m², set "colorfest" in the open data of castleCSF;
# cone contrast sensitivities at 1.2 to 8 cycles a degree
GABOR_CPD = np.array([1.2, 2.0, 2.8, 4.0, 5.66, 8.0])
MEASURED = {
    "red-green": np.array([430.66, 292.46, 248.93, 175.74, 156.10, 137.07]),
    "yellow-violet": np.array([43.745, 27.213, 18.189, 17.083, 12.155, 8.032]),
}
CONES = np.array([0.6991, 0.3009, 0.0198])
DIRECTION = {"red-green": np.array([1.0, -1.0, 0.0]), "yellow-violet": np.array([0.0, 0.0, 1.0])}
MODEL_DB = 3.59  # error that the model's authors state over 18 studies


@pytest.mark.parametrize("channel", ["red-green", "yellow-violet"])
def test_sensitivity_to_colour_agrees_with_measured_thresholds(channel):
    way = DIRECTION[channel]
    mechanism = abs(way @ ([1.0, -2.3112, 0.0] if channel == "red-green" else [-1.0, -1.0, 50.9875]))
    cone_contrast = np.linalg.norm(way / CONES) / math.sqrt(3)
    ours = castle(GABOR_CPD, 40.0, 0.785, channel) * mechanism / cone_contrast
    decibel = 20 * np.log10(ours / MEASURED[channel])
    assert np.sqrt(np.mean(decibel**2)) < 1.5 * MODEL_DB


def test_a_grey_grating_is_its_modulation_times_the_sensitivity():
    period = 2.0
    high, low = luminance_of(60.2), luminance_of(59.8)
    base = luminance_of(60.0) + VEIL
    sensitivity = barten_by_hand(1 / (period * DEG_A_MM), 143.0 * base, FIELD_DEG)
    expected = (high - low) / 2 / base * sensitivity
    got = grating_jnd((60.0, 0.0, 0.0), (0.2, 0.0, 0.0), period, VIEWING, FIELD_MM)
    assert got == pytest.approx(expected, rel=0.01)


def test_a_grey_step_is_the_largest_response_of_the_sensitivity_to_it():
    high, low = luminance_of(50.5), luminance_of(49.5)
    base = (luminance_of(50.0)) + VEIL

    def response(away_deg):
        def wave(u):
            return barten_by_hand(u, 143.0 * base, FIELD_DEG) * math.sin(2 * math.pi * u * away_deg) / u

        return (high - low) / base / math.pi * quad(wave, 1e-4, 50, limit=400)[0]

    expected = max(response(away) for away in np.arange(0.02, 0.3, 0.01))
    got = change_jnd(np.array([-1e-4, 1e-4]), np.array([[49.5, 0, 0], [50.5, 0, 0]]), VIEWING, FIELD_MM)
    assert got == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("width_mm", [0.5, 2.0, 6.0])
def test_a_bump_agrees_with_a_fourier_transform(width_mm):
    step, count = 0.002, 2**15
    place = (np.arange(count) - count // 2) * step / DEG_A_MM  # mm
    shape = np.where(np.abs(place) < width_mm, 0.5 + 0.5 * np.cos(np.pi * place / width_mm), 0.0)
    base = opponent((55.0, 0.0, 0.0))[0] + VEIL
    lightness = 55.0 + 0.5 * shape
    # the mean over the bump is what its contrast is taken about
    inside = np.abs(place) < width_mm
    base = opponent((lightness[inside].mean(), 0.0, 0.0))[0] + VEIL
    signal = np.array([opponent((value, 0.0, 0.0))[0] for value in (55.0, 55.5)])
    contrast = (signal[1] - signal[0]) / base * shape
    u = np.fft.rfftfreq(count, step)
    sensitivity = np.array([barten_by_hand(max(f, 1e-3), 143.0 * base, FIELD_DEG) if f < 50 else 0.0 for f in u])
    expected = np.abs(np.fft.irfft(np.fft.rfft(contrast) * sensitivity)).max()
    assert bump_jnd((55.0, 0.0, 0.0), (0.5, 0.0, 0.0), width_mm, VIEWING, FIELD_MM) == pytest.approx(expected, rel=0.03)


def test_an_abrupt_change_of_slope_is_visible_though_nothing_steps():
    along = np.linspace(0.0, 4.0, 200)
    kinked = np.stack([50.0 + 0.5 * np.maximum(along - 2.0, 0.0), 0 * along, 0 * along], axis=1)
    rounded = np.stack([50.0 + 0.5 * np.logaddexp(0.0, 2.0 * (along - 2.0)) / 2.0, 0 * along, 0 * along], axis=1)
    assert change_jnd(along, kinked, VIEWING, FIELD_MM) > change_jnd(along, rounded, VIEWING, FIELD_MM) > 0.5


def test_far_away_a_fine_grating_is_not_seen_and_in_less_light_it_is_seen_less():
    fine = ((50.0, 0.0, 0.0), (0.5, 0.0, 0.0), 0.4)
    near = grating_jnd(*fine, VIEWING, FIELD_MM)
    far = grating_jnd(*fine, VIEWING.model_copy(update={"distance_mm": 2000.0}), FIELD_MM)
    dim = grating_jnd(*fine, VIEWING.model_copy(update={"luminance_cd_m2": 5.0}), FIELD_MM)
    assert far < 0.05 * near
    assert dim < 0.7 * near


def test_the_lights_are_those_of_iso_3664():
    # illuminance of P1 and P2 on a diffuser of 90 % reflectance
    assert pytest.approx(2000 * 0.9 / math.pi, rel=0.01) == LIGHTS_CD_M2["p1"]
    assert pytest.approx(500 * 0.9 / math.pi, rel=0.01) == LIGHTS_CD_M2["p2"]


def test_the_amplitude_that_prints_should_not_pass_is_a_few_thresholds():
    # 0.2 L* "possibly objectionable at some frequencies", J. Electron. Imaging 19(1):011017, 2010
    jnd = [grating_jnd((50.0, 0.0, 0.0), (0.2, 0.0, 0.0), period, VIEWING, FIELD_MM) for period in (0.5, 1.0, 2.0, 4.0)]
    assert 1.0 < max(jnd) < 10.0


def test_every_finding_of_a_ring_gets_its_visibility():
    ring = "ring-to-white-magenta"
    damages = [
        Step(ring, 6.0, 1.5),
        DropOff(ring, 9.0, 9.4, contrast_de00=4.0),
        LightnessWave(ring, 0.5, 1.0, 11.0, 15.0),
    ]
    (score,) = see([sample(ring, damages, Setting(dpi=300)).score()], VIEWING)
    by_place = {round(contour.radius_mm): contour for contour in score.contours}
    assert by_place[6].visibility_jnd > 1
    assert by_place[9].visibility_jnd > by_place[6].visibility_jnd
    assert by_place[6].visibility_standard_error_jnd > 0
    assert score.ripples[0].visibility_jnd > 1


def test_a_contour_at_the_threshold_is_visible_but_not_surely():
    ring = "ring-to-white-green"
    (score,) = see([sample(ring, [Step(ring, 8.0, 2.0)], Setting(dpi=300)).score()], VIEWING)
    contour = score.contours[0].model_copy(update={"visibility_jnd": 1.05, "visibility_standard_error_jnd": 0.1})
    totals = totals_of([score.model_copy(update={"contours": (contour,)})])
    assert (totals.visible_contours, totals.surely_visible_contours) == (1, 0)


def test_a_light_is_one_of_iso_3664_or_lux_and_nothing_else():
    assert viewing_of(400.0, "P1").luminance_cd_m2 == LIGHTS_CD_M2["p1"]
    assert viewing_of(300.0, "500") == Viewing(distance_mm=300.0, luminance_cd_m2=143.2)
    for distance, light in ((400.0, "noon"), (400.0, "nan"), (0.0, "p2"), (math.nan, "p2")):
        with pytest.raises(WrongUsageError):
            viewing_of(distance, light)


def flat_ring(rng: np.random.Generator | None, error_l: float) -> RingScore:
    """A grey ramp of 3 L* a mm with a flat band from 8 to 9.5 mm, bins of 0.2 mm with noise in L*."""
    radius = np.arange(1.0, 16.0, 0.2)
    lightness = 20.0 + 3.0 * (radius - np.clip(radius - 8.0, 0.0, 1.5))
    if rng is not None:
        lightness = lightness + error_l * rng.standard_normal(len(radius))
    lab = np.stack([lightness, np.zeros_like(radius), np.zeros_like(radius)], axis=1)
    de00 = np.asarray(delta_e00(lab, lab + np.array([error_l, 0.0, 0.0])))
    colours = tuple(map(tuple, lab.tolist()))
    profile = RingProfile(
        radius_mm=tuple(radius.tolist()), lab=colours, intended_lab=colours, standard_error_de00=tuple(de00.tolist())
    )
    band = FlatBand(inner_mm=8.0, outer_mm=9.5, width_mm=1.5, lost_de00=4.0)
    return ring("red").model_copy(update={"profile": profile, "flat_bands": (band,)})


def test_a_flat_bands_visibility_scatters_as_stated():
    """Monte Carlo (JCGM 101:2008): 300 draws of the profile's noise."""
    rng = np.random.default_rng(2)
    error_l = 0.08
    (true,) = see([flat_ring(None, error_l)], VIEWING)[0].flat_bands
    drawn = [see([flat_ring(rng, error_l)], VIEWING)[0].flat_bands[0].visibility_jnd for _ in range(300)]
    # 300 draws give a scatter to 4 %; the largest of noisy responses leans a little upwards
    assert true.visibility_standard_error_jnd == pytest.approx(np.std(drawn), rel=0.2)
    assert true.visibility_jnd == pytest.approx(np.mean(drawn), rel=0.1)
    (forecast,) = see([flat_ring(None, 0.0)], VIEWING)[0].flat_bands
    assert (forecast.visibility_jnd is None, forecast.visibility_standard_error_jnd) == (False, None)


def test_swings_and_ripples_are_as_sure_to_the_eye_as_their_size_is():
    swing = HueSwing(radius_mm=9.0, width_mm=1.5, degrees=-8.0, delta_h=-4.0, uncertainty_deg=2.0)
    ripple = Ripple(
        inner_mm=6.0, outer_mm=12.0, amplitude_l=0.4, period_mm=1.5, standard_error_l=0.1, visibility_jnd=None
    )
    bare = ripple.model_copy(update={"standard_error_l": None})
    seen = see([ring("red", hue_swings=(swing,), ripples=(ripple, bare))], VIEWING)[0]
    one = seen.hue_swings[0]
    assert one.visibility_standard_error_jnd == pytest.approx(one.visibility_jnd / 4)
    known, unknown = seen.ripples
    assert known.visibility_standard_error_jnd == pytest.approx(known.visibility_jnd / 4)
    assert unknown.visibility_jnd == pytest.approx(known.visibility_jnd)
    assert unknown.visibility_standard_error_jnd is None
