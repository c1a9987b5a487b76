"""What a page shows of one ring: pictures, plots, facts and findings, ready for the template."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from inkstrain.scoring.crops import Crop
from inkstrain.scoring.model import Contour, DeltaE, FlatBand, HueSwing, RingScore, Ripple
from inkstrain.targets.key import Key

from .geometry import ring_place
from .overlay import radius_ruler, ring_picture
from .pictures import picture_uri, redrawn_ring, unrolled_uri
from .ringplot import ring_plot
from .words import (
    CORE_MM,
    NOT_MEASURED,
    flag_words,
    hanging_words,
    interval,
    number,
    plus_minus,
    ring_name,
    ring_state,
    strength,
)

__all__ = ["Fact", "FindingRow", "RingView", "chroma_top", "difference_words", "ring_facts", "ring_view"]

_THUMB_PX = 190
_UNROLLED_PX = (520, 64)

_CAUSES = {"profile": "profile", "print": "printing", "unknown": "not told"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A figure with its name and what it means."""

    name: str
    value: str
    meaning: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRow:
    """A line of a ring's table of findings."""

    what: str
    where: str
    width: str = ""
    amount: str = ""
    to_the_eye: str = ""
    cause: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RingView:
    """Everything the template needs for one ring."""

    anchor: str
    name: str
    end: str
    state_kind: str
    state: str
    thumb: str
    ruler: Markup
    picture: Markup
    plot: Markup
    redrawn: bool
    promised: bool
    marked: bool
    facts: tuple[Fact, ...]
    findings: tuple[FindingRow, ...]
    flags: tuple[str, ...]
    numbers: tuple[tuple[str, ...], ...]


def chroma_top(labs: Sequence[Sequence[tuple[float, float, float]]]) -> float:
    """Return a common upper end for C* axes, a multiple of 20."""
    largest = max((math.hypot(a, b) for lab in labs for _, a, b in lab), default=0.0)
    return max(20.0, math.ceil(largest / 20.0) * 20.0)


def ring_view(anchor: str, ring: RingScore, crop: Crop | None, key: Key | None, c_top: float) -> RingView:
    """Build the view of one ring. Without a crop the ring is redrawn from its profile, and says so."""
    place = ring_place(key, ring, crop)
    redrawn = crop is None
    if crop is None:
        crop = redrawn_ring(ring.profile.radius_mm, ring.profile.lab, place.centre_mm, place.limits.outer_mm)
    kind, state = ring_state(ring)
    unrolled = None if redrawn else unrolled_uri(crop, place.centre_mm, place.limits.outer_mm, _UNROLLED_PX)
    return RingView(
        anchor=anchor,
        name=ring_name(ring),
        end="white" if ring.kind == "ring-to-white" else "black",
        state_kind=kind,
        state=state,
        thumb=picture_uri(crop.image, _THUMB_PX),
        ruler=radius_ruler(f"{anchor}-ruler", ring, place.limits.outer_mm),
        picture=ring_picture(f"{anchor}-crop", ring, crop, place.centre_mm),
        plot=ring_plot(f"{anchor}-plot", ring, place.limits, c_top, unrolled),
        redrawn=redrawn,
        marked=bool(ring.contours or ring.flat_bands),
        promised=ring.profile.attainable_lab is not None,
        facts=ring_facts(ring),
        findings=tuple(_findings(ring)),
        flags=tuple(flag_words(flag) for flag in ring.flags),
        numbers=tuple(_numbers(ring)),
    )


def difference_words(difference: DeltaE | None) -> str:
    """Return mean and 95th percentile of a colour difference."""
    if difference is None:
        return NOT_MEASURED
    # an uncertainty that lacks how wrong the basis is would look better than it is
    known = not difference.uncertainty_is_lower_bound
    mean = plus_minus(difference.mean, difference.standard_uncertainty if known else None)
    p95 = plus_minus(difference.p95, difference.single_standard_uncertainty if known else None)
    return f"{mean} mean, {p95} at 95 %"


def ring_facts(ring: RingScore) -> tuple[Fact, ...]:
    """Return the ring's plain figures."""
    hub = "white" if ring.kind == "ring-to-white" else "black"
    fall = ring.fall_off_mm
    facts = [
        Fact(name="evenness", value=number(ring.evenness, 2), meaning="1 is perfectly even"),
        Fact(name="reach", value=number(ring.reach, 2), meaning="share of the asked-for range that was printed"),
        Fact(
            name="core", value=number(ring.core_mm, 1, "mm"),
            meaning=f"{hub} held beyond the hub" if (ring.core_mm or 0) < CORE_MM else f"{hub} reached too early",
        ),
        Fact(
            name="fall-off",
            value=f"{number(fall.p10)} · {number(fall.p50)} · {number(fall.p90, 1, 'mm')}" if fall else NOT_MEASURED,
            meaning="radii where 10, 50 and 90 % is covered",
        ),
        Fact(name="ΔE00 to the file", value=difference_words(ring.delta_e00.intended)),
    ]  # fmt: skip
    if ring.delta_e00.attainable is not None:
        facts.append(Fact(name="ΔE00 to the profile", value=difference_words(ring.delta_e00.attainable)))
    return tuple(facts)


