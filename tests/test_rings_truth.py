"""Radial profiles and the places of discs against photutils, scikit-image and the formulae of a circle."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile

from inkstrain.scoring.colour.basis import basis_from_profile
from inkstrain.scoring.measure.rings import BIN_MM, FIRST_RADIUS_MM, radial_means
from inkstrain.scoring.measure.sampling import Means, Window, open_window
from inkstrain.scoring.place.placement import locate
from inkstrain.scoring.read.scanfile import open_scan
from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import WHITE_D50
from inkstrain.targets.key import Ring
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import ScanOptions, rehearse_array
from inkstrain.targets.render import render_rows, sheet_size_px
from inkstrain.targets.rings import make_ring
from inkstrain.targets.spaces import decode, encode, icc_profile

SPACE = "prophoto"
BASIS = basis_from_profile(icc_profile(SPACE), "")
RADIUS_MM = 18.0
SIXTEEN_BITS = 2e-5
LEFT_OUT = 3e-4
"""Sectors that hold only a few of a small bin's pixels are left out of it."""
LEFT_OUT_FAR = 2e-4  # beyond 4 mm
INTERPOLATED = 3e-3


def smooth(radius_mm: np.ndarray) -> np.ndarray:
    """Return linear light of a disc that varies on every scale down to 1 mm, the same in all channels."""
    return 0.4 + 0.25 * np.cos(radius_mm / 2.1) + 0.05 * np.sin(2 * np.pi * radius_mm / 1.3)


def drawn(
    light: Callable[[np.ndarray], np.ndarray], dpi: float, centre_px: tuple[float, float]
) -> tuple[Window, Ring, np.ndarray]:
    """Return a disc as scanned, 16 bits, its ring, and the linear light of its pixels after rounding."""
    scale = dpi / 25.4
    size = math.ceil(2 * RADIUS_MM * scale) + 8
    y, x = np.mgrid[:size, :size] + 0.5
    radius = np.hypot(x - centre_px[0], y - centre_px[1]) / scale
    code = np.rint(65535 * encode(SPACE, light(radius))).astype(np.uint16)
    pixels = np.repeat(code[..., None], 3, axis=2)
    window = Window(pixels, (x / scale).astype(np.float32), (y / scale).astype(np.float32), 1 / scale, False)
    ring = make_ring("ring-to-white", "red", 0.0, (centre_px[0] / scale, centre_px[1] / scale), RADIUS_MM)
    return window, ring, decode(SPACE, code / 65535.0)


def measured(window: Window, ring: Ring) -> tuple[Means, np.ndarray]:
    """Return the radial means and the bins' borders in mm."""
    means = radial_means(window, ring, BASIS, WHITE_D50, window.pixel_mm / math.sqrt(12.0))
    return means, FIRST_RADIUS_MM + BIN_MM * np.arange(len(means.place) + 1)


CENTRES = [(220.11, 221.07), (219.5, 220.5), (220.37, 219.81)]


@pytest.mark.parametrize("centre_px", CENTRES)
def test_a_profile_is_that_of_photutils(centre_px: tuple[float, float]) -> None:
    """photutils' RadialProfile, a pixel belonging to the ring that holds its centre."""
    from photutils.profiles import RadialProfile

    dpi = 300.0
    window, ring, light = drawn(smooth, dpi, centre_px)
    means, borders = measured(window, ring)
    # photutils counts from pixel centres
    other = RadialProfile(
        light, (centre_px[0] - 0.5, centre_px[1] - 0.5), borders * dpi / 25.4, method="center"
    ).profile
    for channel in range(3):
        np.testing.assert_allclose(means.linear[:-1, channel], other[:-1], atol=LEFT_OUT)
    far = means.place > 4.0
    far[-1] = False  # the last bin is cut by the disc's own end
    np.testing.assert_allclose(means.linear[far, 1], other[far], atol=LEFT_OUT_FAR)


@pytest.mark.parametrize("centre_px", CENTRES)
def test_a_profile_is_that_of_scikit_image(centre_px: tuple[float, float]) -> None:
    """scikit-image's warp_polar: the disc unrolled by interpolation, then averaged over the turn."""
    from skimage.transform import warp_polar

    dpi = 300.0
    window, ring, light = drawn(smooth, dpi, centre_px)
    means, _ = measured(window, ring)
    fine = 8
    scale = dpi / 25.4
    reach_px = RADIUS_MM * scale
    unrolled = warp_polar(
        light, center=(centre_px[1] - 0.5, centre_px[0] - 0.5), radius=reach_px,
        output_shape=(1440, round(reach_px * fine)), order=1,
    )  # fmt: skip
    # its column k shows radius k / fine px
    radius_mm = np.arange(unrolled.shape[1]) * reach_px / unrolled.shape[1] / scale
    other = np.interp(means.place, radius_mm, unrolled.mean(axis=0))
    np.testing.assert_allclose(means.linear[:-1, 1], other[:-1], atol=INTERPOLATED)


