"""Mistakes in measuring a patch sheet by hand: named in words, in whole rows or single patches."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import spectral

from inkstrain.scoring.colour.exchange import Readings
from inkstrain.scoring.colour.misreadings import likely_mistake
from inkstrain.scoring.jobs.fitting import ScannedPatches, fit_from_readings
from inkstrain.scoring.results.fit import Decoding, FitConditions, ScannerFit
from inkstrain.targets.errors import CannotMeasureError
from inkstrain.targets.recipe import Recipe

PATCHES = spectral.patches_of(Recipe(only=("patch-field",), patch_mm=12.0))
NAMES = [patch.patch for patch in PATCHES]
REFLECTANCE = spectral.FIRST.reflectance(np.array([patch.rgb for patch in PATCHES]))
ACROSS = 15


@pytest.fixture(scope="module")
def scanned() -> ScannedPatches:
    linear = spectral.sensor().linear(REFLECTANCE, noise=1e-4, flare=0.003)
    return ScannedPatches(
        chart="CHARTAAA", space="adobe-rgb", patches=tuple(PATCHES), linear=linear,
        decoding=Decoding(note="", check_xyz=()),
    )  # fmt: skip


def read() -> np.ndarray:
    lab = spectral.lab_of(REFLECTANCE)
    return np.asarray(lab + 0.05 * np.random.default_rng(3).standard_normal(lab.shape))


def fit_of(scanned: ScannedPatches, lab: np.ndarray, tmp_path: Path) -> ScannerFit:
    (tmp_path / "m.txt").touch()
    readings = Readings(names={"SAMPLE_ID": tuple(NAMES)}, lab=lab, quantity="lab")
    return fit_from_readings(scanned, readings, tmp_path / "m.txt", FitConditions())


def test_two_swapped_patches_and_one_read_twice_are_named_and_left_out(scanned: ScannedPatches, tmp_path: Path) -> None:
    lab = read()
    a, b, first, again = (NAMES.index(name) for name in ("B3", "D8", "H5", "H9"))
    lab[[a, b]] = lab[[b, a]]
    lab[again] = lab[first] + 0.05
    fit = fit_of(scanned, lab, tmp_path)
    assert {suspect.patch: suspect.text for suspect in fit.suspects} == {
        "B3": "probably swapped with D8",
        "D8": "probably swapped with B3",
        "H9": "probably a second reading of H5; measure it again",
    }
    assert fit.patches == 137
    assert fit.residual_de00.p95 < 0.5  # the rest is none the worse


@pytest.mark.parametrize(("one", "other"), [("A", "C"), ("G", "H")])
def test_exchanged_rows_are_named_and_no_fit_is_made(
    scanned: ScannedPatches, tmp_path: Path, one: str, other: str
) -> None:
    lab = read()
    first, second = (NAMES.index(f"{row}1") + np.arange(ACROSS) for row in (one, other))
    lab[[*first, *second]] = lab[[*second, *first]]
    with pytest.raises(CannotMeasureError, match=f"rows {one} and {other} were measured in each other's place"):
        fit_of(scanned, lab, tmp_path)


def test_a_row_read_backwards_and_readings_that_are_one_late_are_told(scanned: ScannedPatches) -> None:
    lab, row = read(), NAMES.index("E1") + np.arange(ACROSS)
    backwards = lab.copy()
    backwards[row] = lab[row[::-1]]
    assert likely_mistake(NAMES, scanned.linear, backwards) == "row E was measured backwards"
    place = NAMES.index("F6")
    late, early = lab.copy(), lab.copy()
    late[place:] = lab[place - 1 : -1]
    early[place:-1] = lab[place + 1 :]
    told = str(likely_mistake(NAMES, scanned.linear, late))
    assert told.startswith(("F4 or its neighbour was read twice", "F5 or its neighbour was read twice"))
    assert str(likely_mistake(NAMES, scanned.linear, early)).startswith("F6 was left out")


def test_good_readings_and_readings_of_another_print_name_no_mistake(scanned: ScannedPatches, tmp_path: Path) -> None:
    assert likely_mistake(NAMES, scanned.linear, read()) is None
    shuffled = np.random.default_rng(4).permutation(read())
    assert likely_mistake(NAMES, scanned.linear, shuffled) is None
    with pytest.raises(CannotMeasureError, match="do not belong to this scan"):
        fit_of(scanned, shuffled, tmp_path)
