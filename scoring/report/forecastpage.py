"""A forecast on one page: each disc as every rendering would print it, their speeds over each other, and advice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from inkstrain.targets.key import Key

from ..results.figures import figure as measured
from ..results.figures import number
from ..results.forecast import Forecast, IntentForecast
from ..results.score import Estimate, HueSweepScore, NeutralWedgeScore, RingScore
from ..words.advice import steepest_share
from ..words.forecasttext import merged_deg, row_chroma
from ..words.phrases import flag_words, ring_name, ring_state, volume_words
from .gamutplot import hue_polar, outline
from .geometry import key_of, ring_place
from .page import rendered
from .pictures import lab_strip_uri, picture_uri, redrawn_ring
from .ringplot import Trace, course_panels, course_speed, radius_axis, speed_frame, speed_lines, strip_image
from .ringview import chroma_top
from .svg import Scale, figure, join, text

__all__ = ["forecast_html"]

_PICTURE_PX, _THUMB_PX = 260, 150
_POLAR_L = 50.0
_WIDTH, _LEFT, _RIGHT = 480.0, 46.0, 8.0
_LINES = ("solid", "long dashes", "dots", "dash and dot")
_KINDS = ("ring-to-white", "ring-to-black")


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderingView:
    """One rendering: its name, its line, and what it is like over the whole chart."""

    name: str
    line: str
    line_class: str
    basis: str
    twins: tuple[str, ...]
    facts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DiscView:
    """One disc under one rendering."""

    name: str
    state: str
    loud: bool
    smoother: bool
    picture: str
    thumb: str
    figures: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FadeView:
    """One fade under every rendering."""

    anchor: str
    name: str
    advice: str
    tie: bool
    discs: tuple[DiscView, ...]
    plot: Markup


def forecast_html(forecast: Forecast, *, title: str | None = None) -> str:
    """Return a forecast as a self-contained HTML page, in the manner of `report_html`."""
    shown = [intent for intent in forecast.intents if intent.same_as is None]
    return rendered(
        "forecast.html",
        title=title or f"What {forecast.profile.description} would print",
        forecast=forecast,
        device={"rgb": "RGB", "cmyk": "CMYK", "gray": "grey"}[forecast.profile.device],
        paper=", ".join(number(value) for value in forecast.profile.paper_lab),
        renderings=[_rendering(i, intent, forecast.intents) for i, intent in enumerate(shown)],
        fades=_fades(forecast, shown),
        flags=[flag_words(flag) for flag in forecast.flags],
        volumes=[(i.name, volume_words(i.colour_volume)) for i in shown if i.colour_volume is not None],
        polar=_polar(shown),
    )


def _polar(shown: Sequence[IntentForecast]) -> Markup | None:
    lines = [
        (outline(intent.colour_volume, _POLAR_L), _line_class(index))
        for index, intent in enumerate(shown)
        if intent.colour_volume is not None
    ]
    return hue_polar("colour-volume", lines, f"Chroma by hue at L* {_POLAR_L:.0f}") if lines else None


def _line_class(index: int) -> str:
    return f"print-{index + 1}" if index < len(_LINES) else "print-more"


def _rendering(index: int, intent: IntentForecast, everyone: Sequence[IntentForecast]) -> RenderingView:
    totals = intent.totals
    sweep = next((e for e in intent.elements if isinstance(e, HueSweepScore)), None)
    wedge = next((e for e in intent.elements if isinstance(e, NeutralWedgeScore)), None)
    first = None
    if wedge is not None:
        first = next((s.intended_l for s in wedge.steps if s.step == wedge.first_from_black), None)
    return RenderingView(
        name=intent.name,
        line=_LINES[index] if index < len(_LINES) else "thin",
        line_class=_line_class(index),
        basis="with the paper's own colour" if intent.intent == "absolute" else "",
        twins=tuple(other.name for other in everyone if other.same_as == intent.name),
        facts=(
            _total(totals.evenness),
            _total(totals.reach),
            _total(totals.excess_to_white, 1),
            _total(totals.excess_to_black, 1),
            _total(totals.missing_to_white, 1),
            _total(totals.missing_to_black, 1),
            number(merged_deg(sweep), 0, "°") if sweep else "–",
            number(row_chroma(sweep), 0) if sweep else "–",
            number(min(step.lab[0] for step in wedge.steps), 1) if wedge else "–",
            "none" if first is None else f"L*\u00a0{first:g}",
            number(intent.neutrals.max_c, 1) if intent.neutrals else "–",
        ),
    )


def _fades(forecast: Forecast, shown: Sequence[IntentForecast]) -> list[FadeView]:
    advice = {each.element: each for each in forecast.advice}
    key = key_of(forecast)
    by_ring = sorted(
        zip(*(intent.rings() for intent in shown), strict=True), key=lambda rings: _KINDS.index(rings[0].kind)
    )
    c_top = chroma_top([lab for rings in by_ring for r in rings for lab in (r.course.lab, r.course.intended_lab)])
    fades = []
    for n, rings in enumerate(by_ring, 1):
        found = advice.get(rings[0].id)
        smoother = found.smoother if found else ()
        fades.append(
            FadeView(
                anchor=f"ring-{n}",
                name=ring_name(rings[0]),
                advice=found.text if found else "",
                tie=found is not None and not smoother,
                discs=tuple(
                    _disc(ring, key, intent.name, intent.name in smoother)
                    for ring, intent in zip(rings, shown, strict=True)
                ),
                plot=_plot(f"ring-{n}-plot", rings, [intent.name for intent in shown], c_top, key),
            )
        )
    return fades


def _disc(ring: RingScore, key: Key | None, name: str, smoother: bool) -> DiscView:
    kind, state = ring_state(ring)
    outer = ring_place(key, ring, None).limits.outer_mm
    crop = redrawn_ring(ring.course.radius_mm, ring.course.lab, (0.0, 0.0), outer)
    worst = max(ring.contours, key=lambda c: c.excess_de00, default=None)
    swing = max(ring.hue_swings, key=lambda s: abs(s.delta_h), default=None)
    return DiscView(
        name=name,
        state=state,
        loud=kind in ("ring", "flat", "uneven"),
        smoother=smoother,
        picture=picture_uri(crop.image, _PICTURE_PX),
        thumb=picture_uri(crop.image, _THUMB_PX),
        figures=(
            number(ring.evenness, 2),
            number(steepest_share(ring), 1),
            number(ring.reach, 2),
            str(len(ring.contours)) + (f", {measured(worst.excess_de00, worst.noise_de00)}" if worst else ""),
            number(sum(band.missing_de00 for band in ring.flat_bands), 1) if ring.flat_bands else "none",
            "none" if swing is None else f"{number(abs(swing.delta_h))} ({number(abs(swing.degrees), 0, '°')})",
            number(ring.core_mm.value if ring.core_mm else None, 1, "mm"),
            number(ring.delta_e00.intended.mean if ring.delta_e00.intended else None, 1),
        ),
    )


def _total(total: Estimate | None, digits: int = 2) -> str:
    return "–" if total is None else measured(total.value, total.noise, digits=digits)


def _plot(name: str, rings: Sequence[RingScore], names: Sequence[str], c_top: float, key: Key | None) -> Markup:
    """Every rendering's colours as strips, its L*, C* and hue, and its speed, over the same radii."""
    radii = rings[0].course.radius_mm
    limits = ring_place(key, rings[0], None).limits
    x = Scale(0.0, limits.outer_mm, _LEFT, _WIDTH - _RIGHT)
    strips, top = [], 0.0
    labels = [("asked", rings[0].course.intended_lab)]
    labels += [(str(i), ring.course.lab) for i, ring in enumerate(rings, 1)]
    for words, labs in labels:
        strips.append(strip_image(lab_strip_uri(labs), x(radii[0]), top, x(radii[-1]) - x(radii[0]), 15.0))
        strips.append(text(x.start - 5.0, top + 11.5, words, class_="tick", text_anchor="end"))
        top += 16.0
    traces = [Trace(radii, rings[0].course.intended_lab, "asked")]
    traces += [Trace(ring.course.radius_mm, ring.course.lab, _line_class(i)) for i, ring in enumerate(rings)]
    panels, bottom = course_panels(traces, x, c_top, top + 36.0)
    speeds = [course_speed(ring.course) for ring in rings]
    lines = [(speeds[0][0], speeds[0][2], "asked")]
    lines += [(radius, printed, _line_class(i)) for i, (radius, printed, _) in enumerate(speeds)]
    panel = speed_frame(x, bottom + 28.0, lines, max(speeds[0][2], default=1.0))
    return figure(
        name,
        (0.0, 0.0, _WIDTH, panel.bottom + 34.0),
        radius_axis(x, limits, top + 17.0, panel.bottom),
        join(strips),
        panels,
        speed_lines(x, panel, lines),
        title=f"{ring_name(rings[0])} under every rendering, against radius",
        desc=" ".join(f"{n}: {ring_state(ring)[1]}." for n, ring in zip(names, rings, strict=True)),
        class_="plot",
    )
