"""Pictures as they come: every format and depth, with profiles and without, grey, turned, broken, and none at all."""

from __future__ import annotations

import contextlib
import hashlib
import json
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from icc_samples import grey_profile
from photo_samples import profile_file, saved, scene
from PIL import Image

from inkstrain.cli.app import main
from inkstrain.scoring.photos.folder import list_files
from inkstrain.scoring.photos.reading import SkippedError, open_picture
from inkstrain.targets.spaces import icc_profile

SHARE = 0.002


@pytest.fixture(scope="module")
def printer(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return profile_file(tmp_path_factory.mktemp("printer"))


def told(capfd: pytest.CaptureFixture[str], *words: object) -> dict[str, Any]:
    assert main(["photos", *map(str, words), "--json", "-"]) == 0
    return dict(json.loads(capfd.readouterr().out))


def test_lossless_formats_and_depths_tell_the_same(
    tmp_path: Path, printer: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    pixels = scene(240, 160, 5)
    wide = pixels.astype(np.uint16) * 257
    saved(tmp_path / "a.png", pixels)
    saved(tmp_path / "b.webp", pixels, lossless=True)
    saved(tmp_path / "c.png", np.dstack([pixels, np.full(pixels.shape[:2], 255, np.uint8)]))
    options = {"photometric": "rgb", "rowsperstrip": 16}
    tifffile.imwrite(tmp_path / "d.tif", pixels, **options)
    tifffile.imwrite(tmp_path / "e.tif", wide, compression="deflate", predictor=True, **options)
    tifffile.imwrite(tmp_path / "f.tif", np.moveaxis(wide, -1, 0), planarconfig="separate", **options)
    tifffile.imwrite(tmp_path / "g.tif", pixels, tile=(64, 64), photometric="rgb")
    found = told(capfd, tmp_path, "--a", f"{printer},relative")
    assert not found["skipped"]
    overs = np.array([list(picture["area_over"].values()) for picture in found["pictures"]])
    assert len(overs) == 7
    # 16 bits are rounded to 8 that are even in lightness: within the figure asked for, not the same to the last pixel
    assert np.abs(overs - overs[0]).max() < SHARE
    assert {picture["bits"] for picture in found["pictures"]} == {8, 16}


def test_an_embedded_profile_is_honoured_and_a_missing_one_is_said(
    tmp_path: Path, printer: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    pixels = scene(200, 120, 6)
    saved(tmp_path / "with.png", pixels, icc_profile=icc_profile("adobe-rgb"))
    saved(tmp_path / "without.png", pixels)
    wide, plain = told(capfd, tmp_path, "--a", f"{printer},relative")["pictures"]
    assert "Adobe RGB" in wide["space"]
    assert not wide["space_assumed"]
    assert plain["space_assumed"]
    assert wide["out_of_gamut"]["a"] > plain["out_of_gamut"]["a"]


def test_grey_pictures_are_answered_by_their_tones(
    tmp_path: Path, printer: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    ramp = np.repeat(np.linspace(0, 255, 256).astype(np.uint8)[None], 64, axis=0)
    saved(tmp_path / "a.png", ramp)
    saved(tmp_path / "b.png", np.dstack([ramp] * 3))
    saved(tmp_path / "c.png", ramp, icc_profile=grey_profile())
    tifffile.imwrite(tmp_path / "d.tif", ramp.astype(np.uint16) * 257, photometric="minisblack")
    pictures = told(capfd, tmp_path, "--a", f"{printer},relative")["pictures"]
    assert [picture["kind"] for picture in pictures] == ["black-and-white"] * 4
    grey, rgb, _, wide = pictures
    assert grey["area_over"] == pytest.approx(rgb["area_over"], abs=1e-9)
    assert wide["area_over"] == pytest.approx(grey["area_over"], abs=1e-9)
    # the invented printer is neutral but for its table's nodes; its black has Y = 0.01, L* 9, which they round up by 1
    assert grey["neutral_a"]["cast_max_c"] < 2.0
    assert grey["neutral_a"]["black_l"] == pytest.approx(9.0, abs=1.0)
    assert grey["neutral_a"]["merged"] < 0.05


def _huge_png(path: Path) -> None:
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 1_000_000, 1_000_000, 8, 2, 0, 0, 0)
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0")) + chunk(b"IEND", b"")
    )


def test_what_cannot_be_looked_at_is_left_out_by_name_and_the_rest_is_done(
    tmp_path: Path, printer: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    pixels = scene(120, 80, 7)
    folder = tmp_path / "pictures"
    folder.mkdir()
    good = saved(folder / "good.jpg", pixels, quality=90)
    (folder / "cut.jpg").write_bytes(good.read_bytes()[:-400])
    tifffile.imwrite(folder / "cut.tif", pixels, photometric="rgb")
    (folder / "cut.tif").write_bytes((folder / "cut.tif").read_bytes()[:-3000])
    (folder / "empty.png").write_bytes(b"")
    (folder / "notes.txt").write_text("no picture")
    _huge_png(folder / "huge.png")
    Image.fromarray(pixels).convert("CMYK").save(folder / "inks.jpg")
    saved(folder / "spoiled.png", pixels, icc_profile=icc_profile("srgb")[:300])
    saved(folder / "wrong.png", pixels, icc_profile=grey_profile())
    tifffile.imwrite(folder / "float.tif", pixels.astype(np.float32), photometric="rgb")
    (folder / "loop").symlink_to(folder, target_is_directory=True)
    (folder / "self.jpg").symlink_to(folder / "self.jpg")
    (folder / "again.jpg").symlink_to(good)
    before = {path: hashlib.sha256(path.read_bytes()).digest() for path in folder.iterdir() if path.is_file()}
    found = told(capfd, folder, "--a", f"{printer},relative")
    assert len(found["pictures"]) == 1
    reasons = {Path(one["file"]).name: one["reason"] for one in found["skipped"]}
    assert reasons == {
        "cut.jpg": "truncated", "cut.tif": "truncated", "empty.png": "truncated", "notes.txt": "not-a-picture",
        "huge.png": "too-large", "inks.jpg": "cmyk", "spoiled.png": "broken-profile", "wrong.png": "broken-profile",
        "float.tif": "not-rgb-or-grey", "self.jpg": "unreadable",
    }  # fmt: skip
    assert {path: hashlib.sha256(path.read_bytes()).digest() for path in before} == before


def test_what_a_camera_adds_behind_a_jpeg_does_not_make_it_cut_short(tmp_path: Path) -> None:
    path = saved(tmp_path / "x.jpg", scene(64, 48, 1), quality=90)
    path.write_bytes(path.read_bytes() + bytes(20_000))
    with open_picture(path) as picture:
        assert (picture.width, picture.height) == (64, 48)


def test_no_picture_at_all_is_an_error_of_its_own(
    tmp_path: Path, printer: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "notes.txt").write_text("no picture")
    assert main(["photos", str(tmp_path), "--a", f"{printer},relative"]) == 3
    assert "notes.txt" in capfd.readouterr().err
    assert main(["photos", str(tmp_path / "none.jpg"), "--a", f"{printer},relative"]) == 3
    capfd.readouterr()


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ("{p}", "intent"), ("{p},middling", "no way of printing"), ("{p},relative,often", "no way of printing"),
        ("nowhere.json", "does not exist"),
    ],
)  # fmt: skip
def test_a_side_that_is_none_is_a_wrong_use(
    tmp_path: Path, printer: Path, what: str, said: str, capfd: pytest.CaptureFixture[str]
) -> None:
    path = saved(tmp_path / "one.png", scene(60, 40, 8))
    assert main(["photos", str(path), "--a", what.format(p=printer)]) == 2
    assert said in capfd.readouterr().err


def test_a_picture_is_never_an_output(tmp_path: Path, printer: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = saved(tmp_path / "one.png", scene(60, 40, 8))
    assert main(["photos", str(path), "--a", f"{printer},relative", "--report", str(path)]) == 2
    assert "overwritten" in capfd.readouterr().err


@pytest.mark.parametrize("seed", range(12))
def test_random_damage_never_ends_in_a_traceback(tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    kind = ("jpg", "png", "webp", "tif")[seed % 4]
    path = saved(tmp_path / f"x.{kind}", scene(64, 48, seed))
    data = bytearray(path.read_bytes())
    for place in rng.integers(0, len(data), 12):
        data[place] = int(rng.integers(0, 256))
    path.write_bytes(bytes(data[: int(rng.integers(40, len(data)))]))
    with contextlib.suppress(SkippedError), open_picture(path) as picture:
        assert picture.box((0, 0, 8, 8)).shape[:2] == (8, 8)


def test_files_are_listed_once_and_in_order(tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    for name in ("b/2.jpg", "1.jpg", ".hidden.jpg"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "b" / "up").symlink_to(tmp_path, target_is_directory=True)
    assert [path.name for path in list_files([tmp_path])] == ["1.jpg", "2.jpg"]
