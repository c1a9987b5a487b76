"""Printers of the rehearsal: black, white, gamut mapping, and ICC profiles against a second way through them."""

from __future__ import annotations

import io

import numpy as np
import pytest

from inkstrain.targets.colorimetry import WHITE_D50, delta_e00, hue_deg_ipt, xyz_to_lab
from inkstrain.targets.errors import WrongUsageError
from inkstrain.targets.recipe import SPACES
from inkstrain.targets.rehearsal import INKJETS, IccPrinter, IdentityPrinter, inkjet
from inkstrain.targets.rehearsal.gamut import amounts_for
from inkstrain.targets.rehearsal.inks import InkSet, Separation, device_xyz
from inkstrain.targets.rehearsal.printers import Printer, print_raster
from inkstrain.targets.rings import pure_hue_rgb
from inkstrain.targets.spaces import icc_profile, rgb_to_lab

MIDDLING = 0.35 + 0.3 * np.random.default_rng(2).random((400, 3))
HUES = np.array([pure_hue_rgb(angle) for angle in range(0, 360, 30)])


def lab(printer: Printer, rgb: np.ndarray, space: str = "adobe-rgb") -> np.ndarray:
    return xyz_to_lab(printer.print_xyz(space, rgb))


@pytest.fixture(scope="module")
def cmyk() -> bytes:
    pyvips = pytest.importorskip("pyvips")
    return bytes(pyvips.Operation.call("profile_load", "cmyk"))


@pytest.mark.parametrize("space", SPACES)
def test_identity_prints_the_file(space: str) -> None:
    assert lab(IdentityPrinter(), MIDDLING, space) == pytest.approx(rgb_to_lab(space, MIDDLING))


@pytest.mark.parametrize(("name", "black_l"), [("alder", (3, 6)), ("rowan", (5, 8)), ("sorrel", (16, 20))])
@pytest.mark.parametrize("intent", ["relative", "perceptual"])
def test_inkjets_have_bare_paper_and_their_black(name: str, black_l: tuple[float, float], intent: str) -> None:
    white, black = lab(inkjet(name, intent), np.array([[1.0, 1.0, 1.0], [0.0, 0.0, 0.0]]))  # type: ignore[arg-type]
    assert white == pytest.approx([100.0, 0.0, 0.0], abs=1e-6)
    assert black_l[0] < black[0] < black_l[1]


def test_relative_without_compensation_leaves_colours_in_gamut() -> None:
    printed = lab(inkjet("alder", "relative", bpc=False), MIDDLING)
    moved = delta_e00(printed, rgb_to_lab("adobe-rgb", MIDDLING))
    # what is left is the driver's table between its nodes
    assert np.median(moved) < 0.15
    assert np.max(moved) < 1.0


def test_perceptual_moves_colours_in_gamut() -> None:
    asked = rgb_to_lab("adobe-rgb", MIDDLING)
    moved = delta_e00(lab(inkjet("alder", "perceptual"), MIDDLING), asked)
    left = delta_e00(lab(inkjet("alder", "relative", bpc=False), MIDDLING), asked)
    assert np.median(moved) > 3 * np.median(left)


def test_perceptual_keeps_more_difference_between_vivid_colours_than_clipping() -> None:
    # from the file's purest green inwards: clipping sends the first stretch to one colour
    path = np.stack([np.linspace(0, 0.2, 6), np.ones(6), np.linspace(0, 0.2, 6)], axis=-1)
    kept = {
        intent: float(np.sum(delta_e00(p[:-1], p[1:])))
        for intent in ("relative", "perceptual")
        for p in [lab(inkjet("alder", intent), path, "prophoto")]  # type: ignore[arg-type]
    }
    assert kept["perceptual"] > kept["relative"]


def test_clipping_keeps_hue() -> None:
    # lightness and chroma give way first; the deepest blues, where gloss ink has least room, may turn by 2 degrees
    turn = hue_deg_ipt(lab(inkjet("alder"), HUES)) - hue_deg_ipt(rgb_to_lab("adobe-rgb", HUES))
    assert np.abs((turn + 180) % 360 - 180).max() < 2.0


def test_neutrals_stay_neutral() -> None:
    grey = np.linspace(0.15, 1.0, 12)[:, None] * np.ones(3)
    for name in INKJETS:
        printed = lab(inkjet(name), grey)
        assert np.hypot(printed[:, 1], printed[:, 2]).max() < 2.5
        assert np.all(np.diff(printed[:, 0]) > 0)


def test_inks_are_found_again_from_their_colour() -> None:
    inks, separation = InkSet(), Separation()

    def forward(amounts: np.ndarray) -> np.ndarray:
        from inkstrain.targets.colorimetry import lab_to_ipt

        return lab_to_ipt(xyz_to_lab(device_xyz(inks, separation, amounts)))

    amounts = np.random.default_rng(3).random((300, 3)) * 0.6
    wanted = forward(amounts)
    assert forward(amounts_for(wanted, forward)) == pytest.approx(wanted, abs=1e-4)


