"""CIELAB, CIEDE2000, the hue rulers and CAM16-UCS; arrays of shape (..., 3), D50 and the 2° observer.

XYZ is relative, with white at Y = 1. The white is the ICC profile connection space's D50 (ISO 15076-1, 7.2.16).
"""

from __future__ import annotations

import functools
import sys
import warnings
from types import ModuleType
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "WHITE_D50",
    "adaptation",
    "colour_science",
    "delta_e00",
    "density",
    "hue_deg_ipt",
    "ipt_to_lab",
    "lab_to_cam16ucs",
    "lab_to_ipt",
    "lab_to_jzazbz",
    "lab_to_xyz",
    "path_length_de00",
    "xyz_to_lab",
]

Array = NDArray[np.float64]

WHITE_D50: Final = np.array([0.9642, 1.0, 0.8249])
"""XYZ of the profile connection space's white, ISO 15076-1."""

_EPSILON: Final = 216.0 / 24389.0  # CIE 15:2018, (6/29)³
_KAPPA: Final = 24389.0 / 27.0
_PIECE: Final = 1 << 13  # colours worked on at once, so that what is worked out stays in the processor's cache
_TINY: Final = 1e-100  # of a chroma, below any that is not nought
_BRADFORD: Final = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
_IPT_CONES: Final = np.array([[0.4002, 0.7075, -0.0807], [-0.2280, 1.1500, 0.0612], [0.0, 0.0, 0.9184]])
_IPT_OPPONENT: Final = np.array([[0.4, 0.4, 0.2], [4.455, -4.851, 0.396], [0.8056, 0.3572, -1.1628]])
_JZ_CONES: Final = np.array(
    [[0.41478972, 0.579999, 0.014648], [-0.20151, 1.120649, 0.0531008], [-0.0166008, 0.2648, 0.6684799]]
)
_JZ_OPPONENT: Final = np.array([[0.5, 0.5, 0.0], [3.524, -4.066708, 0.542708], [0.199076, 1.096799, -1.295875]])
_CAM16_CONES: Final = np.array(
    [[0.401288, 0.650173, -0.051461], [-0.250268, 1.204414, 0.045854], [-0.002079, 0.048952, 0.953127]]
)


