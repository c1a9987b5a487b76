"""Rings: a hub of white or black, a ramp around it, a rim of a pure hue around that."""

from __future__ import annotations

import colorsys
import functools
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .colorimetry import path_length_de00
from .key import Ring
from .recipe import Recipe
from .spaces import rgb_to_lab

__all__ = [
    "HUB_RADIUS_MM",
    "RIM_WIDTH_MM",
    "hue_names",
    "make_ring",
    "pure_hue_rgb",
    "ring_lab",
    "ring_rgb",
]

Array = NDArray[np.float64]

HUB_RADIUS_MM: Final = 3.0
RIM_WIDTH_MM: Final = 2.0
_NODES: Final = 8001

_NAMED: Final = {
    "red": 0.0,
    "orange": 30.0,
    "yellow": 60.0,
    "green": 120.0,
    "cyan": 180.0,
    "blue": 240.0,
    "violet": 270.0,
    "magenta": 300.0,
}


def hue_names(count: int) -> tuple[tuple[str, float], ...]:
    """Return names and angles (degrees on the space's own RGB hexagon) of a number of hues.

    Eight are the named ones; another count is spread evenly from red on, with ``hue-NNN`` where none is named.
    """
    if count == len(_NAMED):
        return tuple(_NAMED.items())
    by_angle = {angle: name for name, angle in _NAMED.items()}
    angles = [round(360.0 * i / count, 1) for i in range(count)]
    return tuple((by_angle.get(angle, f"hue-{angle:05.1f}".replace(".", "-")), angle) for angle in angles)


def pure_hue_rgb(angle_deg: float) -> tuple[float, float, float]:
    """Return the encoded RGB of full saturation at an angle of the RGB hexagon."""
    return colorsys.hsv_to_rgb(angle_deg % 360.0 / 360.0, 1.0, 1.0)


def make_ring(kind: str, hue: str, angle_deg: float, centre_mm: tuple[float, float], radius_mm: float) -> Ring:
    """Return a ring with its centre (x, y) on the sheet and the outer radius of its rim."""
    white = kind == "ring-to-white"
    return Ring(
        id=f"{kind}-{hue}",
        kind="ring-to-white" if white else "ring-to-black",
        hue=hue,
        centre_mm=centre_mm,
        ramp_mm=(HUB_RADIUS_MM, round(radius_mm - RIM_WIDTH_MM, 3)),
        radius_mm=radius_mm,
        rim_rgb=pure_hue_rgb(angle_deg),
        hub_rgb=(1.0, 1.0, 1.0) if white else (0.0, 0.0, 0.0),
    )


@functools.lru_cache(maxsize=256)
def _even_mix(hub: tuple[float, ...], rim: tuple[float, ...], space: str) -> tuple[Array, Array]:
    """Return (fraction of the path's CIEDE2000 length, fraction of the encoded line) from hub to rim."""
    mix = np.linspace(0.0, 1.0, _NODES)
    rgb = np.asarray(hub) + mix[:, None] * (np.asarray(rim) - np.asarray(hub))
    length = path_length_de00(rgb_to_lab(space, rgb))
    return length / length[-1], mix


def ring_rgb(ring: Ring, recipe: Recipe, radius_mm: ArrayLike) -> Array:
    """Return the encoded RGB that the file asks for at radii in mm, shape (..., 3).

    On path ``even`` every millimetre of the ramp carries the same CIEDE2000, summed over small steps.
    """
    inner, outer = ring.ramp_mm
    fraction = np.clip((np.asarray(radius_mm, dtype=np.float64) - inner) / (outer - inner), 0.0, 1.0)
    if recipe.path == "even":
        length, mix = _even_mix(ring.hub_rgb, ring.rim_rgb, recipe.space)
        fraction = np.interp(fraction, length, mix)
    hub, rim = np.asarray(ring.hub_rgb), np.asarray(ring.rim_rgb)
    return np.asarray(hub + fraction[..., None] * (rim - hub))


def ring_lab(ring: Ring, recipe: Recipe, radius_mm: ArrayLike) -> Array:
    """Return the intended CIELAB at radii in mm, shape (..., 3)."""
    return rgb_to_lab(recipe.space, ring_rgb(ring, recipe, radius_mm))
