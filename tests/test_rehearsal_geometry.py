"""The rehearsal's geometry against what it claims: maps there and back, marks and edges where truth says."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from pydantic import ValidationError
from scipy.optimize import curve_fit
from scipy.special import erf

from inkstrain.targets.chart import build_key
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import PrintOptions, ScanGeometry, ScanOptions, rehearse_array
from inkstrain.targets.rehearsal.layers import blur
from inkstrain.targets.spaces import decode

RECIPE = Recipe(sheet="120x120", only=("ring-to-black",), hues=1)
TILE = build_key(RECIPE).sheets[0].tiles[0]
RING = TILE.elements[0]
TRUTH_MM = 0.002

VIEWS = {
    "square 300": ScanOptions(dpi=300, noise=0, shot_noise=0),
    "skew, stretch, shear and wobble 600": ScanOptions(
        dpi=600, rotation_deg=1.5, stretch=(0.003, -0.001), shear_deg=0.1, wobble_mm=0.05, noise=0, shot_noise=0
    ),
    "upside down and askew 300": ScanOptions(dpi=300, rotation_deg=217, noise=0, shot_noise=0),
    "mirrored on its side 300": ScanOptions(dpi=300, rotation_deg=90.3, mirrored=True, noise=0, shot_noise=0),
    "in perspective 300": ScanOptions(dpi=300, rotation_deg=5, keystone=0.03, noise=0, shot_noise=0),
}


@pytest.fixture(scope="module", params=list(VIEWS))
def view(request: pytest.FixtureRequest) -> tuple[NDArray[np.float64], ScanGeometry]:
    image, truth = rehearse_array(RECIPE, scan_options=VIEWS[request.param])
    # red ink's own channel is the same in rim and paper: green tells both the disc and the marks from paper
    return decode("adobe-rgb", image[..., 1] / 65535.0), truth.geometry


def test_the_map_and_its_inverse_agree(view: tuple[NDArray[np.float64], ScanGeometry]) -> None:
    _, geometry = view
    points = np.random.default_rng(1).random((1000, 2)) * (geometry.width_px, geometry.height_px)
    back = geometry.scan_px_of_chart_mm(geometry.chart_mm_of_scan_px(points))
    assert np.abs(back - points).max() < 1e-9


def test_marks_lie_where_truth_says(view: tuple[NDArray[np.float64], ScanGeometry]) -> None:
    light, geometry = view
    reach = 1.45 * geometry.dpi / 25.4
    misses = []
    for mark, (x, y) in zip(TILE.marks_mm, geometry.scan_px_of_chart_mm(TILE.marks_mm), strict=True):
        left, top, size = int(x - reach), int(y - reach), int(2 * reach) + 2
        rows, columns = np.mgrid[top : top + size, left : left + size] + 0.5
        near = np.hypot(columns - x, rows - y) < reach
        weight = (light.max() - light[top : top + size, left : left + size]) * near
        centroid = np.array([(weight * columns).sum(), (weight * rows).sum()]) / weight.sum()
        misses.append(geometry.chart_mm_of_scan_px(centroid) - mark)
    assert np.sqrt((np.array(misses) ** 2).sum(axis=1).mean()) < TRUTH_MM


def test_a_disc_has_its_radius(view: tuple[NDArray[np.float64], ScanGeometry]) -> None:
    light, geometry = view
    rows, columns = np.mgrid[0 : light.shape[0], 0 : light.shape[1]] + 0.5
    away = geometry.chart_mm_of_scan_px(np.stack([columns, rows], axis=-1)) - np.array(RING.centre_mm)
    radius = np.hypot(away[..., 0], away[..., 1])
    near = np.abs(radius - RING.radius_mm) < 0.5

    def edge(r: NDArray[np.float64], place: float, width: float, low: float, high: float) -> NDArray[np.float64]:
        return low + (high - low) * 0.5 * (1 + erf((r - place) / width))

    found, _ = curve_fit(edge, radius[near], light[near], p0=[RING.radius_mm + 0.05, 0.05, 0.0, 0.9])
    assert found[0] == pytest.approx(RING.radius_mm, abs=TRUTH_MM)


def test_a_print_fitted_to_the_page_shrinks_about_its_middle() -> None:
    _, truth = rehearse_array(RECIPE, print_options=PrintOptions(scale=(0.97, 0.96)), scan_options=ScanOptions(dpi=100))
    geometry = truth.geometry
    middle = geometry.sheet_mm_of_chart_mm((60.0, 60.0))
    corner = geometry.sheet_mm_of_chart_mm((0.0, 0.0))
    assert middle == pytest.approx([60.0, 60.0])
    assert corner == pytest.approx([1.8, 2.4])


def test_rotation_is_clockwise_as_seen() -> None:
    _, truth = rehearse_array(RECIPE, scan_options=ScanOptions(dpi=100, rotation_deg=90))
    top_left, top_right = truth.geometry.scan_px_of_sheet_mm([(0.0, 0.0), (120.0, 0.0)])
    # turned clockwise by a quarter, the sheet's top edge runs down the right-hand side
    assert top_right[1] > top_left[1] + 400
    assert top_left[0] > truth.geometry.width_px / 2


def test_stretch_shows_as_a_longer_length() -> None:
    _, truth = rehearse_array(RECIPE, scan_options=ScanOptions(dpi=254, stretch=(0.003, 0.0)))
    a, b = truth.geometry.scan_px_of_chart_mm([(10.0, 50.0), (110.0, 50.0)])
    assert b[0] - a[0] == pytest.approx(1000 * 1.003)
    assert truth.geometry.effective_dpi == pytest.approx((254 * 1.003, 254))


def test_a_crop_shows_its_box_and_a_margin() -> None:
    options = ScanOptions(dpi=254, crop_mm=(20.0, 30.0, 40.0, 20.0), margin_mm=2.0)
    image, truth = rehearse_array(RECIPE, scan_options=options)
    assert image.shape[:2] == (240, 440)
    assert truth.geometry.chart_mm_of_scan_px((20.0, 20.0)) == pytest.approx([20.0, 30.0])


def test_a_tile_alone_is_the_tile() -> None:
    image, truth = rehearse_array(RECIPE, scan_options=ScanOptions(dpi=100, tile=1, margin_mm=0.0))
    corner = truth.geometry.scan_px_of_chart_mm(TILE.box_mm[:2])
    assert np.abs(corner).max() < 1.0
    assert image.shape[1] == pytest.approx(TILE.box_mm[2] * 100 / 25.4, abs=1)


def test_a_wobble_that_would_turn_back_is_refused() -> None:
    with pytest.raises(ValidationError, match="backwards"):
        ScanOptions(wobble_mm=1.0, wobble_period_mm=5.0)


@pytest.mark.parametrize("sigma_px", [0.2, 0.3, 0.35, 0.45, 0.6, 0.79, 0.81, 1.0, 2.5])
def test_a_blur_of_few_pixels_blurs_as_it_says(sigma_px: float) -> None:
    """A Gaussian's second and fourth moments are σ² and 3σ⁴ (from memory), along rows and along columns."""
    margin = 9
    point = np.zeros((1, 21 + 2 * margin, 21 + 2 * margin), dtype=np.float32)
    point[0, 10 + margin, 10 + margin] = 1.0
    seen = blur(point, sigma_px, margin)[0].astype(np.float64)
    assert seen.sum() == pytest.approx(1.0, abs=1e-5)
    away = np.arange(21) - 10.0
    for profile in (seen.sum(axis=0), seen.sum(axis=1)):
        assert profile @ away**2 == pytest.approx(sigma_px**2, rel=0.005)
        if sigma_px >= 0.3:  # three taps have no choice of the fourth
            assert profile @ away**4 == pytest.approx(3 * sigma_px**4, rel=0.015)
