"""Numbers and findings put into words: formatting, one-word states, names of faults."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from ..eye.visibility import visibility_word
from ..results.figures import COVERS, NOT_MEASURED, figure, interval, number, place_of
from ..results.score import (
    Cause,
    ColourBasis,
    ColourVolume,
    Conditions,
    Contour,
    FaintRing,
    Flag,
    FlatBand,
    HueSwing,
    Residual,
    RingScore,
    Ripple,
    WedgeStep,
)

__all__ = [
    "CAUSE_WORDS",
    "NOT_MEASURED",
    "Fault",
    "cast_direction",
    "element_name",
    "error_words",
    "eye_times",
    "eye_words",
    "flag_words",
    "in_reading_order",
    "interval",
    "is_seen",
    "limit_words",
    "listed",
    "number",
    "print_name",
    "ring_name",
    "ring_state",
    "ring_word",
    "unbroken",
]

CAUSE_WORDS: dict[Cause, str] = {"profile": "profile", "print": "print", "both": "both", "unknown": "not known"}

Fault = Contour | FlatBand | FaintRing | HueSwing | Ripple

# evenness limits for words: common practice, no source
EVEN, FAIRLY_EVEN = 0.90, 0.75
# a core shorter than this is the ramp's own slow start: common practice, no source
CORE_MM = 1.0
# in sigmas of the resolution: so wide is a hard step of 10 ΔE00 where the share is 3 ΔE00 a mm, weaker ones less
_EDGE_SIGMAS = 4.5
# DESIGN §5.3: common practice, no source
_RING_MM = 1.5
_RESOLUTION_MM = 0.10

_COUNTS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
    "thirteen", "fourteen", "fifteen", "sixteen",
)  # fmt: skip

_BEFORE_UNIT = re.compile(
    r"(?<=\d) (?=(?:mm|L\*|C\*|ΔE00|dpi|h|%|cd/m²|thousand)(?!\w))"
    r"|(?<=±) (?=\d)|(?<=\d) (?=±)|(?<=[LC]\*) (?=[\d−])"
)
_FLAG_NAME = re.compile(r"[a-z0-9-]+")
_FLAGS = {
    "specks-rejected": "dust or specks were left out of the averages",
    "clipped": "the scan is clipped: some tones lie outside what the scanner kept",
    "sharpened": "the scan looks sharpened, which exaggerates edges",
}

_LIMITS = {
    "max_excess_de00": "excess of rings",
    "max_visible_rings": "number of visible rings",
    "max_missing_de00": "colour missing in merged tones",
    "max_merged_mm": "width of merged tones",
    "min_evenness": "evenness",
    "min_reach": "reach",
    "max_hue_swing_delta_h": "hue swings",
    "max_reversal_l": "reversals",
    "max_ripple_l": "ripples",
    "max_banding_l": "stripes",
    "max_core_mm": "core",
    "max_mean_de00": "mean ΔE00 to the file",
    "max_p95_de00": "ΔE00 to the file at 95 %",
    "max_order_breaks": "order of hues",
    "max_merged_deg": "merged hues",
    "max_merged_steps": "merged neutral steps",
    "runs_back": "neutral steps that run back",
    "max_first_from_black": "first step seen from black",
    "max_first_from_white": "first step seen from white",
    "max_cast_c": "cast of the neutral steps",
    "max_unevenness_l": "unevenness of tints",
}

_CAST_DIRECTIONS = ("red", "orange", "yellow", "yellow-green", "green", "cyan", "blue", "magenta")


def count_word(count: int) -> str:
    """Return small counts as words."""
    return _COUNTS[count] if 0 <= count < len(_COUNTS) else str(count)


def listed(items: Sequence[str]) -> str:
    """Join items as a sentence does."""
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]


def ring_name(ring: RingScore) -> str:
    """Return a ring's name in words, such as ``blue to black``."""
    end = "white" if ring.kind == "ring-to-white" else "black"
    return f"{_hue_name(ring.hue)} to {end}"


