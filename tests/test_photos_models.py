"""What photographs are judged by: the eye's filter, the gamut, and a score that stands for its printer."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import score_samples
from icc_samples import rgb_profile
from numpy.typing import NDArray
from photo_samples import saved, scene

from inkstrain.cli.app import main
from inkstrain.scoring.eye.visibility import castle
from inkstrain.scoring.ledger import open_ledger
from inkstrain.scoring.photos.look import look_at_photos
from inkstrain.scoring.photos.printermodel import ScoreSide, score_side
from inkstrain.scoring.photos.reading import Source
from inkstrain.scoring.photos.seen import eye_gain, seen_de00
from inkstrain.scoring.photos.sides import BITS, ProfileSide
from inkstrain.scoring.photos.words import COLOUR_NAMES, colour_index, where_words
from inkstrain.scoring.promise.forecast import predicted_elements
from inkstrain.scoring.promise.rendering import Press, Rendering
from inkstrain.scoring.results.score import BasisCheck, ColourBasis, Contour, RingScore, Score, Viewing
from inkstrain.targets.colorimetry import delta_e00, lab_to_xyz, xyz_to_lab
from inkstrain.targets.outputprofile import OutputProfile
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.spaces import icc_profile

Array = NDArray[np.float64]

VIEWING = Viewing(distance_mm=400.0, luminance_cd_m2=143.0)
SRGB = Source(icc_profile("srgb"), "sRGB")
PROFILE = OutputProfile(rgb_profile())
RELATIVE = Rendering("relative", True)
POINTS = 0.03
"""3 points of share, the figure asked for."""


def even(lab: tuple[float, float, float], shape: tuple[int, int] = (64, 96)) -> NDArray[np.float32]:
    xyz = lab_to_xyz(np.array(lab))
    return np.broadcast_to(xyz[:, None, None], (3, *shape)).astype(np.float32)


def test_a_broad_difference_is_seen_whole() -> None:
    a, b = (60.0, 10.0, 20.0), (57.0, 12.0, 17.0)
    seen = seen_de00(even(a), even(b), 0.3, VIEWING)
    assert seen == pytest.approx(float(delta_e00(a, b)), abs=0.01)


def test_fine_texture_is_not_seen_and_coarse_texture_is() -> None:
    rows = np.arange(256) // 1

    def striped(pixels: int) -> float:
        up, down = even((62.0, 0.0, 0.0), (256, 64)), even((58.0, 0.0, 0.0), (256, 64))
        first = (rows // pixels % 2 == 0)[None, :, None]
        return float(seen_de00(np.where(first, up, down), np.where(first, down, up), 0.05, VIEWING).mean())

    assert striped(1) < 0.3  # 0.1 mm a pair: 70 cycles a degree at 400 mm, beyond the eye's limit of about 50
    assert striped(64) > 2.5  # 6.4 mm a pair


def test_the_filter_is_the_project_s_own_contrast_sensitivity() -> None:
    frequency = np.array([8.0, 16.0, 32.0])
    curve = castle(np.append(np.geomspace(0.05, 60, 2000), frequency), 143.0 * 0.2, 100.0, "achromatic")
    assert eye_gain(frequency, VIEWING, 0) == pytest.approx(curve[-3:] / curve.max(), rel=0.01)
    assert eye_gain(np.array([0.1]), VIEWING, 0) == pytest.approx(1.0)
    # colour is blurred more than light: published for castleCSF and for S-CIELAB alike
    assert eye_gain(frequency, VIEWING, 2)[0] < eye_gain(frequency, VIEWING, 1)[0] < eye_gain(frequency, VIEWING, 0)[0]


def test_the_gamut_s_table_against_every_colour_by_itself() -> None:
    values = scene(160, 120, 9).reshape(-1, 3) / 255.0
    intended = xyz_to_lab(SRGB.to_xyz(values))
    once = PROFILE.device_xyz(PROFILE.xyz_to_device(SRGB.to_xyz(values), "relative", False))
    again = PROFILE.device_xyz(PROFILE.xyz_to_device(once, "relative", False))
    excess = delta_e00(intended, xyz_to_lab(once)) - delta_e00(xyz_to_lab(once), xyz_to_lab(again))
    found = ProfileSide(PROFILE, RELATIVE).bits(SRGB, values, intended) & BITS["out_of_gamut"] > 0
    assert found.mean() == pytest.approx((excess > 1.0).mean(), abs=0.01)


@pytest.fixture(scope="module")
def foretold() -> Score:
    """A score of the invented printer without a scan: rings, sweeps and wedge as its profile has them."""
    recipe = Recipe()
    elements = predicted_elements(recipe, Press(recipe.space, PROFILE, RELATIVE))
    sample = score_samples.score()
    return sample.model_copy(update={"elements": elements, "recipe": recipe.text, "chart": recipe.chart_id})


@pytest.fixture(scope="module")
def side(foretold: Score) -> ScoreSide:
    return score_side(foretold, "foretold")


def pictures() -> list[Array]:
    """Twenty pictures' colours: photographs that scikit-image ships and some made here, vivid and grey ones too."""
    from skimage import data

    shipped = [data.astronaut(), data.coffee(), data.chelsea(), data.rocket(), data.immunohistochemistry()]
    grey = [np.dstack([one] * 3) for one in (data.camera(), data.coins(), data.moon(), data.text(), data.page())]
    made = [scene(150, 100, seed) for seed in range(10)]
    rng = np.random.default_rng(2)
    colours = [one.reshape(-1, 3) / 255.0 for one in (*shipped, *grey, *made)]
    return [one[rng.permutation(len(one))[:20000]] for one in colours]


