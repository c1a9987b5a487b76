"""A forecast as plain text for a terminal: one row a fade, renderings side by side."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Final

from ..results.forecast import Advice, Forecast, IntentForecast
from ..results.score import HueSweepScore, NeutralWedgeScore, RingScore
from .advice import steepest_share
from .phrases import flag_words, ring_name

__all__ = ["forecast_text", "merged_deg", "row_chroma"]

_NAME_WIDTH: Final = 11
_CELL_WIDTH: Final = 13
_KIND: Final = {"ring-to-white": "to white", "ring-to-black": "to black"}
_DEVICE: Final = {"rgb": "RGB", "cmyk": "CMYK", "gray": "grey"}


def forecast_text(forecast: Forecast, *, width: int = 80) -> str:
    """Return a readable summary of a forecast, at most ``width`` characters wide but for its table."""
    profile = forecast.profile
    lines = _wrapped(
        f"Forecast of chart {forecast.chart} through {profile.description} "
        f"({_DEVICE[profile.device]}, ICC {profile.icc_version}). No print was made.",
        width,
    )
    shown = [intent for intent in forecast.intents if intent.same_as is None]
    advice = {each.element: each for each in forecast.advice}
    if any(intent.rings() for intent in shown):
        lines += [
            "",
            *_wrapped(
                "Evenness (1 is even), steepest place (times its share), number of rings. "
                "* smoother than those without; a tie is said to be one. Under each intent: with or without black "
                "point compensation. Colours are relative to the paper; absolute has the paper's own "
                "colour in them, is for proofs and not judged.",
                width,
            ),
        ]
    lines += ["", *_heads(shown)]
    for kind, words in _KIND.items():
        rows = list(zip(*([r for r in intent.rings() if r.kind == kind] for intent in shown), strict=True))
        if rows:
            lines.append(words)
        lines += [_row(rings, shown, advice.get(rings[0].id)) for rings in rows]
    lines += _other_rows(shown)
    lines += [""]
    for intent in forecast.intents:
        if intent.same_as:
            lines += _wrapped(f"{intent.name.capitalize()} comes out as {intent.same_as}.", width)
    for sentence in forecast.summary:
        lines += _wrapped(sentence, width)
    for flag in forecast.flags:
        lines += _wrapped(f"Note. {flag_words(flag)}.", width)
    if forecast.advice:
        lines += ["", "Fade by fade"]
    for each in forecast.advice:
        lines += _wrapped(each.text, width)
    return "\n".join(line.rstrip() for line in lines)


def merged_deg(sweep: HueSweepScore) -> float:
    """Return how many degrees of the hue circle are merged at full saturation."""
    return sum(m.to_deg - m.from_deg for row in sweep.rows if row.level == "full" for m in row.merged)


def row_chroma(sweep: HueSweepScore) -> float | None:
    """Return the mean chroma reached at full saturation."""
    chroma = [c for row in sweep.rows if row.level == "full" for c in row.chroma]
    return sum(chroma) / len(chroma) if chroma else None


def _heads(shown: Sequence[IntentForecast]) -> Iterator[str]:
    yield " " * _NAME_WIDTH + "".join(f" {intent.intent:<{_CELL_WIDTH - 1}}" for intent in shown)
    second = ["" if intent.intent == "absolute" else "with" if intent.bpc else "without" for intent in shown]
    yield " " * _NAME_WIDTH + "".join(f" {words:<{_CELL_WIDTH - 1}}" for words in second)


def _row(rings: Sequence[RingScore], shown: Sequence[IntentForecast], advice: Advice | None) -> str:
    smoother = advice.smoother if advice else ()
    cells = [_cell(ring, intent.name in smoother) for ring, intent in zip(rings, shown, strict=True)]
    hue = ring_name(rings[0]).rsplit(" to ", 1)[0]
    tie = " tie" if advice and not smoother else ""
    return f"{hue[: _NAME_WIDTH - 1]:<{_NAME_WIDTH}}{''.join(cells)}{tie}"


def _cell(ring: RingScore, marked: bool) -> str:
    steepest = steepest_share(ring)
    even = "   –" if ring.evenness is None else f"{ring.evenness:4.2f}"
    steep = "   –" if steepest is None else f"{min(steepest, 99.9):4.1f}"
    mark = "*" if marked else " "
    return f"{mark}{even} {steep}{len(ring.contours):2d}".ljust(_CELL_WIDTH)


def _other_rows(shown: Sequence[IntentForecast]) -> Iterator[str]:
    sweeps = [[e for e in intent.elements if isinstance(e, HueSweepScore)] for intent in shown]
    wedges = [[e for e in intent.elements if isinstance(e, NeutralWedgeScore)] for intent in shown]
    if all(sweeps):
        yield "pure hues"
        yield _values("merged °", [f"{merged_deg(e[0]):.0f}" for e in sweeps])
        yield _values("mean C*", [f"{row_chroma(e[0]) or 0.0:.0f}" for e in sweeps])
    if all(wedges):
        yield "greys"
        yield _values("black L*", [f"{min(s.lab[0] for s in e[0].steps):.1f}" for e in wedges])
        yield _values("first seen", [_first_seen(e[0]) for e in wedges])
        yield _values("cast C*", [f"{e[0].cast.max_c:.1f}" for e in wedges])


def _first_seen(wedge: NeutralWedgeScore) -> str:
    lightness = next((s.intended_l for s in wedge.steps if s.step == wedge.first_from_black), None)
    return "none" if lightness is None else f"L* {lightness:g}"


def _values(name: str, values: Sequence[str]) -> str:
    return f"{name:<{_NAME_WIDTH}}" + "".join(f" {value:<{_CELL_WIDTH - 1}}" for value in values)


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text.replace("\u00a0", " ").replace("\u2060", ""), width, subsequent_indent="  ")
