"""Judging a score against tolerances: a pure step, repeatable on a kept score without its scan.

Where the colour basis is ``assumed`` or ``borrowed``, limits on colour itself (ΔE00, degrees of hue, cast) are listed
as not judged: widths, order and evenness stand on such a scan, colour differences are only indicative.
A value that equals its limit is within.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from inkstrain.scoring.model import (
    DeltaE,
    FlatFieldScore,
    HueSweepScore,
    NeutralWedgeScore,
    PatchFieldScore,
    RingScore,
    Score,
)
from inkstrain.targets.errors import WrongUsageError

_UNTRUSTED = {
    "assumed": "colour is only indicative: the scan's colour basis is assumed",
    "borrowed": "colour is only indicative: the scan's colour basis is borrowed from a printer profile",
}
_ANOTHERS = "colour is only indicative: the scanner fit belongs to another paper or ink"

__all__ = ["EXAMPLE_TOLERANCES", "Finding", "NotJudged", "Tolerances", "Verdict", "judge", "read_tolerances"]


def _off_is_none(value: object) -> object:
    # TOML has no null, so a limit is switched off in words
    return None if value == "off" else value


_Off = BeforeValidator(_off_is_none)
_Limit = Annotated[Annotated[float, Field(ge=0)] | None, _Off]
_Fraction = Annotated[Annotated[float, Field(ge=0, le=1)] | None, _Off]
_Count = Annotated[Annotated[int, Field(ge=0)] | None, _Off]


class _Limits(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class RingLimits(_Limits):
    """Limits for every ring; ``None`` (in a file: ``"off"``) is not judged."""

    max_contours: _Count = None
    max_visible_contours: _Count = 0
    max_contour_contrast_de00: _Limit = 1.8
    max_flat_band_mm: _Limit = 1.0
    min_evenness: _Fraction = 0.75
    min_reach: _Limit = None
    max_hue_swing_deg: _Limit = 6.0
    max_reversal_l: _Limit = 0.5
    max_ripple_l: _Limit = 0.2
    max_banding_l: _Limit = 0.2
    max_core_mm: _Limit = None
    max_mean_de00: _Limit = None
    max_p95_de00: _Limit = None


class HueSweepLimits(_Limits):
    """Limits for every row of a hue sweep."""

    max_order_breaks: _Count = 0
    max_merged_deg: _Limit = 15.0
    max_mean_de00: _Limit = None
    max_p95_de00: _Limit = None


class NeutralWedgeLimits(_Limits):
    """Limits for the neutral wedge. ``monotonic = true`` asks that every step climbs."""

    monotonic: bool = True
    max_first_from_black: _Count = None
    max_first_from_white: _Count = None
    max_cast_c: _Limit = 2.0
    max_mean_de00: _Limit = None
    max_p95_de00: _Limit = None


class PatchFieldLimits(_Limits):
    """Limits for a patch field."""

    max_mean_de00: _Limit = None
    max_p95_de00: _Limit = None


class FlatFieldLimits(_Limits):
    """Limits for an even tint."""

    max_unevenness_l: _Limit = None
    max_banding_l: _Limit = 0.2


class Tolerances(_Limits):
    """What a print is held to. Defaults and their sources are in :data:`EXAMPLE_TOLERANCES`."""

    ring: RingLimits = RingLimits()
    hue_sweep: HueSweepLimits = HueSweepLimits()
    neutral_wedge: NeutralWedgeLimits = NeutralWedgeLimits()
    patch_field: PatchFieldLimits = PatchFieldLimits()
    flat_field: FlatFieldLimits = FlatFieldLimits()


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
    """The outcome. ``within`` means that nothing judged was outside; see ``not_judged`` for the rest."""

    model_config = ConfigDict(frozen=True)

    within: bool
    findings: tuple[Finding, ...]
    not_judged: tuple[NotJudged, ...] = ()
    tolerances: Tolerances


EXAMPLE_TOLERANCES = """\
# Tolerances for judging a score. Every line is optional; these are the defaults.
# A limit of "off" is not judged. A value equal to its limit is within.
# Where the colour basis is "assumed", limits marked (colour) are listed but not judged.

