"""Hue rulers against published constant-hue data (Munsell renotation), and swings that are, or are not, to be seen."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest
from disc_samples import RECIPE, element
from scipy.interpolate import PchipInterpolator

from inkstrain.scoring.hue import find_hue_swings, ruler_uncertainty_deg
from inkstrain.targets.colorimetry import (
    colour_science,
    ipt_to_lab,
    lab_to_ipt,
    lab_to_jzazbz,
    lab_to_xyz,
    xyz_to_lab,
)
from inkstrain.targets.rehearsal import HueShift, IdentityPrinter, ring_path
from inkstrain.targets.rings import ring_lab

FAMILIES = ("R", "YR", "Y", "GY", "G", "BG", "B", "PB", "P", "RP")
# an own computation over the same data gave these (rms degrees)
KNOWN_RMS = {"CIELAB": 2.49, "OKLab": 2.34, "IPT": 2.27, "Jzazbz": 2.05, "CAM16-UCS": 2.60}


def _white(name):
    colour = colour_science()
    return colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][name]


def munsell_arms():
    """Return XYZ (adapted to D65 by CAT02) of the renotation's real chips of one hue and value, 4 or more of each."""
    colour = colour_science()
    arms = defaultdict(list)
    for (hue, value, _chroma), chip in colour.MUNSELL_COLOURS["real"]:
        if 2 <= value <= 8:
            arms[hue, value].append(chip)
    c, d65 = colour.xy_to_XYZ(_white("C")), colour.xy_to_XYZ(_white("D65"))
    adapted = {}
    for name, chips in arms.items():
        if len(chips) >= 4:
            xyy = np.array(chips) / (1.0, 1.0, 100.0)
            adapted[name] = colour.chromatic_adaptation(
                colour.xyY_to_XYZ(xyy), c, d65, method="Von Kries", transform="CAT02"
            )
    return adapted


def rulers():
    colour = colour_science()
    return {
        "CIELAB": lambda xyz: colour.XYZ_to_Lab(xyz, _white("D65")),
        "OKLab": colour.XYZ_to_Oklab,
        "IPT": colour.XYZ_to_IPT,
        "Jzazbz": lambda xyz: colour.XYZ_to_Jzazbz(100 * xyz),
        "CAM16-UCS": colour.XYZ_to_CAM16UCS,
    }


def strays_deg(ruler, arms):
    """Return how far each chip's hue angle is from the mean of its arm, by arm."""
    found = {}
    for name, xyz in arms.items():
        angle = np.angle(ruler(xyz)[:, 1:] @ [1, 1j])
        found[name] = np.degrees(np.angle(np.exp(1j * angle) / np.mean(np.exp(1j * angle))))
    return found


def rms(values):
    return float(np.sqrt(np.mean(np.square(np.concatenate(list(values))))))


@pytest.fixture(scope="module")
def arms():
    return munsell_arms()


@pytest.fixture(scope="module")
def strays(arms):
    return {name: strays_deg(ruler, arms) for name, ruler in rulers().items()}


def test_the_two_rulers_are_the_straightest_on_munsells_hues(strays):
    error = {name: rms(found.values()) for name, found in strays.items()}
    assert error == pytest.approx(KNOWN_RMS, abs=0.08)
    assert sorted(error, key=error.get)[:2] == ["Jzazbz", "IPT"]


def test_the_stated_uncertainty_is_the_rulers_error_by_family(arms, strays):
    for family in FAMILIES:
        own = [found for (hue, _), found in strays["IPT"].items() if hue.lstrip("0123456789.") == family]
        middle = np.concatenate([xyz for (hue, _), xyz in arms.items() if hue == f"5{family}"])
        angle = np.angle(np.sum(rulers()["IPT"](middle)[:, 1:] @ [1, 1j]), deg=True)
        assert ruler_uncertainty_deg(angle) == pytest.approx(rms(own), abs=0.05)


def test_the_second_ruler_is_jzazbz_by_colour_science():
    lab = np.array([[32.0, 79.0, -108.0], [60.0, -30.0, 40.0], [100.0, 0.0, 0.0]])
    colour = colour_science()
    d50, d65 = np.array([0.9642, 1.0, 0.8249]), np.array([0.95047, 1.0, 1.08883])
    xyz = colour.chromatic_adaptation(lab_to_xyz(lab), d50, d65, method="Von Kries", transform="Bradford")
    outside = colour.XYZ_to_Jzazbz(100 * xyz)
    assert lab_to_jzazbz(lab) == pytest.approx(outside / outside[2, 0], abs=1e-6)


BLUE = element("ring-to-white-blue")
RADIUS = np.arange(3.05, 17.0, 0.08)
INTENDED = ring_lab(BLUE, RECIPE, RADIUS)