def _hue_name(hue: str) -> str:
    """Return a hue's name, or its angle where it has none."""
    if not hue.startswith("hue-"):
        return hue
    return f"hue {float(hue.removeprefix('hue-').replace('-', '.')):g}°"


def in_reading_order(rings: Sequence[RingScore]) -> list[RingScore]:
    """Return the rings to white, then those to black, each in the chart's order of hues."""
    return sorted(rings, key=lambda ring: ring.kind != "ring-to-white")


def element_name(identifier: str) -> str:
    """Return an element's id in words."""
    for end in ("white", "black"):
        prefix = f"ring-to-{end}-"
        if identifier.startswith(prefix):
            return f"{_hue_name(identifier.removeprefix(prefix))} to {end}"
    return identifier.replace("-", " ")


def print_name(conditions: Conditions, fallback: str = "An unnamed print") -> str:
    """Return what a print is called: printer, paper, ink, intent, as far as stated."""
    intent = f"{conditions.intent} intent" if conditions.intent else None
    parts = [part for part in (conditions.printer, conditions.paper, conditions.ink, intent) if part]
    return " · ".join(parts) or fallback


def unbroken(words: str) -> str:
    """Return words whose numbers no line break parts from their units."""
    return _BEFORE_UNIT.sub("\u00a0", words)


def flag_words(flag: Flag | str) -> str:
    """Return a flag in words: ``name: sentence`` with a readable name, a bare name by its meaning if known."""
    if isinstance(flag, Flag):
        where = f"{element_name(flag.where)}: " if flag.where else ""
        return where + flag_words(flag.code if flag.text == flag.code else str(flag))
    name, colon, sentence = flag.partition(": ")
    if not _FLAG_NAME.fullmatch(name):
        return flag
    if colon:
        return f"{name.replace('-', ' ')}: {unbroken(sentence)}"
    return _FLAGS.get(name, name.replace("-", " "))


def error_words(basis: ColourBasis) -> str:
    """Return how far a colour basis errs on this print, in sentences."""
    residual = basis.residual_de00
    if residual is not None and basis.kind == "borrowed":
        return f"{_within(residual, ' of what the profile says')}; how far the profile itself is wrong is not known."
    if residual is not None:
        return f"{_within(residual, ' of the truth')}, if they are of the fit's paper and inks."
    if not basis.foreign or basis.check is None or basis.check.fit_residual_de00 is None:
        return "How far it errs is not known."
    return (
        f"{_within(basis.check.fit_residual_de00, '')} on the fit's own paper and inks. This print is flagged as made "
        "with others, so that does not hold here: how far its colours are wrong is not known. In simulation other inks "
        "cost 2 to 7 ΔE00 at 95 %."
    )


def _within(residual: Residual, what: str) -> str:
    half, most = number(residual.median, 1, "ΔE00"), number(residual.p95, 1, "ΔE00")
    return f"Of colours that the fit was not made from, half are within {half}{what} and 95\u00a0% within {most}"


def limit_words(measure: str) -> str:
    """Return the name of a limit in words."""
    return _LIMITS.get(measure, measure.replace("_", " "))


def is_seen(found: Fault) -> bool:
    """Tell whether a finding counts as seen: 1 threshold or more beyond its error, or of unknown visibility."""
    return found.visibility is None or found.visibility - COVERS * (found.visibility_noise or 0.0) >= 1.0


def eye_words(found: Fault | WedgeStep) -> str:
    """Return how a finding shows to an eye: not seen, faint, plain, strong."""
    return NOT_MEASURED if found.visibility is None else visibility_word(found.visibility)


