"""What cannot be measured gets two plain sentences, exit code 3 and nothing written; what can, but badly, gets a flag.

Every case goes through the program as typed.
"""

from __future__ import annotations

import json
import os
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pyvips
import tifffile
import zxingcpp
from PIL import Image

from inkstrain.cli.app import main
from inkstrain.scoring.eye.visibility import DEFAULT_VIEWING
from inkstrain.scoring.measure.course import RESOLUTION_MM
from inkstrain.scoring.measure.rings import exact_ring
from inkstrain.targets.chart import build_key
from inkstrain.targets.key import Ring
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import PrintOptions, ScanOptions, Step, rehearse, rehearse_array
from inkstrain.targets.spaces import icc_profile

RECIPE = Recipe(sheet="120x160", hues=1, only=("ring-to-white", "neutral-wedge"))
OTHER = Recipe(sheet="120x130", hues=1, only=("ring-to-white",))
RING = "ring-to-white-red"
STEP = Step(element=RING, radius_mm=9.0, contrast_de00=3.0)
DPI = 300
MARGIN_MM = 5.0  # of lid around the sheet, the rehearsal's own
ICC = icc_profile("adobe-rgb")
STEP_DE00 = 0.15  # DESIGN section 8, excess of a contour
STEP_MM = 0.05  # DESIGN section 8, radius of a contour at 300 dpi


@dataclass(frozen=True)
class Clean:
    """A clean scan with one known step, and its score."""

    path: Path
    pixels: np.ndarray
    score: dict[str, Any]


def _run(
    scans: list[Path], folder: Path, capture: pytest.CaptureFixture[bytes], report: bool = True
) -> tuple[int, str, str]:
    words = ["score", *map(str, scans), "--json", str(folder / "out.json")]
    capture.readouterr()
    code = main([*words, "--report", str(folder / "out.html")] if report else words)
    out, err = capture.readouterr()
    return code, out.decode("utf-8"), err.decode("utf-8")


@pytest.fixture(scope="session")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Clean:
    folder = tmp_path_factory.mktemp("clean")
    path = folder / "clean.tif"
    rehearse(RECIPE, path, damages=[STEP], scan_options=ScanOptions(dpi=DPI, bits=16))
    assert main(["score", str(path), "--json", str(folder / "clean.json")]) == 0
    return Clean(path, tifffile.imread(path), json.loads((folder / "clean.json").read_text(encoding="utf-8")))


def tiff(path: Path, pixels: np.ndarray, dpi: float | None = DPI, icc: bytes | None = ICC, **how: Any) -> Path:
    """Write a TIFF as a scanner would."""
    size = {} if dpi is None else {"resolution": (dpi, dpi), "resolutionunit": "INCH"}
    tifffile.imwrite(path, pixels, iccprofile=icc, **{"photometric": "rgb", **size, **how})
    return path


def eight_bits(pixels: np.ndarray) -> Image.Image:
    return Image.fromarray(np.rint(pixels / 257).astype(np.uint8))


def resampled(pixels: np.ndarray, dpi: float) -> np.ndarray:
    height, width = (round(side * dpi / DPI) for side in pixels.shape[:2])
    return np.asarray(eight_bits(pixels).resize((width, height), Image.Resampling.BOX))


def with_code(pixels: np.ndarray, text: str | None) -> np.ndarray:
    """Put another code, or none, in the place of the tile's own."""
    x, y, side, _ = build_key(RECIPE).sheets[0].tiles[0].code_box_mm
    left, top, size = (round(mm * DPI / 25.4) for mm in (x + MARGIN_MM, y + MARGIN_MM, side))
    changed = pixels.copy()
    changed[top - 4 : top + size + 4, left - 4 : left + size + 4] = 60000
    if text is not None:
        code = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.QRCode, ec_level="M")
        modules = np.array(zxingcpp.write_barcode_to_image(code, scale=1, add_quiet_zones=False)) > 128
        index = np.arange(size) * len(modules) // size
        changed[top : top + size, left : left + size] = np.where(modules[index][:, index], 60000, 3000)[..., None]
    return changed


