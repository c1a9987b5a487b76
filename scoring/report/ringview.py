"""What a page shows of one fade: pictures, plots, facts and findings, ready for the template."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from inkstrain.targets.colorimetry import lab_to_xyz
from inkstrain.targets.key import Key
from inkstrain.targets.spaces import beyond_screen

from ..results.crops import Crop
from ..results.figures import NOT_MEASURED, fault_figure, figure, interval, number
from ..results.score import Cause, Contour, DeltaE, FlatBand, HueSwing, RingScore
from ..words.phrases import (
    CAUSE_WORDS,
    CORE_MM,
    Fault,
    eye_times,
    eye_words,
    flag_words,
    is_seen,
    ring_name,
    ring_state,
    ring_word,
)
from .geometry import RingPlace, ring_place
from .overlay import radius_ruler, ring_picture
from .pictures import picture_uri, redrawn_ring, unrolled_uri
from .ringplot import ring_plot

__all__ = [
    "Fact",
    "FindingRow",
    "RingView",
    "chroma_top",
    "difference_words",
    "first_picture",
    "ring_facts",
    "ring_view",
    "severity",
]

_THUMB_PX = 190
_MADE_BY: dict[Cause, str] = {
    "profile": "made by the profile",
    "print": "made by the print",
    "both": "made partly by the profile, partly by the print",
    "unknown": "what made it is not known",
}
_UNROLLED_PX = (520, 64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A figure with its name and what it means."""

    name: str
    value: str
    meaning: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRow:
    """A line of a fade's table of findings; ``times`` is its visibility in multiples of threshold."""

    what: str
    where: str
    width: str = ""
    amount: str = ""
    to_the_eye: str = ""
    times: str = ""
    cause: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RingView:
    """Everything the template needs for one fade; ``quiet`` if it is even and nothing was found in it.

    ``severity`` orders the fades of a page, see `severity`; ``made_by`` says what made its worst fault.
    """

    anchor: str
    name: str
    end: str
    state_kind: str
    state: str
    severity: tuple[float, float, float]
    made_by: str
    thumb: str
    ruler: Markup
    picture: Markup
    plot: Markup
    redrawn: bool
    beyond_screen: bool
    promised: bool
    marked: bool
    faint: bool
    quiet: bool
    facts: tuple[Fact, ...]
    findings: tuple[FindingRow, ...]
    flags: tuple[str, ...]
    numbers: tuple[tuple[str, ...], ...]


def chroma_top(labs: Sequence[Sequence[tuple[float, float, float]]]) -> float:
    """Return a common upper end for C* axes, a multiple of 20."""
    largest = max((math.hypot(a, b) for lab in labs for _, a, b in lab), default=0.0)
    return max(20.0, math.ceil(largest / 20.0) * 20.0)


def ring_view(anchor: str, ring: RingScore, crop: Crop | None, key: Key | None, c_top: float) -> RingView:
    """Build the view of one fade. Without a crop it is redrawn from its course, and says so."""
    place = ring_place(key, ring, crop)
    redrawn = crop is None
    crop = _crop_of(ring, crop, place)
    kind, state = ring_state(ring)
    findings = tuple(_findings(ring))
    unrolled = None if redrawn else unrolled_uri(crop, place.centre_mm, place.limits.outer_mm, _UNROLLED_PX)
    return RingView(
        anchor=anchor,
        name=ring_name(ring),
        end="white" if ring.kind == "ring-to-white" else "black",
        state_kind=kind,
        state=state,
        severity=severity(ring),
        made_by=_made_by(ring),
        thumb=picture_uri(crop.image, _THUMB_PX),
        ruler=radius_ruler(f"{anchor}-ruler", ring, place.limits.outer_mm),
        picture=ring_picture(f"{anchor}-crop", ring, crop, place.centre_mm),
        plot=ring_plot(f"{anchor}-plot", ring, place.limits, c_top, unrolled),
        redrawn=redrawn,
        beyond_screen=bool(np.any(beyond_screen(lab_to_xyz(np.array(ring.course.lab).reshape(-1, 3))) > 1.0)),
        marked=bool(ring.contours or ring.flat_bands or ring.faint_rings),
        faint=bool(ring.faint_rings),
        quiet=kind == "even" and not findings,
        promised=ring.course.attainable_lab is not None,
        facts=ring_facts(ring),
        findings=findings,
        flags=tuple(flag_words(flag) for flag in ring.flags),
        numbers=tuple(_numbers(ring)),
    )


