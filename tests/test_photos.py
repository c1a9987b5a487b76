"""Photographs against a plain whole-picture computation: Little CMS, colour-science, every pixel by itself."""

from __future__ import annotations

import json
from pathlib import Path

import imagecodecs
import jsonschema
import numpy as np
import pytest
from numpy.typing import NDArray
from photo_samples import profile_file, saved, scene
from PIL import Image

from inkstrain.cli.app import main
from inkstrain.scoring.photos.look import look_at_photos
from inkstrain.scoring.photos.what import read_side
from inkstrain.scoring.results.photos import Photos
from inkstrain.scoring.results.schema import schemas
from inkstrain.scoring.results.score import Viewing
from inkstrain.targets.colorimetry import WHITE_D50, colour_science, delta_e00
from inkstrain.targets.spaces import icc_profile, rgb_to_lab

VIEWING = Viewing(distance_mm=400.0, luminance_cd_m2=143.0)
SHARE = 0.002
"""0.2 percentage points, the figure asked for."""

Array = NDArray[np.float64]


def plain_lab(pixels: NDArray[np.generic], source: bytes, profile: bytes, intent: int, flags: int = 0) -> Array:
    """Return CIELAB of every pixel: one transform to the printer, one back."""
    values = np.ascontiguousarray(pixels, dtype=np.float64) / np.iinfo(pixels.dtype).max  # type: ignore[arg-type]
    exact = imagecodecs.CMS.FLAGS.NOOPTIMIZE
    device = imagecodecs.cms_transform(
        values, source, profile, colorspace="rgb", outcolorspace="rgb", outdtype="float64", intent=intent,
        flags=exact | flags,
    )  # fmt: skip
    xyz = imagecodecs.cms_transform(
        device, profile, imagecodecs.cms_profile("xyz"), colorspace="rgb", outcolorspace="xyz", outdtype="float64",
        intent=1, flags=exact,
    )  # fmt: skip
    return np.asarray(colour_science().XYZ_to_Lab(xyz, illuminant=colour_science().XYZ_to_xy(WHITE_D50)))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("photos")


@pytest.fixture(scope="module")
def printer(folder: Path) -> Path:
    return profile_file(folder)


def looked(path: Path, a: str, b: str | None = None) -> Photos:
    return look_at_photos([path], read_side(a), read_side(b) if b else None, VIEWING)


def check_shares(found: Photos, off: Array) -> None:
    over = found.pictures[0].area_over.model_dump()
    for limit in ("1", "2", "3", "5"):
        assert over[limit] == pytest.approx(float((off > float(limit)).mean()), abs=SHARE), limit


def test_which_side_is_closer_to_what_is_asked(folder: Path, printer: Path) -> None:
    pixels = scene(240, 160, 11)
    path = saved(folder / "closer.png", pixels)
    asked = rgb_to_lab("srgb", pixels / 255.0)
    sides = [plain_lab(pixels, icc_profile("srgb"), printer.read_bytes(), intent) for intent in (1, 0)]
    off = [np.asarray(delta_e00(side, asked)) for side in sides]
    found = looked(path, f"{printer},relative,nobpc", f"{printer},perceptual")
    closer = found.pictures[0].closer
    assert closer is not None
    assert (closer.a_de00, closer.b_de00) == pytest.approx([one.mean() for one in off], abs=0.02)
    shares = (off[1] - off[0] > 1.0).mean(), (off[0] - off[1] > 1.0).mean()
    assert (closer.a_share, closer.b_share) == pytest.approx(shares, abs=SHARE)
    assert max(shares) > 0.01
    for window, ahead in ((closer.a_most, off[1] - off[0]), (closer.b_most, off[0] - off[1])):
        if window is not None:
            x, y, width, height = window.box_px
            assert window.mean_de00 == pytest.approx(ahead[y : y + height, x : x + width].mean(), abs=0.02)
    first = "printer.icc,relative,nobpc" if shares[0] > shares[1] else "printer.icc,perceptual"
    assert f"{first} is closer to what is asked on" in found.pictures[0].verdict
    swapped = looked(path, f"{printer},perceptual", f"{printer},relative,nobpc").pictures[0].closer
    assert swapped is not None
    assert (swapped.a_share, swapped.b_de00, swapped.a_most) == (closer.b_share, closer.a_de00, closer.b_most)


