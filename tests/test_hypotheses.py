"""Was it printed as you think? Prints of known making, with noise, a scanner's error and damage."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from icc_samples import device_lab, packed, rgb_profile, rgb_tags

from inkstrain.cli.app import main
from inkstrain.scoring.measure.course import RESOLUTION_MM
from inkstrain.scoring.measure.totals import totals_of
from inkstrain.scoring.promise.forecast import predicted_elements
from inkstrain.scoring.promise.hypotheses import printed_as
from inkstrain.scoring.promise.rendering import RENDERINGS, Press, Rendering
from inkstrain.scoring.results.score import (
    ColourBasis,
    Conditions,
    MadeBy,
    MarkResidual,
    Score,
    TileReading,
    Viewing,
    White,
)
from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import delta_e00, lab_to_xyz, xyz_to_lab
from inkstrain.targets.outputprofile import OutputProfile
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import IccPrinter, ScanOptions, rehearse
from inkstrain.targets.spaces import icc_profile

RECIPE = Recipe(hues=4, only=("ring-to-white", "ring-to-black", "hue-sweep", "neutral-wedge"))
PROFILE = OutputProfile(rgb_profile())
RELATIVE = Rendering("relative", False)
Colours = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Made:
    """A print of known making: what it does to the file's colours, and how well that is seen."""

    colours: Colours
    seed: int = 1
    noise: float = 0.003
    space: str = RECIPE.space

    def lab(self, rgb: np.ndarray) -> np.ndarray:
        xyz = lab_to_xyz(self.colours(np.asarray(rgb)))
        # every call has its own noise, and every print its own
        noise = np.random.default_rng([self.seed, len(xyz)]).normal(0, self.noise, xyz.shape)
        return xyz_to_lab(xyz * (1 + noise))


def score_of(made: Made) -> Score:
    elements = predicted_elements(RECIPE, made)  # type: ignore[arg-type]
    tile = TileReading(
        sheet=1, tile=1, scan="scan.tif", scan_sha256="0" * 64, dpi=(300, 300), rotation_deg=0, print_scale=(1.0, 1.0),
        mark_residual_mm=MarkResidual(rms=0.01, max=0.02), marks_used=20, marks_expected=20, bits_per_channel=16,
    )  # fmt: skip
    return Score(
        made_by=MadeBy(version="0"), chart=RECIPE.chart_id, recipe=RECIPE.text, conditions=Conditions(),
        colour_basis=ColourBasis(kind="scanner-profile", note=""),
        viewing=Viewing(distance_mm=400, luminance_cd_m2=143), resolution_mm=RESOLUTION_MM,
        white=White(lab=(95.0, 0.0, 0.0)), black=None, tiles=(tile,), elements=elements, totals=totals_of(elements),
    )  # fmt: skip


def press(rendering: Rendering = RELATIVE, profile: OutputProfile = PROFILE) -> Press:
    return Press(RECIPE.space, profile, rendering)


def taken_for_srgb(rgb: np.ndarray) -> np.ndarray:
    return replace(press(), space="srgb").lab(rgb)


def twice(rgb: np.ndarray) -> np.ndarray:
    return press().lab(PROFILE.to_device(RECIPE.space, rgb, "relative", False))


# an unmanaged printer's colours are the analytic printer's own, not those of its profile
WAYS = {
    "as stated": press().lab,
    "perceptual without black point compensation": press(Rendering("perceptual", False)).lab,
    "relative with black point compensation": press(Rendering("relative", True)).lab,
    "the chart's numbers taken for sRGB": taken_for_srgb,
    "the profile applied twice": twice,
    "no colour management": device_lab,
}


@pytest.mark.parametrize("name", WAYS)
@pytest.mark.parametrize("seed", range(4))
def test_the_way_a_print_was_made_is_named(name: str, seed: int) -> None:
    found = printed_as(score_of(Made(WAYS[name], seed)), press())
    assert found is not None
    assert found.best == name
    if name == "as stated":
        assert found.verdict in ("fits", "cannot-tell")
        assert found.lead_de00 == 0.0
    elif found.hypotheses[0].name == name and apart_from_stated(found) >= 1.0:
        assert found.verdict == "does-not-fit"
        assert name in found.text


def apart_from_stated(found: object) -> float:
    return next(h.apart_de00 for h in found.hypotheses if h.name == "as stated")  # type: ignore[attr-defined]


def test_what_differs_by_less_than_one_unit_cannot_be_told() -> None:
    nearly = OutputProfile(rgb_profile("Another printer"))
    tags = bytearray(nearly.data)
    # the same tables under another name predict the same; a print says nothing about which was used
    found = printed_as(score_of(Made(press().lab)), press(), [OutputProfile(bytes(tags))])
    assert found is not None
    assert "the profile Another printer" not in [h.name for h in found.hypotheses]
    # compensation moves this printer's colours by 0.9 in mean: seen, but not enough to be sure of
    with_bpc = printed_as(score_of(Made(press(Rendering("relative", True)).lab)), press())
    assert with_bpc is not None
    assert (with_bpc.verdict == "does-not-fit") == (apart_from_stated(with_bpc) >= 1.0)
    if with_bpc.verdict == "cannot-tell":
        assert "cannot tell" in with_bpc.text


