"""A fade against its radius: the ramp as colours, then L*, C*, hue and speed, printed and asked for."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from inkstrain.targets.colorimetry import delta_e00

from ..results.score import Course, Lab, RingScore
from ..words.phrases import number, ring_name, ring_state
from .pictures import lab_strip_uri
from .svg import Scale, figure, hatch, join, polyline, tag, text, ticks

__all__ = [
    "HUE_NEEDS_CHROMA",
    "RampLimits",
    "Trace",
    "course_panels",
    "course_speed",
    "course_strip",
    "radius_axis",
    "ring_plot",
    "speed_frame",
    "speed_lines",
    "strip_image",
    "unwrapped_hue",
]

HUE_NEEDS_CHROMA = 6.0
"""C* below which hue is not drawn: its noise grows as 57°/C* for each unit (common practice, no source)."""

_WIDTH, _LEFT, _RIGHT = 480.0, 46.0, 8.0
_STRIP, _UNROLLED = 13.0, 46.0
_SPEED_CAP = 5.0

Points = list[tuple[float, float] | None]


@dataclass(frozen=True, slots=True)
class RampLimits:
    """Radii in mm where hub and rim begin, and where the disc ends."""

    hub_mm: float
    rim_mm: float
    outer_mm: float


@dataclass(frozen=True, slots=True)
class Trace:
    """One line of the panels: its colours against radius, and the class that gives its line style."""

    radius_mm: Sequence[float]
    lab: Sequence[Lab]
    class_: str
    error_de00: Sequence[float] = ()


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel's place and range."""

    title: str
    top: float
    bottom: float
    low: float
    high: float
    format: Callable[[float], str]

    def y(self) -> Scale:
        return Scale(self.low, self.high, self.bottom, self.top)


def ring_plot(name: str, ring: RingScore, limits: RampLimits, chroma_top: float, unrolled_uri: str | None) -> Markup:
    """Return the plot of one fade.

    Parameters
    ----------
    chroma_top : float
        Upper end of the C* axis, the same for all fades of a report.
    unrolled_uri : str or None
        The crop cut open, radius from left to right over ``0..outer_mm``.
    """
    course = ring.course
    x = Scale(0.0, limits.outer_mm, _LEFT, _WIDTH - _RIGHT)
    traces = [Trace(course.radius_mm, course.intended_lab, "asked")]
    if course.attainable_lab:
        traces.append(Trace(course.radius_mm, course.attainable_lab, "promised"))
    traces.append(Trace(course.radius_mm, course.lab, "printed", course.standard_error_de00))
    strips, top = _strips(ring, x, unrolled_uri)
    label_y = top + 12.0
    panels, bottom = course_panels(traces, x, chroma_top, top + 36.0)
    speed, bottom = _speed_panel(ring, limits, x, bottom + 28.0)
    marks = _bands(name, ring, x, top + 17.0, bottom, label_y)
    axis = radius_axis(x, limits, top + 17.0, bottom)
    return figure(
        name,
        (0.0, 0.0, _WIDTH, bottom + 34.0),
        hatch(f"{name}-hatch", 5.0, thin=1.1),
        marks,
        axis,
        strips,
        panels,
        speed,
        title=f"{ring_name(ring)} against radius",
        desc=f"Lightness, chroma, hue and speed of change, printed and asked for. {ring_state(ring)[1]}.",
        class_="plot",
    )


