"""Judging a score against tolerances: a pure step, repeatable on a kept score without its scan.

Where the colour basis is ``assumed`` or ``borrowed``, limits on colour itself (ΔE00, degrees of hue, cast) are listed
as not judged: widths, order and evenness stand on such a scan, colour differences are only indicative.
A value that equals its limit is within, and one that passes it by less than its error (95 %) fails no limit: it is
listed as within its error.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from pydantic import BaseModel, ConfigDict

from ..results.figures import COVERS, figure
from ..results.score import (
    Contour,
    DeltaE,
    FaintRing,
    FlatFieldScore,
    HeadBanding,
    HueSweepScore,
    NeutralWedgeScore,
    PatchFieldScore,
    RingScore,
    Score,
)
from .tolerances import FlatFieldLimits, HueSweepLimits, NeutralWedgeLimits, PatchFieldLimits, RingLimits, Tolerances

_UNTRUSTED = {
    "assumed": "colour is only indicative: the scan's colour basis is assumed",
    "borrowed": "colour is only indicative: the scan's colour basis is borrowed from a printer profile",
}
_ANOTHERS = "colour is only indicative: the scanner fit belongs to another paper or ink"

__all__ = ["Finding", "NotJudged", "Verdict", "judge"]


class Finding(BaseModel):
    """One limit that was passed. ``limit`` and ``value`` share the unit that the measure's name ends in."""

    model_config = ConfigDict(frozen=True)

    element: str
    measure: str
    value: float
    limit: float
    text: str


class NotJudged(BaseModel):
    """One limit that was asked for and could not be judged, with the reason."""

    model_config = ConfigDict(frozen=True)

    element: str
    measure: str
    text: str


class Verdict(BaseModel):
    """The outcome. ``within`` means that nothing judged was outside; see ``not_judged`` for the rest.

    ``within_error`` holds limits that a value passed by less than its error: nothing can be said of them.
    """

    model_config = ConfigDict(frozen=True)

    within: bool
    findings: tuple[Finding, ...]
    within_error: tuple[Finding, ...] = ()
    not_judged: tuple[NotJudged, ...] = ()
    tolerances: Tolerances


