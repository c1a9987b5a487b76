"""The five spaces and their ICC profiles against colour-science's own definitions, through two colour engines."""

from __future__ import annotations

import hashlib
import io
import struct

import imagecodecs
import numpy as np
import pytest
from PIL import Image, ImageCms

from inkstrain.targets.colorimetry import WHITE_D50, colour_science, delta_e00, xyz_to_lab
from inkstrain.targets.recipe import SPACES
from inkstrain.targets.spaces import (
    DESCRIPTIONS,
    decode,
    encode,
    icc_profile,
    rgb_to_lab,
    rgb_to_xyz,
    rgb_to_xyz_matrix,
    xyz_to_rgb,
)

IN_COLOUR_SCIENCE = {
    "srgb": "sRGB",  # IEC 61966-2-1:1999
    "display-p3": "Display P3",  # SMPTE EG 432-1:2010 primaries with the curve of IEC 61966-2-1
    "adobe-rgb": "Adobe RGB (1998)",  # IEC 61966-2-5:2007
    "prophoto": "ROMM RGB",  # ISO 22028-2:2013
    "rec2020": "ITU-R BT.2020",  # ITU-R BT.2020-2
}
# xy of red, green, blue and white as printed in the five standards
PRIMARIES = {
    "srgb": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06), (0.3127, 0.3290)),
    "display-p3": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060), (0.3127, 0.3290)),
    "adobe-rgb": ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06), (0.3127, 0.3290)),
    "prophoto": ((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001), (0.3457, 0.3585)),
    "rec2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046), (0.3127, 0.3290)),
}
# XYZ (D50) columns of the sRGB profile, as ICC.1 fixed numbers give them: common practice, from memory
SRGB_D50 = [[0.4360, 0.3851, 0.1431], [0.2225, 0.7169, 0.0606], [0.0139, 0.0971, 0.7141]]

LINEAR = 3e-4
"""BT.2020 prints alpha as 1.099 for 10 bits and as 1.0993 for 12; colour-science takes the former, we the exact one."""
ENGINE_DE00 = 0.02
"""s15Fixed16 numbers in a profile, and a colour engine's arithmetic in floating point."""
EIGHT_BIT_LAB = 1.2
EIGHT_BIT_LAB_MEAN = 0.3
"""Pillow's Lab has 8 bits, L* in steps of 0.39, a* and b* in steps of 1, and its engine rounds on the way."""


def colours(count: int = 400) -> np.ndarray:
    random = np.random.default_rng(11)
    corners = np.array([[r, g, b] for r in (0, 1) for g in (0, 1) for b in (0, 1)], dtype=float)
    greys = np.repeat(np.linspace(0, 1, 33)[:, None], 3, axis=1)
    return np.concatenate([corners, greys, random.random((count, 3))])


def colour_sciences_xyz(space: str, rgb: np.ndarray) -> np.ndarray:
    """Return XYZ for D50 by colour-science's own definition and adaptation (Bradford)."""
    colour = colour_science()
    definition = colour.RGB_COLOURSPACES[IN_COLOUR_SCIENCE[space]]
    linear = definition.cctf_decoding(rgb)
    matrix = colour.normalised_primary_matrix(definition.primaries, definition.whitepoint)
    return np.asarray(
        colour.chromatic_adaptation(
            linear @ np.asarray(matrix).T, colour.xy_to_XYZ(definition.whitepoint), WHITE_D50,
            method="Von Kries", transform="Bradford",
        )
    )  # fmt: skip


@pytest.mark.parametrize("space", SPACES)
def test_primaries_and_white_are_those_of_the_standards(space: str) -> None:
    colour = colour_science()
    definition = colour.RGB_COLOURSPACES[IN_COLOUR_SCIENCE[space]]
    assert definition.primaries == pytest.approx(np.array(PRIMARIES[space][:3]), abs=1e-4)
    assert definition.whitepoint == pytest.approx(PRIMARIES[space][3], abs=2e-4)
    to_native = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        WHITE_D50, colour.xy_to_XYZ(definition.whitepoint), transform="Bradford"
    )
    native = np.asarray(to_native) @ rgb_to_xyz_matrix(space)
    assert pytest.approx(np.array(PRIMARIES[space][:3]), abs=2e-4) == (native[:2] / native.sum(axis=0)).T


@pytest.mark.parametrize("space", SPACES)
def test_the_curve_is_that_of_colour_science(space: str) -> None:
    definition = colour_science().RGB_COLOURSPACES[IN_COLOUR_SCIENCE[space]]
    values = np.linspace(0.0, 1.0, 1001)
    linear = np.asarray(definition.cctf_decoding(values))
    np.testing.assert_allclose(decode(space, values), linear, atol=LINEAR)
    np.testing.assert_allclose(encode(space, linear), values, atol=LINEAR)


@pytest.mark.parametrize("space", SPACES)
def test_colours_are_those_of_colour_science(space: str) -> None:
    rgb = colours()
    np.testing.assert_allclose(rgb_to_xyz(space, rgb), colour_sciences_xyz(space, rgb), atol=LINEAR)


