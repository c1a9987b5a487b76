"""One series over time: its prints, their moving average, its limits, and what is known to have changed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime

from markupsafe import Markup

from ..results.trend import Series
from ..words.phrases import number
from ..words.trend import finding_words, series_name
from .svg import Scale, figure, polyline, tag, text, ticks

__all__ = ["trend_plot"]

_WIDTH, _LEFT, _RIGHT, _TOP, _HEIGHT = 720.0, 58.0, 12.0, 20.0, 170.0
_LINE = 15.0  # of what changed: above the plot, so that no limit runs through it
_DAY = 86400.0
_MOST_MARKS = 5
_NOTE_LINES, _LONGEST_NOTE = 3, 60
_PITCHES = (*(k * 10**n for n in range(6) for k in (1, 2, 5)),)  # days


def trend_plot(name: str, series: Series) -> Markup:
    """Return a control chart as a drawing. The baseline is shaded, limits are dashed, alarms are squares."""
    days = [_days(point.at) for point in series.points]
    low, high = min(days), max(days)
    if high <= low:
        low, high = low - 0.5, high + 0.5
    x = Scale(low, high, _LEFT + 8.0, _WIDTH - _RIGHT - 8.0)
    y = _y_scale(series)
    notes = _notes(series)
    lines = min(len(notes), _NOTE_LINES)
    parts: list[str] = [text(_LEFT, _TOP - 8.0 - _LINE * lines, _heading(series), class_="panel-title")]
    parts += _grid(y)
    if series.baseline is not None:
        end = x(days[series.baseline.points - 1])
        parts.insert(0, tag("rect", x=_LEFT, y=_TOP, width=end + 6.0 - _LEFT, height=_HEIGHT, class_="quiet-zone"))
        for limit in (series.baseline.lower, series.baseline.upper):
            parts.append(polyline([(_LEFT, y(limit)), (_WIDTH - _RIGHT, y(limit))], "limit"))
        parts.append(polyline([(_LEFT, y(series.baseline.mean)), (_WIDTH - _RIGHT, y(series.baseline.mean))], "centre"))
        start = series.baseline.points - 1
        averages = [
            (x(day), y(point.average))
            for day, point in zip(days[start:], series.points[start:], strict=True)
            if point.average is not None
        ]
        parts.append(polyline(list(averages), "printed"))
    for n, (at, words) in enumerate(notes):
        parts += _note(x(at), words, _TOP - 8.0 - _LINE * (n % _NOTE_LINES), at_right=x(at) > (x.start + x.end) / 2)
    for day, point in zip(days, series.points, strict=True):
        if point.alarm:
            parts.append(tag("rect", x=x(day) - 3.6, y=y(point.value) - 3.6, width=7.2, height=7.2, class_="alarm"))
        else:
            parts.append(tag("circle", cx=x(day), cy=y(point.value), r=2.6, class_="dot"))
    parts += _days_axis(x)
    words = finding_words(series) or "no rule found anything"
    return figure(
        name,
        (0.0, -_LINE * lines, _WIDTH, _TOP + _HEIGHT + 36.0 + _LINE * lines),
        *parts,
        title=f"{series_name(series)} over time: {len(series.points)} prints",
        desc=f"{words}.",
        class_="plot wide",
    )


def _days(at: str) -> float:
    return datetime.fromisoformat(at).timestamp() / _DAY


def _heading(series: Series) -> str:
    unit = f", {series.unit}" if series.unit else ""
    return f"{series.words}{unit}   ({series.better} is better)"


def _y_scale(series: Series) -> Scale:
    values = [point.value for point in series.points]
    if series.baseline is not None:
        values += [series.baseline.lower, series.baseline.upper]
    low, high = min(values), max(values)
    room = 0.08 * (high - low) or max(abs(high), 1.0) * 0.1
    return Scale(low - room, high + room, _TOP + _HEIGHT, _TOP)


def _grid(y: Scale) -> list[Markup]:
    values = ticks(y.low, y.high, 5)
    step = abs(values[1] - values[0]) if len(values) > 1 else 1.0
    digits = 0 if step >= 1 else 1 if step >= 0.1 else 2 if step >= 0.01 else 3
    parts = []
    for value in values:
        parts.append(tag("line", x1=_LEFT, x2=_WIDTH - _RIGHT, y1=y(value), y2=y(value), class_="grid"))
        parts.append(text(_LEFT - 6.0, y(value) + 4.0, number(value, digits), class_="tick", text_anchor="end"))
    return parts


def _notes(series: Series) -> list[tuple[float, str]]:
    """Return what is known to have changed, or else the step that was found, each with its day."""
    notes = [(_days(change.at), _cut(change.what)) for change in series.changes]
    if series.step is not None and series.step.shown and not any(change.shown for change in series.changes):
        notes.append((_days(series.step.at), "step"))
    return notes


def _cut(words: str) -> str:
    return words if len(words) <= _LONGEST_NOTE else f"{words[: _LONGEST_NOTE - 1]}…"


def _note(at: float, words: str, y: float, *, at_right: bool) -> list[Markup]:
    """A note above the plot and its line down to the axis."""
    anchor, beside = ("end", -4.0) if at_right else ("start", 4.0)
    return [
        polyline([(at, y - 8.0), (at, _TOP + _HEIGHT)], "edge"),
        text(at + beside, y, words, class_="note", text_anchor=anchor),
    ]


def _days_axis(x: Scale) -> list[Markup]:
    bottom = _TOP + _HEIGHT
    parts = [tag("line", x1=_LEFT, x2=_WIDTH - _RIGHT, y1=bottom, y2=bottom, class_="axis")]
    for day in _marks(x.low, x.high):
        when = datetime.fromtimestamp(day * _DAY, tz=UTC)
        parts.append(tag("line", x1=x(day), x2=x(day), y1=bottom, y2=bottom + 4.0, class_="axis"))
        anchor = "start" if x(day) < x.start + 20 else "end" if x(day) > x.end - 20 else "middle"
        parts.append(text(x(day), bottom + 17.0, f"{when:%Y-%m-%d}", class_="tick", text_anchor=anchor))
    return parts


def _marks(low: float, high: float) -> Sequence[int]:
    """Beginnings of days (UTC), evenly spaced, five at most; they stand where their date begins."""
    first, last = math.ceil(low), math.floor(high)
    pitch = next(step for step in _PITCHES if (last - first) // step < _MOST_MARKS)
    return range(first, last + 1, pitch)
