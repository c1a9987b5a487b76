"""Uneven light across the bed: flagged, and divided out by a scanned blank sheet."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import spectral

from inkstrain.cli.app import main
from inkstrain.scoring.colour.exchange import exchange_text
from inkstrain.scoring.colour.scannerfit import read_fit
from inkstrain.scoring.results.score import PatchFieldScore, Score
from inkstrain.targets.recipe import Recipe

UNEVEN = 0.06
LEFT_L = 0.3
RECIPE = Recipe(only=("neutral-wedge", "patch-field"), dpi=200, sheet="200x200")


def blank_scan(path: Path, uneven: float, *, dpi: int = 100, side_mm: float = 200.0, seed: int = 5) -> Path:
    """Write the scan of a blank sheet, at another resolution than the print's, with a speck of dust."""
    pixels = round(side_mm / 25.4 * dpi)
    light = np.full((pixels, pixels, 3), 0.94 * 0.9, np.float32)
    light *= spectral.bed_light(pixels, uneven)[None, :, None]
    light[40:44, 60:64] = 0.1
    light += 0.002 * np.random.default_rng(seed).standard_normal(light.shape, dtype=np.float32)
    spectral.write_coded(path, light, dpi)
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("light")
    spectral.spectral_scan(RECIPE, folder / "even.tif", spectral.FIRST, spectral.sensor())
    spectral.spectral_scan(RECIPE, folder / "uneven.tif", spectral.FIRST, spectral.sensor(), uneven=UNEVEN)
    blank_scan(folder / "blank.tif", UNEVEN)
    return folder


def scored(folder: Path, scan: str, *words: str) -> Score:
    assert main(["score", str(folder / scan), *words, "--json", str(folder / "score.json")]) == 0
    return Score.model_validate_json((folder / "score.json").read_bytes())


def lightness(score: Score) -> np.ndarray:
    return np.array([p.lab[0] for e in score.elements if isinstance(e, PatchFieldScore) for p in e.patches])


def flags(score: Score) -> set[str]:
    return {flag.code for tile in score.tiles for flag in tile.flags}


def test_six_per_cent_of_uneven_light_is_divided_out_by_a_blank_scan(folder: Path) -> None:
    even = scored(folder, "even.tif")
    uneven = scored(folder, "uneven.tif")
    mended = scored(folder, "uneven.tif", "--blank", str(folder / "blank.tif"))
    assert np.abs(lightness(uneven) - lightness(even)).max() > 3 * LEFT_L
    assert np.abs(lightness(mended) - lightness(even)).max() <= LEFT_L
    assert "uneven-light" not in flags(even)
    assert "uneven-light" in flags(uneven)
    assert "uneven-light" not in flags(mended)
    assert "light-evened" in flags(mended)


def test_a_fit_is_made_under_evened_light(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    readings = spectral.measured_lab(spectral.patches_of(RECIPE), spectral.FIRST)
    (folder / "measured.txt").write_text(exchange_text(readings, {}), encoding="utf-8")
    command = ["fit-scanner", str(folder / "uneven.tif"), "--measured", str(folder / "measured.txt")]
    assert main([*command, "--out", str(folder / "as-is.json")]) == 0
    assert main([*command, "--blank", str(folder / "blank.tif"), "--out", str(folder / "evened.json")]) == 0
    as_is, evened = (read_fit(folder / name) for name in ("as-is.json", "evened.json"))
    assert evened.residual_de00.rms < 0.7 * as_is.residual_de00.rms
    assert "half are within" in capsys.readouterr().err
    # what spoils the scan that a fit is made from is said, and kept with the fit
    assert any("bare paper differs by" in note for note in as_is.notes)
    assert evened.notes == ()
    # a blank scan that is none is refused, and nothing is written
    assert main([*command, "--blank", str(folder / "even.tif"), "--out", str(folder / "none.json")]) == 3
    assert not (folder / "none.json").exists()


def test_a_blank_scan_of_even_light_changes_nothing(folder: Path) -> None:
    blank_scan(folder / "plain.tif", 0.0)
    before, after = scored(folder, "even.tif"), scored(folder, "even.tif", "--blank", str(folder / "plain.tif"))
    assert np.abs(lightness(before) - lightness(after)).max() < 0.05


def test_the_report_shows_an_evened_scan(folder: Path) -> None:
    words = ["score", str(folder / "uneven.tif"), "--blank", str(folder / "blank.tif")]
    assert main([*words, "--report", str(folder / "report.html")]) == 0
    assert "light evened" in (folder / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("name", "says"),
    [("small.tif", "does not cover"), ("even.tif", "more than a blank sheet"), ("white.tif", "full white")],
)
def test_what_is_no_blank_scan_of_the_bed_is_refused(
    folder: Path, name: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    blank_scan(folder / "small.tif", UNEVEN, side_mm=120.0)
    spectral.write_coded(folder / "white.tif", np.ones((700, 700, 3), np.float32), 100)
    assert main(["score", str(folder / "uneven.tif"), "--blank", str(folder / name), "--json", "-"]) == 3
    assert says in capsys.readouterr().err