def course_panels(traces: Sequence[Trace], x: Scale, chroma_top: float, top: float) -> tuple[Markup, float]:
    """Return the panels of L*, C* and hue, and where they end."""
    hues = [unwrapped_hue(trace.lab, traces[0].lab) for trace in traces]
    low, high = _hue_range(traces, hues)
    lightness = Panel("lightness L*", top, top + 84.0, 0.0, 100.0, _plain)
    chroma = Panel("chroma C*", top + 110.0, top + 170.0, 0.0, chroma_top, _plain)
    hue = Panel("hue h, degrees", top + 196.0, top + 256.0, low, high, _angle)
    parts = [_frame(panel, x) for panel in (lightness, chroma, hue)]
    for trace, hue_deg in zip(traces, hues, strict=True):
        chromas = [math.hypot(a, b) for _, a, b in trace.lab]
        lightnesses = [lab[0] for lab in trace.lab]
        if trace.error_de00:
            parts.append(_error_band(trace, lightnesses, _lightness_weight, lightness, x))
            parts.append(_error_band(trace, chromas, _chroma_weight, chroma, x))
        for values, panel in ((lightnesses, lightness), (chromas, chroma)):
            y = panel.y()
            points: Points = [(x(r), y.clamped(v)) for r, v in zip(trace.radius_mm, values, strict=True)]
            parts.append(polyline(points, trace.class_))
        y = hue.y()
        parts.append(
            polyline(
                [
                    None if angle is None else (x(r), y.clamped(angle))
                    for r, angle in zip(trace.radius_mm, hue_deg, strict=True)
                ],
                trace.class_,
            )
        )
    return join(parts), hue.bottom


def unwrapped_hue(lab: Sequence[Lab], reference: Sequence[Lab]) -> list[float | None]:
    """Return CIELAB hue in degrees without jumps; ``None`` where chroma is too small to have one.

    Continuity starts at the outer end, where chroma is largest, and near the reference's hue there.
    """
    result: list[float | None] = [None] * len(lab)
    start = next((c for c in reversed(reference) if math.hypot(c[1], c[2]) >= HUE_NEEDS_CHROMA), (0.0, 1.0, 0.0))
    last = math.degrees(math.atan2(start[2], start[1])) % 360.0
    for index in range(len(lab) - 1, -1, -1):
        _, a, b = lab[index]
        if math.hypot(a, b) < HUE_NEEDS_CHROMA:
            continue
        angle = math.degrees(math.atan2(b, a))
        last = angle + 360.0 * round((last - angle) / 360.0)
        result[index] = last
    return result


def _hue_range(traces: Sequence[Trace], hues: Sequence[Sequence[float | None]]) -> tuple[float, float]:
    values = [angle for hue in hues for angle in hue if angle is not None]
    if not values:
        return 0.0, 360.0
    middle = (min(values) + max(values)) / 2.0
    # at least 40 degrees, so that noise does not look like a swing
    half = max(20.0, (max(values) - min(values)) / 2.0 * 1.1)
    return middle - half, middle + half


def _plain(value: float) -> str:
    return number(value, 0)


def _angle(value: float) -> str:
    return number(value % 360.0, 0)


def _frame(panel: Panel, x: Scale) -> Markup:
    y = panel.y()
    parts = [text(x.start, panel.top - 5.0, panel.title, class_="panel-title")]
    for value in ticks(panel.low, panel.high, 3 if panel.bottom - panel.top < 80 else 4):
        parts.append(tag("line", x1=x.start, x2=x.end, y1=y(value), y2=y(value), class_="grid"))
        parts.append(text(x.start - 5.0, y(value) + 4.0, panel.format(value), class_="tick", text_anchor="end"))
    return join(parts)


def _lightness_weight(lab: Lab) -> float:
    """SL of CIEDE2000: how much L* one unit of ΔE00 is."""
    return 1.0 + 0.015 * (lab[0] - 50.0) ** 2 / math.sqrt(20.0 + (lab[0] - 50.0) ** 2)


def _chroma_weight(lab: Lab) -> float:
    """SC of CIEDE2000: how much C* one unit of ΔE00 is."""
    return 1.0 + 0.045 * math.hypot(lab[1], lab[2])