@pytest.mark.parametrize("dpi", [200.0, 300.0, 600.0])
def test_a_profile_is_the_formula_it_was_drawn_from(dpi: float) -> None:
    window, ring, _ = drawn(smooth, dpi, (RADIUS_MM * dpi / 25.4 + 3.27, RADIUS_MM * dpi / 25.4 + 3.64))
    means, borders = measured(window, ring)
    assert np.diff(borders).max() <= 0.1 + 1e-9
    # the mean of a function over a bin, at the mean radius of its pixels, is off by its curvature and the width squared
    curvature = 0.05 * (2 * np.pi / 1.3) ** 2 + 0.25 / 2.1**2
    limit = curvature * np.diff(borders)[0] ** 2 / 12
    np.testing.assert_allclose(means.linear[:, 1], smooth(means.place), atol=limit)


def test_every_pixel_of_the_disc_counts_once() -> None:
    dpi, centre = 200.0, (146.3, 147.9)
    window, ring, light = drawn(lambda radius: np.clip(1.0 - radius / 40.0, 0.0, 1.0), dpi, centre)
    means, borders = measured(window, ring)
    y, x = np.mgrid[: light.shape[0], : light.shape[1]] + 0.5
    radius = np.hypot(x - centre[0], y - centre[1]) * 25.4 / dpi
    stop = borders[-2]
    counted = np.histogram(radius, borders[:-1])[0]
    inside = (radius >= FIRST_RADIUS_MM) & (radius < stop)
    assert (means.linear[:-1, 1] * counted).sum() == pytest.approx(light[inside].sum(), rel=2e-4)
    assert (means.place[:-1] * counted).sum() == pytest.approx(radius[inside].sum(), rel=1e-5)


def test_averages_are_taken_in_light() -> None:
    """A disc of black and white halves: light 0.5, L* 76.07; the mean of the codes would give L* 54 or less."""
    window, ring, _ = drawn(lambda radius: np.ones_like(radius), 300.0, (220.0, 220.0))
    checkered = window.pixels.copy()
    checkered[(np.indices(checkered.shape[:2]).sum(axis=0) % 2) == 0] = 0
    means, _ = measured(Window(checkered, window.x_mm, window.y_mm, window.pixel_mm, False), ring)
    far = means.place > 5.0
    assert np.median(means.linear[far, 1]) == pytest.approx(0.5, abs=0.002)
    assert np.median(means.lab[far, 0]) == pytest.approx(116 * 0.5 ** (1 / 3) - 16, abs=0.15)  # CIE 15:2018, 8.2.1


def test_specks_are_left_out() -> None:
    window, ring, _ = drawn(smooth, 300.0, (220.3, 220.7))
    clean, _ = measured(window, ring)
    spoiled = window.pixels.copy()
    random = np.random.default_rng(8)
    for row, column in random.integers(20, 420, (60, 2)):
        spoiled[row : row + 4, column : column + 4] = 2000
    means, _ = measured(Window(spoiled, window.x_mm, window.y_mm, window.pixel_mm, False), ring)
    plain = np.array([window.pixels[..., 1].astype(float).mean(), spoiled[..., 1].astype(float).mean()])
    assert plain[1] < plain[0] * 0.997  # they are enough to be seen without the rule
    far = means.place > 2.0
    assert np.abs(means.lab - clean.lab)[far, 0].max() < 0.15
    assert np.sqrt(np.mean((means.lab - clean.lab)[far, 0] ** 2)) < 0.03


def test_standard_errors_are_those_of_the_noise() -> None:
    """Independent noise of 3 % in light: a bin's error is 3 % over the root of its number of pixels."""
    dpi, centre = 300.0, (220.3, 220.7)
    window, ring, light = drawn(lambda radius: np.full_like(radius, 0.3), dpi, centre)
    random = np.random.default_rng(9)
    noisy = light * (1.0 + 0.03 * random.standard_normal(light.shape))
    pixels = np.repeat(np.rint(65535 * encode(SPACE, noisy)).astype(np.uint16)[..., None], 3, axis=2)
    means, borders = measured(Window(pixels, window.x_mm, window.y_mm, window.pixel_mm, False), ring)
    y, x = np.mgrid[: light.shape[0], : light.shape[1]] + 0.5
    count = np.histogram(np.hypot(x - centre[0], y - centre[1]) * 25.4 / dpi, borders)[0]
    slope = 116.0 / 3.0 * 0.3 ** (1 / 3) / 0.3  # dL*/dY
    expected = slope * 0.3 * 0.03 / np.sqrt(np.maximum(count, 1))
    far = means.place > 4.0
    assert np.median(means.standard_error[far, 0] / expected[far]) == pytest.approx(1.0, abs=0.1)
    # and the means scatter by as much
    true_l = 116.0 * 0.3 ** (1 / 3) - 16.0
    z = (means.lab[far, 0] - true_l) / expected[far]
    assert np.sqrt(np.mean(z**2)) == pytest.approx(1.0, abs=0.25)


