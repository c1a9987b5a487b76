"""Totals over a score's fades, and how the findings divide among their causes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

from ..colour.uncertainty import REPEATABILITY, scanner_repeatability_l
from ..results.score import (
    Black,
    Cause,
    CauseCounts,
    Contour,
    ElementScore,
    Estimate,
    FaintRing,
    FlatBand,
    FlatFieldScore,
    HueSweepScore,
    NeutralWedgeScore,
    PatchFieldScore,
    RingScore,
    Totals,
)
from .course import RESOLUTION_MM

__all__ = ["colours_of", "reach_repeatability", "totals_of"]

_SURE: Final = 1.96
_CAUSES: Final[tuple[Cause, ...]] = ("profile", "print", "both", "unknown")


def totals_of(elements: Sequence[ElementScore], black: Black | None = None) -> Totals:
    """Return the totals of a score's elements.

    A ring counts as visible from 1 threshold on, if it stands above that with two standard errors less.
    """
    rings = [element for element in elements if isinstance(element, RingScore)]
    measured = [ring for ring in rings if ring.reach is not None]
    wedge = next((element for element in elements if isinstance(element, NeutralWedgeScore)), None)
    asked = any(ring.course.attainable_lab is not None for ring in rings)
    sums = {}
    for end in ("white", "black"):
        fades = [ring for ring in measured if ring.kind == f"ring-to-{end}"]
        if fades:
            sums[f"excess_to_{end}"] = _sum([contour for ring in fades for contour in ring.contours])
            sums[f"missing_to_{end}"] = _sum([band for ring in fades for band in ring.flat_bands])
    return Totals(
        **sums,
        evenness=_mean([(ring.evenness, ring.evenness_noise) for ring in measured]),
        reach=_reach(_mean([(ring.reach, ring.reach_noise) for ring in measured])),
        black_l=_black(wedge, black),
        mean_cast=None if wedge is None else _cast(wedge),
        colours=_colours(elements),
        visible_rings=sum(map(_visible_in, measured)) if measured else None,
        by_cause={cause: _count(rings, cause) for cause in _CAUSES} if asked else None,
    )


def _sum(found: Sequence[Contour | FlatBand]) -> Estimate:
    """Return the sum of what findings score; repeatability moves them all one way, and adds up."""
    sizes = [f.excess_de00 if isinstance(f, Contour) else f.missing_de00 for f in found]
    noises = [f.noise_de00 for f in found]
    return Estimate(
        value=math.fsum(sizes),
        noise=None if any(noise is None for noise in noises) else math.hypot(*(noise or 0.0 for noise in noises)),
        repeatability=math.fsum(f.repeatability_de00 or 0.0 for f in found),
    )


def _mean(values: Iterable[tuple[float | None, float | None]]) -> Estimate | None:
    known = [(value, noise) for value, noise in values if value is not None]
    if not known:
        return None
    noises = [noise for _, noise in known]
    return Estimate(
        value=math.fsum(value for value, _ in known) / len(known),
        noise=None
        if any(noise is None for noise in noises)
        else math.hypot(*(noise or 0.0 for noise in noises)) / len(known),
    )


def reach_repeatability(reach: float) -> float:
    """Return what a scanner's repeatability adds to a reach.

    A response that errs by a share of itself makes its cube root, and so CIELAB, longer by a third of that.
    """
    return REPEATABILITY / 3.0 * abs(reach)


def _reach(found: Estimate | None) -> Estimate | None:
    return None if found is None else found.revised(repeatability=reach_repeatability(found.value))


def _cast(wedge: NeutralWedgeScore) -> Estimate:
    """Return the mean cast; a* and b* are taken to repeat as L* does, on each step."""
    moved = math.fsum(scanner_repeatability_l(step.lab[0]) for step in wedge.steps) / len(wedge.steps)
    return Estimate(value=wedge.cast.mean_c, noise=wedge.cast.mean_noise_c, repeatability=moved)


def _black(wedge: NeutralWedgeScore | None, black: Black | None) -> Estimate | None:
    """Return the lightness of the darkest neutral, with the errors of its step."""
    if black is None or wedge is None:
        return None
    darkest = min(wedge.steps, key=lambda step: step.lab[0])
    return Estimate(
        value=black.lab[0], noise=darkest.noise_l, repeatability=scanner_repeatability_l(black.lab[0])
    )


def _colours(elements: Sequence[ElementScore]) -> Estimate | None:
    """Return the mean ΔE00 from what the file asks for, each element alike."""
    found = [one for element in elements if (one := colours_of(element)) is not None]
    if not found:
        return None
    return Estimate(
        value=math.fsum(one.value for one in found) / len(found),
        noise=math.hypot(*(one.noise or 0.0 for one in found)) / len(found),
        repeatability=math.fsum(one.repeatability or 0.0 for one in found) / len(found),
    )


def colours_of(element: ElementScore) -> Estimate | None:
    """Return how far an element's colours are from what the file asks for, ΔE00; ``None`` if it was not measured.

    A colour difference changes at most by what its colour errs by. Noise averages out over readings that do not hang
    together; a scanner's repeatability moves all colours one way, each by what it does to its L*.
    """
    lab: Sequence[Sequence[float]]
    match element:
        case RingScore():
            if element.reach is None:
                return None
            pairs, lab, errors = [element.delta_e00], element.course.lab, element.course.standard_error_de00
            radii = element.course.radius_mm
            # a Gaussian of sigma spreads white noise over 2 √π sigma
            sigma = element.resolution_mm or RESOLUTION_MM
            apart = max((radii[-1] - radii[0]) / (2.0 * math.sqrt(math.pi) * sigma), 1.0)
        case HueSweepScore():
            pairs, lab = [row.delta_e00 for row in element.rows], [one for row in element.rows for one in row.lab]
            errors = tuple(error for row in element.rows for error in row.standard_error_de00)
            apart = float(max(len(errors), 1))
        case NeutralWedgeScore():
            pairs, lab = [element.delta_e00], [step.lab for step in element.steps]
            errors = tuple(step.noise_l for step in element.steps)
            apart = float(len(errors))
        case PatchFieldScore():
            pairs, lab = [element.delta_e00], [patch.lab for patch in element.patches]
            errors = tuple(patch.standard_error_de00 for patch in element.patches)
            apart = float(max(len(errors), 1))
        case FlatFieldScore():
            pairs, lab, errors, apart = [element.delta_e00], [element.lab], (), 1.0
    means = [pair.intended.mean for pair in pairs if pair.intended is not None]
    if not means:
        return None
    square = math.fsum(error**2 for error in errors) / max(len(errors), 1)
    return Estimate(
        value=math.fsum(means) / len(means),
        noise=math.sqrt(square / apart),
        repeatability=math.fsum(scanner_repeatability_l(one[0]) for one in lab) / max(len(lab), 1),
    )


def _visible_in(ring: RingScore) -> int:
    return sum(map(_visible, ring.contours)) + sum(map(_visible, ring.faint_rings))


def _visible(found: Contour | FaintRing) -> bool:
    return (found.visibility or 0.0) - _SURE * (found.visibility_noise or 0.0) >= 1.0


def _count(rings: Sequence[RingScore], cause: Cause) -> CauseCounts:
    def number(what: str) -> int:
        return sum(found.cause == cause for ring in rings for found in getattr(ring, what))

    return CauseCounts(
        contours=number("contours"),
        flat_bands=number("flat_bands"),
        faint_rings=number("faint_rings"),
        hue_swings=number("hue_swings"),
        cores=sum(ring.core_cause == cause for ring in rings),
    )
