"""Windows of every kind of file equal what tifffile, Pillow and imagecodecs read whole; the rest is refused."""

from __future__ import annotations

import hashlib
import tracemalloc
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from inkstrain.scoring.read import scanfile
from inkstrain.scoring.read.scanfile import open_scan
from inkstrain.targets.errors import CannotMeasureError

WINDOWS = ((0, 0, 203, 301), (5, 7, 6, 8), (10, 20, 60, 300), (100, 30, 203, 44))


def _noise(dtype: type, shape: tuple[int, ...] = (301, 203, 3)) -> np.ndarray:
    return np.random.default_rng(7).integers(0, np.iinfo(dtype).max, shape, dtype=dtype, endpoint=True)


def _check_windows(path: Path, whole: np.ndarray) -> None:
    with open_scan(path) as scan:
        assert (scan.height, scan.width, scan.dtype) == (*whole.shape[:2], whole.dtype)
        for x0, y0, x1, y1 in WINDOWS:
            part = scan.read(x0, y0, x1, y1)
            assert part.dtype == whole.dtype
            assert part.dtype.isnative
            np.testing.assert_array_equal(part, whole[y0:y1, x0:x1])


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("compression", [None, "lzw", "zlib", "packbits", "zstd"])
@pytest.mark.parametrize("tile", [None, (64, 48)])
def test_any_usual_tiff_reads_in_windows_as_tifffile_reads_it_whole(
    tmp_path: Path, dtype: type, compression: str | None, tile: tuple[int, int] | None
) -> None:
    pixels = _noise(dtype)
    path = tmp_path / "scan.tif"
    for byteorder in "<>":
        for planar in ("contig", "separate"):
            for bigtiff in (False, True):
                stored = pixels if planar == "contig" else np.moveaxis(pixels, 2, 0)
                tifffile.imwrite(
                    path, stored, photometric="rgb", compression=compression, tile=tile, planarconfig=planar,
                    byteorder=byteorder, bigtiff=bigtiff, rowsperstrip=None if tile else 17,
                    predictor=compression in ("lzw", "zlib"),
                )  # fmt: skip
                _check_windows(path, pixels)


def test_jpeg_in_tiff_reads_as_tifffile_reads_it(tmp_path: Path) -> None:
    path = tmp_path / "scan.tif"
    tifffile.imwrite(path, _noise(np.uint8), photometric="rgb", compression="jpeg", tile=(64, 64))
    _check_windows(path, tifffile.imread(path))


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_png_keeps_all_its_bits(tmp_path: Path, dtype: type) -> None:
    path = tmp_path / "scan.png"
    pixels = _noise(dtype)
    path.write_bytes(imagecodecs.png_encode(pixels))
    _check_windows(path, pixels)