@functools.cache
def colour_science() -> ModuleType:
    """Return colour-science, imported on first use and without its remark on missing plotting libraries."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    for name in [name for name in sys.modules if name.partition(".")[0] == "matplotlib"]:
        if getattr(sys.modules[name], "__spec__", None) is None:
            del sys.modules[name]  # a stand-in that colour-science leaves; others take it for the real one
    return colour  # type: ignore[no-any-return, unused-ignore]


def xyz_to_lab(xyz: ArrayLike) -> Array:
    """Return CIELAB (CIE 15:2018, 8.2.1) of XYZ relative to `WHITE_D50`; negative XYZ continue the linear part."""
    ratio = np.asarray(xyz, dtype=np.float64) / WHITE_D50
    f = np.where(ratio > _EPSILON, np.cbrt(ratio), (_KAPPA * ratio + 16.0) / 116.0)
    fx, fy, fz = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116.0 * fy - 16.0, 500.0 * (fx - fy), 200.0 * (fy - fz)], axis=-1)


def lab_to_xyz(lab: ArrayLike) -> Array:
    """Return XYZ of CIELAB, the inverse of `xyz_to_lab`."""
    lab = np.asarray(lab, dtype=np.float64)
    fy = (lab[..., 0] + 16.0) / 116.0
    f = np.stack([fy + lab[..., 1] / 500.0, fy, fy - lab[..., 2] / 200.0], axis=-1)
    cube = f * f * f
    ratio = np.where(cube > _EPSILON, cube, (116.0 * f - 16.0) / _KAPPA)
    return np.asarray(ratio * WHITE_D50)


def delta_e00(lab_a: ArrayLike, lab_b: ArrayLike) -> Any:
    """Return CIEDE2000 with kL = kC = kH = 1 (ISO/CIE 11664-6), shape (...).

    Hues are kept as unit vectors, of which differences and means need neither angles nor rules about 0 and 360 degrees.
    Opposite hues have two means: that of the angles from 0 to 360 degrees is meant.
    """
    a, b = np.asarray(lab_a, dtype=np.float64), np.asarray(lab_b, dtype=np.float64)
    if max(a.size, b.size) <= 3 * _PIECE:
        return _delta_e00(a, b)
    a, b = np.broadcast_arrays(a, b)
    flat_a, flat_b, out = a.reshape(-1, 3), b.reshape(-1, 3), np.empty(a.shape[:-1])
    flat = out.reshape(-1)
    for start in range(0, len(flat), _PIECE):
        piece = slice(start, start + _PIECE)
        flat[piece] = _delta_e00(flat_a[piece], flat_b[piece])
    return out


def _delta_e00(a: Array, b: Array) -> Any:
    blue_a, blue_b = a[..., 2], b[..., 2]
    less = _less_chroma((_size(a[..., 1], blue_a) + _size(b[..., 1], blue_b)) / 2)
    red_a, red_b = a[..., 1] * (1.5 - 0.5 * less), b[..., 1] * (1.5 - 0.5 * less)
    chroma_a, chroma_b = _size(red_a, blue_a), _size(red_b, blue_b)
    # a grey has no hue: its vector is nought
    inverse_a, inverse_b = 1.0 / np.maximum(chroma_a, _TINY), 1.0 / np.maximum(chroma_b, _TINY)
    ax, ay, bx, by = red_a * inverse_a, blue_a * inverse_a, red_b * inverse_b, blue_b * inverse_b
    dx, dy = bx - ax, by - ay
    across = ax * by - ay * bx
    upper = (ay > 0.0) | ((ay == 0.0) & (ax > 0.0))
    turn = np.where((across > 0.0) | ((across == 0.0) & upper), 1.0, -1.0)
    hue = turn * np.sqrt(chroma_a * chroma_b * (dx * dx + dy * dy))
    wide = ax * bx + ay * by < 0.0  # then the mean hue is better told from the difference, at right angles to it
    mx, my = np.where(wide, turn * dy, ax + bx), np.where(wide, -turn * dx, ay + by)
    size = _size(mx, my)
    inverse = 1.0 / np.maximum(size, _TINY)
    x, y = np.where(size < _TINY, 1.0, mx * inverse), my * inverse
    x2, y2 = x * x - y * y, 2.0 * x * y
    x3, y3 = x2 * x - y2 * y, x2 * y + y2 * x
    x4, y4 = x2 * x2 - y2 * y2, 2.0 * x2 * y2
    weight = 1.0 - 0.17 * _cosine(x, y, 30.0) + 0.24 * x2 + 0.32 * _cosine(x3, y3, -6.0) - 0.20 * _cosine(x4, y4, 63.0)
    chroma, lightness = (chroma_a + chroma_b) / 2, np.square((a[..., 0] + b[..., 0]) / 2 - 50.0)
    from_blue = np.arctan2(y + 0.0, x) * (180.0 / np.pi) - 275.0
    from_blue += np.where(y < 0.0, 360.0, 0.0)
    blue = np.radians(60.0) * np.exp(np.square(from_blue / 25.0) * -1.0)
    dl = (b[..., 0] - a[..., 0]) / (1.0 + 0.015 * lightness / np.sqrt(20.0 + lightness))
    dc = (chroma_b - chroma_a) / (1.0 + 0.045 * chroma)
    dh = hue / (1.0 + 0.015 * chroma * weight)
    square = dl * dl + dc * dc + dh * dh - 2.0 * _less_chroma(chroma) * np.sin(blue) * dc * dh
    return np.sqrt(np.maximum(square, 0.0))


def _size(x: Any, y: Any) -> Any:
    return np.sqrt(x * x + y * y)


def _less_chroma(chroma: Any) -> Any:
    """Return sqrt(C⁷ / (C⁷ + 25⁷)), which both G and R_C of CIEDE2000 hold."""
    third = chroma * chroma * chroma
    seventh = third * third * chroma
    return np.sqrt(seventh / (seventh + 25.0**7))


def _cosine(x: Any, y: Any, degrees: float) -> Any:
    """Return the cosine of an angle less some degrees, given the angle's cosine and sine."""
    return np.cos(np.radians(degrees)) * x + np.sin(np.radians(degrees)) * y


def path_length_de00(lab: ArrayLike) -> Array:
    """Return the cumulative sum of CIEDE2000 between neighbours of a path, shape (n,), starting at 0."""
    lab = np.asarray(lab, dtype=np.float64)
    return np.concatenate([[0.0], np.cumsum(delta_e00(lab[:-1], lab[1:]))])


