"""The local map alone, on marks put where formulae say, and on the project's own charts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import ImageCms

from inkstrain.scoring.place import localmap
from inkstrain.scoring.place.localmap import fit_local_map
from inkstrain.scoring.place.placement import locate
from inkstrain.scoring.read.scanfile import open_scan
from inkstrain.scoring.read.tone import linear_table
from inkstrain.targets.chart import build_key
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.render import render_rows, sheet_size_px

PER_MM = 300 / 25.4
MARKS_MM = np.array(build_key(Recipe()).sheets[0].tiles[0].marks_mm)
MIDDLE_MM = np.stack(np.meshgrid(np.linspace(30, 180, 16), np.linspace(30, 267, 24)), -1).reshape(-1, 2)


def _wobbly_px(mm: np.ndarray, turn_deg: float, period_mm: float) -> np.ndarray:
    turn = np.deg2rad(turn_deg)
    rotate = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    flat = mm @ (np.diag([1.004, 0.999]) @ rotate * PER_MM).T
    px = flat
    for _ in range(40):
        phase = 2 * np.pi * px[:, 1] / (PER_MM * period_mm)
        px = flat + 0.1 * PER_MM * np.column_stack([0.3 * np.sin(0.7 * phase + 1), np.sin(phase)])
    return px


@pytest.mark.parametrize("turn_deg", [0.0, 1.5, 37.0, 90.0, -135.0])
@pytest.mark.parametrize("period_mm", [40.0, 60.0, 120.0])
def test_a_wobble_seen_by_the_edges_is_known_in_the_middle(turn_deg: float, period_mm: float) -> None:
    rng = np.random.default_rng(2)
    seen = _wobbly_px(MARKS_MM, turn_deg, period_mm) + rng.normal(0, 0.01, MARKS_MM.shape)
    stray = rng.choice(len(MARKS_MM), 5, replace=False)
    seen[stray] += rng.choice([-3, 3], (5, 2))
    fit = fit_local_map(MARKS_MM, seen, PER_MM)
    assert not fit.used[stray].any()
    assert fit.used.sum() == len(MARKS_MM) - 5
    error = (fit.map.to_px(MIDDLE_MM) - _wobbly_px(MIDDLE_MM, turn_deg, period_mm)) / PER_MM
    assert np.abs(error).max() < 0.01
    back = fit.map.to_mm(_wobbly_px(MIDDLE_MM, turn_deg, period_mm)) - MIDDLE_MM
    assert np.abs(back).max() < 0.01
    # an affine map alone would be off by the wobble
    assert np.abs(fit.affine_px[fit.used]).max() / PER_MM > 0.08


@pytest.mark.parametrize("px_per_mm", np.linspace(5.0, 50.0, 31))
def test_a_map_can_be_fitted_at_any_resolution(px_per_mm: float) -> None:
    """Knots that rounding put just inside the outermost mark once left it out."""
    seen = MARKS_MM * px_per_mm + 7.3
    fit = fit_local_map(MARKS_MM, seen, float(px_per_mm))
    assert fit.used.all()
    np.testing.assert_allclose(fit.map.to_px(MARKS_MM), seen, atol=1e-6)


def test_residuals_left_out_equal_those_of_fits_without_the_mark() -> None:
    """The hat matrix' shortcut against the plain thing: fit again without the mark, and look at it."""
    seen = _wobbly_px(MARKS_MM, 1.5, 50.0) + np.random.default_rng(4).normal(0, 0.05, MARKS_MM.shape)
    low, high = seen.min(axis=0), seen.max(axis=0)
    model = localmap._Additive(seen, low, high, PER_MM)
    penalties = ((0.1, 10.0), (0.01, 1.0))
    left = seen - seen.mean(axis=0) - (MARKS_MM - MARKS_MM.mean(axis=0)) * PER_MM
    weights = np.ones(len(seen))
    coefficients, hat = model.solve(left, weights, penalties)
    shortcut = (left - model.design @ coefficients) / (1 - hat)
    for mark in (0, 17, 60, 120, 200):
        without = weights.copy()
        without[mark] = 0.0
        refitted, _ = model.solve(left, without, penalties)
        plain = left[mark] - model.design[mark] @ refitted
        np.testing.assert_allclose(shortcut[mark], plain, rtol=1e-5, atol=1e-7)