def _error_band(
    trace: Trace, values: Sequence[float], weight: Callable[[Lab], float], panel: Panel, x: Scale
) -> Markup:
    """± 1.96 standard errors, as if all of the error lay in this one quantity."""
    y = panel.y()
    spread = [1.96 * e * weight(lab) for e, lab in zip(trace.error_de00, trace.lab, strict=True)]
    upper = [(x(r), y.clamped(v + s)) for r, v, s in zip(trace.radius_mm, values, spread, strict=True)]
    lower = [(x(r), y.clamped(v - s)) for r, v, s in zip(trace.radius_mm, values, spread, strict=True)]
    return polyline([*upper, *reversed(lower)], "error-band")


def course_speed(course: Course) -> tuple[list[float], list[float], list[float]]:
    """Return radii between the places of a course, and how fast colour moves there, printed and intended, ΔE00 a mm."""
    if len(course.radius_mm) < 2:
        return [], [], []
    radius = np.asarray(course.radius_mm)
    step = np.diff(radius)
    printed, asked = (
        np.asarray(delta_e00(lab[:-1], lab[1:])) / step for lab in map(np.asarray, (course.lab, course.intended_lab))
    )
    return ((radius[1:] + radius[:-1]) / 2).tolist(), printed.tolist(), asked.tolist()


