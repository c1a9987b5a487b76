"""A score or a comparison as plain text for a terminal, in the same words as the report's."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from ..compare.compare import Comparison
from ..judge.judge import Verdict
from ..results.score import RingScore, Score
from .phrases import element_name, error_words, print_name, ring_name, ring_state
from .score import summarise

__all__ = ["comparison_text", "score_text", "verdict_lines"]

_NARROWEST: Final = 40
_NAME_WIDTH: Final = 17
_FIGURES_WIDTH: Final = 17
# what the table of fades says already
_IN_TABLE: Final = frozenset({"Rings", "Merged tones", "Even fades"})


def score_text(score: Score, verdict: Verdict | None = None, *, width: int = 80) -> str:
    """Return a readable summary of a score: its totals, one line a fade, then paragraphs.

    Parameters
    ----------
    verdict : Verdict, optional
        Its findings are listed at the end.
    width : int
        Characters a line may have; the table's middle column takes what is left.
    """
    width = max(width, _NARROWEST)
    summary = summarise(score)
    name = print_name(score.conditions, "An unnamed print")
    lines = [*_wrapped(f"{name} · chart {score.chart}", width), "", *_wrapped(summary.headline, width)]
    lines += [*(_wrapped(summary.totals, width) if summary.totals else ()), ""]
    # a chart may lay its fades out in any order; a reader wants those to white together
    rings = sorted(score.rings(), key=lambda ring: ring.kind, reverse=True)
    if rings:
        lines += [*_ring_table(rings, width), ""]
    for paragraph in summary.paragraphs:
        if paragraph.lead not in _IN_TABLE:
            lines += _wrapped(f"{paragraph.lead}. {paragraph.text}", width)
    lines += _wrapped(_basis_line(score), width)
    if verdict is not None:
        lines += ["", *(part for line in verdict_lines(verdict) for part in _wrapped(line, width))]
    return "\n".join(lines)


def verdict_lines(verdict: Verdict) -> tuple[str, ...]:
    """Return a verdict as one line for the outcome and one for each element that passed a limit."""
    outcome = "Within tolerance." if verdict.within else "Outside tolerance:"
    doubtful = len(verdict.within_error)
    missing = len(verdict.not_judged)
    by_element: dict[str, list[str]] = {}
    for finding in verdict.findings:
        by_element.setdefault(element_name(finding.element), []).append(finding.text)
    lines = [outcome, *(_plain(f"  {name}: {'; '.join(texts)}") for name, texts in by_element.items())]
    if doubtful:
        lines.append(f"{doubtful} over a limit by less than the error of measuring, so within.")
    if missing:
        reasons = sorted({item.text for item in verdict.not_judged})
        lines.append(f"{missing} limit{'s' if missing > 1 else ''} not judged: {'; '.join(reasons)}.")
    return tuple(lines)


def comparison_text(comparison: Comparison, *, width: int = 80) -> str:
    """Return a readable summary of a comparison: who is compared, what is unlike, what differs and what does not."""
    width = max(width, _NARROWEST)
    lines = [*_wrapped("  against  ".join(shown.label for shown in comparison.prints), width)]
    lines += _wrapped(f"chart {' and '.join(comparison.charts)}", width)
    for point in comparison.fairness:
        if point.kind == "condition":
            lines += _wrapped(f"  {point.what}: {' against '.join(point.values)}", width)
    for sentence in (comparison.headline, *comparison.summary):
        lines += ["", *_wrapped(sentence, width)]
    return "\n".join(lines)


def _ring_table(rings: Sequence[RingScore], width: int) -> Iterator[str]:
    room = width - _NAME_WIDTH - _FIGURES_WIDTH
    yield f"{'Fade':<{_NAME_WIDTH}}{'what the print did':<{room}}{'evenness':>{_FIGURES_WIDTH - 8}}{'reach':>8}"
    for ring in rings:
        _, words = ring_state(ring)
        words = _plain(words)
        if len(words) > room:
            words = words[: room - 2].rstrip(" ,") + "…"
        name = ring_name(ring)[: _NAME_WIDTH - 1]
        figures = f"{_share(ring.evenness):>{_FIGURES_WIDTH - 8}}{_share(ring.reach):>8}"
        yield f"{name:<{_NAME_WIDTH}}{words:<{room}}{figures}"


def _share(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f}"


def _basis_line(score: Score) -> str:
    basis = score.colour_basis
    error = f" {error_words(basis)}" if basis.residual_de00 is not None or basis.check is not None else ""
    trust = score.uncertainty
    spread = ""
    if trust is not None and trust.basis_de00 is not None and basis.kind != "borrowed":
        factor = trust.coverage_factor
        spread = f" A single ΔE00 is uncertain by ± {factor * trust.basis_de00:.1f} (coverage factor {factor:g})."
    caution = " A flatbed is not a spectrophotometer: deep blacks above all read too light."
    last = "" if basis.kind == "instrument" else caution
    return f"Colour, relative to the paper. {basis.note.rstrip('.')}.{error}{spread}{last}"


def _wrapped(text: str, width: int) -> Iterable[str]:
    indent = text[: len(text) - len(text.lstrip())]
    return textwrap.wrap(
        _plain(text.strip()), width, initial_indent=indent, subsequent_indent=indent + "  ", break_long_words=False
    ) or [""]


def _plain(text: str) -> str:
    """Return text without what only a browser needs: no-break spaces and word joiners."""
    return text.replace("\u00a0", " ").replace("\u2060", "")
