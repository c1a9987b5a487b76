"""A trend as plain text for a terminal: the summary, then a line a series."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Final

from ..results.trend import Series, Trend
from .comparison import amount
from .trend import series_name

__all__ = ["trend_text"]

_NARROWEST: Final = 40
_BARS: Final = "▁▂▃▄▅▆▇█"
_SPARK: Final = 16
_MOST_LINES: Final = 40


def trend_text(trend: Trend, *, width: int = 80) -> str:
    """Return a readable summary of a trend.

    Parameters
    ----------
    trend : Trend
        As built.
    width : int
        Characters a line may have.
    """
    width = max(width, _NARROWEST)
    span = ""
    if trend.series:
        days = sorted(point.at[:10] for series in trend.series for point in series.points)
        span = f", {days[0]} to {days[-1]}"
    prints = f"{trend.prints} print{'' if trend.prints == 1 else 's'}"
    lines = [*_wrapped(f"chart {trend.chart}, {prints}{span}", width)]
    for sentence in trend.summary:
        lines += ["", *_wrapped(sentence, width)]
    if trend.series:
        lines += ["", *_table(trend.series, width)]
    for rule in trend.rules:
        lines += ["", *_wrapped(rule, width)]
    if trend.left_out:
        lines += ["", *_wrapped(f"{trend.left_out} older scores, or scores of another chart, are left out.", width)]
    return "\n".join(lines)


def _table(series: Sequence[Series], width: int) -> Iterator[str]:
    """The series that moved, then those over all rings, then the rest as far as there is room."""
    ordered = sorted(series, key=lambda one: (one.verdict != "moved", one.element != "print"))
    name_width = max(min(max(len(series_name(one)) for one in ordered), width - 18 - _SPARK - 12), 12)
    yield f"{'':<{name_width}} {'first':>8} {'last':>8}  {'course':<{_SPARK}}  outcome"
    for one in ordered[:_MOST_LINES]:
        name = series_name(one)
        if len(name) > name_width:
            name = name[: name_width - 1] + "…"
        first, last = (amount(point.value, "") for point in (one.points[0], one.points[-1]))
        outcome = {"moved": "moved", "steady": "steady", "too-few": "too few"}[one.verdict]
        yield f"{name:<{name_width}} {first:>8} {last:>8}  {_course(one):<{_SPARK}}  {outcome}"
    if len(ordered) > _MOST_LINES:
        yield f"and {len(ordered) - _MOST_LINES} more; --json and --report have all"


def _course(series: Series) -> str:
    """The values as a row of blocks, the newest on the right."""
    values = [point.value for point in series.points][-_SPARK:]
    low, high = min(values), max(values)
    if high <= low:
        return _BARS[3] * len(values)
    return "".join(_BARS[round((value - low) / (high - low) * (len(_BARS) - 1))] for value in values)


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, subsequent_indent="  ", break_long_words=False) or [""]