def _speed_panel(ring: RingScore, limits: RampLimits, x: Scale, top: float) -> tuple[Markup, float]:
    radius, printed, asked = course_speed(ring.course)
    if not radius:
        return Markup(""), top
    reach = ring.reach if ring.reach is not None else 1.0
    share = [v * reach for v in asked]
    lines = [(radius, asked, "asked"), (radius, printed, "printed")]
    panel = speed_frame(x, top, lines, max(share))
    y = panel.y()
    parts = []
    middle = share[len(share) // 2]
    for factor, class_, name in ((2.0, "share-twice", "2 × share"), (0.5, "share-half", "½ share")):
        points: Points = [(x(r), y.clamped(v * factor)) for r, v in zip(radius, share, strict=True) if v > 0]
        parts.append(polyline(points, class_))
        # named in the hub's zone, where no line runs
        at_y = min(y.clamped(factor * middle) + 4.0, panel.bottom - 3.0)
        parts.append(text(x(limits.hub_mm) - 5.0, at_y, name, class_="note", text_anchor="end"))
    return join([*parts, speed_lines(x, panel, lines)]), panel.bottom


Line = tuple[Sequence[float], Sequence[float], str]


def speed_frame(x: Scale, top: float, lines: Sequence[Line], usual: float) -> Panel:
    """Return the panel for lines of (radius, speed, class); peaks beyond five times the usual are cut off."""
    usual = usual or 1.0
    highest = max((max(values) for _, values, _ in lines if values), default=usual)
    cap = min(_SPEED_CAP * usual, max(2.6 * usual, highest * 1.08))
    return Panel("speed of change, ΔE00 a millimetre", top, top + 96.0, 0.0, cap, _compact(cap))


def speed_lines(x: Scale, panel: Panel, lines: Sequence[Line]) -> Markup:
    """Return the frame and the lines; a peak that is cut off says how high it goes."""
    y = panel.y()
    parts = [_frame(panel, x)]
    for radius, values, class_ in lines:
        parts.append(polyline([(x(r), y.clamped(v)) for r, v in zip(radius, values, strict=True)], class_))
        highest = max(values, default=0.0)
        if highest > panel.high:
            at = radius[list(values).index(highest)]
            parts.append(text(x(at) + 4.0, panel.top + 10.0, f"▲ {number(highest, 0)}", class_="note"))
    return join(parts)


def _compact(top: float) -> Callable[[float], str]:
    digits = 0 if top >= 4 else 1
    return lambda value: number(value, digits)


def _strips(ring: RingScore, x: Scale, unrolled_uri: str | None) -> tuple[Markup, float]:
    """The ramp as colours on the same radius scale: asked for, printed, and the scan cut open."""
    course = ring.course
    if not course.radius_mm:
        return text(x.start, 12.0, "no course was measured", class_="panel-title"), 16.0
    parts: list[Markup] = []
    top = 0.0
    for words, labs in (("asked", course.intended_lab), ("printed", course.lab)):
        parts.append(course_strip(course.radius_mm, labs, x, (top, _STRIP)))
        parts.append(text(x.start - 5.0, top + 10.5, words, class_="tick", text_anchor="end"))
        top += _STRIP
    if unrolled_uri is not None:
        top += 3.0
        parts.append(strip_image(unrolled_uri, x.start, top, x.end - x.start, _UNROLLED))
        parts.append(text(x.start - 5.0, top + 20.0, "cut", class_="tick", text_anchor="end"))
        parts.append(text(x.start - 5.0, top + 33.0, "open", class_="tick", text_anchor="end"))
        top += _UNROLLED
    return join(parts), top


def course_strip(
    radius_mm: Sequence[float], labs: Sequence[Lab], x: Scale, place: tuple[float, float]
) -> Markup:
    """Return a course's colours as a strip from the centre outwards, true to a radius scale.

    Parameters
    ----------
    place
        Top of the strip, and its height.
    """
    if len(radius_mm) < 2:
        return Markup("")
    radius = np.asarray(radius_mm)
    step = float(np.median(np.diff(radius)))
    end = float(radius[-1]) + step / 2
    # bins may be missing, and the middle of the hub has none: each place shows the nearest
    shown = (np.arange(round(end / step)) + 0.5) * (end / round(end / step))
    nearest = np.searchsorted((radius[1:] + radius[:-1]) / 2, shown)
    uri = lab_strip_uri(np.asarray(labs)[nearest])
    return strip_image(uri, x.start, place[0], x(end) - x.start, place[1])


def strip_image(uri: str, left: float, top: float, width: float, height: float) -> Markup:
    """Return a picture stretched over a box."""
    return tag("image", href=uri, x=left, y=top, width=width, height=height, preserveAspectRatio="none", class_="strip")


def _bands(name: str, ring: RingScore, x: Scale, top: float, bottom: float, label_y: float) -> Markup:
    parts = []
    for band in ring.flat_bands:
        left, right = x(band.inner_mm), x(band.outer_mm)
        parts.append(
            tag("rect", x=left, y=top, width=right - left, height=bottom - top, fill=f"url(#{name}-hatch)",
                class_="band-flat")
        )  # fmt: skip
    for contour in ring.contours:
        left, right = x(contour.inner_mm), x(contour.outer_mm)
        wide = max(right - left, 2.0)
        parts.append(
            tag("rect", x=(left + right - wide) / 2, y=top, width=wide, height=bottom - top, class_="band-ring")
        )
        parts.append(
            text(x(contour.radius_mm), label_y, number(contour.radius_mm), class_="band-label", text_anchor="middle")
        )
    parts += [
        tag("line", x1=x(faint.radius_mm), x2=x(faint.radius_mm), y1=top, y2=bottom, class_="band-faint")
        for faint in ring.faint_rings
    ]
    return join(parts)


def radius_axis(x: Scale, limits: RampLimits, top: float, bottom: float) -> Markup:
    """Return the radius axis, and where hub and rim begin."""
    parts = [tag("line", x1=x.start, x2=x.end, y1=bottom, y2=bottom, class_="axis")]
    for value in ticks(0.0, limits.outer_mm, 10):
        parts.append(tag("line", x1=x(value), x2=x(value), y1=bottom, y2=bottom + 4.0, class_="axis"))
        parts.append(text(x(value), bottom + 16.0, f"{value:g}", class_="tick", text_anchor="middle"))
    parts.append(text(x.end, bottom + 30.0, "millimetres from the centre", class_="tick", text_anchor="end"))
    for radius, words, anchor in ((limits.hub_mm, "hub", "end"), (limits.rim_mm, "rim", "start")):
        at = x(radius)
        parts.append(tag("line", x1=at, x2=at, y1=top, y2=bottom, class_="edge"))
        shift = -4.0 if anchor == "end" else 4.0
        parts.append(text(at + shift, top - 5.0, words, class_="note", text_anchor=anchor))
    return join(parts)
