"""The tables of a comparison: totals, prints ranked by them, every difference, and how far apart colours are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from ..compare.comparable import MEASURES
from ..words.comparison import standing_words
from ..words.phrases import number

if TYPE_CHECKING:
    from ..compare.compare import ColourRow, Comparison, Row, Standing

__all__ = ["Cell", "ColourView", "RankedView", "RowView", "colour_views", "ranked_views", "row_views", "total_heads"]

_DIGITS: Final = {"ΔE00": 1, "C*": 1, "L*": 1}


@dataclass(frozen=True, slots=True, kw_only=True)
class RowView:
    """A line of a table of differences; ``standing_out`` is the difference over the smallest that would show."""

    element: str
    measure: str
    pair: str
    values: tuple[str, ...]
    difference: str
    uncertainty: str
    smallest: str
    outcome: str
    shown: bool
    reason: str
    standing_out: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What is shown, what it is sorted by, and its place."""

    shown: str
    value: str
    place: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedView:
    """One print and its value in every total."""

    number: int
    label: str
    place: Cell
    words: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourView:
    """How far one element's colours are apart in two prints."""

    element: str
    pair: str
    apart: str
    value: str
    alike: str
    change: str


def _written(value: float | None, unit: str, *, more: int = 0) -> str:
    return "" if value is None else number(value, _DIGITS.get(unit, 2) + more, unit)


def row_views(rows: Sequence[Row], labels: Sequence[str]) -> tuple[RowView, ...]:
    """Return the lines of a table of differences, in the order given."""
    return tuple(_row_view(row, labels) for row in rows)


def _row_view(row: Row, labels: Sequence[str]) -> RowView:
    first, second = (labels[n] for n in row.pair)
    outcomes = {
        "first": f"{first} is better",
        "second": f"{second} is better",
        "no-difference-shown": "no difference shown",
        "cannot-compare": "cannot be compared",
    }
    out = ""
    if row.difference is not None and row.smallest_showable:
        out = f"{abs(row.difference) / row.smallest_showable:.3f}"
    return RowView(
        element=row.element_name,
        measure=MEASURES[row.measure].words,
        pair=f"{row.pair[0] + 1} and {row.pair[1] + 1}",
        values=tuple(_written(value, row.unit) or "not measured" for value in row.values),
        difference=_written(row.difference, row.unit),
        uncertainty="" if row.uncertainty is None else _written(1.96 * row.uncertainty, row.unit, more=1),
        smallest=_written(row.smallest_showable, row.unit),
        outcome=outcomes[row.verdict],
        shown=row.verdict in ("first", "second"),
        reason=row.reason or "",
        standing_out=out,
    )


def total_heads(comparison: Comparison) -> tuple[tuple[str, str], ...]:
    """Return every total that was compared, and what heads its column."""
    return tuple(
        (name, f"{MEASURES[name].words}{f', {unit}' if unit else ''}")
        for name, unit in dict.fromkeys((row.measure, row.unit) for row in comparison.totals)
    )


def ranked_views(comparison: Comparison) -> tuple[RankedView, ...]:
    """Return every print with its value and its place in each total, in the order of their places in all."""
    labels = [shown.label for shown in comparison.prints]
    standings = {(s.measure, s.print): s for s in comparison.ranking}
    values = {
        (row.measure, n): value
        for row in comparison.totals
        for n, value in zip(row.pair, row.values, strict=True)
        if value is not None
    }
    views = []
    for n, label in enumerate(labels):
        cells = []
        for name, _ in total_heads(comparison):
            value, standing = values.get((name, n)), standings.get((name, n))
            cells.append(
                Cell(
                    shown=_written(value, MEASURES[name].unit),
                    value="" if value is None else f"{value:.6g}",
                    place=_place(standing) if standing else "",
                )
            )
        overall = standings[None, n]
        place = Cell(shown=_place(overall), value=f"{overall.best_place + overall.worst_place}", place="")
        words = standing_words(overall, labels).partition("; ")[2]
        views.append(RankedView(number=n + 1, label=label, place=place, words=words, cells=tuple(cells)))
    return tuple(sorted(views, key=lambda view: (float(view.place.value), view.number)))


def _place(standing: Standing) -> str:
    low, high = standing.best_place, standing.worst_place
    return f"{low}" if low == high else f"{low} to {high}"


def colour_views(rows: Sequence[ColourRow]) -> tuple[ColourView, ...]:
    """Return the lines of the table of colours."""
    return tuple(
        ColourView(
            element=row.element_name,
            pair=f"{row.pair[0] + 1} and {row.pair[1] + 1}",
            apart=number(row.apart_de00, 2),
            value=f"{row.apart_de00:.4f}",
            alike=number(row.alike_de00, 2),
            change=", ".join(f"{value:+.1f}" for value in row.change_lab).replace("-", "−"),
        )
        for row in rows
    )