def test_a_score_stands_for_its_printer_where_its_chart_has_colours(side: ScoreSide) -> None:
    truth = ProfileSide(PROFILE, RELATIVE)
    off, pooled = [], np.zeros(3)
    for values in pictures():
        intended = xyz_to_lab(SRGB.to_xyz(values))
        covered = side.bits(SRGB, values, intended) & BITS["not_covered"] == 0
        asked = intended[covered]
        true = np.asarray(delta_e00(truth.lab(SRGB, values[covered], asked), asked))
        model = np.asarray(delta_e00(side.lab(SRGB, values[covered], asked), asked))
        pooled += [covered.sum(), (true > 2.0).sum(), (model > 2.0).sum()]
        # of a few pixels' share nothing is asked by itself: a tenth of them may lie within the model's error of 2
        if covered.mean() > 0.05:
            off.append(abs(float((true > 2.0).mean() - (model > 2.0).mean())))
    assert len(off) >= 8
    assert max(off) < POINTS
    assert pooled[1] / pooled[0] == pytest.approx(pooled[2] / pooled[0], abs=POINTS)


def test_the_model_s_own_errors_are_told_and_grow_with_distance(side: ScoreSide) -> None:
    error = side.view.model_error
    assert error is not None
    assert error.samples > 500
    assert error.reach <= 2.0
    assert error.inside_median is not None
    assert error.inside_median < error.median < error.p95