[ring]
max_contours = "off"             # any contour at all, seen or not
max_visible_contours = 0         # of 1 just-noticeable difference or more, as the score states viewing
max_contour_contrast_de00 = 1.8  # (colour) 50:50 acceptability, Paravina et al. 2015 (ceramics, not prints)
max_flat_band_mm = 1.0           # common practice, no source
min_evenness = 0.75              # common practice, no source
min_reach = "off"                # a smaller paper or ink gamut is not a fault by itself
max_hue_swing_deg = 6.0          # (colour) the straightest hue spaces are themselves good to about 5 degrees
max_reversal_l = 0.5             # the smallest reversal that a score reports
max_ripple_l = 0.2               # can be objectionable: J. Electron. Imaging 19(1):011017, 2010
max_banding_l = 0.2              # the same
max_core_mm = "off"
max_mean_de00 = "off"            # (colour) against the file; out of gamut is no fault of the print
max_p95_de00 = "off"             # (colour)

[hue_sweep]
max_order_breaks = 0             # per row
max_merged_deg = 15.0            # common practice, no source
max_mean_de00 = "off"            # (colour)
max_p95_de00 = "off"             # (colour)

[neutral_wedge]
monotonic = true                 # every step lighter than the one before
max_first_from_black = "off"     # step number
max_first_from_white = "off"     # step number, counted from white
max_cast_c = 2.0                 # (colour) chroma, media-relative; ISO 12647-7 grey balance, from memory
max_mean_de00 = "off"            # (colour)
max_p95_de00 = "off"             # (colour)

[patch_field]
max_mean_de00 = "off"            # (colour)
max_p95_de00 = "off"             # (colour)