def density(lab: ArrayLike) -> Any:
    """Return -log10(Y) (ISO 5-3 definition, Y colorimetric D50/2°) of CIELAB; infinite where Y <= 0."""
    y = lab_to_xyz(lab)[..., 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(y > 0, -np.log10(np.where(y > 0, y, 1.0)), np.inf)


def adaptation(white_from: ArrayLike, white_to: ArrayLike) -> Array:
    """Return the matrix (3, 3) that takes XYZ from one white to another by Bradford (ISO 15076-1, annex E)."""
    scale = (_BRADFORD @ np.asarray(white_to)) / (_BRADFORD @ np.asarray(white_from))
    return np.asarray(np.linalg.inv(_BRADFORD) @ (scale[:, None] * _BRADFORD))


_TO_D65: Final = adaptation(WHITE_D50, (0.95047, 1.0, 1.08883))


def _power(values: Array, exponent: float) -> Array:
    """Return the power of sizes, with the signs kept."""
    return np.asarray(np.sign(values) * np.abs(values) ** exponent)


def lab_to_ipt(lab: ArrayLike) -> Array:
    """Return IPT (Ebner & Fairchild 1998) of CIELAB, adapted to D65 by Bradford.

    Its hue angle is the project's hue ruler: it does not change when a colour is darkened in proportion, and on
    published constant-hue data it is among the straightest (2-3° rms; CIELAB bends blue by 30°).
    """
    return np.asarray(_power(lab_to_xyz(lab) @ (_IPT_CONES @ _TO_D65).T, 0.43) @ _IPT_OPPONENT.T)


def lab_to_jzazbz(lab: ArrayLike) -> Array:
    """Return Jzazbz (Safdar et al. 2017) of CIELAB, white at 100 cd/m² and adapted to D65 by Bradford.

    All three coordinates are divided by white's Jz, so that white has 1 and sizes are those of IPT. The second hue
    ruler: on published constant-hue data as straight as IPT, and bent elsewhere.
    """
    return np.asarray(_jzazbz(lab_to_xyz(lab)) / _jzazbz(WHITE_D50)[0])


def _jzazbz(xyz: Array) -> Array:
    x, y, z = np.moveaxis(100.0 * xyz @ _TO_D65.T, -1, 0)
    cones = np.stack([1.15 * x - 0.15 * z, 0.66 * y + 0.34 * x, z], axis=-1) @ _JZ_CONES.T
    # SMPTE ST 2084, with a larger last exponent
    part = _power(cones / 10_000.0, 2610 / 2**14)
    encoded = ((3424 / 2**12 + 2413 / 2**7 * part) / (1.0 + 2392 / 2**7 * part)) ** (1.7 * 2523 / 2**5)
    izazbz = encoded @ _JZ_OPPONENT.T
    izazbz[..., 0] = 0.44 * izazbz[..., 0] / (1.0 - 0.56 * izazbz[..., 0]) - 1.6295499532821566e-11
    return np.asarray(izazbz)


def lab_to_cam16ucs(lab: ArrayLike) -> Array:
    """Return J'a'b' of CAM16-UCS (Li et al. 2017) of CIELAB, in the viewing conditions of sRGB (IEC 61966-2-1).

    White is D50, a surround of 64 lux is average, and the field adapted to is a fifth as bright as white.
    """
    cones, white = 100.0 * lab_to_xyz(lab) @ _CAM16_CONES.T, 100.0 * _CAM16_CONES @ WHITE_D50
    luminance, background = 64.0 / np.pi / 5.0, 0.2
    adapted = 1.0 - np.exp((-luminance - 42.0) / 92.0) / 3.6
    k = 1.0 / (5.0 * luminance + 1.0)
    level = 0.2 * k**4 * 5.0 * luminance + 0.1 * (1.0 - k**4) ** 2 * np.cbrt(5.0 * luminance)
    induction = 0.725 * background**-0.2

    def response(values: Array) -> Array:
        part = _power(level / 100.0 * values * (adapted * 100.0 / white + 1.0 - adapted), 0.42)
        return np.asarray(400.0 * part / (27.13 + np.abs(part)) + 0.1)

    def achromatic(r: Any, g: Any, b: Any) -> Any:
        return (2.0 * r + g + b / 20.0 - 0.305) * induction

    r, g, b = np.moveaxis(response(cones), -1, 0)
    red, yellow = r - 12.0 / 11.0 * g + b / 11.0, (r + g - 2.0 * b) / 9.0
    hue = np.arctan2(yellow, red)
    part = achromatic(r, g, b) / achromatic(*response(white))
    lightness = 100.0 * _power(part, 0.69 * (1.48 + np.sqrt(background)))
    size = 50_000.0 / 13.0 * induction * (np.cos(hue + 2.0) + 3.8) / 4.0 * np.hypot(red, yellow)
    chroma = _power(size / (r + g + 1.05 * b), 0.9) * _power(lightness / 100.0, 0.5) * (1.64 - 0.29**background) ** 0.73
    # colours that no eye sees, which the purest blues of wide spaces are, can have none by this formula
    colourfulness = np.log1p(0.0228 * np.maximum(chroma, 0.0) * level**0.25) / 0.0228
    return np.stack(
        [1.7 * lightness / (1.0 + 0.007 * lightness), colourfulness * np.cos(hue), colourfulness * np.sin(hue)], axis=-1
    )


def ipt_to_lab(ipt: ArrayLike) -> Array:
    """Return CIELAB of IPT, the inverse of `lab_to_ipt`."""
    cones = _power(np.asarray(ipt, dtype=np.float64) @ np.linalg.inv(_IPT_OPPONENT).T, 1.0 / 0.43)
    return xyz_to_lab(cones @ np.linalg.inv(_IPT_CONES @ _TO_D65).T)


def hue_deg_ipt(lab: ArrayLike) -> Array:
    """Return the IPT hue angle in degrees, 0 to 360, shape (...)."""
    ipt = lab_to_ipt(lab)
    return np.asarray(np.degrees(np.arctan2(ipt[..., 2], ipt[..., 1])) % 360.0)