def test_findings_are_found_again_in_the_picture_s_colours(foretold: Score) -> None:
    rings = [e for e in foretold.elements if isinstance(e, RingScore)]
    red = next(ring for ring in rings if ring.id == "ring-to-white-red")
    radius = red.course.radius_mm
    middle = radius[len(radius) // 2]
    contour = Contour(
        radius_mm=middle,
        inner_mm=middle - 0.3,
        outer_mm=middle + 0.3,
        width_mm=0.6,
        excess_de00=2.4,
        contrast_de00=4.0,
        visibility=9.0,
    )
    broken = red.model_copy(update={"contours": (contour,)})
    elements = tuple(broken if element is red else element for element in foretold.elements)
    side = score_side(foretold.model_copy(update={"elements": elements}), "x")
    at = np.array([red.course.intended_lab[len(radius) // 2], (50.0, 0.0, 0.0)])
    found = side.bits(SRGB, np.zeros((2, 3)), at) & BITS["contour"]
    assert found.tolist() == [BITS["contour"], 0]


@pytest.mark.parametrize(("belongs", "flagged"), [(True, 0), (False, 1)])
def test_a_score_under_another_paper_s_fit_says_so(foretold: Score, belongs: bool, flagged: int) -> None:
    check = BasisCheck(paper_de00=2.0, belongs=belongs)
    basis = ColourBasis(kind="scanner-fit", note="invented for a test", check=check)
    flags = score_side(foretold.model_copy(update={"colour_basis": basis}), "x").view.flags
    assert len(flags) == flagged
    assert all("another paper or ink set" in flag for flag in flags)


def test_what_a_chart_does_not_cover_is_counted_and_no_difference_is_claimed(tmp_path: Path, side: ScoreSide) -> None:
    pixels = np.full((60, 90, 3), (150, 110, 90), np.uint8)  # a skin colour: on no ring, sweep or wedge
    pixels[:, :30] = 128
    found = look_at_photos([saved(tmp_path / "skin.png", pixels)], side, None, VIEWING)
    picture = found.pictures[0]
    assert picture.not_covered == pytest.approx(2 / 3, abs=0.001)
    assert picture.area_over.over_1 <= 1 / 3 + 0.001
    assert "Not known" in picture.verdict
    assert picture.findings_a is not None


def test_a_score_is_found_in_a_ledger(tmp_path: Path, foretold: Score, capfd: pytest.CaptureFixture[str]) -> None:
    book = tmp_path / "ledger.sqlite"
    with open_ledger(book) as ledger:
        ledger.keep(foretold, label="first print")
    path = saved(tmp_path / "one.png", scene(60, 40, 1))
    words = ["photos", str(path), "--a", "first print", "--ledger", str(book)]
    assert main(words) == 0
    assert "not on the chart" in capfd.readouterr().out
    assert main([*words[:3], "another", *words[4:]]) == 2
    assert "ledger" in capfd.readouterr().err
    assert main(["photos", str(path), "--a", "first print", "--ledger", str(tmp_path / "none.sqlite")]) == 4
    capfd.readouterr()


def test_a_print_s_own_black_may_be_taken_for_black(tmp_path: Path) -> None:
    dark = np.full((40, 60, 3), 8, np.uint8)
    path = saved(tmp_path / "dark.png", dark)
    a = ProfileSide(PROFILE, RELATIVE)
    plain = look_at_photos([path], a, None, VIEWING).pictures[0]
    fitted = look_at_photos([path], a, None, VIEWING, fit_black=True)
    assert plain.area_over.over_3 == 1.0
    assert fitted.pictures[0].area_over.over_2 == 0.0
    assert fitted.b is not None
    assert "black" in fitted.b.label


def test_absolute_adds_the_paper_s_own_colour(tmp_path: Path) -> None:
    path = saved(tmp_path / "white.png", np.full((40, 60, 3), 255, np.uint8))
    absolute = look_at_photos([path], ProfileSide(PROFILE, Rendering("absolute", False)), None, VIEWING).pictures[0]
    paper = xyz_to_lab(np.array(PROFILE.paper_xyz))
    assert absolute.mean_de00 == pytest.approx(float(delta_e00(paper, (100.0, 0.0, 0.0))), abs=0.2)


@pytest.mark.parametrize(
    ("lab", "name"),
    [
        ((30.0, 20.0, -50.0), "deep blues"), ((85.0, -5.0, 20.0), "pale yellows"), ((45.0, 18.0, 25.0), "browns"),
        ((50.0, 0.5, 0.5), "mid greys"), ((54.0, 81.0, 70.0), "vivid reds"), ((5.0, 0.0, 0.0), "blacks"),
    ],
)  # fmt: skip
def test_colours_have_words(lab: tuple[float, float, float], name: str) -> None:
    # words for colours: common practice, no source
    assert COLOUR_NAMES[int(colour_index(lab))] == name


def test_places_have_words() -> None:
    assert where_words((0, 0, 10, 10), 300, 200) == "upper left"
    assert where_words((290, 95, 10, 10), 300, 200) == "right"
    assert where_words((0, 0, 300, 200), 300, 200) == "over the whole frame"
