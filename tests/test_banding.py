"""Head banding against rehearsed stripes of known period, size and direction, and against Welch's spectrum."""

from __future__ import annotations

import numpy as np
import pytest
from disc_samples import Sample, Setting, sample
from scipy.ndimage import gaussian_filter1d
from scipy.signal import welch

from inkstrain.scoring.judge.health import health_flags
from inkstrain.scoring.maths.waves import noise_reach_mm
from inkstrain.scoring.measure.banding import disc_stripes, line_stripes, missing_lines, unstriped
from inkstrain.scoring.measure.patches import flat_lines, measure_flat
from inkstrain.scoring.results.score import FlatFieldScore, HeadBanding
from inkstrain.targets.rehearsal import (
    INKJETS,
    HeldStretch,
    LightnessWave,
    NozzleGap,
    PrintOptions,
    ScanOptions,
    Step,
)

PERIOD_PART = 0.02
AMPLITUDE_PART = 0.15
RADIUS_MM = 0.03
EXCESS_DE00 = 0.15
DIRECTION = {"y": "across", "x": "along"}


def striped(amplitude_l: float, period_mm: float, along: str = "y", phase_deg: float = 50.0) -> PrintOptions:
    return PrintOptions(
        grain=0.02, banding_l=amplitude_l, banding_period_mm=period_mm, banding_along=along, banding_phase_deg=phase_deg
    )


def flat_score(field: Sample) -> FlatFieldScore:
    score = measure_flat(field.window, field.element, field.basis, field.paper_xyz, (1, 1), field.blur_mm)
    assert score is not None
    return score


@pytest.mark.parametrize("along", ["y", "x"])
@pytest.mark.parametrize("period_mm", [0.5, 1.3, 4.0, 10.0])
def test_stripes_of_a_third_of_l_are_found_in_a_flat_field(period_mm, along):
    setting = Setting(dpi=300, seed=3, print_options=striped(0.3, period_mm, along))
    banding = flat_score(sample("flat-field-middle", (), setting)).head_banding
    assert banding is not None
    assert banding.direction == DIRECTION[along]
    assert banding.period_mm == pytest.approx(period_mm, rel=PERIOD_PART)
    assert banding.amplitude_l == pytest.approx(0.3, rel=AMPLITUDE_PART)


@pytest.mark.parametrize("name", ["flat-field-light", "flat-field-dark", "flat-field-tint"])
def test_an_even_field_has_no_stripes_and_no_missing_lines(name):
    score = flat_score(sample(name, (), Setting(dpi=300, print_options=PrintOptions(grain=0.03))))
    assert score.head_banding is None
    assert score.missing_lines == ()


def test_the_period_is_where_welchs_spectrum_peaks():
    field = sample("flat-field-middle", (), Setting(dpi=300, print_options=striped(0.5, 1.7)))
    (means, pitch), _ = flat_lines(field.window, field.element, field.basis, field.paper_xyz)
    frequency, power = welch(means.lab[:, 0], fs=1 / pitch, nperseg=len(means.lab), nfft=16384, detrend="linear")
    outside = 1 / frequency[np.argmax(power)]
    banding = flat_score(field).head_banding
    assert banding is not None
    assert banding.period_mm == pytest.approx(outside, rel=PERIOD_PART)


@pytest.mark.parametrize(
    ("gap", "direction"),
    [
        (NozzleGap(position_mm=94.3, width_mm=0.07), "across"),
        (NozzleGap(position_mm=94.3, width_mm=0.07, strength=0.3), "across"),
        (NozzleGap(position_mm=20.1, width_mm=0.1, varies_along="x"), "along"),
    ],
)
def test_a_missing_line_is_found_where_it_is(gap, direction):
    printed = PrintOptions(grain=0.02, gaps=(gap,))
    score = flat_score(sample("flat-field-middle", (), Setting(dpi=600, print_options=printed)))
    (line,) = score.missing_lines
    assert line.direction == direction
    assert line.place_mm == pytest.approx(gap.position_mm, abs=0.05)
    assert score.head_banding is None