def eye_times(visibility: float | None, noise: float | None = None) -> str:
    """Return a visibility in multiples of threshold; beyond 10 the number is a ratio and no size, so whole."""
    if visibility is None:
        return ""
    if visibility >= 10.0:
        return number(visibility, 0)
    return number(visibility, min(place_of(COVERS * noise), 1) if noise else 1)


def ring_word(contour: Contour, resolution_mm: float | None = None) -> str:
    """Return what a contour is called: an edge if as narrow as a hard step, a drop-off from 1.5 mm."""
    if contour.width_mm <= _EDGE_SIGMAS * (resolution_mm or _RESOLUTION_MM):
        return "edge"
    return "ring" if contour.width_mm <= _RING_MM else "drop-off"


def ring_state(ring: RingScore) -> tuple[str, str]:
    """Return a fade's state as (kind, words): kind is one of even, fair, uneven, ring, flat, other, unknown."""
    seen = [c for c in ring.contours if is_seen(c)]
    parts: list[str] = []
    if seen:
        parts.append(_places("ring", [c.radius_mm for c in seen]))
    if ring.flat_bands:
        widest = max(ring.flat_bands, key=lambda band: band.width_mm)
        more = f" and {len(ring.flat_bands) - 1} more" if len(ring.flat_bands) > 1 else ""
        parts.append(f"merged tones {interval(widest.inner_mm, widest.outer_mm)}{more}")
    if ring.faint_rings:
        parts.append(_places("faint ring", [f.radius_mm for f in ring.faint_rings]))
    if parts:
        return ("ring" if seen else "flat" if ring.flat_bands else "other"), ", ".join(parts)
    return _quieter_state(ring)


def _places(what: str, radii_mm: Sequence[float]) -> str:
    """Return one or two places, or how many from where to where."""
    if len(radii_mm) > 2:
        return f"{len(radii_mm)} {what}s, {number(radii_mm[0])} to {number(radii_mm[-1], 1, 'mm')}"
    return f"{what if len(radii_mm) == 1 else what + 's'} at {listed([number(r) for r in radii_mm])}\u00a0mm"


def _quieter_state(ring: RingScore) -> tuple[str, str]:
    if ring.reversals:
        worst = max(ring.reversals, key=lambda r: r.depth_l)
        return "other", f"reversed {interval(worst.inner_mm, worst.outer_mm)}"
    if ring.hue_swings:
        widest = max(ring.hue_swings, key=lambda s: abs(s.delta_h))
        return "other", f"hue swings at {number(widest.radius_mm, 1, 'mm')}"
    ripples = [r for r in ring.ripples if is_seen(r)]
    if ripples:
        return "other", f"ripple {interval(ripples[0].inner_mm, ripples[-1].outer_mm)}"
    if ring.contours:
        weak = ring.contours[0]
        return "fair", f"ring at {number(weak.radius_mm, 1, 'mm')}, {eye_words(weak)}"
    if ring.evenness is None:
        return "unknown", NOT_MEASURED
    if ring.evenness >= EVEN:
        return "even", "even"
    return ("fair", "fairly even") if ring.evenness >= FAIRLY_EVEN else ("uneven", "uneven")


def cast_direction(a: float | None, b: float | None) -> str:
    """Return the direction of a cast as a colour word, from a* and b*."""
    if a is None or b is None:
        return "an unknown hue"
    angle = math.degrees(math.atan2(b, a)) % 360.0
    return _CAST_DIRECTIONS[round(angle / 45.0) % len(_CAST_DIRECTIONS)]


def volume_words(volume: ColourVolume) -> str:
    """Return a colour volume in a sentence."""
    error = math.hypot(volume.standard_error, volume.between_hues / 1.96)
    words = (
        f"The fades enclose {figure(volume.volume / 1000, error / 1000)} thousand cubic units of CIELAB, "
        f"{100 * volume.of_asked:.0f} % of what the file asked for"
    )
    if volume.coverage is not None:
        words += f", and {100 * volume.coverage:.0f} % of what the profile can give"
    return words + "."
