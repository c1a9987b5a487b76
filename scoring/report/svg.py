"""A small SVG writer: escaped attributes, a title and description on every figure, axes, hatching."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

__all__ = ["Scale", "arc_band", "figure", "hatch", "join", "polyline", "tag", "text", "ticks"]


def _value(value: object) -> str:
    if isinstance(value, float):
        rounded = f"{value:.2f}".rstrip("0").rstrip(".")
        return "0" if rounded in {"-0", ""} else rounded
    return str(value)


def tag(name: str, content: str = "", **attributes: object) -> Markup:
    """Return one element; ``_`` in attribute names stands for ``-``, a trailing ``_`` is dropped.

    ``content`` that is not already markup is escaped.
    """
    given = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(_value(value))}"'
        for key, value in attributes.items()
        if value is not None
    )
    inner = escape(content)
    return Markup(f"<{name}{given}>{inner}</{name}>") if inner else Markup(f"<{name}{given}/>")


def join(parts: Iterable[str]) -> Markup:
    """Join pieces of markup."""
    return Markup("").join(parts)


def text(x: float, y: float, content: str, **attributes: object) -> Markup:
    """Return a text element."""
    return tag("text", content, x=float(x), y=float(y), **attributes)


def figure(
    name: str,
    view_box: tuple[float, float, float, float],
    *parts: str,
    title: str,
    desc: str = "",
    class_: str = "",
    hidden: bool = False,
) -> Markup:
    """Return an ``<svg>`` that says what it shows.

    Parameters
    ----------
    name : str
        Unique within the page; ids of the title and the description are made from it.
    view_box : (x, y, width, height)
        In whatever unit the parts are drawn.
    hidden : bool
        For a figure whose content stands in words beside it.
    """
    head = tag("title", title, id=f"{name}-t")
    labelled = f"{name}-t"
    if desc:
        head += tag("desc", desc, id=f"{name}-d")
        labelled += f" {name}-d"
    return tag(
        "svg",
        head + join(parts),
        id=name,
        class_=class_ or None,
        viewBox=" ".join(_value(float(v)) for v in view_box),
        aria_hidden="true" if hidden else None,
        role=None if hidden else "img",
        aria_labelledby=None if hidden else labelled,
    )


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight map from values to drawing coordinates."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Return the coordinate of a value."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)

    def clamped(self, value: float) -> float:
        """Return the coordinate of a value, held at the ends."""
        return self(min(max(value, min(self.low, self.high)), max(self.low, self.high)))


def ticks(low: float, high: float, about: int = 4) -> list[float]:
    """Return round values between two limits, steps of 1, 2 or 5 times a power of ten."""
    span = high - low
    if not span > 0:
        return [low]
    raw = span / max(about, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1, 2, 5, 10) if factor * power >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]


def polyline(points: Sequence[tuple[float, float] | None], class_: str) -> Markup:
    """Return a line through points, broken where a point is ``None``."""
    commands: list[str] = []
    pen_down = False
    for point in points:
        if point is None:
            pen_down = False
            continue
        commands.append(f"{'L' if pen_down else 'M'}{_short(point[0])} {_short(point[1])}")
        pen_down = True
    return tag("path", d="".join(commands), class_=class_) if commands else Markup("")


def _short(value: float) -> str:
    return _value(round(float(value), 1))


def hatch(name: str, spacing: float, *, thin: float, thick: float | None = None) -> Markup:
    """Return a pattern of slanted lines; with ``thick`` a light line lies under each dark one."""
    lines = Markup("")
    if thick is not None:
        lines += tag("line", x1=0, y1=0, x2=0, y2=spacing, class_="hatch-under", stroke_width=thick)
    lines += tag("line", x1=0, y1=0, x2=0, y2=spacing, class_="hatch-line", stroke_width=thin)
    return tag(
        "pattern",
        lines,
        id=name,
        width=spacing,
        height=spacing,
        patternUnits="userSpaceOnUse",
        patternTransform="rotate(45)",
    )


def arc_band(centre: tuple[float, float], inner: float, outer: float, class_: str, **more: str) -> Markup:
    """Return an annulus."""
    x, y = centre

    def circle(radius: float) -> str:
        left, right = f"{x - radius:.3f} {y:.3f}", f"{x + radius:.3f} {y:.3f}"
        return f"M{left}A{radius:.3f} {radius:.3f} 0 1 0 {right}A{radius:.3f} {radius:.3f} 0 1 0 {left}Z"

    hole = circle(inner) if inner > 0 else ""
    return tag("path", d=circle(outer) + hole, fill_rule="evenodd", class_=class_, **more)