def test_inputs_come_out_unchanged_and_both_ways_agree() -> None:
    seen = _wobbly_px(MARKS_MM, 10, 50.0)
    before = seen.copy(), MARKS_MM.copy()
    fit = fit_local_map(MARKS_MM, seen, PER_MM)
    points = np.random.default_rng(1).uniform(5, 200, (5000, 2))
    kept = points.copy()
    np.testing.assert_allclose(fit.map.to_mm(fit.map.to_px(points)), points, atol=1e-5)
    np.testing.assert_array_equal(points, kept)
    np.testing.assert_array_equal(seen, before[0])
    np.testing.assert_array_equal(MARKS_MM, before[1])


@pytest.fixture(scope="module")
def chart_rows() -> np.ndarray:
    recipe = Recipe(sheet="150x210")
    sheet = build_key(recipe).sheets[0]
    return render_rows(sheet, recipe, 200, 0, sheet_size_px(sheet, 200)[1])


@pytest.mark.parametrize("turn", range(4))
def test_the_projects_own_chart_is_placed_any_way_up(chart_rows: np.ndarray, tmp_path: Path, turn: int) -> None:
    path = tmp_path / "chart.tif"
    image = np.ascontiguousarray(np.rot90(chart_rows, turn))
    tifffile.imwrite(path, image, photometric="rgb", compression="zlib", resolution=(200, 200))
    with open_scan(path) as scan:
        (placement,) = locate(scan)
    x, y = (MIDDLE_MM[MIDDLE_MM.max(axis=1) < 140] * 200 / 25.4).T
    height, width = chart_rows.shape[:2]
    expected = [(x, y), (y, width - x), (width - x, height - y), (height - y, x)][turn]
    placed = placement.to_scan_px(np.column_stack([x, y]) * 25.4 / 200)
    np.testing.assert_allclose(placed, np.column_stack(expected), atol=0.02)
    assert placement.marks_used == placement.marks_expected
    assert placement.recipe == Recipe(sheet="150x210")
    assert placement.print_scale == pytest.approx((1, 1), abs=1e-4)
    assert (placement.rotation_deg + 90 * turn + 180) % 360 == pytest.approx(180, abs=0.01)


def test_two_tiles_in_one_scan_are_both_placed_and_a_part_of_one_is_left_out(tmp_path: Path) -> None:
    recipe = Recipe(sheet="200x250", bed_mm=(210.0, 130.0), only=("ring-to-white",), hues=4)
    sheet = build_key(recipe).sheets[0]
    assert len(sheet.tiles) > 1
    image = render_rows(sheet, recipe, 150, 0, sheet_size_px(sheet, 150)[1])
    path = tmp_path / "sheet.tif"
    tifffile.imwrite(path, image, photometric="rgb", resolution=(150, 150))
    with open_scan(path) as scan:
        assert [p.tile for p in locate(scan)] == [tile.tile for tile in sheet.tiles]
    # tile 1 whole, of tile 2 the code and a little more
    _, top, _, height = sheet.tiles[1].code_box_mm
    stop = int((top + height + 8) * 150 / 25.4)
    tifffile.imwrite(path, image[:stop], photometric="rgb", resolution=(150, 150))
    with open_scan(path) as scan:
        placed = locate(scan)
    assert [p.tile for p in placed] == [1]
    assert any(flag.startswith("other-tile-left-out: The") for flag in placed[0].flags)


def test_tone_follows_the_embedded_profile_or_srgb(tmp_path: Path) -> None:
    """IEC 61966-2-1 for sRGB; the profile is Little CMS's own."""
    path = tmp_path / "scan.tif"
    pixels = np.zeros((20, 20, 3), np.uint8)
    code = np.arange(256) / 255
    srgb = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    for icc in (None, profile, b"not a profile"):
        tifffile.imwrite(path, pixels, photometric="rgb", iccprofile=icc)
        with open_scan(path) as scan:
            np.testing.assert_allclose(linear_table(scan), srgb, atol=2e-3)
