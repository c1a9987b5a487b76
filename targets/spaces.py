"""The five RGB spaces a chart can be written in, and the ICC profiles that say so.

================  ============================================  ==========
name              definition                                    white
================  ============================================  ==========
``srgb``          IEC 61966-2-1                                 D65
``display-p3``    SMPTE EG 432-1 primaries, IEC 61966-2-1 curve D65
``adobe-rgb``     Adobe RGB (1998) encoding, IEC 61966-2-5      D65
``prophoto``      ROMM RGB, ISO 22028-2                         D50
``rec2020``       ITU-R BT.2020-2, camera curve inverted        D65
================  ============================================  ==========
"""

from __future__ import annotations

import functools
import io
import struct
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .colorimetry import WHITE_D50, adaptation, xyz_to_lab

__all__ = [
    "DESCRIPTIONS",
    "beyond_screen",
    "decode",
    "encode",
    "icc_profile",
    "profile_description",
    "rgb_to_lab",
    "rgb_to_xyz",
    "rgb_to_xyz_matrix",
    "screen_rgb",
    "stated_lab",
    "xyz_to_rgb",
]

Array = NDArray[np.float64]

_D65: Final = (0.3127, 0.3290)
_PRIMARIES: Final = {  # chromaticities of red, green, blue and white, from the definitions above
    "srgb": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06), _D65),
    "display-p3": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060), _D65),
    "adobe-rgb": ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06), _D65),
    "prophoto": ((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001), (0.3457, 0.3585)),
    "rec2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046), _D65),
}

DESCRIPTIONS: Final = {
    "srgb": "sRGB (IEC 61966-2-1)",
    "display-p3": "Display P3",
    "adobe-rgb": "Adobe RGB (1998) encoding",
    "prophoto": "ROMM RGB (ISO 22028-2)",
    "rec2020": "ITU-R BT.2020",
}


@dataclass(frozen=True, slots=True)
class _Curve:
    """ICC parametric curve type 3: linear = (a v + b)^g where v >= d, else c v."""

    g: float
    a: float = 1.0
    b: float = 0.0
    c: float = 0.0
    d: float = 0.0


