"""Hue sweeps: once round the hue circle at full saturation, as a tint and as a shade."""

from __future__ import annotations

import functools
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .colorimetry import path_length_de00
from .key import Box, HueSweep, SweepBand
from .spaces import rgb_to_lab

__all__ = ["LEVELS", "make_sweep", "sweep_hue_deg", "sweep_rgb"]

Array = NDArray[np.float64]
Level = Literal["full", "tint", "shade"]

LEVELS: Final[tuple[Level, ...]] = ("full", "tint", "shade")
_NODES: Final = 7201
_GAP_MM: Final = 1.5


def make_sweep(box_mm: Box) -> HueSweep:
    """Return a sweep whose bands share a box, with clear paper between them."""
    x, y, width, height = box_mm
    band = (height - _GAP_MM * (len(LEVELS) - 1)) / len(LEVELS)
    rows = tuple(
        SweepBand(level=level, box_mm=(x, round(y + i * (band + _GAP_MM), 3), width, round(band, 3)))
        for i, level in enumerate(LEVELS)
    )
    return HueSweep(id="hue-sweep", kind="hue-sweep", box_mm=box_mm, direction="right", rows=rows)


def _hexagon_rgb(angle_deg: Array, level: Level) -> Array:
    offsets = np.array([0.0, 240.0, 120.0])
    sector = ((angle_deg[..., None] + offsets) % 360.0) / 60.0
    pure = np.clip(np.abs(sector - 3.0) - 1.0, 0.0, 1.0)
    if level == "tint":
        return np.asarray(1.0 - 0.5 * (1.0 - pure))
    return np.asarray(0.5 * pure if level == "shade" else pure)


@functools.lru_cache(maxsize=32)
def _even_angles(space: str, level: Level) -> tuple[Array, Array]:
    angle = np.linspace(0.0, 360.0, _NODES)
    length = path_length_de00(rgb_to_lab(space, _hexagon_rgb(angle, level)))
    return length / length[-1], angle


def sweep_hue_deg(space: str, level: Level, fraction: ArrayLike) -> Array:
    """Return the hue position (degrees on the RGB hexagon) at a fraction of a band's length, 0 to 1.

    Positions are spaced so that every millimetre of the band carries the same CIEDE2000.
    """
    length, angle = _even_angles(space, level)
    return np.asarray(np.interp(np.asarray(fraction, dtype=np.float64), length, angle))


def sweep_rgb(space: str, level: Level, fraction: ArrayLike) -> Array:
    """Return the encoded RGB at a fraction of a band's length, 0 to 1, shape (..., 3)."""
    return _hexagon_rgb(sweep_hue_deg(space, level, fraction), level)
