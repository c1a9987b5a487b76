"""CIELAB, CIEDE2000 and the hue ruler, by colour-science; arrays of shape (..., 3), D50 and the 2° observer.

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
    "colour_science",
    "delta_e00",
    "density",
    "hue_deg_ipt",
    "ipt_to_lab",
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
    ratio = np.where(f**3 > _EPSILON, f**3, (116.0 * f - 16.0) / _KAPPA)
    return np.asarray(ratio * WHITE_D50)


def delta_e00(lab_a: ArrayLike, lab_b: ArrayLike) -> Any:
    """Return CIEDE2000 with kL = kC = kH = 1 (ISO/CIE 11664-6), shape (...)."""
    a, b = np.broadcast_arrays(np.asarray(lab_a, dtype=np.float64), np.asarray(lab_b, dtype=np.float64))
    return np.asarray(colour_science().difference.delta_E_CIE2000(a, b))


def path_length_de00(lab: ArrayLike) -> Array:
    """Return the cumulative sum of CIEDE2000 between neighbours of a path, shape (n,), starting at 0."""
    lab = np.asarray(lab, dtype=np.float64)
    return np.concatenate([[0.0], np.cumsum(delta_e00(lab[:-1], lab[1:]))])


def density(lab: ArrayLike) -> Any:
    """Return -log10(Y) (ISO 5-3 definition, Y colorimetric D50/2°) of CIELAB; infinite where Y <= 0."""
    y = lab_to_xyz(lab)[..., 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(y > 0, -np.log10(np.where(y > 0, y, 1.0)), np.inf)


@functools.cache
def _to_d65() -> Array:
    colour = colour_science()
    xyz_d65 = np.array([0.95047, 1.0, 1.08883])
    return np.asarray(colour.adaptation.matrix_chromatic_adaptation_VonKries(WHITE_D50, xyz_d65, transform="Bradford"))


def lab_to_ipt(lab: ArrayLike) -> Array:
    """Return IPT (Ebner & Fairchild 1998) of CIELAB, adapted to D65 by Bradford.

    Its hue angle is the project's hue ruler: it does not change when a colour is darkened in proportion, and on
    published constant-hue data it is among the straightest (2-3° rms; CIELAB bends blue by 30°).
    """
    xyz = lab_to_xyz(lab) @ _to_d65().T
    return np.asarray(colour_science().XYZ_to_IPT(xyz))


@functools.cache
def _jz_white() -> float:
    return float(colour_science().XYZ_to_Jzazbz(100.0 * _to_d65() @ WHITE_D50)[0])


def lab_to_jzazbz(lab: ArrayLike) -> Array:
    """Return Jzazbz (Safdar et al. 2017) of CIELAB, white at 100 cd/m² and adapted to D65 by Bradford.

    All three coordinates are divided by white's Jz, so that white has 1 and sizes are those of IPT. The second hue
    ruler: on published constant-hue data as straight as IPT, and bent elsewhere.
    """
    xyz = 100.0 * lab_to_xyz(lab) @ _to_d65().T
    return np.asarray(colour_science().XYZ_to_Jzazbz(xyz)) / _jz_white()


def ipt_to_lab(ipt: ArrayLike) -> Array:
    """Return CIELAB of IPT, the inverse of `lab_to_ipt`."""
    xyz = np.asarray(colour_science().IPT_to_XYZ(np.asarray(ipt, dtype=np.float64)))
    return xyz_to_lab(xyz @ np.linalg.inv(_to_d65()).T)


def hue_deg_ipt(lab: ArrayLike) -> Array:
    """Return the IPT hue angle in degrees, 0 to 360, shape (...)."""
    ipt = lab_to_ipt(lab)
    return np.asarray(np.degrees(np.arctan2(ipt[..., 2], ipt[..., 1])) % 360.0)