def test_one_solid_ink_reflects_as_its_density_says() -> None:
    # a flat black of density 2 on perfect paper without gloss: Y = 10^-2 (ISO 5-3), but for the ink's slight slope
    inks = InkSet(
        density=(0, 0, 0, 2.0), gain=(0, 0, 0, 0), gloss=0.0, paper_reflectance=1.0, paper_warmth=0.0, trapping_loss=0.0
    )
    separation = Separation(black_from=0.0, black_power=1.0, colour_removed=0.0, ink_limit=4.0)
    y = device_xyz(inks, separation, np.ones((1, 3)))[0, 1]
    assert -np.log10(y) == pytest.approx(2.0, rel=0.04)


def test_half_cover_follows_yule_and_nielsen() -> None:
    # n = 2 by hand: the square of the mean of the square roots of paper 1 and solid Y_s
    inks = InkSet(
        density=(0, 0, 0, 1.0), gain=(0, 0, 0, 0), gloss=0.0, paper_reflectance=1.0, paper_warmth=0.0, trapping_loss=0.0
    )
    separation = Separation(black_from=0.0, black_power=1.0, colour_removed=0.0, ink_limit=4.0)
    solid, half = device_xyz(inks, separation, np.array([[1.0] * 3, [0.5] * 3]))[:, 1]
    assert half == pytest.approx(((1 + np.sqrt(solid)) / 2) ** 2, rel=1e-3)


@pytest.mark.parametrize("name", INKJETS)
def test_the_raster_s_table_agrees_with_the_printer(name: str) -> None:
    printer = inkjet(name)
    levels = np.random.default_rng(4).integers(0, 65536, (3000, 3), dtype=np.uint16)
    exact = lab(printer, levels / 65535.0)
    table = xyz_to_lab(print_raster(printer, "adobe-rgb", levels).T)
    assert np.percentile(delta_e00(exact, table), 95) < 1.0


@pytest.mark.parametrize(("intent", "number"), [("perceptual", 0), ("relative", 1), ("saturation", 2)])
def test_an_icc_printer_agrees_with_pillow(cmyk: bytes, intent: str, number: int) -> None:
    # Pillow's ImageCms (Little CMS, 8 bit) is the second way: chart to inks by the intent, inks to Lab by the proof
    from PIL import Image, ImageCms

    levels = np.random.default_rng(5).integers(0, 256, (20, 20, 3), dtype=np.uint8)
    device = ImageCms.ImageCmsProfile(io.BytesIO(cmyk))
    source = ImageCms.ImageCmsProfile(io.BytesIO(icc_profile("adobe-rgb")))
    flags = ImageCms.Flags.BLACKPOINTCOMPENSATION if intent == "relative" else ImageCms.Flags(0)
    there = ImageCms.buildTransform(source, device, "RGB", "CMYK", ImageCms.Intent(number), flags)
    back = ImageCms.buildTransform(device, ImageCms.createProfile("LAB"), "CMYK", "LAB", ImageCms.Intent(1))
    image = ImageCms.applyTransform(ImageCms.applyTransform(Image.fromarray(levels), there), back)
    lab8 = np.asarray(image).astype(np.float64)
    signed = lab8[..., 1:].copy()
    signed[signed > 127] -= 256
    theirs = np.concatenate([lab8[..., :1] * 100 / 255, signed], axis=-1)
    ours = lab(IccPrinter(cmyk, intent), levels / 255.0)  # type: ignore[arg-type]
    difference = delta_e00(ours, theirs)
    # eight bits of ink and of Lab are good to about half a unit
    assert np.median(difference) < 0.6
    assert np.percentile(difference, 99) < 2.0


def test_an_icc_printer_has_bare_paper_and_its_profile_s_white(cmyk: bytes) -> None:
    printer = IccPrinter(cmyk)
    assert printer.print_xyz("srgb", [1.0, 1.0, 1.0]) == pytest.approx(WHITE_D50, abs=1e-4)
    # the media white point that Pillow reads from the same profile
    from PIL import ImageCms

    told = ImageCms.ImageCmsProfile(io.BytesIO(cmyk)).profile.media_white_point
    assert printer.paper_xyz == pytest.approx(told[0], abs=1e-4)


def test_a_matrix_profile_prints_its_own_space_unchanged() -> None:
    printer = IccPrinter(icc_profile("srgb"), bpc=False)
    assert np.max(delta_e00(lab(printer, MIDDLING, "srgb"), rgb_to_lab("srgb", MIDDLING))) < 0.01


def test_what_is_no_printer_profile_is_refused() -> None:
    with pytest.raises(WrongUsageError, match="not an ICC profile"):
        IccPrinter(b"no profile at all" * 20)
    profile = bytearray(icc_profile("srgb"))
    profile[12:16] = b"scnr"
    with pytest.raises(WrongUsageError, match="not one of a printer"):
        IccPrinter(bytes(profile))
    with pytest.raises(WrongUsageError, match="Unknown virtual inkjet"):
        inkjet("oak")
