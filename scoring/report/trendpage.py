"""A trend on one page: what moved, its charts, and a table of every series that can be sorted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from ..words.comparison import amount
from ..words.trend import finding_words, series_name
from .page import rendered
from .trendplot import trend_plot

if TYPE_CHECKING:
    from ..results.trend import Series, Trend

__all__ = ["trend_html"]

_MOST_CHARTS = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartView:
    """One drawn series."""

    name: str
    plot: Markup
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesView:
    """A line of the table; what is sorted by stands beside what is shown."""

    element: str
    measure: str
    group: str
    prints: int
    first: str
    last: str
    first_value: float
    last_value: float
    outcome: str
    findings: str


def trend_html(trend: Trend, *, title: str | None = None) -> str:
    """Return a trend as a self-contained HTML page, in the manner of `report_html`.

    Parameters
    ----------
    trend : Trend
        As built.
    title : str, optional
        The page's heading; made from what was asked for if not given.
    """
    days = sorted(point.at[:10] for series in trend.series for point in series.points)
    ordered = sorted(trend.series, key=lambda one: (one.verdict != "moved", one.element != "print"))
    drawn = [one for one in ordered if len(one.points) > 1 and _worth_drawing(one, ordered)][:_MOST_CHARTS]
    return rendered(
        "trend.html",
        trend=trend,
        title=title or _title(trend),
        span=f"{days[0]} to {days[-1]}" if days else "",
        charts=tuple(_chart(n, one) for n, one in enumerate(drawn, 1)),
        rows=tuple(_row(one) for one in ordered),
        moved=sum(one.verdict == "moved" for one in trend.series),
        steady=sum(one.verdict == "steady" for one in trend.series),
        few=sum(one.verdict == "too-few" for one in trend.series),
        grouped=trend.selection.by,
    )


def _title(trend: Trend) -> str:
    asked = trend.selection
    parts = [part for part in (asked.what, asked.measure and asked.measure.replace("_", " "), asked.element) if part]
    return f"Over time: {', '.join(parts)}" if parts else "Over time"


def _worth_drawing(series: Series, every: Sequence[Series]) -> bool:
    return series.verdict == "moved" or series.element == "print" or len(every) <= _MOST_CHARTS


def _chart(n: int, series: Series) -> ChartView:
    name = series_name(series)
    words = finding_words(series)
    if not words:
        words = {
            "steady": "no rule found anything", "too-few": "too few prints for a rule", "moved": "moved",
        }[series.verdict]  # fmt: skip
    return ChartView(
        name=name[:1].upper() + name[1:], plot=trend_plot(f"chart-{n}", series), words=f"{words[0].upper()}{words[1:]}."
    )


def _row(series: Series) -> SeriesView:
    first, last = series.points[0].value, series.points[-1].value
    return SeriesView(
        element=series.element_name,
        measure=series.words,
        group="" if series.group is None else series.group.value or "not said",
        prints=len(series.points),
        first=amount(first, series.unit),
        last=amount(last, series.unit),
        first_value=first,
        last_value=last,
        outcome={"moved": "moved", "steady": "steady", "too-few": "too few prints"}[series.verdict],
        findings=finding_words(series),
    )
