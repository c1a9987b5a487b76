"""ICC profiles of invented printers, made here from their own analytic model: RGB and grey, versions 2 and 4.

Tags and their layout follow ISO 15076-1: lut16Type (10.10), curveType (10.6), XYZType, and the text types.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import WHITE_D50, lab_to_xyz, xyz_to_lab
from inkstrain.targets.spaces import rgb_to_xyz_matrix

Array = NDArray[np.float64]

BLACK = 0.01
GAMMA = 2.0
CHROMA_KEPT = 0.8


def device_lab(device: Array) -> Array:
    """Return the invented RGB printer's colours: an additive device with stray light, so with a grey black."""
    xyz = np.clip(device, 0, 1) ** GAMMA @ rgb_to_xyz_matrix("srgb").T
    return xyz_to_lab(BLACK * WHITE_D50 + (1 - BLACK) * xyz)


def lab_device(lab: Array) -> Array:
    """Return the device values of a colour, clipped channel by channel."""
    xyz = (lab_to_xyz(lab) - BLACK * WHITE_D50) / (1 - BLACK)
    linear = xyz @ np.linalg.inv(rgb_to_xyz_matrix("srgb")).T
    return np.clip(linear, 0, 1) ** (1 / GAMMA)


def squeezed(lab: Array) -> Array:
    """Return a perceptual rendering: lightness squeezed onto the printer's range, chroma to four fifths."""
    black_l = float(xyz_to_lab(BLACK * WHITE_D50)[0])
    out = lab * np.array([1 - black_l / 100, CHROMA_KEPT, CHROMA_KEPT])
    out[..., 0] += black_l
    return out


def _s15(values: object) -> bytes:
    return bytes(np.rint(np.asarray(values, dtype=np.float64).ravel() * 65536).astype(">i4").tobytes())


def _lut16(table: Array) -> bytes:
    """Return a lut16Type of a table (n, n, n, 3) of values 0 to 1, without curves."""
    n = table.shape[0]
    head = b"mft2" + struct.pack(">IBBBB", 0, 3, 3, n, 0) + _s15(np.eye(3)) + struct.pack(">HH", 2, 2)
    straight = np.tile(np.array([0, 65535], dtype=">u2"), 3).tobytes()
    return head + straight + np.rint(np.clip(table, 0, 1) * 65535).astype(">u2").tobytes() + straight


def _grid(n: int) -> Array:
    axis = np.linspace(0, 1, n)
    return np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1)


def _lab_coded(lab: Array) -> Array:
    """Return CIELAB in lut16Type's own coding (10.10, legacy): 0xFF00 is L* 100, a* and b* plus 128."""
    return np.stack([lab[..., 0] / 100 * 65280, (lab[..., 1] + 128) * 256, (lab[..., 2] + 128) * 256], -1) / 65535


def _lab_decoded(coded: Array) -> Array:
    return np.stack([coded[..., 0] * 65535 / 652.8, *(coded[..., i] * 65535 / 256 - 128 for i in (1, 2))], axis=-1)


def packed(
    tags: Mapping[str, bytes], *, kind: bytes = b"prtr", space: bytes = b"RGB ", pcs: bytes = b"Lab ", version: int = 2
) -> bytes:
    """Return a profile of given tags."""
    offset = 132 + 12 * len(tags)
    table, body = b"", b""
    for name, data in tags.items():
        table += name.encode() + struct.pack(">II", offset + len(body), len(data))
        body += data + b"\0" * (-len(data) % 4)
    header = struct.pack(
        ">I4sI4s4s4s6H4s4sIIIQI12s4s44s",
        offset + len(body), b"\0\0\0\0", version << 24 | 0x00200000, kind, space, pcs,
        2026, 1, 1, 0, 0, 0, b"acsp", b"\0\0\0\0", 0, 0, 0, 0, 0, _s15(WHITE_D50), b"\0\0\0\0", b"",
    )  # fmt: skip
    return header + struct.pack(">I", len(tags)) + table + body


def _named(text: str, version: int) -> bytes:
    if version >= 4:
        coded = text.encode("utf-16-be")
        return struct.pack(">4sIII2s2sII", b"mluc", 0, 1, 12, b"en", b"US", len(coded), 28) + coded
    ascii_text = text.encode() + b"\0"
    return struct.pack(">4sII", b"desc", 0, len(ascii_text)) + ascii_text + b"\0" * 78


def rgb_tags(
    name: str = "Invented RGB printer", *, version: int = 2, nodes: int = 33, chroma: float = 1.0
) -> dict[str, bytes]:
    """Return the tags of the invented RGB printer's profile, to be left out or spoiled; ``chroma`` scales its inks'."""
    forward = _lut16(_lab_coded(device_lab(_grid(17)) * np.array([1.0, chroma, chroma])))
    lab = _lab_decoded(_grid(nodes))
    renderings: dict[str, Callable[[Array], Array]] = {"B2A0": squeezed, "B2A1": np.array, "B2A2": squeezed}
    return {
        "desc": _named(name, version),
        "cprt": _named("No copyright", version) if version >= 4 else b"text\0\0\0\0No copyright\0",
        "wtpt": b"XYZ \0\0\0\0" + _s15(np.array([0.88, 0.91, 0.74])),
        "A2B0": forward,
        "A2B1": forward,
        "A2B2": forward,
        **{tag: _lut16(lab_device(rendered(lab))) for tag, rendered in renderings.items()},
    }


def rgb_profile(name: str = "Invented RGB printer", *, version: int = 2) -> bytes:
    """Return the invented RGB printer's profile."""
    return packed(rgb_tags(name, version=version), version=version)


def grey_profile(version: int = 2, pcs: bytes = b"XYZ ") -> bytes:
    """Return a profile for grey alone, of gamma 2 (its exponent as u8Fixed8)."""
    curve = b"curv\0\0\0\0" + struct.pack(">IH", 1, 0x0200)
    tags = {
        "desc": _named("Invented grey printer", version),
        "cprt": b"text\0\0\0\0No copyright\0",
        "wtpt": b"XYZ \0\0\0\0" + _s15(WHITE_D50),
        "kTRC": curve,
    }
    return packed(tags, space=b"GRAY", pcs=pcs, version=version)


def scanner_profile(matrix: Array, exponent: float, *, version: int = 2) -> bytes:
    """Return an input profile of a matrix (ISO 15076-1, 8.3.3): columns are the XYZ of red, green and blue.

    Its curves are an exponent: curveType of one u8Fixed8 (10.6) in version 2, parametricCurveType 0 (10.18) in
    version 4.
    """
    if version >= 4:
        curve = struct.pack(">4sIHH", b"para", 0, 0, 0) + _s15(exponent)
    else:
        curve = struct.pack(">4sIIH", b"curv", 0, 1, round(exponent * 256))
    tags = {
        "desc": _named("Invented scanner", version),
        "cprt": _named("No copyright", version) if version >= 4 else b"text\0\0\0\0No copyright\0",
        "wtpt": b"XYZ \0\0\0\0" + _s15(WHITE_D50),
        **{f"{name}XYZ": b"XYZ \0\0\0\0" + _s15(column) for name, column in zip("rgb", matrix.T, strict=True)},
        **{f"{name}TRC": curve for name in "rgb"},
    }
    return packed(tags, kind=b"scnr", pcs=b"XYZ ", version=version)