@pytest.mark.parametrize("kind", ["jpg", "webp"])
def test_lossy_files_read_as_pillow_reads_them_and_are_flagged(tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"scan.{kind}"
    Image.fromarray(_noise(np.uint8)).save(path, quality=90)
    with Image.open(path) as image:
        _check_windows(path, np.asarray(image))
    with open_scan(path) as scan:
        assert [flag.split(":")[0] for flag in scan.flags] == ["lossy"]


def test_resolution_profile_and_hash_come_from_the_file(tmp_path: Path) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    image = Image.fromarray(_noise(np.uint8))
    for kind in ("tif", "png", "jpg"):
        path = tmp_path / f"scan.{kind}"
        image.save(path, dpi=(600, 400), icc_profile=profile)
        with open_scan(path) as scan:
            assert scan.dpi_tag == pytest.approx((600, 400), rel=1e-4)
            assert scan.icc == profile
            assert scan.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
        image.save(path)
        with open_scan(path) as scan:
            assert scan.dpi_tag is None
            assert scan.icc is None


def test_resolution_per_centimetre_is_read_as_such(tmp_path: Path) -> None:
    path = tmp_path / "scan.tif"
    tifffile.imwrite(path, _noise(np.uint8), photometric="rgb", resolution=(200, 100), resolutionunit="CENTIMETER")
    with open_scan(path) as scan:
        assert scan.dpi_tag == pytest.approx((508, 254))
    tifffile.imwrite(path, _noise(np.uint8), photometric="rgb", resolution=(200, 100), resolutionunit="NONE")
    with open_scan(path) as scan:
        assert scan.dpi_tag is None


@pytest.mark.parametrize(("orientation", "mirrored"), [(1, False), (3, False), (6, False), (2, True), (5, True)])
def test_orientation_is_reported_and_pixels_stay_as_stored(tmp_path: Path, orientation: int, mirrored: bool) -> None:
    pixels = _noise(np.uint8)
    exif = Image.Exif()
    exif[274] = orientation
    Image.fromarray(pixels).save(tmp_path / "scan.jpg", exif=exif, quality=100, subsampling=0)
    tifffile.imwrite(tmp_path / "scan.tif", pixels, photometric="rgb", extratags=[(274, 3, 1, orientation, True)])
    for name in ("scan.jpg", "scan.tif"):
        with open_scan(tmp_path / name) as scan:
            assert (scan.width, scan.height) == (203, 301)
            assert scan.orientation == orientation
            assert scan.stored_mirrored is mirrored


def test_the_one_large_page_is_used_and_several_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "scan.tif"
    pixels = _noise(np.uint16)
    with tifffile.TiffWriter(path) as tif:
        tif.write(pixels[::8, ::8], photometric="rgb")
        tif.write(pixels, photometric="rgb")
    _check_windows(path, pixels)
    with tifffile.TiffWriter(path) as tif:
        tif.write(pixels, photometric="rgb")
        tif.write(pixels, photometric="rgb")
    with pytest.raises(CannotMeasureError, match="holds 2 pictures"):
        open_scan(path)


def _tiff(path: Path, pixels: np.ndarray, **options: object) -> None:
    tifffile.imwrite(path, pixels, **options)


REFUSED = {
    "grey.tif": (lambda p: _tiff(p, _noise(np.uint16, (60, 50)), photometric="minisblack"), "is grey"),
    "cmyk.tif": (lambda p: _tiff(p, _noise(np.uint8, (60, 50, 4)), photometric="separated"), "is CMYK"),
    "lab.tif": (lambda p: Image.new("LAB", (50, 60)).save(p), "is Lab"),
    "alpha.tif": (
        lambda p: _tiff(p, _noise(np.uint8, (60, 50, 4)), photometric="rgb", extrasamples=["unassalpha"]),
        "4 channels",
    ),
    "float.tif": (lambda p: _tiff(p, np.zeros((60, 50, 3), np.float32), photometric="rgb"), "floating-point"),
    "long.tif": (lambda p: _tiff(p, np.zeros((60, 50, 3), np.uint32), photometric="rgb"), "32 bits"),
    "signed.tif": (lambda p: _tiff(p, np.zeros((60, 50, 3), np.int16), photometric="rgb"), "16 signed bits"),
    "bilevel.tif": (lambda p: Image.new("1", (50, 60)).save(p), "1 bit"),
    "palette.tif": (lambda p: Image.new("P", (50, 60)).save(p), "palette"),
    "grey.png": (lambda p: Image.new("L", (50, 60)).save(p), "is grey"),
    "grey16.png": (lambda p: Image.new("I;16", (50, 60)).save(p), "is grey"),
    "bilevel.png": (lambda p: Image.new("1", (50, 60)).save(p), "is grey"),
    "palette.png": (lambda p: Image.new("P", (50, 60)).save(p), "palette"),
    "alpha.png": (lambda p: Image.new("RGBA", (50, 60)).save(p), "alpha"),
    "keyed.png": (lambda p: Image.new("RGB", (50, 60)).save(p, transparency=(0, 0, 0)), "transparent"),
    "grey.jpg": (lambda p: Image.new("L", (50, 60)).save(p), "is grey"),
    "cmyk.jpg": (lambda p: Image.new("CMYK", (50, 60)).save(p), "is CMYK"),
    "alpha.webp": (lambda p: Image.new("RGBA", (50, 60), (9, 9, 9, 9)).save(p), "alpha"),
    "empty.tif": (lambda p: p.write_bytes(b""), "is empty"),
    "words.tif": (lambda p: p.write_text("not a picture at all"), "not a picture"),
    "header.tif": (lambda p: p.write_bytes(b"II*\0\x08\0\0\0"), "damaged or cut short|holds no picture"),
    "header.png": (lambda p: p.write_bytes(b"\x89PNG\r\n\x1a\n"), "damaged or cut short"),
    "header.jpg": (lambda p: p.write_bytes(b"\xff\xd8\xff\xe0"), "damaged or cut short"),
    "header.webp": (lambda p: p.write_bytes(b"RIFF\0\0\0\0WEBP"), "damaged or cut short"),
    "folder.tif": (lambda p: p.mkdir(), "is a folder"),
    "missing.tif": (lambda p: None, "does not exist"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_measured_is_refused_in_plain_words(tmp_path: Path, name: str) -> None:
    make, words = REFUSED[name]
    path = tmp_path / name
    make(path)
    with pytest.raises(CannotMeasureError, match=words) as caught:
        open_scan(path)
    assert str(path) in str(caught.value)
    assert str(caught.value).endswith(".")


@pytest.mark.parametrize("kind", ["plain.tif", "lzw.tif", "scan.png", "scan.jpg"])
@pytest.mark.parametrize("share", [0.3, 0.7, 0.98])
def test_a_file_cut_short_is_refused(tmp_path: Path, kind: str, share: float) -> None:
    path = tmp_path / kind
    if kind.endswith("tif"):
        compression = None if kind == "plain.tif" else "lzw"
        tifffile.imwrite(path, _noise(np.uint8), photometric="rgb", compression=compression, rowsperstrip=16)
    else:
        Image.fromarray(_noise(np.uint8)).save(path)
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    with pytest.raises(CannotMeasureError, match=r"cut short|damaged"):
        open_scan(path)


def test_damage_inside_a_compressed_strip_is_named_when_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "scan.tif"
    tifffile.imwrite(path, _noise(np.uint8), photometric="rgb", compression="zlib", rowsperstrip=50)
    with tifffile.TiffFile(path) as tif:
        offset = tif.pages[0].dataoffsets[3]
    data = bytearray(path.read_bytes())
    data[offset : offset + 40] = bytes(40)
    path.write_bytes(data)
    with open_scan(path) as scan:
        scan.read(0, 0, 203, 150)
        with pytest.raises(CannotMeasureError, match="strip or tile 4 of 7"):
            scan.read(0, 0, 203, 301)


def test_a_picture_larger_than_pillows_limit_opens_and_an_absurd_one_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "scan.jpg"
    Image.fromarray(_noise(np.uint8)).save(path)
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 1000)
    open_scan(path).close()
    monkeypatch.setattr(scanfile, "WHOLE_LIMIT_BYTES", 7000)
    with pytest.raises(CannotMeasureError, match="Save it as TIFF"):
        open_scan(path)


@pytest.mark.parametrize(("compression", "most_mib"), [(None, 4), ("zlib", 70)])
def test_memory_does_not_grow_with_the_scan(tmp_path: Path, compression: str | None, most_mib: int) -> None:
    path = tmp_path / "scan.tif"
    pixels = np.zeros((6000, 4000, 3), np.uint16)
    tifffile.imwrite(path, pixels, photometric="rgb", compression=compression, rowsperstrip=100)
    assert pixels.nbytes > 130 * 2**20
    tracemalloc.start()
    with open_scan(path) as scan:
        for y in range(0, 6000, 50):
            scan.read(0, y, 4000, y + 50)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < most_mib * 2**20


def test_windows_outside_the_picture_and_closed_scans_are_programming_errors(tmp_path: Path) -> None:
    path = tmp_path / "scan.tif"
    tifffile.imwrite(path, _noise(np.uint8), photometric="rgb")
    scan = open_scan(path)
    for window in ((-1, 0, 5, 5), (0, 0, 204, 5), (5, 5, 5, 9)):
        with pytest.raises(ValueError, match="not inside"):
            scan.read(*window)
    scan.close()
    with pytest.raises(ValueError, match="closed"):
        scan.read(0, 0, 5, 5)