def _findings(ring: RingScore) -> list[FindingRow]:
    rows = [
        FindingRow(
            what=f"contour, {strength(c)}",
            where=plus_minus(c.radius_mm, c.radius_standard_error_mm, 2, "mm"),
            width=_contour_width(c),
            amount=_contrast(c),
            to_the_eye=_jnd(c),
            cause=_CAUSES[c.cause],
        )
        for c in ring.contours
    ]
    rows += [
        FindingRow(
            what="flat band", where=interval(b.inner_mm, b.outer_mm), width=number(b.width_mm, 2, "mm"),
            amount=f"{number(b.lost_de00, 1, 'ΔE00')} lost", cause=_CAUSES[b.cause],
            to_the_eye=_jnd(b),
        )
        for b in ring.flat_bands
    ]  # fmt: skip
    rows += [
        FindingRow(
            what="hue swing", where=number(s.radius_mm, 1, "mm"), width=number(s.width_mm, 1, "mm"),
            amount=_hue_turn(s), cause=_CAUSES[s.cause], to_the_eye=_jnd(s),
        )
        for s in ring.hue_swings
    ]  # fmt: skip
    rows += [
        FindingRow(
            what="reversal", where=interval(r.inner_mm, r.outer_mm), width=number(r.outer_mm - r.inner_mm, 1, "mm"),
            amount=f"{number(r.depth_l, 1, 'L*')} the wrong way",
        )
        for r in ring.reversals
    ]  # fmt: skip
    rows += [
        FindingRow(
            what="ripple", where=interval(r.inner_mm, r.outer_mm),
            width=f"every {number(r.period_mm, 1, 'mm')}" if r.period_mm else "",
            amount=f"± {number(r.amplitude_l, 2, 'L*')}", to_the_eye=_jnd(r),
        )
        for r in ring.ripples
    ]  # fmt: skip
    if ring.head_banding is not None:
        band = ring.head_banding
        rows.append(
            FindingRow(
                what="stripes, not a ring", where=f"{band.direction or 'straight through'} the sheet",
                width=f"every {number(band.period_mm, 1, 'mm')}", amount=f"± {number(band.amplitude_l, 2, 'L*')}",
            )
        )  # fmt: skip
    return rows


def _jnd(one: Contour | FlatBand | HueSwing | Ripple) -> str:
    return plus_minus(one.visibility_jnd, one.visibility_standard_error_jnd, 1, "JND")


def _contrast(contour: Contour) -> str:
    """The contrast and what it may be: the ends' doubt is in its standard error."""
    error = contour.contrast_standard_uncertainty_de00 or contour.contrast_standard_error_de00
    hanging = hanging_words(contour)
    return plus_minus(contour.contrast_de00, error, 1, "ΔE00") + (f"; {hanging}" if hanging else "")


def _contour_width(contour: Contour) -> str:
    limit = contour.width_limit_mm
    if limit is not None and contour.width_mm <= limit:
        return f"at most {number(limit, 2, 'mm')}, the limit of this scan"
    return f"{number(contour.width_mm, 2, 'mm')} ({interval(contour.inner_mm, contour.outer_mm)})"


def _hue_turn(swing: HueSwing) -> str:
    """The turn of hue, what its ruler is good for, and the second ruler's word where it is another."""
    words = f"{plus_minus(swing.degrees, swing.uncertainty_deg, 0, '°')}, ΔH {number(swing.delta_h)}"
    if swing.rulers_disagree:
        words += f"; {number(swing.other_ruler_deg, 0, '°')} by a second ruler of hue"
    return words


def _numbers(ring: RingScore) -> list[tuple[str, ...]]:
    """The profile about every millimetre, for reading without the plot."""
    profile = ring.profile
    rows: list[tuple[str, ...]] = []
    next_mm = 0.0
    for radius, lab, asked, error in zip(
        profile.radius_mm, profile.lab, profile.intended_lab, profile.standard_error_de00, strict=True
    ):
        if radius + 1e-9 < next_mm:
            continue
        next_mm = math.floor(radius) + 1.0
        rows.append((number(radius, 1), *_lch(lab), *_lch(asked), f"± {number(2.0 * error, 2)}"))
    return rows


def _lch(lab: tuple[float, float, float]) -> tuple[str, str, str]:
    lightness, a, b = lab
    hue = number(math.degrees(math.atan2(b, a)) % 360.0, 0) if math.hypot(a, b) >= 6.0 else "–"
    return number(lightness), number(math.hypot(a, b)), hue
