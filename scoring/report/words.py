"""Numbers and findings put into words: formatting, one-word states, sentences for the summary."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from inkstrain.scoring.model import ColourBasis, Conditions, Contour, Residual, RingScore

__all__ = [
    "cast_direction",
    "element_name",
    "error_words",
    "flag_words",
    "hanging_words",
    "in_reading_order",
    "interval",
    "is_seen",
    "limit_words",
    "listed",
    "number",
    "plus_minus",
    "print_name",
    "ring_name",
    "ring_state",
    "strength",
    "unbroken",
]

NOT_MEASURED = "not measured"
# evenness limits for words: common practice, no source
EVEN, FAIRLY_EVEN = 0.90, 0.75
# a core shorter than this is the scanner's blur and the ramp's own slow start: common practice, no source
CORE_MM = 1.0

_COUNTS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
    "thirteen", "fourteen", "fifteen", "sixteen",
)  # fmt: skip

_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:mm|L\*|C\*|ΔE00|dpi|%)(?!\w))|(?<=±) (?=\d)")
_FLAG_NAME = re.compile(r"[a-z0-9-]+")
_FLAGS = {
    "specks-rejected": "dust or specks were left out of the averages",
    "clipped": "the scan is clipped: some tones lie outside what the scanner kept",
    "sharpened": "the scan looks sharpened, which exaggerates edges",
}

_LIMITS = {
    "max_contours": "number of contours",
    "max_visible_contours": "number of visible contours",
    "max_contour_contrast_de00": "contrast of contours",
    "max_flat_band_mm": "width of flat bands",
    "min_evenness": "evenness",
    "min_reach": "reach",
    "max_hue_swing_deg": "hue swings",
    "max_reversal_l": "reversals",
    "max_ripple_l": "ripples",
    "max_banding_l": "stripes",
    "max_core_mm": "core",
    "max_mean_de00": "mean ΔE00 to the file",
    "max_p95_de00": "ΔE00 to the file at 95 %",
    "max_order_breaks": "order of hues",
    "max_merged_deg": "merged hues",
    "monotonic": "climbing of the neutral steps",
    "max_first_from_black": "first step told from black",
    "max_first_from_white": "first step told from white",
    "max_cast_c": "cast of the neutral steps",
    "max_unevenness_l": "unevenness of tints",
}

_CAST_DIRECTIONS = ("red", "orange", "yellow", "yellow-green", "green", "cyan", "blue", "magenta")


def number(value: float | None, digits: int = 1, unit: str = "") -> str:
    """Return a rounded number with a true minus and its unit, or say that it was not measured."""
    if value is None or not math.isfinite(value):
        return NOT_MEASURED
    rounded = f"{value:.{digits}f}"
    if float(rounded) == 0:
        rounded = rounded.lstrip("-")
    rounded = rounded.replace("-", "−")
    if not unit:
        return rounded
    return f"{rounded}{unit}" if unit == "°" else f"{rounded}\u00a0{unit}"


def plus_minus(value: float | None, standard_error: float | None, digits: int = 1, unit: str = "") -> str:
    """Return a number with ± two standard errors where they are known."""
    if value is None or standard_error is None:
        return number(value, digits, unit)
    # a smallest ± that can be read at this rounding, so that none reads ± 0
    spread = max(2.0 * standard_error, 10.0**-digits)
    return f"{number(value, digits)} ±\u00a0{number(spread, digits, unit)}"


def interval(low: float, high: float, digits: int = 1, unit: str = "mm") -> str:
    """Return ``low–high unit``, which no line break divides (U+2060 beside the dash)."""
    return f"{number(low, digits)}\u2060–\u2060{number(high, digits, unit)}"


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
    hue = ring.hue
    if hue.startswith("hue-"):
        hue = "hue " + hue.removeprefix("hue-").replace("-", ".").lstrip("0") + "°"
    return f"{hue} to {end}"


def in_reading_order(rings: Sequence[RingScore]) -> list[RingScore]:
    """Return the rings to white, then those to black, each in the chart's order of hues."""
    return sorted(rings, key=lambda ring: ring.kind != "ring-to-white")


