"""The neutral wedge: lightness of the steps, how far neighbours stand apart, and the cast."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from ..results.score import NeutralWedgeScore, WedgeStep
from ..words.phrases import number
from .svg import Scale, figure, hatch, polyline, tag, text, ticks

__all__ = ["Series", "cast_plot", "wedge_plot"]

_WIDTH, _LEFT, _RIGHT = 480.0, 46.0, 10.0

Series = Sequence[WedgeStep]


def wedge_plot(name: str, wedge: NeutralWedgeScore) -> Markup:
    """Return lightness against the lightness asked for, and the climb from each step to the next."""
    x = Scale(0.0, 100.0, _LEFT, _WIDTH - _RIGHT)
    y = Scale(0.0, 100.0, 216.0, 20.0)
    parts: list[str] = [hatch(f"{name}-hatch", 5.0, thin=1.1)]
    parts.append(text(x.start, 12.0, "lightness printed, L*", class_="panel-title"))
    parts += _grid(x, y, ticks(0, 100, 5))
    parts.append(polyline([(x(0), y(0)), (x(100), y(100))], "asked"))
    points = [(x(s.intended_l), y.clamped(s.lab[0])) for s in wedge.steps]
    parts.append(polyline(list(points), "printed"))
    parts += [tag("circle", cx=px, cy=py, r=2.2, class_="dot") for px, py in points]
    parts += _climb(name, wedge, x, 252.0)
    bottom = 252.0 + 90.0
    parts += _l_axis(x, bottom)
    return figure(
        name,
        (0.0, 0.0, _WIDTH, bottom + 34.0),
        *parts,
        title="Neutral scale: lightness of the steps and the climb between them",
        desc=f"{len(wedge.steps)} steps, {len(wedge.merged)} merge with the one before, {len(wedge.breaks)} run back.",
        class_="plot",
    )


def _climb(name: str, wedge: NeutralWedgeScore, x: Scale, top: float) -> list[Markup]:
    """Gain of each step over the one before: ΔL* printed over ΔL* asked; 1 is as asked, 0 is no step at all."""
    pairs = list(zip(wedge.steps, wedge.steps[1:], strict=False))
    ratio = [b.gain or 0.0 for _, b in pairs]
    low, high = min(-0.5, min(ratio, default=0.0)), min(4.0, max(2.0, max(ratio, default=1.0)))
    low = max(low, -2.0)
    y = Scale(low, high, top + 90.0, top)
    parts = [text(x.start, top - 7.0, "gain: the climb to each step over the climb asked for", class_="panel-title")]
    parts += _grid(x, y, ticks(low, high, 3))
    parts.append(tag("line", x1=x.start, x2=x.end, y1=y(0), y2=y(0), class_="axis"))
    parts.append(polyline([(x.start, y(1.0)), (x.end, y(1.0))], "asked"))
    back = {b.after_step for b in wedge.breaks}
    unseen = set(wedge.merged)
    for (a, b), value in zip(pairs, ratio, strict=True):
        left, right = x(a.intended_l), x(b.intended_l)
        base, tip = y(0.0), y.clamped(value)
        fill = f"url(#{name}-hatch)" if b.step in unseen or a.step in back else None
        parts.append(
            tag("rect", x=left + 0.4, y=min(base, tip), width=max(right - left - 0.8, 0.8), height=abs(base - tip),
                fill=fill, class_="bar-broken" if fill else "bar")
        )  # fmt: skip
        if a.step in back:
            parts.append(text((left + right) / 2, top + 8.0, "▼", class_="band-label", text_anchor="middle"))
    return parts


def cast_plot(name: str, series: Sequence[tuple[str, Series]]) -> Markup:
    """Return a* and b* of the steps against the lightness asked for, one or several prints."""
    x = Scale(0.0, 100.0, _LEFT, _WIDTH - _RIGHT)
    largest = max((abs(v) for _, steps in series for s in steps for v in s.lab[1:]), default=1.0)
    half = max(2.0, largest * 1.15)
    parts: list[str] = []
    top = 20.0
    for channel, title in ((1, "a*   towards red above, towards green below"),
                           (2, "b*   towards yellow above, towards blue below")):  # fmt: skip
        y = Scale(-half, half, top + 104.0, top)
        parts.append(text(x.start, top - 7.0, title, class_="panel-title"))
        parts.append(
            tag("rect", x=x.start, y=y(1.0), width=x.end - x.start, height=y(-1.0) - y(1.0), class_="quiet-zone")
        )
        parts += _grid(x, y, ticks(-half, half, 4))
        parts.append(tag("line", x1=x.start, x2=x.end, y1=y(0), y2=y(0), class_="axis"))
        for class_, steps in series:
            points = [(x(s.intended_l), y(s.lab[channel])) for s in steps]
            parts.append(polyline(list(points), class_))
            if len(series) == 1:
                parts += [tag("circle", cx=px, cy=py, r=2.2, class_="dot") for px, py in points]
        top += 104.0 + 30.0
    bottom = top - 30.0
    parts += _l_axis(x, bottom)
    return figure(
        name,
        (0.0, 0.0, _WIDTH, bottom + 34.0),
        *parts,
        title="Neutral scale: cast",
        desc="a* and b* of each step; zero is neutral. The shaded zone is within one unit of neutral.",
        class_="plot",
    )


def _grid(x: Scale, y: Scale, values: Sequence[float]) -> list[Markup]:
    digits = 0 if all(abs(v - round(v)) < 1e-9 for v in values) else 1
    parts = []
    for value in values:
        parts.append(tag("line", x1=x.start, x2=x.end, y1=y(value), y2=y(value), class_="grid"))
        parts.append(text(x.start - 5.0, y(value) + 4.0, number(value, digits), class_="tick", text_anchor="end"))
    return parts


def _l_axis(x: Scale, bottom: float) -> list[Markup]:
    parts = [tag("line", x1=x.start, x2=x.end, y1=bottom, y2=bottom, class_="axis")]
    for value in range(0, 101, 10):
        parts.append(tag("line", x1=x(value), x2=x(value), y1=bottom, y2=bottom + 4.0, class_="axis"))
        parts.append(text(x(value), bottom + 16.0, str(value), class_="tick", text_anchor="middle"))
    parts.append(text(x.end, bottom + 30.0, "lightness asked for, L*", class_="tick", text_anchor="end"))
    return parts
