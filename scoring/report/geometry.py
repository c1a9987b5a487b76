"""Where elements lie on the sheet, for drawing over crops: from the key, else from the score's recipe."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

from inkstrain.targets.errors import InkstrainError
from inkstrain.targets.key import HueSweep, Key, Ring
from inkstrain.targets.rings import HUB_RADIUS_MM, RIM_WIDTH_MM

from ..results.crops import Crop
from ..results.forecast import Forecast
from ..results.score import RingScore, Score
from .ringplot import RampLimits

__all__ = ["RingPlace", "key_of", "ring_place", "sweep_of"]

_BEYOND_MM = 1.0  # of rim that a course does not reach
_Kind = TypeVar("_Kind", Ring, HueSweep)


@dataclass(frozen=True, slots=True)
class RingPlace:
    """A fade's centre in sheet mm (x, y), and its radii."""

    centre_mm: tuple[float, float]
    limits: RampLimits


def key_of(score: Score | Forecast) -> Key | None:
    """Return the chart's key, regenerated from the recipe in a score or a forecast; ``None`` if it cannot be."""
    from inkstrain.targets.chart import build_key
    from inkstrain.targets.recipe import parse_recipe

    try:
        return build_key(parse_recipe(score.recipe))
    except InkstrainError:
        return None


def ring_place(key: Key | None, ring: RingScore, crop: Crop | None) -> RingPlace:
    """Return where a fade lies; without its key, the middle of its crop and the usual hub and rim."""
    known = _element(key, ring.id, Ring)
    if known is not None:
        return RingPlace(known.centre_mm, RampLimits(*known.ramp_mm, known.radius_mm))
    radii = ring.course.radius_mm
    outer = (radii[-1] if radii else HUB_RADIUS_MM + RIM_WIDTH_MM) + _BEYOND_MM
    centre = (0.0, 0.0)
    if crop is not None:
        width, height = crop.size_mm
        centre = (crop.origin_mm[0] + width / 2.0, crop.origin_mm[1] + height / 2.0)
    return RingPlace(centre, RampLimits(HUB_RADIUS_MM, max(outer - RIM_WIDTH_MM, HUB_RADIUS_MM), outer))


def sweep_of(key: Key | None, identifier: str) -> HueSweep | None:
    """Return a sweep's description in the key, if there is one."""
    return _element(key, identifier, HueSweep)


def _element(key: Key | None, identifier: str, kind: type[_Kind]) -> _Kind | None:
    if key is None:
        return None
    elements = (e for sheet in key.sheets for tile in sheet.tiles for e in tile.elements)
    return next((e for e in elements if isinstance(e, kind) and e.id == identifier), None)