@pytest.mark.parametrize(("period_mm", "along"), [(1.0, "x"), (3.0, "y"), (8.0, "x")])
def test_stripes_through_a_disc_are_found_and_are_no_contour(period_mm, along):
    ring = "ring-to-white-violet"
    score = sample(ring, (), Setting(dpi=300, print_options=striped(0.3, period_mm, along))).score()
    assert score.head_banding is not None
    assert score.head_banding.direction == DIRECTION[along]
    assert score.head_banding.period_mm == pytest.approx(period_mm, rel=PERIOD_PART)
    assert score.head_banding.amplitude_l == pytest.approx(0.3, rel=AMPLITUDE_PART)
    assert (score.contours, score.flat_bands, score.faint_rings, score.ripples) == ((), (), (), ())


@pytest.mark.parametrize("period_mm", [0.7, 1.14])
def test_the_fringes_of_a_discs_two_ends_do_not_shift_its_period(period_mm):
    """With hardly any noise the period is the drawn one; the next fringe would be 2 to 4 % off."""
    printed = striped(0.9, period_mm).model_copy(update={"grain": 0.002})
    disc = sample("ring-to-black-violet", (), Setting(dpi=300, seed=3, print_options=printed))
    (found,) = disc_stripes(disc.means().cells, disc.means().place, disc.element.ramp_mm[0])[:1]
    assert found.period_mm == pytest.approx(period_mm, rel=PERIOD_PART / 20)


def test_the_errors_of_a_fields_stripes_are_those_that_repeats_show():
    """24 lines of noise over one wave; their scatter is known to 15 %, so a factor of 1.5 either way is out."""
    rng = np.random.default_rng(8)
    place = np.arange(330) * 0.085
    lab = np.zeros((330, 3))
    found = []
    for _ in range(24):
        lab[:, 0] = 60 + 0.5 * np.sin(2 * np.pi * place / 8.3 + rng.uniform(0, 6)) + 0.06 * rng.standard_normal(330)
        found.append(line_stripes(lab, np.full(330, 0.06), 0.085, "across"))
    bandings = [one.banding(0.0) for one in found]
    scatter = np.std([one.period_mm for one in bandings])
    assert np.median([one.period_standard_error_mm for one in bandings]) == pytest.approx(scatter, rel=0.5)
    amplitude = np.std([abs(one.wave[0]) for one in found])
    assert np.median([one.error_l for one in found]) == pytest.approx(amplitude, rel=0.5)


@pytest.mark.parametrize(
    ("ring", "radius_mm", "period_mm", "along"),
    [
        ("ring-to-white-blue", 6.3, 0.7, "y"),
        ("ring-to-white-magenta", 12.1, 2.0, "x"),
        ("ring-to-white-green", 9.0, 6.0, "y"),
    ],
)
def test_a_ring_keeps_radius_and_excess_under_strong_stripes(ring, radius_mm, period_mm, along):
    scan = ScanOptions(dpi=600, blur_mm=0.06)
    setting = Setting(scan=scan, print_options=striped(1.0, period_mm, along), seed=5)
    disc = sample(ring, [Step(ring, radius_mm, 2.5)], setting)
    (contour,), (true,) = disc.score().contours, disc.truth_score().contours
    assert contour.radius_mm == pytest.approx(true.radius_mm, abs=RADIUS_MM)
    assert contour.excess_de00 == pytest.approx(true.excess_de00, abs=EXCESS_DE00)


def test_taking_stripes_out_brings_the_course_back_to_what_it_is_without_them():
    ring = "ring-to-white-red"
    courses = {}
    for amplitude in (0.0, 1.0):
        disc = sample(ring, (), Setting(dpi=300, seed=9, print_options=striped(amplitude, 4.0)))
        means, hub = disc.means(), disc.element.ramp_mm[0]
        stripes = disc_stripes(means.cells, means.place, hub)
        courses[amplitude] = means, unstriped(means, stripes, hub, disc.basis, disc.paper_xyz)
    clean = courses[0.0][0].lab[:, 0]
    before, after = (means.lab[:, 0] - clean for means in courses[1.0])
    inked = clean < 90
    assert np.std(after[inked]) < 0.5 * np.std(before[inked])
    assert courses[0.0][1] is courses[0.0][0]


