"""The patch sheet: its size, its colours, and that older charts keep their ids."""

from __future__ import annotations

import re

import numpy as np
import pytest
import spectral

from inkstrain.targets.chart import build_key
from inkstrain.targets.errors import WrongUsageError
from inkstrain.targets.key import PatchField
from inkstrain.targets.labels import field_labels
from inkstrain.targets.recipe import Recipe, parse_code, parse_recipe, tile_code
from inkstrain.targets.render import SheetPainter, sheet_size_px

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


@pytest.mark.parametrize("side_mm", [None, 6.0, 9.0, 12.0, 30.0, 40.0])
def test_every_row_and_column_is_named_beside_the_patches_and_clear_of_the_marks(side_mm: float | None) -> None:
    recipe = Recipe(only=("patch-field",), patch_mm=side_mm) if side_mm else Recipe()
    for sheet in build_key(recipe).sheets:
        for tile in sheet.tiles:
            for field in (e for e in tile.elements if isinstance(e, PatchField)):
                labels = field_labels(field, tile.marks_mm)
                texts = [label.text for label in labels]
                names = [re.fullmatch(r"([A-Z]+)(\d+)", patch.patch) for patch in field.patches]
                assert {(m[1], m[2]) for m in names if m} <= {(a, b) for a in texts for b in texts}
                x, y, width, height = field.box_mm
                for label in labels:
                    u, v = label.centre_mm
                    # beside the patches, inside the frame that printers and scanners keep
                    assert not (x < u < x + width and y < v < y + height)
                    assert tile.box_mm[0] < u < tile.box_mm[0] + tile.box_mm[2]
                    # marks are found by 1.2 mm of clear paper about their radius of 1 mm: scoring/dots.py
                    assert min(np.hypot(u - a, v - b) for a, b in tile.marks_mm) > 1.0 + 1.2
                    at = min(field.patches, key=lambda p: abs(p.box_mm[1] + p.box_mm[3] / 2 - v))
                    if label.text.isalpha():
                        assert at.patch.startswith(label.text)
                        assert at.box_mm[1] < v < at.box_mm[1] + at.box_mm[3]


def test_the_names_are_printed_and_change_no_patch() -> None:
    sheet, dpi = build_key(SHEET).sheets[0], 150
    (tile,) = sheet.tiles
    (field,) = tile.elements
    pixels = SheetPainter(sheet, SHEET, dpi).rows(0, sheet_size_px(sheet, dpi)[1]) / 65535.0
    for label in field_labels(field, tile.marks_mm):
        column, row = (round(mm / 25.4 * dpi) for mm in label.centre_mm)
        assert pixels[row - 5 : row + 5, column - 5 : column + 5].min() < 0.3
    for patch in field.patches:
        x, y, width, height = (mm / 25.4 * dpi for mm in patch.box_mm)
        inside = pixels[int(y) + 2 : int(y + height) - 1, int(x) + 2 : int(x + width) - 1]
        assert np.abs(inside - patch.rgb).max() < 1e-4