_SRGB_CURVE: Final = _Curve(2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
_BT2020_ALPHA: Final = 1.09929682680944
_BT2020_BETA: Final = 0.018053968510807
_CURVES: Final = {
    "srgb": _SRGB_CURVE,
    "display-p3": _SRGB_CURVE,
    "adobe-rgb": _Curve(563 / 256),
    "prophoto": _Curve(1.8, 1.0, 0.0, 1 / 16, 16 / 512),
    "rec2020": _Curve(1 / 0.45, 1 / _BT2020_ALPHA, (_BT2020_ALPHA - 1) / _BT2020_ALPHA, 1 / 4.5, 4.5 * _BT2020_BETA),
}


def decode(space: str, rgb: ArrayLike) -> Array:
    """Return linear light of encoded RGB, both 0 to 1; values outside are clipped."""
    curve = _CURVES[space]
    v = np.clip(np.asarray(rgb, dtype=np.float64), 0.0, 1.0)
    return np.asarray(np.where(v >= curve.d, (curve.a * v + curve.b) ** curve.g, curve.c * v))


def encode(space: str, linear: ArrayLike) -> Array:
    """Return encoded RGB of linear light, both 0 to 1; values outside are clipped."""
    curve = _CURVES[space]
    y = np.clip(np.asarray(linear, dtype=np.float64), 0.0, 1.0)
    upper = (y ** (1.0 / curve.g) - curve.b) / curve.a
    if curve.c == 0.0:
        return np.asarray(upper)
    return np.asarray(np.where(y >= curve.c * curve.d, upper, y / curve.c))


def _whole_xyz(chromaticity: tuple[float, float]) -> Array:
    """Return XYZ of a chromaticity at Y = 1."""
    x, y = chromaticity
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


def _adaptation(space: str) -> Array:
    return adaptation(_whole_xyz(_PRIMARIES[space][3]), WHITE_D50)


@functools.cache
def rgb_to_xyz_matrix(space: str) -> Array:
    """Return the matrix from linear RGB to XYZ for D50 (white exactly `WHITE_D50`), Bradford-adapted."""
    *primaries, white = (_whole_xyz(one) for one in _PRIMARIES[space])
    columns = np.stack(primaries, axis=1)
    # as much of each primary as makes the white
    matrix = _adaptation(space) @ (columns * np.linalg.solve(columns, white))
    matrix.setflags(write=False)
    return np.asarray(matrix)


def rgb_to_xyz(space: str, rgb: ArrayLike) -> Array:
    """Return XYZ (D50, white at Y = 1) of encoded RGB, shape (..., 3)."""
    return np.asarray(decode(space, rgb) @ rgb_to_xyz_matrix(space).T)


def rgb_to_lab(space: str, rgb: ArrayLike) -> Array:
    """Return CIELAB of encoded RGB, relative to the space's white."""
    return xyz_to_lab(rgb_to_xyz(space, rgb))


def stated_lab(space: str, rgb: ArrayLike) -> tuple[float, float, float]:
    """Return CIELAB of one colour's encoded RGB as a key states it: four decimals, and no sign for a rounded nothing.

    That sign is what is left of the last bit, which differs from processor to processor.
    """
    return tuple((rgb_to_lab(space, rgb).round(4) + 0.0).tolist())


def xyz_to_rgb(space: str, xyz: ArrayLike) -> Array:
    """Return encoded RGB of XYZ (D50), clipped to the space's gamut channel by channel."""
    linear = np.asarray(xyz, dtype=np.float64) @ np.linalg.inv(rgb_to_xyz_matrix(space)).T
    return encode(space, linear)


_KNEE = 0.8  # four fifths of what a screen has, from grey outwards, stay as they are


def beyond_screen(xyz: ArrayLike) -> Array:
    """Return how far colours lie from grey as a share of what sRGB has there, shape (...): over 1 is beyond it."""
    return _reach(*_linear_and_grey(xyz))


def screen_rgb(xyz: ArrayLike) -> Array:
    """Return encoded sRGB of XYZ (D50), shape (..., 3), for looking at: chroma compressed instead of clipped.

    Clipping stops a fade short where it leaves sRGB and so draws a rim that is not in it. Here a colour moves towards
    the grey of its luminance, in linear light: a share d of what sRGB has in its direction becomes, beyond a knee k,
    k + (1 − k) x/(1 + x) with x = (d − k)/(1 − k), whose slope at the knee is 1 and which never passes 1.
    """
    linear, grey = _linear_and_grey(xyz)
    reach = _reach(linear, grey)
    x = np.maximum(reach - _KNEE, 0.0) / (1.0 - _KNEE)
    factor = np.where(reach > _KNEE, (_KNEE + (1.0 - _KNEE) * x / (1.0 + x)) / np.maximum(reach, _KNEE), 1.0)
    return encode("srgb", grey + factor[..., None] * (linear - grey))


def _linear_and_grey(xyz: ArrayLike) -> tuple[Array, Array]:
    values = np.asarray(xyz, dtype=np.float64)
    linear = values @ np.linalg.inv(rgb_to_xyz_matrix("srgb")).T
    return linear, np.clip(values[..., 1:2], 0.0, 1.0)


def _reach(linear: Array, grey: Array) -> Array:
    up = (linear - grey) / np.maximum(1.0 - grey, 1e-6)
    down = (grey - linear) / np.maximum(grey, 1e-6)
    return np.asarray(np.maximum(up, down).max(axis=-1))


def _s15(values: ArrayLike) -> bytes:
    fixed = np.rint(np.asarray(values, dtype=np.float64).ravel() * 65536.0).astype(">i4")
    return bytes(fixed.tobytes())


def _text(text: str) -> bytes:
    encoded = text.encode("utf-16-be")
    return struct.pack(">4sIII2s2sII", b"mluc", 0, 1, 12, b"en", b"US", len(encoded), 28) + encoded


@functools.cache
def icc_profile(space: str) -> bytes:
    """Return a matrix/TRC display profile of the space (ISO 15076-1, version 4.2), the same bytes every time.

    Raises
    ------
    KeyError
        If the space is not one of the five.
    """
    curve = _CURVES[space]
    matrix = rgb_to_xyz_matrix(space)
    para = struct.pack(">4sIHH", b"para", 0, 3, 0) + _s15([curve.g, curve.a, curve.b, curve.c, curve.d])
    xyz = struct.pack(">4sI", b"XYZ ", 0)
    tags = {
        b"desc": _text(DESCRIPTIONS[space]),
        b"cprt": _text("No copyright, use freely"),
        b"wtpt": xyz + _s15(WHITE_D50),
        b"chad": struct.pack(">4sI", b"sf32", 0) + _s15(_adaptation(space)),
        b"rXYZ": xyz + _s15(matrix[:, 0]),
        b"gXYZ": xyz + _s15(matrix[:, 1]),
        b"bXYZ": xyz + _s15(matrix[:, 2]),
        b"rTRC": para,
        b"gTRC": para,
        b"bTRC": para,
    }
    offset = 128 + 4 + 12 * len(tags)
    table, body, placed = b"", b"", dict[bytes, int]()
    for name, data in tags.items():
        if data not in placed:
            placed[data] = offset + len(body)
            body += data + b"\0" * (-len(data) % 4)
        table += struct.pack(">4sII", name, placed[data], len(data))
    header = struct.pack(
        ">I4sI4s4s4s6H4s4sIIIQI12s4s44s",
        offset + len(body), b"\0\0\0\0", 0x04200000, b"mntr", b"RGB ", b"XYZ ",
        2026, 1, 1, 0, 0, 0, b"acsp", b"\0\0\0\0", 0, 0, 0, 0, 0, _s15(WHITE_D50), b"\0\0\0\0", b"",
    )  # fmt: skip
    return header + struct.pack(">I", len(tags)) + table + body


def profile_description(icc: bytes) -> str:
    """Return what an ICC profile calls itself, without characters that cannot be printed; empty if it says nothing."""
    from PIL import ImageCms

    try:
        text = ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(icc)))
    except (OSError, ImageCms.PyCMSError):
        return ""
    return "".join(character for character in text if character.isprintable()).strip()