[flat_field]
max_unevenness_l = "off"
max_banding_l = 0.2              # as for rings
"""


def read_tolerances(path: Path) -> Tolerances:
    """Read tolerances from a TOML file.

    Raises
    ------
    WrongUsageError
        If the file cannot be read, is not TOML, or holds an unknown key or a value of the wrong type.
    """
    try:
        with path.open("rb") as file:
            content = tomllib.load(file)
    except OSError as error:
        raise WrongUsageError(f"Tolerances {path} cannot be read: {error.strerror or error}.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise WrongUsageError(f"Tolerances {path} are not valid TOML: {error}.") from error
    try:
        return Tolerances.model_validate(content)
    except ValidationError as error:
        raise WrongUsageError(f"Tolerances {path}: {_complaint(error)}") from error


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
    not_judged: list[NotJudged] = []
    for check in _checks(score, limits):
        if check.limit is None:
            continue
        if check.colour and untrusted is not None:
            not_judged.append(NotJudged(element=check.element, measure=check.measure, text=untrusted))
        elif check.value is None:
            not_judged.append(NotJudged(element=check.element, measure=check.measure, text="not measured"))
        elif check.value < check.limit if check.at_least else check.value > check.limit:
            findings.append(check.finding(check.value, check.limit))
    return Verdict(
        within=not findings, findings=tuple(findings), not_judged=tuple(not_judged), tolerances=limits
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Check:
    element: str
    measure: str
    value: float | None
    limit: float | None
    what: str
    unit: str = ""
    at_least: bool = False
    colour: bool = False
    where: str = field(default="")

    def finding(self, value: float, limit: float) -> Finding:
        bound = "at least" if self.at_least else "at most"
        allowed = f"allowed {bound} {_number(limit)}{self.unit}"
        text = f"{self.what}{self.where} {_number(value)}{self.unit}, {allowed}"
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


def _ring_checks(ring: RingScore, limits: RingLimits) -> Iterator[_Check]:
    def check(measure: str, value: float | None, what: str, unit: str = "", **more: Any) -> _Check:
        more |= {"limit": getattr(limits, measure), "unit": unit}
        return _Check(element=ring.id, measure=measure, value=value, what=what, **more)

    yield check("max_contours", len(ring.contours), "contours")
    # one contour of unknown visibility makes the count unknown, unless those known already pass the limit
    seen = sum(1 for c in ring.contours if c.visibility_jnd is not None and c.visibility_jnd >= 1)
    unknown = any(c.visibility_jnd is None for c in ring.contours)
    limit = limits.max_visible_contours
    known = None if unknown and limit is not None and seen <= limit else seen
    yield check("max_visible_contours", known, "visible contours")
    strongest = max(ring.contours, key=lambda c: c.contrast_de00, default=None)
    yield check(
        "max_contour_contrast_de00", strongest.contrast_de00 if strongest else 0.0, "contour contrast",
        " ΔE00", colour=True, where=f" at {strongest.radius_mm:.1f} mm" if strongest else "",
    )
    widest = max(ring.flat_bands, key=lambda b: b.width_mm, default=None)
    yield check(
        "max_flat_band_mm", widest.width_mm if widest else 0.0, "flat band", " mm",
        where=f" from {widest.inner_mm:.1f} to {widest.outer_mm:.1f} mm," if widest else "",
    )
    yield check("min_evenness", ring.evenness, "evenness", at_least=True)
    yield check("min_reach", ring.reach, "reach", at_least=True)
    swing = max((abs(s.degrees) for s in ring.hue_swings), default=0.0)
    yield check("max_hue_swing_deg", swing, "hue swing", "°", colour=True)
    yield check("max_reversal_l", max((r.depth_l for r in ring.reversals), default=0.0), "reversal", " L*")
    yield check("max_ripple_l", max((r.amplitude_l for r in ring.ripples), default=0.0), "ripple", " L*")
    banding = ring.head_banding.amplitude_l if ring.head_banding else 0.0
    yield check("max_banding_l", banding, "head banding", " L*")
    yield check("max_core_mm", ring.core_mm, "core", " mm")
    yield from _difference_checks(ring.id, ring.delta_e00.intended, limits)


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

    # counted, so that the finding says how many; a tie counts as much as a reversal
    broken = max(len(wedge.breaks), int(not wedge.monotonic))
    yield _Check(
        element=wedge.id, measure="monotonic", value=broken, limit=0 if limits.monotonic else None,
        what="steps that do not climb",
    )
    yield check("max_first_from_black", wedge.first_from_black, "first step told from black")
    yield check("max_first_from_white", wedge.first_from_white, "first step told from white")
    where = f" at step {wedge.cast.at_step}"
    yield check("max_cast_c", wedge.cast.max_c, "cast", unit=" C*", colour=True, where=where)
    yield from _difference_checks(wedge.id, wedge.delta_e00.intended, limits)


def _flat_checks(flat: FlatFieldScore, limits: FlatFieldLimits) -> Iterator[_Check]:
    yield _Check(
        element=flat.id, measure="max_unevenness_l", value=flat.unevenness_l, limit=limits.max_unevenness_l,
        what="unevenness", unit=" L*",
    )
    banding = flat.head_banding.amplitude_l if flat.head_banding else 0.0
    yield _Check(
        element=flat.id, measure="max_banding_l", value=banding, limit=limits.max_banding_l,
        what="head banding", unit=" L*",
    )


def _difference_checks(
    element: str,
    difference: DeltaE | None,
    limits: RingLimits | HueSweepLimits | NeutralWedgeLimits | PatchFieldLimits,
    where: str = "",
) -> Iterator[_Check]:
    mean, p95 = (difference.mean, difference.p95) if difference is not None else (None, None)
    for measure, value, limit, name in (
        ("max_mean_de00", mean, limits.max_mean_de00, "mean difference from the file"),
        ("max_p95_de00", p95, limits.max_p95_de00, "difference from the file, 95th percentile"),
    ):
        yield _Check(
            element=element, measure=measure, value=value, limit=limit, what=name, unit=" ΔE00", colour=True,
            where=where,
        )


def _number(value: float) -> str:
    return f"{value:d}" if isinstance(value, int) else f"{value:.2f}".rstrip("0").rstrip(".")


def _complaint(error: ValidationError) -> str:
    """Say the first problem in a plain sentence, with what would be right."""
    problem = error.errors()[0]
    path = ".".join(str(part) for part in problem["loc"])
    if problem["type"] == "extra_forbidden":
        known = Tolerances.model_fields
        section = str(problem["loc"][0])
        if len(problem["loc"]) > 1:
            known = type(getattr(Tolerances(), section)).model_fields
        return f"unknown key {path!r}. Known here: {', '.join(known)}."
    if problem["type"] == "model_type":
        return f"{path} should be a table, [{path}], not {problem['input']!r}."
    message = problem["msg"].removeprefix("Input should be ")
    return f"{path} should be {message}, not {problem['input']!r}."