# discs on a chart, drawn, laid on the glass at any angle, and found again

DISCS = Recipe(sheet="100x130", hues=3, only=("ring-to-black",), dpi=360)
AREA = 1e-3
EDGE_MM = 0.01
CENTRE_MM = 0.005


def _ink(window: Window, paper: float) -> np.ndarray:
    """Return how much of each pixel is ink that keeps back all of one channel's light."""
    return 1.0 - decode(DISCS.space, window.pixels / 65535.0) / paper


def _check_disc(window: Window, ring: Ring, paper: float) -> None:
    """Check area, centre, second moment and edge of a disc in chart millimetres."""
    channel = int(np.argmin(ring.rim_rgb))
    cover = _ink(window, paper)[..., channel]
    across, down = window.x_mm[:] - ring.centre_mm[0], window.y_mm[:] - ring.centre_mm[1]
    radius = np.hypot(across, down)
    # a scanner's stretch and wobble make some pixels larger than others
    (dx_row, dx_column), (dy_row, dy_column) = np.gradient(window.x_mm[:]), np.gradient(window.y_mm[:])
    ink_mm2 = np.where(radius < ring.radius_mm + 0.4, cover, 0.0) * (dx_column * dy_row - dx_row * dy_column)
    area_mm2 = ink_mm2.sum()
    assert area_mm2 == pytest.approx(math.pi * ring.radius_mm**2, rel=AREA)
    assert (ink_mm2 * across).sum() / area_mm2 == pytest.approx(0.0, abs=CENTRE_MM)
    assert (ink_mm2 * down).sum() / area_mm2 == pytest.approx(0.0, abs=CENTRE_MM)
    assert (ink_mm2 * radius**2).sum() / area_mm2 == pytest.approx(ring.radius_mm**2 / 2, rel=2 * AREA)
    # half of the light is kept back at the edge, all the way round
    near = np.abs(radius - ring.radius_mm) < 0.25
    sectors = np.floor((np.arctan2(down, across)[near] / (2 * np.pi) + 0.5) * 12).astype(int) % 12
    for sector in range(12):
        r, c = radius[near][sectors == sector], cover[near][sectors == sector]
        order = np.argsort(r)
        # where ink ends, if all that is missing inside were filled up with what lies outside
        spread = np.gradient(r[order])
        edge = r.min() + np.sum(np.clip(c[order], 0, 1) * spread)
        assert edge == pytest.approx(ring.radius_mm, abs=2 * EDGE_MM), sector


@pytest.mark.parametrize("dpi", [150, 360, 500])
def test_discs_as_drawn_are_where_the_key_says(tmp_path: Path, dpi: int) -> None:
    sheet = build_key(DISCS).sheets[0]
    pixels = render_rows(sheet, DISCS, dpi, 0, sheet_size_px(sheet, dpi)[1])
    _check_all(tmp_path, pixels, dpi, 1.0)


@pytest.mark.parametrize(
    ("dpi", "rotation_deg"), [(200, 0.0), (300, 1.5), (300, 45.0), (300, 181.3), (400, -89.2), (600, 7.7)]
)
def test_discs_on_the_glass_are_where_the_key_says(tmp_path: Path, dpi: int, rotation_deg: float) -> None:
    options = ScanOptions(
        dpi=dpi, rotation_deg=rotation_deg, stretch=(0.003, -0.001), wobble_mm=0.03, noise=0.0, shot_noise=0.0
    )
    pixels, _ = rehearse_array(DISCS, scan_options=options)
    _check_all(tmp_path, pixels, dpi, options.exposure)


def _check_all(folder: Path, pixels: np.ndarray, dpi: int, paper: float) -> None:
    path = folder / "scan.tif"
    tifffile.imwrite(
        path,
        pixels,
        photometric="rgb",
        resolution=(dpi, dpi),
        resolutionunit="INCH",
        iccprofile=icc_profile("adobe-rgb"),
    )
    with open_scan(path) as scan:
        (placement,) = locate(scan)
        rings = [element for element in placement.key_tile.elements if isinstance(element, Ring)]
        assert len(rings) == 3
        for ring in rings:
            (x, y), r = ring.centre_mm, ring.radius_mm
            _check_disc(open_window(scan, placement, (x - r, y - r, 2 * r, 2 * r), 0.6), ring, paper)