def test_fitting_black_is_suggested_where_black_is_most_of_it(folder: Path, printer: Path) -> None:
    dark = saved(
        folder / "dark.png", np.repeat(np.arange(64, dtype=np.uint8)[None, :, None] // 4, 3, axis=2).repeat(48, 0)
    )
    way = read_side(f"{printer},relative,nobpc")
    found = look_at_photos([dark], way, None, VIEWING)
    fitted = look_at_photos([dark], way, None, VIEWING, fit_black=True)
    assert found.pictures[0].over_2_black_fitted == pytest.approx(fitted.pictures[0].area_over.over_2, abs=1e-6)
    assert fitted.pictures[0].area_over.over_2 < found.pictures[0].area_over.over_2 / 2
    assert any("--fit-black" in text for text in found.summary.text)
    assert not any("--fit-black" in text for text in fitted.summary.text)
    # bright colours differ by other causes, or not at all
    bright = look_at_photos(
        [saved(folder / "bright.png", np.full((40, 60, 3), (0, 0, 255), np.uint8))], way, None, VIEWING
    )
    assert not any("--fit-black" in text for text in bright.summary.text)


def test_an_8_bit_picture_against_what_it_asks_for(folder: Path, printer: Path) -> None:
    pixels = scene(300, 200, 1)
    path = saved(folder / "one.png", pixels)
    bpc = imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION
    printed = plain_lab(pixels, icc_profile("srgb"), printer.read_bytes(), 1, bpc)
    off = np.asarray(delta_e00(printed, rgb_to_lab("srgb", pixels / 255.0)))
    found = looked(path, f"{printer},relative")
    check_shares(found, off)
    picture = found.pictures[0]
    assert picture.mean_de00 == pytest.approx(off.mean(), abs=0.01)
    assert picture.p95_de00 == pytest.approx(float(np.percentile(off, 95)), abs=0.03)
    x, y, width, height = picture.worst.box_px
    assert picture.worst.mean_de00 == pytest.approx(off[y : y + height, x : x + width].mean(), abs=0.01)


def test_a_full_table_is_started_afresh_and_nothing_is_lost(
    folder: Path, printer: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = saved(folder / "many.png", scene(300, 200, 1))
    whole = looked(path, f"{printer},relative")
    monkeypatch.setattr("inkstrain.scoring.photos.table._ROWS", 900)
    again = looked(path, f"{printer},relative").pictures[0]
    assert again.area_over == whole.pictures[0].area_over
    assert again.worst.box_px == whole.pictures[0].worst.box_px
    assert again.mean_de00 == pytest.approx(whole.pictures[0].mean_de00, rel=1e-6)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_boxes_are_those_of_the_picture_as_it_is_looked_at(folder: Path, printer: Path, orientation: int) -> None:
    pixels = np.full((96, 144, 3), 128, np.uint8)
    pixels[5:25, 110:135] = (0, 0, 255)  # far out of gamut, near the stored picture's upper right corner
    exif = Image.Exif()
    exif[274] = orientation
    path = saved(folder / f"turned-{orientation}.png", pixels, exif=exif)
    picture = looked(path, f"{printer},relative").pictures[0]
    # Pillow turns the picture by the same tag
    from PIL import ImageOps

    with Image.open(path) as image:
        turned = np.asarray(ImageOps.exif_transpose(image))
    assert (picture.width_px, picture.height_px) == (turned.shape[1], turned.shape[0])
    blue = np.argwhere(turned[..., 0] == 0)
    box = picture.places[0].box_px
    assert abs(box[0] - blue[:, 1].min()) <= 2
    assert abs(box[1] - blue[:, 0].min()) <= 2
    assert box[2] == pytest.approx(np.ptp(blue[:, 1]) + 1, abs=4)


def test_the_command_writes_what_its_schema_says(
    folder: Path, printer: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = saved(folder / "two.jpg", scene(240, 160, 2), quality=92)
    before = path.read_bytes()
    a, b = f"{printer},relative", f"{printer},perceptual"
    assert main(["photos", str(path), "--a", a, "--b", b, "--json", "-"]) == 0
    document = json.loads(capfd.readouterr().out)
    jsonschema.validate(document, schemas()["photos"])
    assert document["schema"] == "inkstrain/photos/1"
    assert set(document["pictures"][0]["area_over"]) == {"1", "2", "3", "5"}
    assert document["summary"]["pictures"] == 1
    assert main(["photos", str(path), "--a", a]) == 0
    assert "two.jpg" in capfd.readouterr().out
    assert path.read_bytes() == before