def test_blue_to_white_along_munsells_own_blue_is_no_swing(arms):
    # 7.5PB from value 2 to 8, most chroma printed at each, out to white: one hue, as observers saw it
    colour = colour_science()
    chips = {}
    for (hue, value, chroma), chip in colour.MUNSELL_COLOURS["real"]:
        if hue == "7.5PB" and value in (3, 4, 5, 6, 7, 8, 9) and chroma <= 2.2 * (10 - value):
            chips[value] = max(chips.get(value, (0, None)), (chroma, tuple(chip)))
    xyy = np.array([chips[value][1] for value in sorted(chips)]) / (1, 1, 100)
    c = colour.xy_to_XYZ(_white("C"))
    xyz = colour.chromatic_adaptation(
        colour.xyY_to_XYZ(xyy), c, np.array([0.9642, 1.0, 0.8249]), method="Von Kries", transform="CAT02"
    )
    lab = np.vstack([xyz_to_lab(xyz), [100.0, 0.0, 0.0]])
    assert len(lab) >= 6
    printed = PchipInterpolator(lab[:, 0], lab)(np.linspace(100.0, lab[0, 0], len(RADIUS)))
    in_cielab = np.degrees(np.unwrap(np.arctan2(printed[:, 2], printed[:, 1])))[20:]
    assert np.ptp(in_cielab) > 8  # CIELAB bends it
    assert find_hue_swings(RADIUS, printed, INTENDED) == ()


def test_blue_to_white_of_one_hue_by_the_ruler_is_no_swing_though_cielab_turns():
    ipt = lab_to_ipt(INTENDED)
    chroma = np.hypot(ipt[:, 1], ipt[:, 2])
    rim = np.arctan2(ipt[-1, 2], ipt[-1, 1])
    straight = ipt_to_lab(np.stack([ipt[:, 0], chroma * np.cos(rim), chroma * np.sin(rim)], axis=1))
    turn = np.degrees(np.unwrap(np.arctan2(straight[30:, 2], straight[30:, 1])))
    assert np.ptp(turn) > 15
    assert find_hue_swings(RADIUS, straight, INTENDED) == ()


def test_a_swing_states_both_rulers_and_how_far_to_trust_them():
    name = "ring-to-white-magenta"
    ring = element(name)
    path = ring_path(ring, RECIPE, IdentityPrinter(), [HueShift(name, 11.0, 2.0, 12.0)])
    rows = np.searchsorted(path.radius_mm, RADIUS)
    (swing,) = find_hue_swings(RADIUS, path.lab[rows], path.intended_lab[rows])
    assert swing.degrees == pytest.approx(12.0, abs=1.0)
    assert swing.other_ruler_deg == pytest.approx(12.0, abs=4.0)
    assert not swing.rulers_disagree
    assert 1.0 < swing.uncertainty_deg < 5.0


def test_a_turn_of_a_colour_near_white_is_known_less_well():
    name = "ring-to-white-orange"
    ring = element(name)
    doubts = []
    for place in (6.0, 14.0):
        path = ring_path(ring, RECIPE, IdentityPrinter(), [HueShift(name, place, 1.5, 25.0)])
        rows = np.searchsorted(path.radius_mm, RADIUS)
        swings = find_hue_swings(RADIUS, path.lab[rows], path.intended_lab[rows])
        doubts += [swing.uncertainty_deg for swing in swings if abs(swing.radius_mm - place) < 1]
    assert len(doubts) == 2
    assert doubts[0] > 1.1 * doubts[1]


def test_what_turns_by_one_ruler_only_is_flagged():
    # hue held by Jzazbz, and so bent by IPT, in a stretch of dark blue
    name = "ring-to-black-blue"
    intended = ring_lab(element(name), RECIPE, RADIUS)
    ipt = lab_to_ipt(intended)
    bump = 8.0 * np.exp(-(((RADIUS - 11.0) / 0.8) ** 2))
    angle = np.arctan2(ipt[:, 2], ipt[:, 1]) + np.radians(bump)
    chroma = np.hypot(ipt[:, 1], ipt[:, 2]) * (1 - 0.5 * bump / 8.0)
    printed = ipt_to_lab(np.stack([ipt[:, 0], chroma * np.cos(angle), chroma * np.sin(angle)], axis=1))
    for swing in find_hue_swings(RADIUS, printed, intended):
        apart = abs(swing.degrees - swing.other_ruler_deg)
        half = np.sign(swing.degrees) * swing.other_ruler_deg < abs(swing.degrees) / 2
        assert swing.rulers_disagree == (apart > 2 * swing.uncertainty_deg or half)
