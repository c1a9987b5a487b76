"""Colour volume: solids whose volume is known, sRGB against colour-science, and what a print filled of it."""

from __future__ import annotations

import numpy as np
import pytest
from icc_samples import CHROMA_KEPT, rgb_profile
from scipy.spatial import ConvexHull

from inkstrain.scoring.forecast import predicted_elements
from inkstrain.scoring.gamut import Net, colour_volume, mesh_volume
from inkstrain.scoring.model import RingScore
from inkstrain.scoring.rendering import Press, Rendering
from inkstrain.targets.colorimetry import colour_science
from inkstrain.targets.outputprofile import OutputProfile
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.spaces import icc_profile

HUES_36 = Recipe(sheet="a3plus", space="srgb", hues=36, only=("ring-to-white", "ring-to-black"))


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


def test_few_hues_say_how_much_they_may_miss() -> None:
    eight = Recipe(space="srgb", only=("ring-to-white", "ring-to-black"))
    whole = colour_volume(rings(icc_profile("srgb"), HUES_36), HUES_36)
    coarse = colour_volume(rings(icc_profile("srgb"), eight), eight)
    assert whole is not None
    assert coarse is not None
    assert abs(coarse.volume - whole.volume) <= 1.05 * coarse.between_hues


def test_chroma_per_hue_is_that_of_the_printer() -> None:
    # the invented printer's perceptual rendering keeps four fifths of chroma wherever it can print the result
    recipe = Recipe(space="srgb", only=("ring-to-white", "ring-to-black"))
    found = colour_volume(rings(rgb_profile(), recipe, Rendering("perceptual", False)), recipe)
    asked = colour_volume(rings(icc_profile("srgb"), recipe), recipe)
    assert found is not None
    assert asked is not None
    assert found.of_asked == pytest.approx(CHROMA_KEPT**2, abs=0.1)
    for each in found.chroma:
        assert each.chroma < (each.asked_chroma or 200.0) * 1.02


def test_noise_gives_the_volume_an_error_and_two_hues_no_volume() -> None:
    recipe = Recipe(space="srgb", only=("ring-to-white", "ring-to-black"))
    clean = rings(icc_profile("srgb"), recipe)
    noisy = [
        each.model_copy(
            update={
                "profile": each.profile.model_copy(update={"standard_error_de00": (0.5,) * len(each.profile.radius_mm)})
            }
        )
        for each in clean
    ]
    found = colour_volume(noisy, recipe)
    assert found is not None
    assert 0 < found.standard_error < 0.02 * found.volume
    assert colour_volume([r for r in clean if r.hue in ("red", "blue")], recipe) is None
