"""The patch sheet: its size, its colours, and that older charts keep their ids."""

from __future__ import annotations

import numpy as np
import pytest
import spectral

from inkstrain.targets.chart import build_key
from inkstrain.targets.errors import WrongUsageError
from inkstrain.targets.recipe import Recipe, parse_code, parse_recipe, tile_code

SHEET = Recipe(only=("patch-field",), patch_mm=12.0)


def test_existing_charts_keep_their_ids_and_patches() -> None:
    # ids as printed before the recipe had a size of patches
    assert Recipe().text == "INKSTRAIN/1/A4/ADOBE-RGB/EVEN/8/360/216X297/ALL"
    assert Recipe().chart_id == "MUC5OWQA"
    assert Recipe(only=("patch-field",)).text == "INKSTRAIN/1/A4/ADOBE-RGB/EVEN/8/360/216X297/P"
    assert len(spectral.patches_of(Recipe(only=("patch-field",)))) == 54


def test_a_size_of_patches_is_part_of_the_recipe_and_comes_back_from_the_code() -> None:
    assert SHEET.text.endswith("/P/P12")
    assert parse_recipe(SHEET.text) == SHEET
    assert parse_code(tile_code(SHEET, 1, 2)) == (SHEET, 1, 2)
    assert SHEET.chart_id != Recipe(only=("patch-field",)).chart_id


def test_the_patch_sheet_fits_an_aperture_of_8_mm_with_room_on_one_a4_sheet() -> None:
    key = build_key(SHEET)
    assert len(key.sheets) == 1
    patches = spectral.patches_of(SHEET)
    assert len(patches) == 140
    assert len({patch.patch for patch in patches}) == 140
    assert min(min(patch.box_mm[2:]) for patch in patches) >= 8 + 2 * 2


def test_the_patches_cover_gamut_greys_and_the_paths_of_the_rings() -> None:
    rgb = np.array([patch.rgb for patch in spectral.patches_of(SHEET)])
    assert len(np.unique(rgb, axis=0)) == 140
    assert (np.ptp(rgb, axis=1) < 1e-6).sum() >= 20
    for wanted in ((1, 1, 1), (0, 0, 0), (1, 0, 0), (0, 1, 0), (0, 0, 1), (0, 1, 1), (1, 0, 1), (1, 1, 0)):
        assert (rgb == wanted).all(axis=1).sum() == 1
    # nowhere is the next patch farther than half a step of the cube's diagonal
    anywhere = np.random.default_rng(1).random((2000, 3))
    assert np.linalg.norm(anywhere[:, None] - rgb, axis=2).min(axis=1).max() < 0.31


@pytest.mark.parametrize("side_mm", [5.9, 41.0, float("nan")])
def test_patches_that_no_instrument_needs_are_refused(side_mm: float) -> None:
    with pytest.raises(WrongUsageError, match="6 to 40 mm"):
        Recipe(only=("patch-field",), patch_mm=side_mm)


def test_a_size_without_a_patch_field_is_refused() -> None:
    with pytest.raises(WrongUsageError, match="patch-field"):
        Recipe(only=("neutral-wedge",), patch_mm=12.0)


def test_large_patches_go_to_more_sheets() -> None:
    key = build_key(Recipe(only=("patch-field",), patch_mm=30.0))
    names = [p.patch for s in key.sheets for t in s.tiles for e in t.elements for p in e.patches]
    assert len(key.sheets) > 1
    assert len(names) == len(set(names)) == 140