def element_name(identifier: str) -> str:
    """Return an element's id in words."""
    for end in ("white", "black"):
        prefix = f"ring-to-{end}-"
        if identifier.startswith(prefix):
            return f"{identifier.removeprefix(prefix)} to {end}"
    return identifier.replace("-", " ")


def print_name(conditions: Conditions, fallback: str = "An unnamed print") -> str:
    """Return what a print is called: printer, paper, ink, intent, as far as stated."""
    intent = f"{conditions.intent} intent" if conditions.intent else None
    parts = [part for part in (conditions.printer, conditions.paper, conditions.ink, intent) if part]
    return " · ".join(parts) or fallback


def unbroken(words: str) -> str:
    """Return words whose numbers no line break parts from their units."""
    return _BEFORE_UNIT.sub("\u00a0", words)


def flag_words(flag: str) -> str:
    """Return a flag in words: ``name: sentence`` with a readable name, a bare name by its meaning if known."""
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


def is_seen(contour: Contour) -> bool:
    """Tell whether a contour counts as seen: 1 JND or more, or of unknown visibility."""
    return contour.visibility_jnd is None or contour.visibility_jnd >= 1.0


def strength(contour: Contour) -> str:
    """Return how strong a contour is, in one word.

    1.8 ΔE00 is the published 50:50 acceptability (Paravina et al. 2015, ceramics); 5 is common practice.
    """
    if not is_seen(contour):
        return "too faint to see"
    if contour.contrast_de00 < 1.8:
        return "slight"
    return "plain" if contour.contrast_de00 < 5.0 else "strong"


def hanging_words(contour: Contour) -> str:
    """Tell between what a contour's contrast lies if its ends hang on the limit of speed; nothing if they do not."""
    least, most = contour.contrast_range_de00 or (0.0, 0.0)
    if most - least < max(1.0, 0.25 * contour.contrast_de00):
        return ""
    if least == 0.0:
        return f"none to {number(most, 1, 'ΔE00')}, as its limit is taken"
    return f"{number(least)} to {number(most, 1, 'ΔE00')}, as its ends are taken"


def ring_state(ring: RingScore) -> tuple[str, str]:
    """Return a ring's state as (kind, words): kind is one of even, fair, uneven, ring, flat, other, unknown."""
    seen = [c for c in ring.contours if is_seen(c)]
    parts: list[str] = []
    if seen:
        places = [number(c.radius_mm) for c in seen]
        if len(seen) > 2:
            parts.append(f"{len(seen)} rings, {number(seen[0].radius_mm)} to {number(seen[-1].radius_mm, 1, 'mm')}")
        else:
            parts.append(f"{'ring' if len(seen) == 1 else 'rings'} at {listed(places)}\u00a0mm")
    if ring.flat_bands:
        widest = max(ring.flat_bands, key=lambda band: band.width_mm)
        more = f" and {len(ring.flat_bands) - 1} more" if len(ring.flat_bands) > 1 else ""
        parts.append(f"flat {interval(widest.inner_mm, widest.outer_mm)}{more}")
    if parts:
        return ("ring" if seen else "flat"), ", ".join(parts)
    return _quieter_state(ring)


def _quieter_state(ring: RingScore) -> tuple[str, str]:
    if ring.reversals:
        worst = max(ring.reversals, key=lambda r: r.depth_l)
        return "other", f"reversed {interval(worst.inner_mm, worst.outer_mm)}"
    if ring.hue_swings:
        widest = max(ring.hue_swings, key=lambda s: abs(s.degrees))
        return "other", f"hue swings at {number(widest.radius_mm, 1, 'mm')}"
    ripples = [r for r in ring.ripples if r.visibility_jnd is None or r.visibility_jnd >= 1.0]
    if ripples:
        return "other", f"ripple {interval(ripples[0].inner_mm, ripples[-1].outer_mm)}"
    if ring.contours:
        return "fair", f"faint ring at {number(ring.contours[0].radius_mm, 1, 'mm')}"
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
