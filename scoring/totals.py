"""Totals over a score's rings, and how the findings divide among their causes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .model import Cause, CauseCounts, ElementScore, RingScore, Totals

__all__ = ["totals_of"]


def totals_of(elements: Sequence[ElementScore]) -> Totals:
    """Return the totals of a score's elements."""
    rings = [element for element in elements if isinstance(element, RingScore)]
    evenness = [ring.evenness for ring in rings if ring.evenness is not None]
    reach = [ring.reach for ring in rings if ring.reach is not None]
    causes: tuple[Cause, ...] = ("profile", "print", "unknown")
    told = any(ring.profile.attainable_lab is not None for ring in rings)
    return Totals(
        contours=sum(len(ring.contours) for ring in rings),
        visible_contours=None,
        widest_flat_band_mm=max((band.width_mm for ring in rings for band in ring.flat_bands), default=0.0),
        evenness=float(np.mean(evenness)) if evenness else None,
        reach=float(np.mean(reach)) if reach else None,
        by_cause={cause: _count(rings, cause) for cause in causes} if told else None,
    )


def _count(rings: Sequence[RingScore], cause: Cause) -> CauseCounts:
    return CauseCounts(
        contours=sum(found.cause == cause for ring in rings for found in ring.contours),
        flat_bands=sum(found.cause == cause for ring in rings for found in ring.flat_bands),
        hue_swings=sum(found.cause == cause for ring in rings for found in ring.hue_swings),
        cores=sum(ring.core_cause == cause for ring in rings),
    )
