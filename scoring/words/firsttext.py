"""A score of the first definition as plain text, in the words of its figures."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from ..results.firstscore import FirstElement, FirstScore, FirstVerdict

__all__ = ["first_text"]


def first_text(score: FirstScore, verdict: FirstVerdict | None = None, *, width: int = 80) -> str:
    """Return what a score of measures/1 said: a line an element, then colour, and the verdict that it was kept with."""
    stated = score.conditions
    made = (stated.printer, stated.paper, stated.ink, stated.intent and f"{stated.intent} intent")
    name = " · ".join(part for part in made if part) or "An unnamed print"
    lines = [
        f"{name} · chart {score.chart}",
        "",
        "Measured by the first definition of the measures (measures/1), and shown as it was. It is not compared with "
        "scores of the second: scan the print again, or score the kept scan file again.",
        "",
        *(line for element in score.elements for line in _element(element)),
        f"Colour. {score.colour_basis.note}",
        *(f"Note. {flag}" for flag in score.flags),
    ]
    if verdict is not None:
        lines += ["", "It was within tolerance." if verdict.within else "It was outside tolerance:"]
        lines += [f"{finding.element}: {finding.text}" for finding in verdict.findings]
    wrapped = (textwrap.wrap(line, max(width, 40), subsequent_indent="  ") or [""] for line in lines)
    return "\n".join(line for part in wrapped for line in part)


def _element(element: FirstElement) -> Iterator[str]:
    said = []
    if element.contours:
        strong = (f"{found.contrast_de00:.1f} ΔE00 at {found.radius_mm:.1f} mm" for found in element.contours)
        said.append(f"rings {', '.join(strong)}")
    if element.flat_bands:
        bands = (f"{band.inner_mm:.1f}–{band.outer_mm:.1f} mm" for band in element.flat_bands)
        said.append(f"merged tones {', '.join(bands)}")
    if element.evenness is not None:
        said.append(f"evenness {element.evenness:.2f}")
    if element.reach is not None:
        said.append(f"reach {element.reach:.2f}")
    if element.monotonic is not None:
        said.append("every step climbs" if element.monotonic else "not every step climbs")
    if element.first_from_black is not None:
        said.append(f"first step from black {element.first_from_black}")
    if element.cast is not None:
        said.append(f"cast {element.cast.mean_c:.1f} C* in the mean, {element.cast.max_c:.1f} at most")
    if said:
        yield f"{element.id}: {'; '.join(said)}"