@pytest.mark.parametrize(
    ("ring", "damages", "printer"),
    [
        ("ring-to-white-red", [LightnessWave("ring-to-white-red", 1.0, 1.0)], None),
        ("ring-to-black-cyan", [HeldStretch("ring-to-black-cyan", 8.0, 9.5)], None),
        ("ring-to-black-green", (), "rowan"),
    ],
)
def test_what_runs_around_is_not_taken_for_stripes(ring, damages, printer):
    setting = Setting(dpi=300) if printer is None else Setting(dpi=300, printer=INKJETS[printer])
    means = sample(ring, damages, setting).means()
    assert disc_stripes(means.cells, means.place, 3.0) == ()


def test_grain_alone_is_striped_no_more_often_than_stated():
    rng = np.random.default_rng(6)
    lab = np.zeros((330, 3))
    alarms = 0
    for _ in range(200):
        lab[:, 0] = 60 + 0.1 * rng.standard_normal(330)
        alarms += line_stripes(lab, np.full(330, 0.02), 0.085, "across") is not None
    assert alarms <= 2  # 200 fields at a false alarm rate of 0.001: 0.2 expected


def test_a_wide_light_band_is_no_missing_line():
    place = np.arange(0.0, 28.0, 0.085)
    lightness = 50 + 5 * np.exp(-(((place - 14) / 1.5) ** 2)) + 0.02 * np.random.default_rng(1).standard_normal(330)
    assert missing_lines(place, lightness, np.full(330, 0.02), "across") == ()


def test_a_printer_that_is_not_healthy_is_said_to_be_so():
    gap = NozzleGap(position_mm=94.3, width_mm=0.07)
    sick = [
        flat_score(
            sample(name, (), Setting(dpi=300, print_options=striped(0.4, 2.0).model_copy(update={"gaps": (gap,)})))
        )
        for name in ("flat-field-middle", "flat-field-dark")
    ]
    stripes, lines = health_flags(sick)
    assert stripes.startswith("head-banding: stripes across the sheet every 2.00 mm")
    assert lines.startswith("missing-lines: 1 without ink in the flat fields, at y 94.3 mm")
    well = [flat_score(sample("flat-field-middle", (), Setting(dpi=300)))] * 2
    assert health_flags(well) == ()
    slight = HeadBanding(period_mm=2.0, amplitude_l=0.15, direction="across")
    assert health_flags([score.model_copy(update={"head_banding": slight}) for score in well]) == ()


@pytest.mark.parametrize("texture_mm", [0.25, 0.5])
def test_a_papers_texture_is_neither_stripes_nor_ripples(texture_mm):
    printed = PrintOptions(grain=0.035, grain_correlation_mm=texture_mm)
    disc = sample("ring-to-white-violet", (), Setting(dpi=300, seed=10, print_options=printed)).score()
    assert (disc.head_banding, disc.ripples) == (None, ())
    field = flat_score(sample("flat-field-middle", (), Setting(dpi=300, seed=1, print_options=printed)))
    assert field.head_banding is None


def test_the_reach_of_noise_is_the_integral_of_its_correlation():
    rng = np.random.default_rng(4)
    sigma = 6.0
    cells = np.zeros((2000, 24, 3))
    cells[..., 0] = gaussian_filter1d(rng.standard_normal((2000, 24)), sigma, axis=0, mode="wrap")
    # white noise blurred by a Gaussian: its autocorrelation is a Gaussian √2 as wide, with the integral 2 √π sigma
    assert noise_reach_mm(cells, 0.05) == pytest.approx(2 * np.sqrt(np.pi) * sigma * 0.05, rel=0.1)
    assert noise_reach_mm(rng.standard_normal((2000, 24, 3)), 0.05) == pytest.approx(0.05, rel=0.1)
