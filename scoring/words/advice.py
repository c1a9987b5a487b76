"""Advice: which rendering is smoother where, what it costs in range, and where nothing is to choose.

Two measures decide: evenness, and the steepest place as a multiple of its share, over 0.3 mm. One
rendering beats another if it is better in one by more than the margin and not worse in the other by more than it.
Margins are common practice, no source: 0.02 of evenness, a tenth of the steepest place.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

import numpy as np

from inkstrain.targets.colorimetry import delta_e00

from ..promise.neutrals import APART_C
from ..results.forecast import Advice, Forecast, IntentForecast
from ..results.score import NeutralWedgeScore, RingScore
from .phrases import cast_direction, element_name, listed

__all__ = ["EVENNESS_MARGIN", "STEEPEST_MARGIN", "advise", "beats", "steepest_share", "summary_of"]

EVENNESS_MARGIN: Final = 0.02
STEEPEST_MARGIN: Final = 0.1
_WINDOW_MM: Final = 0.3
_STILL_DE00: Final = 0.01  # between places of a course: what its rounding can make of a standstill
_PROOFING: Final = "absolute"


def in_words(forecast: Forecast) -> Forecast:
    """Return a forecast with advice for every fade, and what holds for the whole chart, in sentences."""
    return forecast.revised(advice=advise(forecast.intents), summary=summary_of(forecast.intents))


def steepest_share(ring: RingScore) -> float | None:
    """Return the fastest 0.3 mm of a fade as a multiple of its share; ``None`` where nothing moves."""
    course = ring.course
    if not ring.reach or len(course.radius_mm) < 8:
        return None
    window = max(round(_WINDOW_MM / float(np.median(np.diff(course.radius_mm)))), 1)
    kernel = np.ones(window)
    printed, asked = (
        np.convolve(delta_e00(lab[:-1], lab[1:]), kernel, mode="valid")
        for lab in map(np.asarray, (course.lab, course.intended_lab))
    )
    moving = asked > _STILL_DE00 * window
    return float(np.max(printed[moving] / (asked[moving] * ring.reach))) if moving.any() else None


def beats(one: RingScore, other: RingScore) -> bool:
    """Tell whether one fade is smoother than another by more than the margins."""
    return _beats((one.evenness, steepest_share(one)), (other.evenness, steepest_share(other)))


_Smooth = tuple[float | None, float | None]  # evenness and steepest place


def _beats(one: _Smooth, other: _Smooth) -> bool:
    even = (one[0] or 0.0) - (other[0] or 0.0)
    steep = np.log((other[1] or 1.0) / (one[1] or 1.0))
    margin = np.log1p(STEEPEST_MARGIN)
    better = even > EVENNESS_MARGIN or steep > margin
    return bool(better and even >= -EVENNESS_MARGIN and steep >= -margin)


def advise(intents: Sequence[IntentForecast]) -> tuple[Advice, ...]:
    """Return advice for every fade, over the renderings that differ; absolute is for proofs and left out."""
    choices = _choices(intents)
    if not choices:
        return ()
    by_ring = zip(*(intent.rings() for intent in choices), strict=True)
    return tuple(_advise([intent.name for intent in choices], rings) for rings in by_ring)


def summary_of(intents: Sequence[IntentForecast]) -> tuple[str, ...]:
    """Return what holds for the whole chart, in sentences; a winner is named only where there is one."""
    choices = _choices(intents)
    advice = advise(intents)
    sentences = []
    if len(choices) == 1 and advice:
        sentences.append("All renderings come out the same: there is nothing to choose.")
    elif advice:
        sentences.append(_overall([intent.name for intent in choices], advice))
    sentences += _shadows(choices)
    sentences += _about_neutrals(choices)
    return tuple(sentences)


def _choices(intents: Sequence[IntentForecast]) -> list[IntentForecast]:
    return [intent for intent in intents if intent.same_as is None and intent.intent != _PROOFING]


def _advise(names: Sequence[str], rings: Sequence[RingScore]) -> Advice:
    smooth = [(ring.evenness, steepest_share(ring)) for ring in rings]
    unbeaten = [i for i, ring in enumerate(smooth) if not any(_beats(other, ring) for other in smooth)]
    rest = [i for i in range(len(rings)) if i not in unbeaten]
    name = element_name(rings[0].id).capitalize()
    measures = {
        "evenness": [_rounded(ring.evenness, 2) for ring in rings],
        "steepest place": [_rounded(steepest, 1) for _, steepest in smooth],
        "reach": [_rounded(ring.reach, 2) for ring in rings],
    }
    if not unbeaten or not rest:
        everyone = range(len(rings))
        spread = ", ".join(f"{what} {_span(values, everyone)}" for what, values in measures.items())
        return Advice(
            element=rings[0].id, smoother=(), text=f"{name}: a tie, none is smoother than the others ({spread})."
        )
    best = [names[i] for i in unbeaten]
    numbers = ", ".join(
        f"{what} {_span(values, unbeaten)} against {_span(values, rest)}" for what, values in measures.items()
    )
    verb = "is" if len(best) == 1 else "are"
    return Advice(
        element=rings[0].id, smoother=tuple(best), text=f"{name}: {listed(best)} {verb} smoother ({numbers})."
    )


def _rounded(value: float | None, digits: int) -> str:
    return "–" if value is None else f"{value:.{digits}f}"


def _span(values: Sequence[str], which: Sequence[int]) -> str:
    chosen = sorted({values[i] for i in which})
    return chosen[0] if len(chosen) == 1 else f"{chosen[0]} to {chosen[-1]}"


def _overall(names: Sequence[str], advice: Sequence[Advice]) -> str:
    ties = sum(not each.smoother for each in advice)
    decided = [each for each in advice if each.smoother]
    if not decided:
        return (
            f"No rendering is smoother than another in any of the {len(advice)} fades: choose by colour, not by rings."
        )
    counts = Counter(name for each in decided for name in each.smoother)
    always = [name for name in names if counts[name] == len(decided)]
    tied = f" ({_counted(ties, 'tie')} left out)" if ties else ""
    if len(always) == 1:
        return f"{always[0].capitalize()} is among the smoothest in all {len(decided)} fades that differ{tied}."
    if always:
        return f"{listed(always).capitalize()} are among the smoothest in all {len(decided)} fades that differ{tied}."
    shares = [f"{name} in {counts[name]}" for name in names if counts[name]]
    return (
        f"No rendering wins everywhere. Of {len(decided)} fades that differ{tied}, {listed(shares)} come out "
        "smoothest; in a fade more than one may."
    )


def _shadows(choices: Sequence[IntentForecast]) -> list[str]:
    wedges = [(c.name, w) for c in choices for w in c.elements if isinstance(w, NeutralWedgeScore)]
    said = []
    for name, wedge in wedges:
        first = wedge.first_from_black
        lightness = next((step.intended_l for step in wedge.steps if step.step == first), None)
        darkest = min(step.lab[0] for step in wedge.steps)
        seen = "none" if lightness is None else f"L* {lightness:g}"
        said.append(f"{name} {seen} (black prints at L* {darkest:.1f})")
    return [f"First step of grey seen apart from black: {'; '.join(said)}."] if said else []


def _about_neutrals(choices: Sequence[IntentForecast]) -> list[str]:
    known = [(choice.name, choice.neutrals) for choice in choices if choice.neutrals is not None]
    sentences = []
    for name, greys in known:
        if greys.apart_c is not None and greys.apart_c > APART_C:
            sentences.append(
                f"Neutrals under {name} differ in hue from relative with black point compensation, "
                f"by up to {greys.apart_c:.1f} in a*b*: "
                "an intent should change their tone only."
            )
    casts = [(name, greys) for name, greys in known if greys.max_c > APART_C]
    if casts:
        name, worst = max(casts, key=lambda item: item[1].max_c)
        sentences.append(
            f"By the profile, neutrals do not print neutral: up to {worst.max_c:.1f} C* towards "
            f"{cast_direction(worst.a_at_max, worst.b_at_max)} at L* {worst.at_l:.0f} ({name})."
        )
    elif known and len(sentences) == 0:
        sentences.append("Neutrals keep their hue under every rendering; only their tone differs.")
    return sentences


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"
