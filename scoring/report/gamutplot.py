"""The hue circle seen from above: chroma reached by hue, one outline for each lightness or rendering."""

from __future__ import annotations

import math
from collections.abc import Sequence

from markupsafe import Markup

from ..results.score import ColourVolume, HueChroma
from .svg import figure, polyline, tag, text, ticks

__all__ = ["hue_polar", "outline"]

_SIZE, _MIDDLE, _REACH = 340.0, 170.0, 145.0


def outline(volume: ColourVolume, level_l: float) -> list[HueChroma]:
    """Return the chroma of all hues at a lightness, in the order of their printed hue."""
    return sorted((each for each in volume.chroma if each.level_l == level_l), key=lambda each: each.hue_deg)


def hue_polar(name: str, lines: Sequence[tuple[Sequence[HueChroma], str]], title: str) -> Markup:
    """Return outlines in the a*b* plane, +a* to the right and +b* up; each line has its class."""
    largest = max((each.chroma for points, _ in lines for each in points), default=1.0)
    top = math.ceil(largest / 20.0) * 20.0
    parts: list[Markup] = []
    for chroma in ticks(0.0, top, 4)[1:]:
        radius = chroma / top * _REACH
        parts.append(tag("circle", cx=_MIDDLE, cy=_MIDDLE, r=radius, class_="grid", fill="none"))
        parts.append(text(_MIDDLE + 3.0, _MIDDLE - radius - 2.0, f"{chroma:g}", class_="tick"))
    for words, x, y, anchor in (
        ("+a*", _SIZE - 4.0, _MIDDLE + 4.0, "end"),
        ("+b*", _MIDDLE - 6.0, 12.0, "end"),
    ):
        parts.append(text(x, y, words, class_="note", text_anchor=anchor))
    for points, class_ in lines:
        if len(points) > 2:
            places = [_place(each, top) for each in points]
            parts.append(polyline([*places, places[0]], class_))
    return figure(name, (0.0, 0.0, _SIZE, _SIZE), *parts, title=title, class_="plot")


def _place(each: HueChroma, top: float) -> tuple[float, float]:
    turn = math.radians(each.hue_deg)
    radius = each.chroma / top * _REACH
    return _MIDDLE + radius * math.cos(turn), _MIDDLE - radius * math.sin(turn)