def test_published_points_of_the_curves() -> None:
    # IEC 61966-2-1: 8-bit 128 is 0.2158605 linear, the break is at 0.04045; IEC 61966-2-5: exponent 2 51/256
    assert decode("srgb", 128 / 255) == pytest.approx(0.2158605, abs=1e-6)
    assert decode("srgb", 0.04045) == pytest.approx(0.04045 / 12.92, abs=1e-6)
    assert decode("adobe-rgb", 0.5) == pytest.approx(0.5 ** (2 + 51 / 256), abs=1e-12)
    # ISO 22028-2: 1/512 is the break, slope 16 below it; ITU-R BT.2020-2: 4.5 below beta, 1.0993 x^0.45 - 0.0993 above
    assert encode("prophoto", 1 / 512) == pytest.approx(16 / 512, abs=1e-6)
    assert encode("prophoto", 0.5) == pytest.approx(0.5 ** (1 / 1.8), abs=1e-12)
    assert encode("rec2020", 0.01) == pytest.approx(0.045, abs=1e-9)
    assert encode("rec2020", 0.5) == pytest.approx(1.0993 * 0.5**0.45 - 0.0993, abs=1e-4)


def test_the_matrix_of_srgb_is_the_usual_one() -> None:
    assert rgb_to_xyz_matrix("srgb") == pytest.approx(np.array(SRGB_D50), abs=2e-4)


@pytest.mark.parametrize("space", SPACES)
def test_white_is_white_and_round_trips_close(space: str) -> None:
    assert rgb_to_lab(space, [1.0, 1.0, 1.0]) == pytest.approx([100.0, 0.0, 0.0], abs=1e-3)
    assert rgb_to_lab(space, [0.0, 0.0, 0.0]) == pytest.approx([0.0, 0.0, 0.0], abs=1e-9)
    rgb = colours()
    np.testing.assert_allclose(encode(space, decode(space, rgb)), rgb, atol=2e-5)
    np.testing.assert_allclose(xyz_to_rgb(space, rgb_to_xyz(space, rgb)), rgb, atol=2e-5)


@pytest.mark.parametrize("space", SPACES)
def test_little_cms_reads_the_profile_as_the_space(space: str) -> None:
    """Through imagecodecs: floating point, relative colorimetric, to the profile connection space."""
    rgb = colours()
    xyz = imagecodecs.cms_transform(
        np.ascontiguousarray(rgb[None]), icc_profile(space), imagecodecs.cms_profile("xyz"),
        colorspace="rgb", outcolorspace="xyz", outdtype=np.float64, intent=1,
        flags=imagecodecs.CMS.FLAGS.NOOPTIMIZE,
    )[0]  # fmt: skip
    assert np.max(delta_e00(xyz_to_lab(xyz), rgb_to_lab(space, rgb))) < ENGINE_DE00
    assert np.max(delta_e00(xyz_to_lab(xyz), xyz_to_lab(colour_sciences_xyz(space, rgb)))) < 3 * ENGINE_DE00


@pytest.mark.parametrize("space", SPACES)
def test_pillow_reads_the_profile_as_the_space(space: str) -> None:
    """Through Pillow's ImageCms, in its 8 bits."""
    rgb8 = np.rint(255 * colours()).astype(np.uint8)
    profile = ImageCms.ImageCmsProfile(io.BytesIO(icc_profile(space)))
    to_lab = ImageCms.buildTransform(
        profile, ImageCms.createProfile("LAB"), "RGB", "LAB", ImageCms.Intent.RELATIVE_COLORIMETRIC
    )
    seen = np.asarray(ImageCms.applyTransform(Image.fromarray(rgb8[None]), to_lab))[0].astype(float)
    lab = np.stack([seen[:, 0] / 2.55, *(np.where(seen[:, i] > 127, seen[:, i] - 256, seen[:, i]) for i in (1, 2))], -1)
    asked = np.clip(rgb_to_lab(space, rgb8 / 255), (0, -128, -128), (100, 127, 127))
    held = (np.abs(asked[:, 1:]) < 126).all(axis=1)
    np.testing.assert_allclose(lab[held], asked[held], atol=EIGHT_BIT_LAB)
    assert np.abs(lab[held] - asked[held]).mean() < EIGHT_BIT_LAB_MEAN


@pytest.mark.parametrize("space", SPACES)
def test_a_profile_names_itself_and_is_a_working_space(space: str) -> None:
    profile = ImageCms.ImageCmsProfile(io.BytesIO(icc_profile(space))).profile
    assert profile.profile_description == DESCRIPTIONS[space]
    assert (profile.device_class, profile.xcolor_space.strip(), profile.connection_space.strip()) == (
        "mntr", "RGB", "XYZ",
    )  # fmt: skip
    assert profile.version == pytest.approx(4.2)
    assert profile.is_matrix_shaper
    assert profile.media_white_point[0] == pytest.approx(tuple(WHITE_D50), abs=1e-4)


@pytest.mark.parametrize("space", SPACES)
def test_a_profile_is_well_formed(space: str) -> None:
    """ISO 15076-1, clauses 7.2 and 7.3: size, signature, tags inside the file, on four bytes, without overlap."""
    data = icc_profile(space)
    assert struct.unpack(">I", data[:4])[0] == len(data)
    assert len(data) % 4 == 0
    assert data[36:40] == b"acsp"
    (count,) = struct.unpack(">I", data[128:132])
    tags = [struct.unpack(">4sII", data[132 + 12 * i : 144 + 12 * i]) for i in range(count)]
    required = {b"desc", b"cprt", b"wtpt", b"chad", b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC"}
    assert {name for name, _, _ in tags} == required  # clause 8.3.3, three-component matrix-based display profile
    places = sorted({(offset, size) for _, offset, size in tags})
    end = 132 + 12 * count
    for offset, size in places:
        assert offset % 4 == 0
        assert offset >= end
        end = offset + size
    assert end <= len(data)


@pytest.mark.parametrize("space", SPACES)
def test_a_profile_has_the_same_bytes_every_time(space: str) -> None:
    digest = hashlib.sha256(icc_profile(space)).hexdigest()
    icc_profile.cache_clear()
    assert hashlib.sha256(icc_profile(space)).hexdigest() == digest
