"""The tables of a comparison: prints ranked by measure, every difference, and where colours moved."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from inkstrain.scoring.comparable import MEASURES
from inkstrain.scoring.comparewords import standing_words

from .words import number

if TYPE_CHECKING:
    from inkstrain.scoring.compare import ColourRow, Comparison, Row, Standing

__all__ = [
    "Cell",
    "ColourView",
    "NoiseView",
    "RankedView",
    "RowView",
    "colour_views",
    "measure_heads",
    "noise_views",
    "ranked_views",
    "row_views",
]

_DIGITS: Final = {"mm": 2, "ΔE00": 1, "°": 1, "C*": 1, "L*": 1}
_COUNTED: Final = frozenset({"contours", "not_climbing", "first_from_black"})
_GATHERED: Final[dict[str, tuple[str, Callable[[Sequence[float]], float]]]] = {
    "contours": ("all", sum),
    "worst_contour": ("largest", max),
    "widest_flat_band": ("largest", max),
}
"""How the values of several elements make one for a print; the mean, if not named."""


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
    """One print and its value in every measure."""

    number: int
    label: str
    place: Cell
    words: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseView:
    """Repeatability of one measure of one element: what is shown and what it is sorted by."""

    element: str
    measure: str
    cells: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourView:
    """Whether one element's colours moved between two prints."""

    element: str
    pair: str
    moved: str
    value: str
    by_chance: str
    smallest: str
    change: str
    outcome: str
    shown: bool


def written(value: float | None, measure: str, unit: str) -> str:
    """Return a value as a table shows it."""
    if value is not None and measure in _COUNTED and value == round(value):
        return number(value, 0)
    return number(value, _DIGITS.get(unit, 2), unit)


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
    known = MEASURES.get(row.measure)

    def said(value: float | None) -> str:
        return written(value, row.measure, row.unit)

    out = ""
    if row.difference is not None and row.smallest_showable:
        out = f"{abs(row.difference) / row.smallest_showable:.3f}"
    return RowView(
        element=row.element_name,
        measure=known.words if known is not None else row.measure.replace("_", " "),
        pair=f"{row.pair[0] + 1} and {row.pair[1] + 1}",
        values=tuple(said(value) for value in row.values),
        difference=said(row.difference) if row.difference is not None else "",
        uncertainty=f"± {said(2.0 * row.uncertainty)}" if row.uncertainty is not None else "",
        smallest=said(row.smallest_showable) if row.smallest_showable is not None else "",
        outcome=outcomes[row.verdict],
        shown=row.verdict in ("first", "second"),
        reason=row.reason or "",
        standing_out=out,
    )


def measure_heads(comparison: Comparison) -> tuple[tuple[str, str], ...]:
    """Return the measures that were compared, by name, and what heads their column."""
    compared = {row.measure for row in comparison.rows}
    heads = []
    for name, measure in MEASURES.items():
        if name in compared:
            several = len({row.element for row in comparison.rows if row.measure == name}) > 1
            how = _GATHERED.get(name, ("mean",))[0]
            gathered = f" ({how})" if several and how == "mean" else ""
            heads.append((name, f"{measure.words}{gathered}{f', {measure.unit}' if measure.unit else ''}"))
    return tuple(heads)


def ranked_views(comparison: Comparison) -> tuple[RankedView, ...]:
    """Return every print with its value and its place in each measure, in the order of their places in all."""
    labels = [shown.label for shown in comparison.prints]
    standings = {(s.measure, s.print): s for s in comparison.ranking}
    views = []
    for n, label in enumerate(labels):
        cells = []
        for name, _ in measure_heads(comparison):
            value = _gathered(comparison, name, n)
            standing = standings.get((name, n))
            cells.append(
                Cell(
                    shown=written(value, "", MEASURES[name].unit) if name not in _COUNTED else number(value, 0),
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


def _gathered(comparison: Comparison, measure: str, n: int) -> float | None:
    """One value for a print: only elements that every print has count, or a print that lacks one would gain by it."""
    by_element: dict[str, dict[int, float]] = {}
    for row in comparison.rows:
        if row.measure == measure:
            for which, value in zip(row.pair, row.values, strict=True):
                if value is not None:
                    by_element.setdefault(row.element, {})[which] = value
    values = [held[n] for held in by_element.values() if len(held) == len(comparison.prints)]
    return _GATHERED.get(measure, ("mean", statistics.fmean))[1](values) if values else None


def noise_views(comparison: Comparison) -> tuple[NoiseView, ...]:
    """Return the lines of the table of repeatability, in the words of ISO 5725."""
    rows = comparison.noise.rows if comparison.noise is not None else ()
    return tuple(
        NoiseView(
            element=row.element_name,
            measure=MEASURES[row.measure].words if row.measure in MEASURES else row.measure,
            cells=tuple(
                (_fine(value, row.unit), "" if value is None else f"{value:.6g}")
                for value in (
                    row.assumed, row.repeatability, row.repeatability_limit, row.between_prints, row.print_limit,
                )
            ),
        )
        for row in rows
    )  # fmt: skip


def _fine(value: float | None, unit: str) -> str:
    return "" if value is None else number(value, _DIGITS.get(unit, 2) + 1, unit)


def colour_views(rows: Sequence[ColourRow]) -> tuple[ColourView, ...]:
    """Return the lines of the table of colours."""
    outcomes = {
        "moved": "moved", "no-difference-shown": "no difference shown", "cannot-compare": "cannot be compared",
    }  # fmt: skip
    return tuple(
        ColourView(
            element=row.element_name,
            pair=f"{row.pair[0] + 1} and {row.pair[1] + 1}",
            moved=number(row.moved_de00, 2) if row.moved_de00 is not None else "",
            value="" if row.moved_de00 is None else f"{row.moved_de00:.4f}",
            by_chance=number(row.by_chance_de00, 2) if row.by_chance_de00 is not None else "",
            smallest=number(row.smallest_showable_de00, 2) if row.smallest_showable_de00 is not None else "",
            change=", ".join(f"{value:+.1f}" for value in row.change_lab).replace("-", "−") if row.change_lab else "",
            outcome=f"{outcomes[row.verdict]}{f': {row.reason}' if row.reason else ''}",
            shown=row.verdict == "moved",
        )
        for row in rows
    )