def first_picture(anchor: str, ring: RingScore, crop: Crop | None, key: Key | None) -> Markup:
    """Return a fade with its marks for the first screen."""
    place = ring_place(key, ring, crop)
    return ring_picture(f"{anchor}-first", ring, _crop_of(ring, crop, place), place.centre_mm)


def _crop_of(ring: RingScore, crop: Crop | None, place: RingPlace) -> Crop:
    if crop is not None:
        return crop
    return redrawn_ring(ring.course.radius_mm, ring.course.lab, place.centre_mm, place.limits.outer_mm)


def severity(ring: RingScore) -> tuple[float, float, float]:
    """Return how badly a fade came out, for sorting, the largest worst.

    First what its rings that are seen and its merged tones come to together (ΔE00: excess and what is missing), then
    its most visible faint ring, in multiples of threshold, then its unevenness.
    """
    seen = sum(c.excess_de00 for c in ring.contours if is_seen(c))
    faults = seen + sum(b.missing_de00 for b in ring.flat_bands)
    faint = max((f.visibility for f in ring.faint_rings), default=0.0)
    return faults, faint, 0.0 if ring.evenness is None else 1.0 - ring.evenness


def _made_by(ring: RingScore) -> str:
    """What made the worst fault of a fade; nothing where there is none."""
    sized = [(c.excess_de00, c.cause) for c in ring.contours] + [(b.missing_de00, b.cause) for b in ring.flat_bands]
    found = max(sized, default=None) or max(((f.visibility, f.cause) for f in ring.faint_rings), default=None)
    return _MADE_BY[found[1]] if found else ""


def difference_words(difference: DeltaE | None) -> str:
    """Return mean and 95th percentile of a colour difference."""
    if difference is None:
        return NOT_MEASURED
    # an uncertainty that lacks how wrong the basis is would look better than it is
    known = not difference.uncertainty_is_lower_bound
    mean = figure(difference.mean, difference.standard_uncertainty if known else None, digits=1)
    p95 = figure(difference.p95, difference.single_standard_uncertainty if known else None, digits=1)
    return f"{mean} mean, {p95} at 95\u00a0%"


