"""Neutrals under each rendering: they may change in tone, and should not change in hue (common practice, no source)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.outputprofile import OutputProfile
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.wedge import neutral_rgb

from ..results.forecast import Neutrals
from .rendering import Press, Rendering

__all__ = ["APART_C", "predict_neutrals"]

Array = NDArray[np.float64]

APART_C: Final = 2.0
"""Distance in a*b* from which two neutral scales count as different in hue (common practice, no source)."""

_LEVELS: Final = np.linspace(0.0, 100.0, 201)
_USUAL: Final = Rendering("relative", True)


def predict_neutrals(recipe: Recipe, profile: OutputProfile, renderings: Sequence[Rendering]) -> tuple[Neutrals, ...]:
    """Return what becomes of the neutral axis under each rendering, in their order.

    Greys from L* 0 to 100 in steps of 0.5; colours relative to the paper, also for absolute.
    """
    rgb = neutral_rgb(recipe.space, _LEVELS)
    usual = None
    if profile.table(_USUAL.intent) is not None:
        usual = Press(recipe.space, profile, _USUAL).lab(rgb)
    return tuple(_neutrals(Press(recipe.space, profile, each).lab(rgb), usual, each) for each in renderings)


def _neutrals(lab: Array, usual: Array | None, rendering: Rendering) -> Neutrals:
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    worst = int(np.argmax(chroma))
    compared = usual is not None and rendering != _USUAL and rendering.intent != "absolute"
    return Neutrals(
        max_c=float(chroma[worst]),
        mean_c=float(chroma.mean()),
        at_l=float(_LEVELS[worst]),
        a_at_max=float(lab[worst, 1]),
        b_at_max=float(lab[worst, 2]),
        black_l=float(lab[0, 0]),
        apart_c=_apart(lab, usual) if compared and usual is not None else None,
    )


def _apart(lab: Array, usual: Array) -> float:
    """Return the largest distance in a*b* at equal printed lightness, over the range both have."""
    low, high = max(lab[:, 0].min(), usual[:, 0].min()), min(lab[:, 0].max(), usual[:, 0].max())
    if high <= low:
        return 0.0
    at = np.linspace(low, high, 101)
    a, b = (_at(lab, at, axis) - _at(usual, at, axis) for axis in (1, 2))
    return float(np.hypot(a, b).max())


def _at(lab: Array, lightness: Array, axis: int) -> Array:
    rising = np.maximum.accumulate(lab[:, 0])
    return np.interp(lightness, rising, lab[:, axis])