def photographed(pixels: np.ndarray, narrower: float) -> Image.Image:
    """Return the page as a camera held at an angle sees it: its upper edge is so much narrower."""
    height, width = pixels.shape[:2]
    inset, drop = narrower * width / 2, narrower * height / 4
    seen = [(inset, drop), (width - inset, drop), (width, height), (0, height)]
    page = [(0, 0), (width, 0), (width, height), (0, height)]
    rows, values = [], []
    for (x, y), (u, v) in zip(seen, page, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        values += [u, v]
    warp = np.linalg.solve(np.array(rows), np.array(values))
    return eight_bits(pixels).transform(
        (width, height), Image.Transform.PERSPECTIVE, list(warp), Image.Resampling.BICUBIC, fillcolor=(80, 80, 80)
    )


def _saved(path: Path, image: Image.Image, **how: Any) -> Path:
    image.save(path, **how)
    return path


def _bytes(path: Path, content: bytes) -> Path:
    path.write_bytes(content)
    return path


def _cut(path: Path, source: Path, share: float) -> Path:
    data = source.read_bytes()
    return _bytes(path, data[: int(share * len(data))])


def _damaged_strip(path: Path, pixels: np.ndarray) -> Path:
    tiff(path, pixels, compression="zlib", rowsperstrip=64)
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 4000] = bytes(4000)
    return _bytes(path, bytes(data))


def _loop(path: Path) -> Path:
    path.symlink_to(path.name)
    return path


def _folder(path: Path) -> Path:
    path.mkdir()
    return path


CODE = build_key(RECIPE).sheets[0].tiles[0].code

