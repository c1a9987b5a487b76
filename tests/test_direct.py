"""Scores from an instrument's readings, without a scan, and exported values that read back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import spectral
from jsonschema import Draft202012Validator

from inkstrain.cli.app import main
from inkstrain.scoring.colour.exchange import exchange_text, read_exchange
from inkstrain.scoring.jobs.direct import export_text, step_name
from inkstrain.scoring.results.schema import schemas
from inkstrain.scoring.results.score import HueSweepScore, NeutralWedgeScore, PatchFieldScore, Score
from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import WHITE_D50, density, lab_to_xyz, xyz_to_lab
from inkstrain.targets.key import HueSweep, NeutralWedge
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.sweeps import sweep_rgb

RECIPE = Recipe(only=("hue-sweep", "neutral-wedge", "patch-field"), dpi=200, sheet="200x250")
ROUNDING = 1e-3


def relative(lab: np.ndarray, paper: np.ndarray) -> np.ndarray:
    return xyz_to_lab(lab_to_xyz(lab) * WHITE_D50 / lab_to_xyz(paper))


@pytest.fixture(scope="module")
def truth() -> dict[str, np.ndarray]:
    """Absolute CIELAB of everything on the chart that a handheld instrument can read, by sample id."""
    found = {"paper": spectral.lab_of(spectral.FIRST.reflectance(np.ones((1, 3))))[0]}
    for element in build_key(RECIPE).sheets[0].tiles[0].elements:
        if isinstance(element, NeutralWedge):
            lab = spectral.lab_of(spectral.FIRST.reflectance(np.array([step.rgb for step in element.steps])))
            found |= {step_name(step.step): row for step, row in zip(element.steps, lab, strict=True)}
        if isinstance(element, HueSweep):
            for band in element.rows:
                places = np.arange(5.0, band.box_mm[2], 10.0)
                rgb = sweep_rgb(RECIPE.space, band.level, places / band.box_mm[2])
                names = [f"{band.level}-{place:.1f}mm" for place in places]
                found |= dict(zip(names, spectral.lab_of(spectral.FIRST.reflectance(rgb)), strict=True))
    return found | {
        k: np.array(v) for k, v in spectral.measured_lab(spectral.patches_of(RECIPE), spectral.FIRST, error=0).items()
    }


def scored(folder: Path, samples: dict[str, np.ndarray], *words: str) -> Score:
    (folder / "readings.txt").write_text(exchange_text(samples, {"INSTRUMENTATION": "invented"}), encoding="utf-8")
    (folder / "key.json").write_text(build_key(RECIPE).model_dump_json(), encoding="utf-8")
    command = ["score", "--measured", str(folder / "readings.txt"), str(folder / "key.json"), *words]
    assert main([*command, "--json", str(folder / "score.json")]) == 0
    return Score.model_validate_json((folder / "score.json").read_bytes())


def test_an_instrument_scores_patches_steps_and_bands(tmp_path: Path, truth: dict[str, np.ndarray]) -> None:
    score = scored(tmp_path, truth)
    assert {type(element) for element in score.elements} == {PatchFieldScore, NeutralWedgeScore, HueSweepScore}
    assert score.tiles == ()
    assert score.colour_basis.kind == "instrument"
    for element in score.elements:
        if isinstance(element, PatchFieldScore):
            for patch in element.patches:
                assert patch.lab == pytest.approx(relative(truth[patch.patch], truth["paper"]), abs=ROUNDING)
                assert patch.scan_linear is None
        if isinstance(element, NeutralWedgeScore):
            assert element.steps[0].lab == pytest.approx(relative(truth["wedge-1"], truth["paper"]), abs=ROUNDING)
    assert score.black is not None
    assert score.black.absolute_lab == pytest.approx(truth["wedge-1"], abs=ROUNDING)
    assert score.black.absolute_density == pytest.approx(float(density(truth["wedge-1"])), abs=1e-4)
    assert score.white.absolute_lab == pytest.approx(truth["paper"], abs=ROUNDING)


def test_what_was_not_measured_is_absent_and_what_is_incomplete_says_so(
    tmp_path: Path, truth: dict[str, np.ndarray]
) -> None:
    some = {name: truth[name] for name in ("paper", "wedge-1", "wedge-10", "wedge-20")}
    score = scored(tmp_path, some)
    assert [element.kind for element in score.elements] == ["neutral-wedge"]
    wedge = score.elements[0]
    assert [step.step for step in wedge.steps] == [1, 10, 20]
    assert [str(flag) for flag in wedge.flags] == ["not-measured: 30 of the steps"]
    assert wedge.monotonic


def test_a_direct_score_meets_its_schema_and_can_be_reported_and_printed(
    tmp_path: Path, truth: dict[str, np.ndarray], capsys: pytest.CaptureFixture[str]
) -> None:
    score = scored(tmp_path, truth, "--report", str(tmp_path / "report.html"))
    Draft202012Validator(schemas()["score"]).validate(score.model_dump(mode="json", by_alias=True))
    assert "instrument" in (tmp_path / "report.html").read_text(encoding="utf-8")
    capsys.readouterr()
    assert main(["score", "--measured", str(tmp_path / "readings.txt"), str(tmp_path / "key.json")]) == 0
    assert "Measured by an instrument" in capsys.readouterr().out


def test_exported_values_read_back_to_within_rounding(tmp_path: Path, truth: dict[str, np.ndarray]) -> None:
    score = scored(tmp_path, truth, "--export-measured", str(tmp_path / "again.txt"))
    readings = read_exchange(tmp_path / "again.txt")
    wanted = [name for name in truth if "mm" not in name]
    rows = readings.rows(wanted)
    assert set(rows) == set(wanted)
    for name in wanted:
        assert readings.lab[rows[name]] == pytest.approx(truth[name], abs=2e-3)
    assert export_text(score) == (tmp_path / "again.txt").read_text(encoding="utf-8")


def test_values_exported_from_a_scan_score_alike(tmp_path: Path) -> None:
    spectral.spectral_scan(RECIPE, tmp_path / "scan.tif", spectral.FIRST, spectral.sensor())
    words = ["score", str(tmp_path / "scan.tif"), "--export-measured", str(tmp_path / "out.txt")]
    assert main([*words, "--json", str(tmp_path / "scan.json")]) == 0
    (tmp_path / "key.json").write_text(build_key(RECIPE).model_dump_json(), encoding="utf-8")
    words = ["score", "--measured", str(tmp_path / "out.txt"), str(tmp_path / "key.json")]
    assert main([*words, "--json", str(tmp_path / "direct.json")]) == 0
    scan, direct = (Score.model_validate_json((tmp_path / name).read_bytes()) for name in ("scan.json", "direct.json"))
    for one in scan.elements:
        if isinstance(one, PatchFieldScore):
            other = next(e for e in direct.elements if isinstance(e, PatchFieldScore))
            assert np.array([p.lab for p in one.patches]) == pytest.approx(
                np.array([p.lab for p in other.patches]), abs=5e-3
            )


@pytest.mark.parametrize(
    ("keep", "says"),
    [
        (("A1", "B2", "wedge-3"), "no reading of bare paper"),
        (("nothing", "of", "ours"), "names nothing of chart"),
        (("paper",), "too little"),
    ],
)
def test_readings_that_cannot_be_scored_are_refused(
    tmp_path: Path, truth: dict[str, np.ndarray], keep: tuple[str, ...], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    samples = {name: truth.get(name, truth["A1"]) for name in keep} | {"other": truth["paper"]}
    (tmp_path / "readings.txt").write_text(exchange_text(samples, {}), encoding="utf-8")
    (tmp_path / "key.json").write_text(build_key(RECIPE).model_dump_json(), encoding="utf-8")
    assert main(["score", "--measured", str(tmp_path / "readings.txt"), str(tmp_path / "key.json"), "--json", "-"]) == 3
    assert says in capsys.readouterr().err
