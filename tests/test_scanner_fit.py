"""A scanner fitted to measured patches, by a spectral simulation of inks, papers and scanners."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
import spectral

from inkstrain.cli.app import main
from inkstrain.scoring.exchange import exchange_text
from inkstrain.scoring.fitting import Chosen, choose
from inkstrain.scoring.model import PatchFieldScore, Score
from inkstrain.scoring.scannerfit import read_fit
from inkstrain.targets.colorimetry import WHITE_D50, delta_e00, lab_to_xyz, xyz_to_lab
from inkstrain.targets.recipe import Recipe

MEDIAN_DE00, P95_DE00 = 0.4, 1.2
STATED_WITHIN = 0.25
RECIPE = Recipe(only=("neutral-wedge", "patch-field"), dpi=200, sheet="200x200")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A scan of a patch field, what an instrument measured on it, and the fit."""
    folder = tmp_path_factory.mktemp("fit")
    spectral.spectral_scan(RECIPE, folder / "scan.tif", spectral.FIRST, spectral.sensor())
    readings = spectral.measured_lab(spectral.patches_of(RECIPE), spectral.FIRST)
    (folder / "measured.txt").write_text(exchange_text(readings, {}), encoding="utf-8")
    words = ["fit-scanner", str(folder / "scan.tif"), "--measured", str(folder / "measured.txt")]
    assert main([*words, "--out", str(folder / "fit.json"), "--paper", "invented baryta", "--ink", "first set"]) == 0
    return folder


def test_a_fit_from_files_gives_the_colours_of_another_scan(folder: Path) -> None:
    spectral.spectral_scan(RECIPE, folder / "again.tif", spectral.FIRST, spectral.sensor(), seed=7)
    words = ["score", str(folder / "again.tif"), "--scanner-fit", str(folder / "fit.json")]
    assert main([*words, "--json", str(folder / "score.json")]) == 0
    score = Score.model_validate_json((folder / "score.json").read_bytes())
    fit = read_fit(folder / "fit.json")
    assert score.colour_basis.kind == "scanner-fit"
    assert score.colour_basis.residual_de00 is not None
    assert score.colour_basis.residual_de00.p95 == fit.residual_de00.p95
    field = next(element for element in score.elements if isinstance(element, PatchFieldScore))
    true = spectral.lab_of(spectral.FIRST.reflectance(np.array([p.rgb for p in spectral.patches_of(RECIPE)])))
    paper = lab_to_xyz(spectral.lab_of(spectral.FIRST.reflectance(np.ones((1, 3)))))
    relative = xyz_to_lab(lab_to_xyz(true) * WHITE_D50 / paper)
    away = np.asarray(delta_e00(relative, [patch.lab for patch in field.patches]))
    assert np.median(away) <= MEDIAN_DE00
    assert np.percentile(away, 95) <= P95_DE00


def wide_set(seed: int = 5) -> np.ndarray:
    """140 patches: a cube of four steps, greys, and colours anywhere."""
    cube = np.array(list(itertools.product((0.0, 1 / 3, 2 / 3, 1.0), repeat=3)))
    grey = np.repeat(np.linspace(0, 1, 18)[1:-1, None], 3, axis=1)
    return np.concatenate([cube, grey, np.random.default_rng(seed).random((60, 3))])


def fitted(scanner: spectral.Sensor, seed: int = 5) -> Chosen:
    rgb = wide_set(seed)
    reflectance = spectral.FIRST.reflectance(rgb)
    measured = spectral.lab_of(reflectance) + 0.05 * np.random.default_rng(seed).standard_normal((len(rgb), 3))
    return choose(scanner.linear(reflectance, noise=1e-4, flare=0.003, seed=seed), measured, rgb)


def true_errors(chosen: Chosen, scanner: spectral.Sensor, inks: spectral.InkSet) -> np.ndarray:
    """ΔE00 on 500 colours that the fit has not seen."""
    reflectance = inks.reflectance(np.random.default_rng(99).random((500, 3)))
    predicted = xyz_to_lab(chosen.correction.xyz(scanner.linear(reflectance, noise=1e-4, flare=0.003, seed=98)))
    return np.asarray(delta_e00(predicted, spectral.lab_of(reflectance)))


@pytest.mark.parametrize(
    ("light", "camera"),
    [("LED-B3", None), ("FL12", None), ("LED-B3", "Nikon 5100 (NPL)"), ("FL11", "Nikon 5100 (NPL)")],
)
def test_140_patches_are_enough_for_unseen_colours_of_the_same_inks(light: str, camera: str | None) -> None:
    scanner = spectral.sensor(light, camera)
    chosen = fitted(scanner)
    errors = true_errors(chosen, scanner, spectral.FIRST)
    assert np.median(errors) <= MEDIAN_DE00
    assert np.percentile(errors, 95) <= P95_DE00
    assert chosen.kept.all()


def test_another_ink_set_costs_several_times_the_stated_residual() -> None:
    scanner = spectral.sensor()
    chosen = fitted(scanner)
    own, other = (true_errors(chosen, scanner, inks) for inks in (spectral.FIRST, spectral.SECOND))
    assert np.percentile(other, 95) > 3 * np.percentile(own, 95)
