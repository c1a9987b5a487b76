"""What is left of a difference at the viewing distance: both sides filtered by the eye's contrast sensitivity.

As in S-CIELAB (Zhang & Wandell 1997, SID Journal 5:61-63), each side is taken into an achromatic and two chromatic
channels, blurred there as the eye blurs, and compared by CIEDE2000 afterwards; large even areas keep their difference.
The blur is the project's own contrast sensitivity (`visibility`: castleCSF 2024), as a share of its
peak, and 1 below the frequency of the peak, since what is coarser than that is compared as colour.
"""

from __future__ import annotations

import functools
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import delta_e00, xyz_to_lab

from ..eye.visibility import CHANNELS, castle, opponent
from ..results.score import Viewing

__all__ = ["eye_gain", "seen_de00"]

Array = NDArray[np.float64]
Map = NDArray[np.float32]

_FIELD_DEG: Final = 10.0
_MEAN_REFLECTANCE: Final = 0.2
_ROWS: Final = 64


@functools.lru_cache(maxsize=8)
def _curves(luminance_cd_m2: float) -> tuple[Array, Array]:
    frequency = np.geomspace(0.05, 60.0, 400)
    sensitivity = np.stack([castle(frequency, luminance_cd_m2, _FIELD_DEG**2, channel) for channel in CHANNELS])
    return frequency, sensitivity


def eye_gain(cycles_a_degree: Array, viewing: Viewing, channel: int) -> Array:
    """Return what the eye keeps of a frequency, 0 to 1, in the achromatic (0), red-green or yellow-violet channel.

    For a print of middle reflectance (0.2), adapted to, in a field of 10°.
    """
    frequency, sensitivity = _curves(viewing.luminance_cd_m2 * _MEAN_REFLECTANCE)
    curve = sensitivity[channel]
    peak = int(np.argmax(curve))
    return np.interp(cycles_a_degree, frequency, np.where(np.arange(len(curve)) < peak, 1.0, curve / curve[peak]))


@functools.cache
def _to_opponent() -> Array:
    """Return the matrix from XYZ to the three channels; both are linear in light."""
    return np.asarray(opponent(xyz_to_lab(np.eye(3))))


def seen_de00(xyz_a: Map, xyz_b: Map, pitch_mm: float, viewing: Viewing) -> Map:
    """Return ΔE00 (rows, columns) between two pictures (3, rows, columns) in XYZ, as seen.

    Parameters
    ----------
    pitch_mm
        Width of a pixel on the print.
    """
    from scipy.fft import dctn, idctn

    _, height, width = xyz_a.shape
    degrees = np.degrees(pitch_mm / viewing.distance_mm)
    down, across = (np.arange(n, dtype=np.float64) / (2 * n * degrees) for n in (height, width))
    to, back = _to_opponent().astype(np.float32), np.linalg.inv(_to_opponent()).astype(np.float32)
    seen = [np.empty_like(xyz_a), np.empty_like(xyz_b)]
    for channel in range(3):
        # the cosine transform mirrors the picture at its edges, so that nothing leaks in from the other side
        waves = [
            dctn(np.tensordot(to[:, channel], xyz, axes=1), type=2, norm="ortho", overwrite_x=True)
            for xyz in (xyz_a, xyz_b)
        ]
        for row in range(0, height, _ROWS):
            kept = eye_gain(np.hypot(down[row : row + _ROWS, None], across), viewing, channel).astype(np.float32)
            for each in waves:
                each[row : row + _ROWS] *= kept
        for out, each in zip(seen, waves, strict=True):
            out[channel] = idctn(each, type=2, norm="ortho", overwrite_x=True)
    found = np.empty((height, width), np.float32)
    for row in range(0, height, _ROWS):
        labs = [xyz_to_lab(np.moveaxis(each[:, row : row + _ROWS], 0, -1) @ back) for each in seen]
        found[row : row + _ROWS] = delta_e00(labs[0], labs[1])
    return found
