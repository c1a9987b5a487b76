"""Colour volume: solids whose volume is known, sRGB against colour-science, and what a print filled of it."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pytest
from icc_samples import CHROMA_KEPT, rgb_profile
from scipy.spatial import ConvexHull

from inkstrain.scoring.measure.gamut import Net, colour_volume, mesh_volume
from inkstrain.scoring.promise.forecast import predicted_elements
from inkstrain.scoring.promise.rendering import Press, Rendering
from inkstrain.scoring.results.score import ColourVolume, RingScore
from inkstrain.targets.colorimetry import colour_science, delta_e00
from inkstrain.targets.outputprofile import OutputProfile
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.spaces import icc_profile

RINGS = ("ring-to-white", "ring-to-black")
HUES_36 = Recipe(sheet="a3plus", space="srgb", hues=36, only=RINGS)


def rings(profile: bytes, recipe: Recipe, rendering: Rendering | None = None) -> list[RingScore]:
    press = Press(recipe.space, OutputProfile(profile), rendering or Rendering("relative", False))
    return [each for each in predicted_elements(recipe, press) if isinstance(each, RingScore)]


def ball(radius: float, hues: int = 60, places: int = 61) -> Net:
    """Return a sphere about (50, 0, 0) as a net from its lowest to its highest point."""
    tilt = np.linspace(-np.pi / 2, np.pi / 2, places)
    turn = np.arange(hues) * 2 * np.pi / hues
    return Net(
        np.stack(
            [
                np.broadcast_to(50 + radius * np.sin(tilt), (hues, places)),
                radius * np.cos(tilt) * np.cos(turn)[:, None],
                radius * np.cos(tilt) * np.sin(turn)[:, None],
            ],
            axis=-1,
        )
    )


def test_a_cube_has_its_edge_cubed() -> None:
    corners = np.array([(x, y, z) for x in (0, 2) for y in (0, 2) for z in (0, 2)], dtype=float)
    hull = ConvexHull(corners)
    # scipy's triangles turn either way: put them right by the normals it gives
    triangles = hull.simplices.copy()
    for row, normal in zip(triangles, hull.equations[:, :3], strict=True):
        a, b, c = corners[row]
        if np.dot(np.cross(b - a, c - a), normal) < 0:
            row[[1, 2]] = row[[2, 1]]
    assert mesh_volume(corners, triangles) == pytest.approx(8.0)
    assert mesh_volume(corners + 100.0, triangles) == pytest.approx(8.0)


def test_a_sphere_has_the_volume_of_a_sphere() -> None:
    assert ball(40.0).volume() == pytest.approx(4 / 3 * np.pi * 40.0**3, rel=0.005)


def test_a_sphere_that_is_blown_up_grows_by_its_surface() -> None:
    net = ball(40.0)
    outwards = (net.lab - np.array([50.0, 0.0, 0.0])) / 40.0
    assert abs(np.sum(net.slopes() * outwards)) == pytest.approx(4 * np.pi * 40.0**2, rel=0.005)


def test_what_lies_in_a_sphere_is_held_and_what_lies_outside_is_not() -> None:
    points = np.random.default_rng(1).uniform(-45, 45, (500, 3)) + np.array([50.0, 0.0, 0.0])
    distance = np.linalg.norm(points - np.array([50.0, 0.0, 0.0]), axis=1)
    held = ball(40.0).holds(points)
    assert held[distance < 39.5].all()
    assert not held[distance > 40.1].any()


def test_srgb_is_as_large_as_colour_science_counts_it() -> None:
    # the second way: random CIELAB points that decode to RGB within 0 to 1, by colour-science
    colour = colour_science()
    with colour.utilities.disable_multiprocessing():  # its processes would all draw the same points: N times fewer
        counted = colour.volume.RGB_colourspace_volume_MonteCarlo(
            colour.RGB_COLOURSPACES["sRGB"],
            samples=10**6,  # standard error 0.3 %
            illuminant_Lab=colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"],
            chromatic_adaptation_transform="Bradford",
            random_state=np.random.RandomState(4),
        )
    found = colour_volume(rings(icc_profile("srgb"), HUES_36), HUES_36)
    assert found is not None
    assert found.volume == pytest.approx(counted, rel=0.012)
    assert found.of_asked == pytest.approx(1.0, abs=1e-3)
    assert found.between_hues < 0.001 * found.volume
    assert found.standard_error == 0.0


@pytest.fixture(scope="module")
def cmyk() -> bytes:
    pyvips = pytest.importorskip("pyvips")
    return bytes(pyvips.Operation.call("profile_load", "cmyk"))  # a real press's table, which libvips ships


def by_few_and_by_many(profile: bytes, space: str, rendering: Rendering) -> tuple[ColourVolume, ColourVolume]:
    """Return the volume of one print by 8 hues and by 36."""
    few, many = (Recipe(sheet="a3plus", space=space, hues=hues, only=RINGS) for hues in (8, 36))
    coarse, whole = (colour_volume(rings(profile, each, rendering), each) for each in (few, many))
    assert coarse is not None
    assert whole is not None
    return coarse, whole


@pytest.mark.parametrize("intent", ["relative", "perceptual"])
@pytest.mark.parametrize("printer", ["invented", "cmyk"])
def test_few_hues_say_how_much_they_may_miss(
    printer: str, intent: Literal["relative", "perceptual"], request: pytest.FixtureRequest
) -> None:
    profile = rgb_profile() if printer == "invented" else request.getfixturevalue("cmyk")
    coarse, whole = by_few_and_by_many(profile, "srgb", Rendering(intent, intent == "relative"))
    assert abs(coarse.volume - whole.volume) <= coarse.between_hues  # by 95 %, so that of four none is to be beyond
    assert coarse.between_hues < 0.25 * coarse.volume


def test_of_a_print_of_the_file_s_own_colours_it_is_known_what_few_hues_miss() -> None:
    coarse, whole = by_few_and_by_many(icc_profile("adobe-rgb"), "adobe-rgb", Rendering("relative", False))
    assert coarse.between_hues == pytest.approx(abs(coarse.volume - whole.volume), rel=0.01)


def test_chroma_per_hue_is_that_of_the_printer() -> None:
    # the invented printer's perceptual rendering keeps four fifths of chroma wherever it can print the result
    recipe = Recipe(space="srgb", only=RINGS)
    found = colour_volume(rings(rgb_profile(), recipe, Rendering("perceptual", False)), recipe)
    asked = colour_volume(rings(icc_profile("srgb"), recipe), recipe)
    assert found is not None
    assert asked is not None
    assert found.of_asked == pytest.approx(CHROMA_KEPT**2, abs=0.1)
    for each in found.chroma:
        assert each.chroma < (each.asked_chroma or 200.0) * 1.02


def noisy(clean: list[RingScore], error_de00: float) -> list[RingScore]:
    return [
        each.model_copy(
            update={
                "course": each.course.model_copy(
                    update={"standard_error_de00": (error_de00,) * len(each.course.radius_mm)}
                )
            }
        )
        for each in clean
    ]


def test_the_volume_s_error_is_how_it_scatters_when_rings_err() -> None:
    """Monte Carlo (JCGM 101:2008) of whole rings moved along each axis by what their error comes to there."""
    recipe = Recipe(space="srgb", only=RINGS)
    clean = rings(rgb_profile(), recipe)
    stated = colour_volume(noisy(clean, 0.5), recipe)
    assert stated is not None
    rng = np.random.default_rng(2)
    draws = []
    for _ in range(60):
        moved = []
        for each in clean:
            lab = np.array(each.course.lab)
            a_unit = [np.median(0.01 / np.asarray(delta_e00(lab, lab + 0.01 * axis))) for axis in np.eye(3)]
            lab = lab + 0.5 / np.sqrt(3.0) * np.array(a_unit) * rng.standard_normal(3)
            moved.append(
                each.model_copy(update={"course": each.course.model_copy(update={"lab": tuple(map(tuple, lab))})})
            )
        found = colour_volume(moved, recipe)
        assert found is not None
        draws.append(found.volume)
    # 60 draws give a scatter to 9 %
    assert stated.standard_error == pytest.approx(np.std(draws), rel=0.28)


def test_half_the_noise_is_half_the_error_and_two_hues_have_no_volume() -> None:
    recipe = Recipe(space="srgb", only=RINGS)
    clean = rings(icc_profile("srgb"), recipe)
    whole, half = colour_volume(noisy(clean, 0.5), recipe), colour_volume(noisy(clean, 0.25), recipe)
    assert whole is not None
    assert half is not None
    assert half.standard_error == pytest.approx(whole.standard_error / 2)
    assert colour_volume([r for r in clean if r.hue in ("red", "blue")], recipe) is None
