"""The neutral wedge: steps equal in L*, finer near black and near white, and a continuous ramp beside them."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .colorimetry import lab_to_xyz
from .key import Box, NeutralWedge, WedgePatch
from .spaces import encode, stated_lab

__all__ = ["STEPS_L", "make_wedge", "neutral_rgb"]

STEPS_L: Final = (
    *(0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.5, 15.0),
    *range(20, 95, 5),
    *(92.5, 95.0, 96.0, 97.0, 98.0, 99.0, 100.0),
)
"""Intended L* of the steps from black to white."""

_STEP_SHARE: Final = 0.6
_GAP_MM: Final = 1.2


def neutral_rgb(space: str, lightness: ArrayLike) -> NDArray[np.float64]:
    """Return the encoded RGB of a neutral of given L*, shape (..., 3)."""
    lightness = np.asarray(lightness, dtype=np.float64)
    lab = np.stack([lightness, np.zeros_like(lightness), np.zeros_like(lightness)], axis=-1)
    grey = encode(space, lab_to_xyz(lab)[..., 1])
    return np.asarray(np.repeat(grey[..., None], 3, axis=-1))


def make_wedge(space: str, box_mm: Box) -> NeutralWedge:
    """Return a wedge in a box: the steps above, the ramp below."""
    x, y, width, height = box_mm
    tall = round((height - _GAP_MM) * _STEP_SHARE, 3)
    edges = np.round(x + width * np.arange(len(STEPS_L) + 1) / len(STEPS_L), 3)
    steps = []
    for index, lightness in enumerate(STEPS_L):
        rgb = neutral_rgb(space, lightness)
        left, right = float(edges[index]), float(edges[index + 1])
        steps.append(
            WedgePatch(
                step=index + 1,
                box_mm=(left, y, round(right - left, 3), tall),
                rgb=tuple(rgb.round(6).tolist()),
                lab=stated_lab(space, rgb),
            )
        )
    below = round(y + tall + _GAP_MM, 3)
    return NeutralWedge(
        id="neutral-wedge",
        kind="neutral-wedge",
        box_mm=box_mm,
        steps=tuple(steps),
        ramp_box_mm=(x, below, width, round(y + height - below, 3)),
    )