def judge(score: Score, tolerances: Tolerances | None = None) -> Verdict:
    """Hold a score to tolerances.

    Parameters
    ----------
    score : Score
        As measured, or read back from JSON.
    tolerances : Tolerances, optional
        Defaults if not given.

    Returns
    -------
    Verdict
        Findings in chart order, and what was asked for but could not be judged.
    """
    limits = tolerances or Tolerances()
    basis = score.colour_basis
    untrusted = _ANOTHERS if basis.foreign else _UNTRUSTED.get(basis.kind)
    findings: list[Finding] = []
    within_error: list[Finding] = []
    not_judged: list[NotJudged] = []
    for check in _checks(score, limits):
        if check.limit is None:
            continue
        if check.colour and untrusted is not None:
            not_judged.append(NotJudged(element=check.element, measure=check.measure, text=untrusted))
        elif check.value is None:
            not_judged.append(NotJudged(element=check.element, measure=check.measure, text="not measured"))
        elif check.beyond(check.value, check.limit) > 0:
            surely = check.beyond(check.value, check.limit) > check.error
            (findings if surely else within_error).append(check.finding(check.value, check.limit))
    return Verdict(
        within=not findings, findings=tuple(findings), within_error=tuple(within_error),
        not_judged=tuple(not_judged), tolerances=limits,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Check:
    element: str
    measure: str
    value: float | None
    limit: float | None
    what: str
    noise: float | None = None
    unit: str = ""
    at_least: bool = False
    colour: bool = False
    where: str = field(default="")

    @property
    def error(self) -> float:
        return COVERS * (self.noise or 0.0)

    def beyond(self, value: float, limit: float) -> float:
        return limit - value if self.at_least else value - limit

    def finding(self, value: float, limit: float) -> Finding:
        bound = "at least" if self.at_least else "at most"
        allowed = f"allowed {bound} {_number(limit)}{self.unit}"
        measured = f"{_number(value)}{self.unit}"
        if self.noise:
            measured = figure(float(value), self.noise, self.unit.strip())
        text = f"{self.what}{self.where} {measured}, {allowed}"
        return Finding(
            element=self.element, measure=self.measure, value=float(value), limit=float(limit), text=text
        )


def _checks(score: Score, limits: Tolerances) -> Iterator[_Check]:
    for element in score.elements:
        match element:
            case RingScore():
                yield from _ring_checks(element, limits.ring)
            case HueSweepScore():
                yield from _sweep_checks(element, limits.hue_sweep)
            case NeutralWedgeScore():
                yield from _wedge_checks(element, limits.neutral_wedge)
            case PatchFieldScore():
                yield from _difference_checks(element.id, element.delta_e00.intended, limits.patch_field)
            case FlatFieldScore():
                yield from _flat_checks(element, limits.flat_field)


_Sized = tuple[float, float | None, str]  # a value, its standard error, and where it is


def _worst(sizes: Iterable[_Sized]) -> _Sized:
    """Return the largest of several values by the least that each may be; nought if there is none."""
    return max(sizes, key=lambda one: one[0] - COVERS * (one[1] or 0.0), default=(0.0, None, ""))


def _ring_checks(ring: RingScore, limits: RingLimits) -> Iterator[_Check]:
    def check(measure: str, value: float | None, what: str, unit: str = "", **more: Any) -> _Check:
        more |= {"limit": getattr(limits, measure), "unit": unit}
        return _Check(element=ring.id, measure=measure, value=value, what=what, **more)

    def worst(measure: str, sizes: Iterable[_Sized], what: str, unit: str, **more: Any) -> _Check:
        value, noise, where = _worst(sizes)
        return check(measure, value, what, unit, noise=noise, where=where, **more)

    excess = ((c.excess_de00, c.noise_de00, f" at {c.radius_mm:.1f} mm") for c in ring.contours)
    yield worst("max_excess_de00", excess, "excess of a ring", " ΔE00", colour=True)
    yield check("max_visible_rings", _visible_rings(ring, limits.max_visible_rings), "visible rings")
    bands = [(b, f" from {b.inner_mm:.1f} to {b.outer_mm:.1f} mm,") for b in ring.flat_bands]
    missing = ((b.missing_de00, b.noise_de00, where) for b, where in bands)
    yield worst("max_missing_de00", missing, "missing in merged tones", " ΔE00", colour=True)
    widths = ((b.width_mm, b.width_noise_mm, where) for b, where in bands)
    yield worst("max_merged_mm", widths, "merged tones", " mm")
    yield check("min_evenness", ring.evenness, "evenness", noise=ring.evenness_noise, at_least=True)
    yield check("min_reach", ring.reach, "reach", noise=ring.reach_noise, at_least=True)
    swings = (
        (abs(s.delta_h), abs(s.delta_h * (s.noise_deg or 0.0) / s.degrees) if s.degrees else None,
         f" at {s.radius_mm:.1f} mm")
        for s in ring.hue_swings
    )  # fmt: skip
    yield worst("max_hue_swing_delta_h", swings, "hue swing", " ΔH", colour=True)
    yield worst("max_reversal_l", ((r.depth_l, r.noise_l, "") for r in ring.reversals), "reversal", " L*")
    yield worst("max_ripple_l", ((r.amplitude_l, r.noise_l, "") for r in ring.ripples), "ripple", " L*")
    yield worst("max_banding_l", _stripes(ring.head_banding), "head banding", " L*")
    core = ring.core_mm
    yield check("max_core_mm", core.value if core else None, "core", " mm", noise=core.noise if core else None)
    yield from _difference_checks(ring.id, ring.delta_e00.intended, limits)


def _visible_rings(ring: RingScore, limit: int | None) -> int | None:
    """Return how many rings and faint rings are visible beyond their error.

    One of unknown visibility makes the count unknown, unless those known already pass the limit.
    """
    found: list[Contour | FaintRing] = [*ring.contours, *ring.faint_rings]
    seen = sum(
        one.visibility is not None and one.visibility - COVERS * (one.visibility_noise or 0.0) >= 1 for one in found
    )
    unknown = any(one.visibility is None for one in found)
    return None if unknown and limit is not None and seen <= limit else seen


def _stripes(banding: HeadBanding | None) -> list[_Sized]:
    return [(banding.amplitude_l, banding.standard_error_l, "")] if banding else []


def _sweep_checks(sweep: HueSweepScore, limits: HueSweepLimits) -> Iterator[_Check]:
    for row in sweep.rows:
        where = f" in the {row.level} row"
        yield _Check(
            element=sweep.id, measure="max_order_breaks", value=len(row.order_breaks),
            limit=limits.max_order_breaks, what="hue order breaks", where=where,
        )
        # a stretch across 360 degrees ends at a smaller angle than it starts
        widest = max(((m.to_deg - m.from_deg) % 360 for m in row.merged), default=0.0)
        yield _Check(
            element=sweep.id, measure="max_merged_deg", value=widest, limit=limits.max_merged_deg,
            what="merged hues", unit="°", where=where,
        )
        yield from _difference_checks(sweep.id, row.delta_e00.intended, limits, where)


def _wedge_checks(wedge: NeutralWedgeScore, limits: NeutralWedgeLimits) -> Iterator[_Check]:
    def check(measure: str, value: float | None, what: str, **more: Any) -> _Check:
        return _Check(
            element=wedge.id, measure=measure, value=value, limit=getattr(limits, measure), what=what, **more
        )

    yield _Check(
        element=wedge.id, measure="runs_back", value=len(wedge.breaks), limit=None if limits.runs_back else 0,
        what="steps that run back",
    )  # fmt: skip
    yield check("max_merged_steps", len(wedge.merged), "steps not seen apart from the one before")
    yield check("max_first_from_black", wedge.first_from_black, "first step seen from black")
    yield check("max_first_from_white", wedge.first_from_white, "first step seen from white")
    where = f" at step {wedge.cast.at_step}"
    yield check("max_cast_c", wedge.cast.max_c, "cast", unit=" C*", colour=True, where=where)
    yield from _difference_checks(wedge.id, wedge.delta_e00.intended, limits)


def _flat_checks(flat: FlatFieldScore, limits: FlatFieldLimits) -> Iterator[_Check]:
    yield _Check(
        element=flat.id, measure="max_unevenness_l", value=flat.unevenness_l, limit=limits.max_unevenness_l,
        what="unevenness", unit=" L*",
    )
    banding, noise, _ = _worst(_stripes(flat.head_banding))
    yield _Check(
        element=flat.id, measure="max_banding_l", value=banding, noise=noise, limit=limits.max_banding_l,
        what="head banding", unit=" L*",
    )  # fmt: skip


def _difference_checks(
    element: str,
    difference: DeltaE | None,
    limits: RingLimits | HueSweepLimits | NeutralWedgeLimits | PatchFieldLimits,
    where: str = "",
) -> Iterator[_Check]:
    mean = p95 = mean_noise = p95_noise = None
    if difference is not None:
        mean, mean_noise = difference.mean, difference.standard_uncertainty
        p95, p95_noise = difference.p95, difference.single_standard_uncertainty
    for measure, value, noise, limit, name in (
        ("max_mean_de00", mean, mean_noise, limits.max_mean_de00, "mean difference from the file"),
        ("max_p95_de00", p95, p95_noise, limits.max_p95_de00, "difference from the file, 95th percentile"),
    ):
        yield _Check(
            element=element, measure=measure, value=value, noise=noise, limit=limit, what=name, unit=" ΔE00",
            colour=True, where=where,
        )  # fmt: skip


def _number(value: float) -> str:
    return f"{value:d}" if isinstance(value, int) else f"{value:.2f}".rstrip("0").rstrip(".")