def ring_facts(ring: RingScore) -> tuple[Fact, ...]:
    """Return the fade's plain figures."""
    hub = "white" if ring.kind == "ring-to-white" else "black"
    fall, core = ring.fall_off_mm, ring.core_mm
    early = core is not None and core.value >= CORE_MM
    facts = [
        Fact(
            name="evenness", value=figure(ring.evenness, ring.evenness_noise),
            meaning=f"1 is even; {number(ring.evenness_second_metric, 2)} by a second metric",
        ),
        Fact(
            name="reach", value=figure(ring.reach, ring.reach_noise),
            meaning="length of the printed path over the path asked for",
        ),
        Fact(
            name="core", value=fault_figure(core.value, core.noise, "mm") if core else NOT_MEASURED,
            meaning=f"{hub} reached too early" if early else f"{hub} held beyond the hub",
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
        _seen_row(
            c, what=ring_word(c, ring.resolution_mm), where=figure(c.radius_mm, c.radius_noise_mm, "mm"),
            width=figure(c.width_mm, c.width_noise_mm, "mm"), amount=_excess(c), cause=_split(c),
        )
        for c in ring.contours
    ]  # fmt: skip
    rows += [
        _seen_row(
            b, what="merged tones", where=interval(b.inner_mm, b.outer_mm),
            width=figure(b.width_mm, b.width_noise_mm, "mm"), amount=_missing(b), cause=_split(b),
        )
        for b in ring.flat_bands
    ]  # fmt: skip
    rows += [
        _seen_row(
            f, what="faint ring", where=number(f.radius_mm, 1, "mm"), width=number(f.width_mm, 1, "mm"),
            amount=f"{figure(f.amplitude_de00, f.noise_de00, 'ΔE00')}; {number(f.amplitude_l, 2, 'L*')}",
            cause=CAUSE_WORDS[f.cause],
        )
        for f in ring.faint_rings
    ]  # fmt: skip
    rows += [
        _seen_row(
            s, what="hue swing", where=number(s.radius_mm, 1, "mm"), width=number(s.width_mm, 1, "mm"),
            amount=_hue_turn(s), cause=CAUSE_WORDS[s.cause],
        )
        for s in ring.hue_swings
    ]  # fmt: skip
    rows += [
        FindingRow(
            what="reversal", where=interval(r.inner_mm, r.outer_mm), width=number(r.outer_mm - r.inner_mm, 1, "mm"),
            amount=f"{figure(r.depth_l, r.noise_l, 'L*')} the wrong way",
        )
        for r in ring.reversals
    ]  # fmt: skip
    rows += [
        _seen_row(
            r, what="ripple", where=interval(r.inner_mm, r.outer_mm), width=f"every {number(r.period_mm, 1, 'mm')}",
            amount=f"amplitude {figure(r.amplitude_l, r.noise_l, 'L*', digits=2)}",
        )
        for r in ring.ripples
    ]  # fmt: skip
    if ring.head_banding is not None:
        band = ring.head_banding
        rows.append(
            FindingRow(
                what="stripes, not a ring", where=f"{band.direction or 'straight through'} the sheet",
                width=f"every {figure(band.period_mm, band.period_standard_error_mm, 'mm', digits=1)}",
                amount=f"amplitude {figure(band.amplitude_l, band.standard_error_l, 'L*', digits=2)}",
            )
        )  # fmt: skip
    return rows


def _seen_row(found: Fault, **cells: str) -> FindingRow:
    times = eye_times(found.visibility, found.visibility_noise)
    return FindingRow(to_the_eye=eye_words(found), times=times, **cells)


def _excess(contour: Contour) -> str:
    words = f"{figure(contour.excess_de00, contour.noise_de00, 'ΔE00')} excess"
    return f"{words}{_basis(contour)}; {number(contour.contrast_de00)} between its ends"


def _missing(band: FlatBand) -> str:
    words = f"{figure(band.missing_de00, band.noise_de00, 'ΔE00')} missing"
    return f"{words}{_basis(band)}; {number(band.lost_de00)} lost in all"


def _basis(found: Contour | FlatBand) -> str:
    """What the colour basis adds to the error, where that is known."""
    return f" (colour basis ±\u00a0{number(1.96 * found.basis_de00)})" if found.basis_de00 else ""


def _split(found: Contour | FlatBand) -> str:
    """The cause and how much of the finding is whose."""
    if found.cause == "unknown" or found.from_profile_de00 is None or found.from_print_de00 is None:
        return CAUSE_WORDS[found.cause]
    profile = f"profile {fault_figure(found.from_profile_de00, found.from_profile_noise_de00, digits=1)}"
    made = f"print {fault_figure(found.from_print_de00, found.from_print_noise_de00, digits=1)}"
    return f"{made}, {profile}" if found.cause == "print" else f"{profile}, {made}"


def _hue_turn(swing: HueSwing) -> str:
    """How far the hue is off as a colour difference, its turn, and the second ruler's word where it is another."""
    words = f"ΔH\u00a0{number(swing.delta_h)}, {figure(swing.degrees, swing.noise_deg, '°')}"
    if swing.rulers_disagree:
        words += f"; {number(swing.other_ruler_deg, 0, '°')} by a second ruler of hue"
    return words


def _numbers(ring: RingScore) -> list[tuple[str, ...]]:
    """The course about every millimetre, for reading without the plot."""
    course = ring.course
    rows: list[tuple[str, ...]] = []
    next_mm = 0.0
    for radius, lab, asked, error in zip(
        course.radius_mm, course.lab, course.intended_lab, course.standard_error_de00, strict=True
    ):
        if radius + 1e-9 < next_mm:
            continue
        next_mm = math.floor(radius) + 1.0
        rows.append((number(radius, 1), *_lch(lab), *_lch(asked), f"±\u00a0{number(1.96 * error, 2)}"))
    return rows


def _lch(lab: tuple[float, float, float]) -> tuple[str, str, str]:
    lightness, a, b = lab
    hue = number(math.degrees(math.atan2(b, a)) % 360.0, 0) if math.hypot(a, b) >= 6.0 else "–"
    return number(lightness), number(math.hypot(a, b)), hue