def test_a_closer_profile_fits_better_and_still_nothing_is_claimed() -> None:
    other = OutputProfile(packed(rgb_tags("Slightly weaker inks", chroma=0.97)))
    found = printed_as(score_of(Made(press(profile=other).lab)), press(), [other])
    assert found is not None
    assert found.best == "the profile Slightly weaker inks"
    assert 0.1 < apart_from_stated(found) < 1.0
    assert found.verdict == "cannot-tell"
    assert "cannot tell" in found.text


def test_a_print_that_was_fitted_to_the_page_is_told() -> None:
    score = score_of(Made(press().lab))
    scaled = score.tiles[0].model_copy(update={"print_scale": (0.96, 0.96)})
    found = printed_as(score.model_copy(update={"tiles": (scaled,)}), press())
    assert found is not None
    assert "4.0 % off its size: print at 100 %, without fitting to the page" in found.text
    as_it_should = printed_as(score, press())
    assert as_it_should is not None
    assert "off its size" not in as_it_should.text


def test_another_profile_is_found_out() -> None:
    other = OutputProfile(icc_profile("srgb"), "other")
    made = Press(RECIPE.space, other, RELATIVE)
    found = printed_as(score_of(Made(made.lab)), press(Rendering("perceptual", False)), [other])
    assert found is not None
    assert found.best.startswith("the profile sRGB")
    assert found.verdict == "does-not-fit"


def test_a_printer_like_none_of_them_is_told_so() -> None:
    def dark(rgb: np.ndarray) -> np.ndarray:
        return press().lab(rgb) * np.array([0.6, 0.5, 0.5])

    found = printed_as(score_of(Made(dark)), press())
    assert found is not None
    assert found.nothing_fits
    assert "Nothing fits well" in found.text


def test_damage_is_no_evidence_of_a_wrong_intent() -> None:
    score = score_of(Made(press().lab))
    spoiled = []
    for element in score.elements:
        if element.kind == "ring-to-white":
            # a tenth of every ring to white held at one colour
            lab = np.array(element.course.lab)
            start, tenth = len(lab) // 3, len(lab) // 10
            lab[start : start + tenth] = lab[start]
            course = element.course.model_copy(update={"lab": tuple(map(tuple, lab.tolist()))})
            element = element.model_copy(update={"course": course})
        spoiled.append(element)
    found = printed_as(score.model_copy(update={"elements": tuple(spoiled)}), press())
    assert found is not None
    assert found.best == "as stated"


def test_every_rendering_is_a_hypothesis_once() -> None:
    found = printed_as(score_of(Made(press().lab)), press())
    assert found is not None
    names = [h.name for h in found.hypotheses]
    assert len(names) == len(set(names))
    # saturation and perceptual share their tables here, with compensation and without
    assert len([name for name in names if name in {each.name for each in RENDERINGS}]) == 3
    misfits = [h.misfit_de00 for h in found.hypotheses]
    assert misfits == sorted(misfits)


def test_a_rehearsed_scan_that_was_printed_otherwise_is_flagged(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recipe = Recipe(sheet="100x148", hues=1, only=("ring-to-white", "ring-to-black", "neutral-wedge"))
    icc = tmp_path / "printer.icc"
    icc.write_bytes(PROFILE.data)
    scan = tmp_path / "scan.tif"
    rehearse(build_key(recipe), scan, printer=IccPrinter(PROFILE.data, "perceptual"), scan_options=ScanOptions(dpi=200))
    for intent, flagged in (("perceptual", False), ("relative", True)):
        assert main(["score", str(scan), "--profile", str(icc), "--intent", intent, "--json", "-"]) == 0
        score = Score.model_validate_json(capsys.readouterr().out)
        assert score.printed_as is not None
        assert (score.printed_as.verdict == "does-not-fit") == flagged
        assert any(flag.code == "not-as-stated" for flag in score.flags) == flagged
        causes = {c.cause for ring in score.rings() for c in (*ring.contours, *ring.flat_bands, *ring.hue_swings)}
        # causes of a print made otherwise would be those of another print
        assert not flagged or causes <= {"unknown"}
        for ring in score.rings():
            assert ring.course.attainable_lab is not None
            assert ring.delta_e00.attainable is not None
            assert (ring.delta_e00.attainable.mean < 0.5) == (not flagged)


def test_a_profile_needs_its_intent(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    icc = tmp_path / "printer.icc"
    icc.write_bytes(PROFILE.data)
    scan = tmp_path / "scan.tif"
    assert main(["score", str(scan), "--profile", str(icc)]) == 2
    assert "--intent perceptual" in capsys.readouterr().err
    assert main(["score", str(scan), "--other-profile", str(icc)]) == 2
    assert "--other-profile needs --profile" in capsys.readouterr().err


def test_predictions_differ_where_the_tests_say_they_do() -> None:
    rgb = np.random.default_rng(3).random((200, 3))
    stated = press().lab(rgb)
    for name, way in WAYS.items():
        if name not in ("as stated", "relative with black point compensation"):
            assert np.mean(delta_e00(way(rgb), stated)) > 1.0
