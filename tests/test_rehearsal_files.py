"""Scan files and layers: seeds, strips, formats and tags, and statistics of grain, noise and banding."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from inkstrain.targets.errors import WrongUsageError
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import NozzleGap, PrintOptions, ScanOptions, Step, Truth, rehearse, rehearse_array
from inkstrain.targets.rehearsal.rehearse import _set_up
from inkstrain.targets.spaces import decode, icc_profile, rgb_to_lab

RECIPE = Recipe(sheet="100x100", only=("flat-field",))
DIRTY = PrintOptions(grain=0.02, banding_l=1.0, gaps=(NozzleGap(position_mm=40, width_mm=0.1),), bleed_mm=0.03)
SCAN = ScanOptions(
    dpi=150,
    rotation_deg=3,
    wobble_mm=0.05,
    dust=10,
    hairs=3,
    flare=0.003,
    uneven=0.02,
    sharpen_mm=0.2,
    sharpen_amount=0.5,
)


def test_the_same_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    for name, seed in (("a", 7), ("b", 7), ("c", 8)):
        rehearse(RECIPE, tmp_path / f"{name}.tif", print_options=DIRTY, scan_options=SCAN, seed=seed)
    a, b, c = ((tmp_path / f"{name}.tif").read_bytes() for name in "abc")
    assert a == b
    assert a != c


def test_the_height_of_strips_changes_nothing() -> None:
    scanner, _ = _set_up(RECIPE, None, (), DIRTY, SCAN, 3, 1)
    whole = np.concatenate(list(scanner.strips(10_000)))
    strips = np.concatenate(list(scanner.strips(37)))
    # the last bit of a float may differ with the length of a vector
    assert np.abs(whole.astype(int) - strips.astype(int)).max() <= 1


@pytest.mark.parametrize("compression", ["none", "lzw", "deflate"])
@pytest.mark.parametrize("bits", [8, 16])
def test_tiff_reads_back_with_its_tags(tmp_path: Path, compression: str, bits: int) -> None:
    path = tmp_path / "scan.tif"
    options = ScanOptions(dpi=150, compression=compression, bits=bits)  # type: ignore[arg-type]
    rehearse(RECIPE, path, scan_options=options)
    array, _ = rehearse_array(RECIPE, scan_options=options)
    assert np.array_equal(tifffile.imread(path), array)
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        assert page.compression.name == {"none": "NONE", "lzw": "LZW", "deflate": "ADOBE_DEFLATE"}[compression]
        assert page.get_resolution("INCH") == (150.0, 150.0)
        assert page.iccprofile == icc_profile("adobe-rgb")


@pytest.mark.parametrize(("name", "bits"), [("scan.png", 8), ("scan.png", 16), ("scan.jpg", 8), ("scan.tif", 8)])
def test_pillow_opens_every_kind_with_its_resolution_and_profile(tmp_path: Path, name: str, bits: int) -> None:
    path = tmp_path / name
    rehearse(RECIPE, path, scan_options=ScanOptions(dpi=150, bits=bits, space="srgb"))  # type: ignore[arg-type]
    with Image.open(path) as image:
        image.load()
        assert image.info["dpi"] == pytest.approx((150, 150), abs=0.02)
        profile = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
        assert "sRGB" in profile.profile.profile_description


def test_sixteen_bit_png_loses_nothing(tmp_path: Path) -> None:
    import imagecodecs

    rehearse(RECIPE, tmp_path / "scan.png", scan_options=ScanOptions(dpi=100))
    array, _ = rehearse_array(RECIPE, scan_options=ScanOptions(dpi=100))
    assert np.array_equal(imagecodecs.png_decode((tmp_path / "scan.png").read_bytes()), array)


@pytest.mark.parametrize("name", ["scan.tif", "scan.png", "scan.jpg"])
def test_profile_and_resolution_can_be_left_out(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    rehearse(RECIPE, path, scan_options=ScanOptions(dpi=100, bits=8, embed=False, resolution_tag=False))
    with Image.open(path) as image:
        image.load()
        assert "icc_profile" not in image.info
        assert image.info.get("dpi", (1, 1))[0] <= 1


def test_grey_scans_have_one_channel(tmp_path: Path) -> None:
    path = tmp_path / "scan.tif"
    rehearse(RECIPE, path, scan_options=ScanOptions(dpi=100, grey=True))
    assert tifffile.imread(path).ndim == 2


def test_truth_lies_beside_the_scan_and_nothing_else(tmp_path: Path) -> None:
    truth = rehearse(RECIPE, tmp_path / "scan.tif", scan_options=ScanOptions(dpi=50), truth_file=True)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["scan.tif", "scan.tif.truth.json"]
    assert Truth.model_validate_json((tmp_path / "scan.tif.truth.json").read_bytes()) == truth


def test_a_name_of_no_kind_is_refused_and_nothing_written(tmp_path: Path) -> None:
    with pytest.raises(WrongUsageError, match=r"\.tif"):
        rehearse(RECIPE, tmp_path / "scan.bmp")
    with pytest.raises(WrongUsageError, match="8 bits"):
        rehearse(RECIPE, tmp_path / "scan.jpg")
    with pytest.raises(WrongUsageError, match="cannot be done"):
        rehearse(RECIPE, tmp_path / "scan.tif", damages=[Step("ring-to-white-red", 9.0, 2.0)])
    assert not list(tmp_path.iterdir())


def paper_light(print_options: PrintOptions, **scan: object) -> np.ndarray:
    """Return the linear light of a margin of bare paper."""
    options = ScanOptions(blur_mm=0, crop_mm=(1.0, 1.0, 98.0, 5.0), margin_mm=0, **scan)  # type: ignore[arg-type]
    image, _ = rehearse_array(RECIPE, print_options=print_options, scan_options=options, seed=1)
    return decode("adobe-rgb", image / 65535.0)


@pytest.mark.parametrize("shape", ["normal", "lognormal"])
def test_grain_has_its_strength_and_keeps_the_mean(shape: str) -> None:
    quiet = {"noise": 0, "shot_noise": 0, "exposure": 0.5, "dpi": 600}
    light = paper_light(PrintOptions(grain=0.05, grain_shape=shape), **quiet)  # type: ignore[arg-type]
    assert light.mean() == pytest.approx(0.5, rel=2e-3)
    assert light.std() / light.mean() == pytest.approx(0.05, rel=0.03)


def test_coarse_pixels_average_grain() -> None:
    # a pixel of 0.339 mm (75 dpi) covers 23.4 dots of 0.07 mm: the deviation falls to about 1 / sqrt(23.4)
    light = paper_light(PrintOptions(grain=0.05), noise=0, shot_noise=0, exposure=0.5, dpi=75)
    assert light.std() / light.mean() == pytest.approx(0.05 / np.sqrt(23.4), rel=0.25)


def test_noise_has_its_strength() -> None:
    light = paper_light(PrintOptions(), noise=0.003, shot_noise=0.004, exposure=0.5, dpi=300)
    assert light.std() == pytest.approx(np.hypot(0.003, 0.004 * np.sqrt(0.5)), rel=0.03)


def test_head_banding_has_its_amplitude_and_period_on_ink_and_none_on_paper() -> None:
    recipe = Recipe(sheet="100x100", only=("flat-field",))
    options = ScanOptions(dpi=600, noise=0, shot_noise=0, blur_mm=0, exposure=1.0)
    printed = PrintOptions(banding_l=1.0, banding_period_mm=2.0)
    image, truth = rehearse_array(recipe, print_options=printed, scan_options=options)
    from inkstrain.targets.chart import build_key

    field = next(e for t in build_key(recipe).sheets[0].tiles for e in t.elements if e.id == "flat-field-middle")
    x, y, w, h = field.box_mm
    column = truth.geometry.scan_px_of_chart_mm([(x + w / 2, y + 1), (x + w / 2, y + h - 1)]).astype(int)
    lightness = rgb_to_lab("adobe-rgb", image[column[0, 1] : column[1, 1], column[0, 0]] / 65535.0)[:, 0]
    along = np.arange(lightness.size) * truth.geometry.pixel_mm
    design = np.stack([np.ones_like(along), np.sin(np.pi * along), np.cos(np.pi * along)], axis=-1)
    fit, *_ = np.linalg.lstsq(design, lightness, rcond=None)
    assert np.hypot(fit[1], fit[2]) == pytest.approx(1.0, abs=0.01)
    assert np.ptp(paper_light(printed, noise=0, shot_noise=0, exposure=0.5)) < 1e-3


def test_flare_lifts_black_as_published() -> None:
    # 0.3 % of flare turns density 2.0 into 1.89: -log10((0.010 + 0.003) / 1.003), by arithmetic
    recipe = Recipe(sheet="100x100", only=("neutral-wedge",))
    quiet = {"dpi": 150, "noise": 0, "shot_noise": 0, "exposure": 1.0, "blur_mm": 0}
    with_flare, _ = rehearse_array(recipe, scan_options=ScanOptions(flare=0.003, **quiet))  # type: ignore[arg-type]
    without, _ = rehearse_array(recipe, scan_options=ScanOptions(**quiet))  # type: ignore[arg-type]
    plain, lifted = (decode("adobe-rgb", image / 65535.0) for image in (without, with_flare))
    assert np.abs(lifted - (plain + 0.003) / 1.003).max() < 2e-4
    near = np.abs(plain[..., 1] - 0.01) < 2e-4
    assert near.any()
    assert -np.log10(lifted[near][:, 1].mean()) == pytest.approx(1.89, abs=0.01)


def test_the_lid_shows_around_the_sheet() -> None:
    for lid, reflectance in (("white", 0.9), ("grey", 0.35), ("black", 0.03)):
        options = ScanOptions(dpi=100, lid=lid, noise=0, shot_noise=0, exposure=1.0)  # type: ignore[arg-type]
        image, _ = rehearse_array(RECIPE, scan_options=options)
        assert decode("adobe-rgb", image[2, 2] / 65535.0) == pytest.approx(reflectance, abs=1e-3)


def test_a_nozzle_gap_is_a_bare_line_where_it_was_put() -> None:
    gap = NozzleGap(position_mm=50.0, width_mm=0.3, varies_along="x")
    options = ScanOptions(dpi=600, noise=0, shot_noise=0, blur_mm=0)
    image, truth = rehearse_array(RECIPE, print_options=PrintOptions(gaps=(gap,)), scan_options=options)
    plain, _ = rehearse_array(RECIPE, scan_options=options)
    changed = np.flatnonzero(np.any(image != plain, axis=(0, 2)))
    place = truth.geometry.sheet_mm_of_scan_px(np.stack([changed + 0.5, np.full(changed.size, 700.0)], axis=-1))[:, 0]
    assert place.mean() == pytest.approx(50.0, abs=0.01)
    assert np.ptp(place) == pytest.approx(0.3, abs=0.05)