Make = Callable[[Path, Clean], Path | list[Path]]
REFUSED: dict[str, tuple[Make, str]] = {
    # what the picture shows
    "blank.tif": (lambda p, c: tiff(p, np.full((900, 700, 3), 60000, np.uint16)), "No inkstrain chart"),
    "no-code.tif": (lambda p, c: tiff(p, with_code(c.pixels, None)), "square code cannot be read"),
    "other-code.tif": (lambda p, c: tiff(p, with_code(c.pixels, "https://example.org/x")), "'https://example.org/x'"),
    "hostile-code.tif": (lambda p, c: tiff(p, with_code(c.pixels, "\x1b[31m\n\u202eevil")), "evil"),
    "half-a-code.tif": (lambda p, c: tiff(p, with_code(c.pixels, "INKSTRAIN/1/A4")), "not one of an inkstrain chart"),
    "next-layout.tif": (lambda p, c: tiff(p, with_code(c.pixels, CODE.replace("/1/", "/9/", 1))), "layout version 9"),
    "changed-code.tif": (lambda p, c: tiff(p, with_code(c.pixels, CODE.replace("X160/", "X170/"))), "names chart"),
    "no-such-tile.tif": (lambda p, c: tiff(p, with_code(c.pixels, CODE.replace("/1/1/", "/1/7/"))), "no such tile"),
    "upper-half.tif": (lambda p, c: tiff(p, c.pixels[: len(c.pixels) // 2]), "bottom part .* outside the picture"),
    "lower-half.tif": (lambda p, c: tiff(p, c.pixels[len(c.pixels) // 2 :]), "square code cannot be read"),
    "left-part.tif": (lambda p, c: tiff(p, c.pixels[:, :1000]), "right part .* outside the picture"),
    "mirrored.tif": (lambda p, c: tiff(p, c.pixels[:, ::-1]), "mirror image"),
    "upside-down-mirrored.tif": (lambda p, c: tiff(p, c.pixels[::-1]), "mirror image"),
    "inverted.tif": (lambda p, c: tiff(p, 65535 - c.pixels), "No inkstrain chart"),
    "angle-10.jpg": (lambda p, c: _saved(p, photographed(c.pixels, 0.1), quality=92), "photograph taken at an angle"),
    "angle-25.jpg": (lambda p, c: _saved(p, photographed(c.pixels, 0.25), quality=92), "photograph taken at an angle"),
    "dpi-72.tif": (lambda p, c: tiff(p, resampled(c.pixels, 72), 72), "only 7[12] dpi"),
    "dpi-72-untold.tif": (lambda p, c: tiff(p, resampled(c.pixels, 72), None), "only 7[12] dpi"),
    "dpi-110.tif": (lambda p, c: tiff(p, resampled(c.pixels, 110), 110), "only 1(09|10) dpi"),
    "twice.tif": (lambda p, c: tiff(p, np.concatenate([c.pixels, c.pixels])), "twice"),
    "dark.tif": (lambda p, c: tiff(p, c.pixels // 6), "nearly black"),
    # what kind of picture it is
    "grey.tif": (lambda p, c: tiff(p, c.pixels[..., 1], icc=None, photometric="minisblack"), "is grey"),
    "grey.png": (lambda p, c: _saved(p, eight_bits(c.pixels).convert("L")), "is grey"),
    "cmyk.tif": (lambda p, c: tiff(p, c.pixels[..., [0, 1, 2, 0]], icc=None, photometric="separated"), "is CMYK"),
    "cmyk.jpg": (lambda p, c: _saved(p, eight_bits(c.pixels).convert("CMYK")), "is CMYK"),
    "palette.png": (lambda p, c: _saved(p, eight_bits(c.pixels).quantize(64)), "palette"),
    "palette.tif": (lambda p, c: _saved(p, eight_bits(c.pixels).quantize(64)), "palette"),
    "alpha.png": (lambda p, c: _saved(p, eight_bits(c.pixels).convert("RGBA")), "alpha"),
    "alpha.tif": (lambda p, c: tiff(p, c.pixels[..., [0, 1, 2, 0]], extrasamples=["unassalpha"]), "alpha"),
    "float.tif": (lambda p, c: tiff(p, (c.pixels / 65535).astype(np.float32)), "floating-point"),
    "half-float.tif": (lambda p, c: tiff(p, (c.pixels / 65535).astype(np.float16)), "floating-point"),
    "1-bit.tif": (lambda p, c: _saved(p, eight_bits(c.pixels).convert("1")), "1 bit"),
    "1-bit.png": (lambda p, c: _saved(p, eight_bits(c.pixels).convert("1")), "grey"),
    "picture.bmp": (lambda p, c: _saved(p, eight_bits(c.pixels)), "not a picture of a known kind"),
    "picture.gif": (lambda p, c: _saved(p, eight_bits(c.pixels).quantize(64)), "not a picture of a known kind"),
    "one-pixel.tif": (lambda p, c: tiff(p, np.zeros((1, 1, 3), np.uint16)), "No inkstrain chart"),
    # what profile it carries
    "profile-of-rubbish.tif": (lambda p, c: tiff(p, c.pixels, icc=b"rubbish!" * 40), "profile is broken"),
    "profile-cut.tif": (lambda p, c: tiff(p, c.pixels, icc=ICC[:60]), "profile is broken"),
    "profile-damaged.tif": (lambda p, c: tiff(p, c.pixels, icc=ICC[:150] + b"\xff" * 60 + ICC[210:]), "broken"),
    "profile-of-a-press.tif": (
        lambda p, c: tiff(p, c.pixels, icc=bytes(pyvips.Operation.call("profile_load", "cmyk"))), "not one for RGB"
    ),
    # whether it is a whole file at all
    "cut.tif": (lambda p, c: _cut(p, c.path, 0.5), "cut short"),
    "cut.jpg": (lambda p, c: _cut(p, _saved(p, eight_bits(c.pixels)), 0.5), "cut short"),
    "cut.png": (lambda p, c: _cut(p, _saved(p, eight_bits(c.pixels)), 0.5), "cut short"),
    "rotten.tif": (lambda p, c: _damaged_strip(p, c.pixels), "damaged"),
    "empty.tif": (lambda p, c: _bytes(p, b""), "is empty"),
    "words.tif": (lambda p, c: _bytes(p, b"Dear printer,\n"), "not a picture"),
    "folder": (lambda p, c: _folder(p), "is a folder"),
    "missing.tif": (lambda p, c: p, "does not exist"),
    "loop.tif": (lambda p, c: _loop(p), "cannot be opened"),
}  # fmt: skip


def two_plain_sentences(err: str) -> None:
    """Check that the talk is one line of two sentences: what and where, then what to do next."""
    assert err.endswith("\n")
    line = err[:-1]
    assert line.startswith("inkstrain: ")
    assert not any(unicodedata.category(character) in ("Cc", "Cf", "Cs") for character in line), ascii(line)
    assert "Traceback" not in line
    assert "should not have" not in line
    assert line.endswith(".")
    assert len(re.split(r"[.)] (?=[A-Z'])", line)) == 2, line


def state(folder: Path) -> dict[str, bytes | None]:
    """Return every name in a folder with its content."""
    return {path.name: path.read_bytes() if path.is_file() else None for path in folder.iterdir()}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_measured_is_refused_and_nothing_is_written(
    clean: Clean, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes], name: str
) -> None:
    make, words = REFUSED[name]
    made = make(tmp_path / name, clean)
    before = state(tmp_path)
    code, out, err = _run([made] if isinstance(made, Path) else made, tmp_path, capfdbinary)
    assert (code, out) == (3, "")
    two_plain_sentences(err)
    assert re.search(words, err), err
    assert name in err
    assert state(tmp_path) == before


def test_scans_that_do_not_belong_together_are_refused(
    clean: Clean, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    other, again = tmp_path / "other.tif", tmp_path / "again.tif"
    rehearse(OTHER, other, scan_options=ScanOptions(dpi=200))
    again.write_bytes(clean.path.read_bytes())
    before = state(tmp_path)
    for scans, words in (
        ([clean.path, other], rf"different charts.*{RECIPE.chart_id}.*{OTHER.chart_id}"),
        ([clean.path, again], "is in both clean.tif and again.tif"),
        ([again, again], "is in both again.tif and again.tif"),
        ([clean.path, tmp_path / "missing.tif"], "missing.tif does not exist"),
    ):
        code, out, err = _run(scans, tmp_path, capfdbinary)
        assert (code, out) == (3, "")
        two_plain_sentences(err)
        assert re.search(words, err), err
        assert state(tmp_path) == before


HOSTILE_NAMES = [
    "a b'c\"d;$(touch x) & %s {0}.tif",
    "-rf.tif",
    "ü Δ 漢字.tif",
    "two\nlines.tif",
    "\x1b]0;title\x07\x1b[31mred.tif",
    "\u202ffit.exe\u202efit.tif",
    "<script>alert(1)<",
    os.fsdecode(b"bytes-\xff\xfe.tif"),
]


@pytest.mark.parametrize("name", HOSTILE_NAMES, ids=ascii)
def test_a_hostile_file_name_is_only_a_name(
    clean: Clean, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes], name: str
) -> None:
    path = tmp_path / name
    try:
        path.write_bytes(b"")
    except (OSError, UnicodeEncodeError):
        pytest.skip("this file system refuses the name")
    code, out, err = _run([path], tmp_path, capfdbinary)
    assert (code, out) == (3, "")
    two_plain_sentences(err)
    assert "is empty" in err
    assert len(list(tmp_path.iterdir())) == 1
    path.write_bytes(clean.path.read_bytes())
    code, out, err = _run([path], tmp_path, capfdbinary)
    assert (code, out) == (0, ""), err
    assert {line.split(" ")[1] for line in err.splitlines()} == {"Wrote"}
    kept = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert kept["tiles"][0]["scan"] == name.encode("utf-8", "backslashreplace").decode("utf-8")
    page = (tmp_path / "out.html").read_text(encoding="utf-8")
    assert "<script>alert(1)" not in page
    assert kept["elements"] == clean.score["elements"]


def scored(
    path: Path, folder: Path, capture: pytest.CaptureFixture[bytes], *more: Path
) -> tuple[dict[str, Any], list[str]]:
    """Score scans that must be scored, and return the score and the names of its tiles' flags."""
    before = [scan.read_bytes() for scan in (path, *more)]
    code, _, err = _run([path, *more], folder, capture)
    assert code == 0, err
    assert [scan.read_bytes() for scan in (path, *more)] == before
    score = json.loads((folder / "out.json").read_text(encoding="utf-8"))
    return score, [flag["code"] for tile in score["tiles"] for flag in tile["flags"]]


def ring_of(score: dict[str, Any]) -> dict[str, Any]:
    return next(element for element in score["elements"] if element["id"] == RING)


def test_the_clean_scan_has_no_flags_and_its_step(clean: Clean) -> None:
    assert clean.score["flags"] == []
    assert [tile["flags"] for tile in clean.score["tiles"]] == [[]]
    (contour,) = ring_of(clean.score)["contours"]
    assert contour["radius_mm"] == pytest.approx(STEP.radius_mm, abs=STEP_MM)
    assert contour["excess_de00"] == pytest.approx(true_excess_de00(), abs=STEP_DE00)


def true_excess_de00() -> float:
    """Return what the exact printed course shows at the stated resolution."""
    _, truth = rehearse_array(RECIPE, damages=[STEP], scan_options=ScanOptions(dpi=50))
    course = truth.ring(RING)
    (ring,) = [e for s in build_key(RECIPE).sheets for t in s.tiles for e in t.elements if isinstance(e, Ring)]
    exact = exact_ring(
        ring, RECIPE, np.array(course.radius_mm), np.array(course.lab), DEFAULT_VIEWING, (1, 1), RESOLUTION_MM
    )
    return exact.contours[0].excess_de00


def test_a_print_made_as_a_mirror_image_is_refused_in_a_plain_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "mirrored-print.tif"
    rehearse(RECIPE, path, print_options=PrintOptions(mirrored=True), scan_options=ScanOptions(dpi=DPI))
    assert main(["score", str(path), "--json", str(tmp_path / "score.json")]) == 3
    err = capsys.readouterr().err
    assert "is a mirror image" in err
    assert "turn mirroring off in the printer driver" in err
    assert "Traceback" not in err
    assert not (tmp_path / "score.json").exists()


def test_a_print_at_97_per_cent_is_scored_flagged_and_named(
    clean: Clean, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    path = tmp_path / "fitted.tif"
    rehearse(
        RECIPE, path, damages=[STEP], print_options=PrintOptions(scale=(0.97, 0.97)), scan_options=ScanOptions(dpi=DPI)
    )
    score, flags = scored(path, tmp_path, capfdbinary)
    assert flags == ["print-scaled"]
    assert "97.0 % of its size" in score["tiles"][0]["flags"][0]["text"]
    assert "fit to page" in score["tiles"][0]["flags"][0]["text"]
    assert score["tiles"][0]["print_scale"] == pytest.approx([0.97, 0.97], abs=5e-4)
    # radii are the chart's own, the print's scale removed
    (contour,) = ring_of(score)["contours"]
    assert contour["radius_mm"] == pytest.approx(STEP.radius_mm, abs=STEP_MM)
    evenness = [each["totals"]["evenness"]["value"] for each in (score, clean.score)]
    assert evenness[0] == pytest.approx(evenness[1], abs=0.01)
    assert "97.0\u00a0%" in (tmp_path / "out.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("flag", "options"),
    [
        ("paper-clipped", {"exposure": 1.15}),
        ("sharpened", {"sharpen_mm": 0.1, "sharpen_amount": 2.0}),
        ("sharpened", {"sharpen_mm": 0.2, "sharpen_amount": 1.0, "bits": 8}),
    ],
)
def test_what_a_scanner_does_on_its_own_is_scored_and_flagged(
    tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes], flag: str, options: dict[str, Any]
) -> None:
    path = tmp_path / "scan.tif"
    rehearse(RECIPE, path, damages=[STEP], scan_options=ScanOptions(dpi=DPI, **options))
    score, flags = scored(path, tmp_path, capfdbinary)
    assert flag in flags
    assert any(
        contour["radius_mm"] == pytest.approx(STEP.radius_mm, abs=STEP_MM) for contour in ring_of(score)["contours"]
    )


def test_blacks_cut_off_are_scored_and_flagged(
    clean: Clean, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    cut = np.clip(clean.pixels.astype(np.int64) - 9000, 0, None).astype(np.uint16)
    _, flags = scored(tiff(tmp_path / "blocked.tif", cut), tmp_path, capfdbinary)
    assert flags == ["black-clipped"]


@pytest.mark.parametrize("quality", [85, 95])
def test_a_jpeg_is_scored_and_flagged(
    clean: Clean, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes], quality: int
) -> None:
    path = tmp_path / "scan.jpg"
    eight_bits(clean.pixels).save(path, quality=quality, dpi=(DPI, DPI), icc_profile=ICC)
    score, flags = scored(path, tmp_path, capfdbinary)
    assert flags == ["lossy"]
    assert score["tiles"][0]["print_scale"] == pytest.approx([1.0, 1.0], abs=1e-3)
    # chroma comes at half the resolution and in coarse steps: the ring is found, its contrast is a guess
    assert any(abs(contour["radius_mm"] - STEP.radius_mm) < 2 * STEP_MM for contour in ring_of(score)["contours"])


@pytest.mark.parametrize(("tag", "flag"), [(None, "no-resolution-tag"), (72, "resolution-tag-ignored")])
def test_a_resolution_that_is_missing_or_wrong_is_flagged_and_changes_nothing(
    clean: Clean, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes], tag: float | None, flag: str
) -> None:
    score, flags = scored(tiff(tmp_path / "scan.tif", clean.pixels, tag), tmp_path, capfdbinary)
    assert flags == [flag]
    assert score["tiles"][0]["dpi"] == pytest.approx([DPI, DPI], rel=1e-3)
    for measure in ("evenness", "reach"):
        assert score["totals"][measure]["value"] == pytest.approx(clean.score["totals"][measure]["value"], abs=1e-3)


def test_a_picture_a_little_out_of_square_is_flagged(
    clean: Clean, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    path = tmp_path / "held.png"
    photographed(clean.pixels, 0.02).save(path, dpi=(DPI, DPI), icc_profile=ICC)
    _, flags = scored(path, tmp_path, capfdbinary)
    assert "out-of-square" in flags


def test_without_a_profile_srgb_is_assumed_and_said(
    clean: Clean, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    score, _ = scored(tiff(tmp_path / "bare.tif", clean.pixels, icc=None), tmp_path, capfdbinary)
    assert score["colour_basis"]["kind"] == "assumed"
    (contour,) = ring_of(score)["contours"]
    assert contour["radius_mm"] == pytest.approx(STEP.radius_mm, abs=STEP_MM)


TWO = Recipe(sheet="170x130", hues=1, only=("ring-to-white", "ring-to-black"), bed_mm=(100.0, 130.0))


def test_a_tile_cut_off_beside_a_whole_one_is_left_out_and_said(
    tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    assert [len(sheet.tiles) for sheet in build_key(TWO).sheets] == [2]
    pixels, _ = rehearse_array(TWO, scan_options=ScanOptions(dpi=200))
    left = build_key(TWO).sheets[0].tiles[1].box_mm[0]
    cut = round((left + 45 + MARGIN_MM) * 200 / 25.4)
    score, flags = scored(tiff(tmp_path / "cut.tif", pixels[:, :cut], 200), tmp_path, capfdbinary)
    assert "other-tile-left-out" in flags
    assert [tile["tile"] for tile in score["tiles"]] == [1]
    assert any(flag["code"] == "tiles-missing" for flag in score["flags"])
