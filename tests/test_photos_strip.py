"""The proof strip: pieces at print size from where the sides differ most, marked, coded, not mistaken for a chart."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import tifffile
import zxingcpp
from photo_samples import profile_file, saved, scene
from PIL import Image

from inkstrain.cli.app import main
from inkstrain.targets.strip import StripSheet, slots


def test_a_strip_shows_the_place_that_differs_at_print_size(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    printer = profile_file(tmp_path)
    pixels = np.full((400, 600, 3), 128, np.uint8)
    pixels[250:350, 420:520] = (0, 0, 255)  # far out of gamut
    pixels[290:310, 460:480] = 255
    exif = Image.Exif()
    exif[315] = "A Photographer Of Note"  # Exif 2.3: Artist
    path = saved(tmp_path / "one.jpg", pixels, quality=98, subsampling=0, exif=exif)
    out = tmp_path / "strip"
    words = ["make", "--from-photos", str(path), "--a", f"{printer},relative", "--out", str(out), "--dpi", "150"]
    assert main([*words, "--long-edge", "240", "--space", "srgb"]) == 0
    told = json.loads((out / "proof-strip.json").read_text(encoding="utf-8"))
    x, y, width, height = told["places"][0]["box_px"]
    assert x <= 420
    assert y <= 250
    assert x + width >= 520
    assert y + height >= 350
    strip = out / "proof-strip.tif"
    assert b"Photographer Of Note" not in strip.read_bytes()
    page = tifffile.imread(strip)
    assert page.shape == (round(297 * 150 / 25.4), round(210 * 150 / 25.4), 3)
    # the white square is 20 of 600 px on a print 240 mm long: 8 mm
    left, top, side = told["places"][0]["on_sheet_mm"]
    cut = [slice(round(at * 150 / 25.4), round((at + side) * 150 / 25.4)) for at in (top, left)]
    piece = page[cut[0], cut[1]]
    blue = piece[..., 2].astype(int) - piece[..., 0] > 30000
    rows, columns = np.flatnonzero(blue.any(axis=1)), np.flatnonzero(blue.any(axis=0))
    inner = piece[rows[0] : rows[-1], columns[0] : columns[-1]]
    assert np.sqrt((inner.min(axis=-1) > 60000).sum()) * 25.4 / 150 == pytest.approx(8.0, abs=0.4)
    grey = (page.mean(axis=-1) / 257).astype(np.uint8)
    texts = [code.text for code in zxingcpp.read_barcodes(grey)]
    assert told["code"] in texts
    capfd.readouterr()
    assert main(["score", str(strip)]) == 3
    assert "proof strip" in capfd.readouterr().err


def test_a_strip_needs_pictures_and_a_side(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert main(["make", "--a", "x.icc,relative", "--out", str(tmp_path / "o")]) == 2
    path = saved(tmp_path / "one.png", scene(60, 40, 1))
    assert main(["make", "--from-photos", str(path), "--out", str(tmp_path / "o")]) == 2
    assert not (tmp_path / "o").exists()
    capfd.readouterr()


@pytest.mark.parametrize("size_mm", [(148.0, 210.0), (210.0, 297.0), (329.0, 483.0)])
def test_pieces_lie_on_the_sheet_and_apart(size_mm: tuple[float, float]) -> None:
    placed = slots(StripSheet(size_mm=size_mm, dpi=150, space="srgb"))
    assert len(placed) >= 4
    for x, y, side in placed:
        assert x >= 10
        assert x + side <= size_mm[0] - 10
        assert y + side + 7 <= size_mm[1] - 9
        for other in placed:
            assert other == (x, y, side) or abs(other[0] - x) > side or abs(other[1] - y) > side
