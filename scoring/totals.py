"""Totals over a score's rings, and how the findings divide among their causes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .model import Cause, CauseCounts, ElementScore, RingScore, Totals

__all__ = ["totals_of"]


def totals_of(elements: Sequence[ElementScore]) -> Totals:
    """Return the totals of a score's elements.

    A contour is visible from 1 JND on; surely so if that stands with two standard errors less, the benefit of the
    doubt given to the print.
    """
    rings = [element for element in elements if isinstance(element, RingScore)]
    evenness = [ring.evenness for ring in rings if ring.evenness is not None]
    reach = [ring.reach for ring in rings if ring.reach is not None]
    causes: tuple[Cause, ...] = ("profile", "print", "unknown")
    told = any(ring.profile.attainable_lab is not None for ring in rings)
    return Totals(
        contours=sum(len(ring.contours) for ring in rings),
        visible_contours=_visible(rings, 0.0),
        surely_visible_contours=_visible(rings, 2.0),
        widest_flat_band_mm=max((band.width_mm for ring in rings for band in ring.flat_bands), default=0.0),
        evenness=float(np.mean(evenness)) if evenness else None,
        reach=float(np.mean(reach)) if reach else None,
        by_cause={cause: _count(rings, cause) for cause in causes} if told else None,
    )


def _visible(rings: Sequence[RingScore], doubt: float) -> int | None:
    """Count contours of 1 JND or more after a number of standard errors is taken off; ``None`` if none was judged."""
    contours = [found for ring in rings for found in ring.contours]
    judged = [found for found in contours if found.visibility_jnd is not None]
    if contours and not judged:
        return None
    return sum(
        (found.visibility_jnd or 0.0) - doubt * (found.visibility_standard_error_jnd or 0.0) >= 1.0 for found in judged
    )


def _count(rings: Sequence[RingScore], cause: Cause) -> CauseCounts:
    return CauseCounts(
        contours=sum(found.cause == cause for ring in rings for found in ring.contours),
        flat_bands=sum(found.cause == cause for ring in rings for found in ring.flat_bands),
        hue_swings=sum(found.cause == cause for ring in rings for found in ring.hue_swings),
        cores=sum(ring.core_cause == cause for ring in rings),
    )
