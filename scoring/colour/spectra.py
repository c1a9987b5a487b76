"""Spectral reflectance factors to CIELAB: ASTM E308 / ISO 13655 weights by colour-science, D50 and the 2° observer."""

from __future__ import annotations

import functools
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inkstrain.targets.colorimetry import WHITE_D50, colour_science, xyz_to_lab
from inkstrain.targets.errors import CannotMeasureError

__all__ = ["spectral_lab", "spectral_weights"]

Array = NDArray[np.float64]

_RANGE_NM: Final = (360, 780)
_LEAST_NM: Final = (420, 680)
_STEPS_NM: Final = (5, 10, 20)


@functools.cache
def spectral_weights(start_nm: int, stop_nm: int, step_nm: int) -> Array:
    """Return the weights of X, Y and Z, (wavelengths, 3); their sum is the white, 100 for Y.

    Weights come from colour-science (ASTM E2022 at 10 or 20 nm, as in ISO 13655's tables; summation at 5 nm). Those of
    wavelengths that were not measured go to the nearest one that was (ASTM E308, 7.3.2.2).
    """
    colour = colour_science()
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy()
    cmfs = cmfs.trim(colour.SpectralShape(*_RANGE_NM, 1))
    light = colour.SDS_ILLUMINANTS["D50"].copy().interpolate(colour.SpectralShape(*_RANGE_NM, 1))
    all_nm = np.arange(_RANGE_NM[0], _RANGE_NM[1] + 1, step_nm)
    if step_nm == 5:
        at = all_nm - _RANGE_NM[0]
        whole = cmfs.values[at] * light.values[at, None]
        whole = 100.0 * whole / whole[:, 1].sum()
    else:
        shape = colour.SpectralShape(*_RANGE_NM, step_nm)
        whole = colour.colorimetry.tristimulus_weighting_factors_ASTME2022(cmfs, light, shape)
    wanted = np.arange(start_nm, stop_nm + 1, step_nm)
    nearest = np.clip((all_nm - start_nm) // step_nm, 0, len(wanted) - 1)
    folded = np.zeros((len(wanted), 3))
    np.add.at(folded, nearest, np.asarray(whole, dtype=np.float64))
    return folded


def spectral_lab(wavelengths_nm: ArrayLike, reflectance: ArrayLike) -> Array:
    """Return absolute CIELAB (..., 3) of reflectance factors (..., wavelengths), fractions of 1.

    XYZ is taken relative to the weights' own white.

    Raises
    ------
    CannotMeasureError
        If the wavelengths are not evenly spaced by 5, 10 or 20 nm, or do not reach from 420 to 680 nm.
    """
    nm = np.asarray(wavelengths_nm, dtype=int)
    steps = np.unique(np.diff(nm))
    if len(steps) != 1 or int(steps[0]) not in _STEPS_NM or nm[0] % int(steps[0]):
        raise CannotMeasureError("The spectral columns are not evenly spaced by 5, 10 or 20 nm. Export them so.")
    if nm[0] > _LEAST_NM[0] or nm[-1] < _LEAST_NM[1]:
        raise CannotMeasureError(f"The spectral columns end at {nm[0]} and {nm[-1]} nm; 400 to 700 nm are needed.")
    step = int(steps[0])
    inside = (nm >= _RANGE_NM[0]) & (nm <= _RANGE_NM[1])
    nm = nm[inside]
    weights = spectral_weights(int(nm[0]), int(nm[-1]), step)
    xyz = np.asarray(reflectance, dtype=np.float64)[..., inside] @ weights
    return xyz_to_lab(xyz / weights.sum(axis=0) * WHITE_D50)
