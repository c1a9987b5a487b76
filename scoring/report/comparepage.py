"""Two or more prints of one chart on one page: what differs, what does not, and the scans side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from inkstrain.targets.key import Key

from ..results.crops import Crop
from ..results.score import NeutralWedgeScore, RingScore, Score
from ..words.phrases import element_name, in_reading_order, ring_name, ring_state
from .comparetables import RowView, colour_views, ranked_views, row_views, total_heads
from .geometry import key_of, ring_place
from .overlay import radius_ruler, ring_picture
from .page import rendered
from .pictures import picture_uri, redrawn_ring
from .ringplot import Trace, course_panels, course_speed, course_strip, radius_axis, speed_frame, speed_lines
from .ringview import chroma_top
from .svg import Scale, figure, join, text
from .view import basis_words, condition_rows
from .wedgeplot import cast_plot

if TYPE_CHECKING:
    from ..compare.compare import Comparison, Row

__all__ = ["compare_html"]

_PICTURE_PX, _THUMB_PX, _WIDE_PX = 440, 150, 900
_SHORT = 24
_WIDTH, _LEFT, _RIGHT = 480.0, 46.0, 8.0
_LINES = ("solid", "long dashes", "dots", "dash and dot")


@dataclass(frozen=True, slots=True, kw_only=True)
class SideView:
    """One print's picture of an element."""

    label: str
    state: str
    loud: bool
    picture: Markup
    ruler: Markup
    thumb: str
    redrawn: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RingPairView:
    """One ring in every print."""

    anchor: str
    name: str
    sides: tuple[SideView, ...]
    plot: Markup
    rows: tuple[RowView, ...]

    @property
    def differs(self) -> bool:
        """Whether any row of it shows a difference."""
        return any(row.shown for row in self.rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class ElementPairView:
    """Another element in every print: its rows, pictures and, for a neutral wedge, its cast."""

    name: str
    pictures: tuple[tuple[str, str], ...]
    plot: Markup | None
    rows: tuple[RowView, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintView:
    """How one print was made and read."""

    label: str
    line: str
    line_class: str
    conditions: tuple[tuple[str, str], ...]
    basis: tuple[str, ...]


def compare_html(
    comparison: Comparison,
    scores: Sequence[Score],
    crops: Sequence[Mapping[str, Crop]],
    *,
    title: str | None = None,
) -> str:
    """Return a comparison as a self-contained HTML page, in the manner of `report_html`.

    Parameters
    ----------
    comparison : Comparison
        What was compared, row by row.
    scores : sequence of Score
        One score for each print of the comparison, in its order.
    crops : sequence of mappings of element id to Crop
        Likewise; an empty mapping where the scans are no longer at hand.

    Raises
    ------
    ValueError
        If the three do not hold the same number of prints.
    """
    if not len(comparison.prints) == len(scores) == len(crops):
        raise ValueError(
            f"{len(comparison.prints)} prints, {len(scores)} scores and {len(crops)} sets of crops do not match"
        )
    labels = tuple(shown.label for shown in comparison.prints)
    # a table's head has no room for a long label; the number stands for it everywhere
    short = tuple(label if len(label) <= _SHORT else f"print {n}" for n, label in enumerate(labels, 1))
    key = key_of(scores[0])
    rings = _rings(comparison, scores, crops, (labels, short), key)
    charts = tuple(dict.fromkeys(score.chart for score in scores))
    return rendered(
        "compare.html",
        title=title or _capital(" against ".join(labels)),
        alike=_alike(scores),
        comparison=comparison,
        charts=", ".join(charts),
        labels=labels,
        short=short,
        prints=_prints(comparison, scores),
        rings=rings,
        others=_others(comparison, scores, crops, (labels, short)),
        several=len(labels) > 2,
        faults=[point for point in comparison.fairness if point.kind == "fault" and not point.alike],
        heads=total_heads(comparison),
        totals=row_views(comparison.totals, short),
        ranked=ranked_views(comparison),
        differences=row_views(sorted(comparison.rows, key=_standing_out), short),
        colours=colour_views(sorted(comparison.colours, key=lambda row: -row.apart_de00)),
        kept=sum(bool(crop) for crop in crops),
        first_ring=_telling_ring(comparison, rings),
        indicative=any(s.colour_basis.kind in ("assumed", "borrowed") or s.colour_basis.foreign for s in scores),
    )


def _telling_ring(comparison: Comparison, rings: Sequence[RingPairView]) -> str:
    """Return the anchor of the ring with the difference that stands out most: the one to look at first."""
    by_name = {ring.name: ring.anchor for ring in rings}
    names = (row.element_name for row in sorted(comparison.rows, key=_standing_out))
    return next((by_name[name] for name in names if name in by_name), "")


def _standing_out(row: Row) -> float:
    """Sort by how far a difference stands out from what would show; what cannot be compared comes last."""
    if row.difference is None or not row.smallest_showable:
        return 1.0
    return -abs(row.difference) / row.smallest_showable


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _alike(scores: Sequence[Score]) -> str:
    """What all prints have in common, of what names a print."""
    named = (tuple(getattr(s.conditions, name) for s in scores) for name in ("printer", "paper", "ink", "intent"))
    return " · ".join(values[0] for values in named if values[0] and len(set(values)) == 1)


def _line_class(index: int) -> str:
    return f"print-{index + 1}" if index < len(_LINES) else "print-more"


def _prints(comparison: Comparison, scores: Sequence[Score]) -> tuple[PrintView, ...]:
    return tuple(
        PrintView(
            label=shown.label,
            line=_LINES[index] if index < len(_LINES) else "thin",
            line_class=_line_class(index),
            conditions=condition_rows(score.conditions),
            basis=basis_words(score.colour_basis),
        )
        for index, (shown, score) in enumerate(zip(comparison.prints, scores, strict=True))
    )


def _rings(
    comparison: Comparison,
    scores: Sequence[Score],
    crops: Sequence[Mapping[str, Crop]],
    names: tuple[Sequence[str], Sequence[str]],
    key: Key | None,
) -> tuple[RingPairView, ...]:
    labels, short = names
    by_id = [{ring.id: ring for ring in in_reading_order(score.rings())} for score in scores]
    shared = [identifier for identifier in by_id[0] if all(identifier in rings for rings in by_id)]
    courses = [ring.course for rings_of in by_id for ring in rings_of.values()]
    c_top = chroma_top([lab for course in courses for lab in (course.lab, course.intended_lab)])
    views = []
    for n, identifier in enumerate(shared, 1):
        rings = [each[identifier] for each in by_id]
        views.append(
            RingPairView(
                anchor=f"ring-{n}",
                name=ring_name(rings[0]),
                sides=tuple(
                    _side(f"ring-{n}-{i}", ring, crop.get(identifier), label, key)
                    for i, (ring, crop, label) in enumerate(zip(rings, crops, labels, strict=True), 1)
                ),
                plot=_overlaid(f"ring-{n}-plot", rings, key, c_top),
                rows=_row_views(comparison, identifier, short),
            )
        )
    return tuple(views)


def _side(name: str, ring: RingScore, crop: Crop | None, label: str, key: Key | None) -> SideView:
    place = ring_place(key, ring, crop)
    redrawn = crop is None
    if crop is None:
        crop = redrawn_ring(ring.course.radius_mm, ring.course.lab, place.centre_mm, place.limits.outer_mm)
    kind, state = ring_state(ring)
    # the same square of paper for every print, so that rings of the same radius are of the same size
    half = place.limits.outer_mm + 0.8
    return SideView(
        label=label,
        state=state,
        loud=kind in ("ring", "flat", "uneven"),
        picture=ring_picture(f"{name}-crop", ring, crop, place.centre_mm, half_mm=half, longest_px=_PICTURE_PX),
        ruler=radius_ruler(f"{name}-ruler", ring, place.limits.outer_mm),
        thumb=picture_uri(crop.image, _THUMB_PX),
        redrawn=redrawn,
    )


def _overlaid(name: str, rings: Sequence[RingScore], key: Key | None, c_top: float) -> Markup:
    """The courses of one fade in every print over each other, the file's below."""
    limits = ring_place(key, rings[0], None).limits
    x = Scale(0.0, limits.outer_mm, _LEFT, _WIDTH - _RIGHT)
    strips, top = [], 0.0
    for index, ring in enumerate(rings):
        strips.append(course_strip(ring.course.radius_mm, ring.course.lab, x, (top, 15.0)))
        strips.append(text(x.start - 5.0, top + 11.5, f"{index + 1}", class_="tick", text_anchor="end"))
        top += 16.0
    traces = [Trace(rings[0].course.radius_mm, rings[0].course.intended_lab, "asked")]
    traces += [Trace(r.course.radius_mm, r.course.lab, _line_class(i)) for i, r in enumerate(rings)]
    panels, bottom = course_panels(traces, x, c_top, top + 36.0)
    speeds = [course_speed(r.course) for r in rings]
    lines = [(radius, printed, _line_class(i)) for i, (radius, printed, _) in enumerate(speeds) if radius]
    speed = Markup("")
    if lines:
        panel = speed_frame(x, bottom + 28.0, lines, max(speeds[0][2], default=1.0))
        speed, bottom = speed_lines(x, panel, lines), panel.bottom
    return figure(
        name,
        (0.0, 0.0, _WIDTH, bottom + 34.0),
        radius_axis(x, limits, top + 17.0, bottom),
        join(strips),
        panels,
        speed,
        title=f"{ring_name(rings[0])} in every print, against radius",
        desc=" ".join(f"Print {i}: {ring_state(ring)[1]}." for i, ring in enumerate(rings, 1)),
        class_="plot",
    )


def _others(
    comparison: Comparison,
    scores: Sequence[Score],
    crops: Sequence[Mapping[str, Crop]],
    names: tuple[Sequence[str], Sequence[str]],
) -> tuple[ElementPairView, ...]:
    labels, short = names
    rings = {ring.id for ring in scores[0].rings()}
    identifiers = dict.fromkeys(row.element for row in comparison.rows if row.element not in rings)
    views = []
    for n, identifier in enumerate(identifiers, 1):
        pictures = tuple(
            (label, picture_uri(crop[identifier].image, _WIDE_PX))
            for label, crop in zip(labels, crops, strict=True)
            if identifier in crop
        )
        wedges = [e for s in scores for e in s.elements if e.id == identifier and isinstance(e, NeutralWedgeScore)]
        plot = None
        if len(wedges) == len(scores):
            plot = cast_plot(f"other-{n}-cast", [(_line_class(i), w.steps) for i, w in enumerate(wedges)])
        views.append(
            ElementPairView(
                name=_name(comparison, identifier),
                pictures=pictures,
                plot=plot,
                rows=_row_views(comparison, identifier, short),
            )
        )
    return tuple(views)


def _name(comparison: Comparison, identifier: str) -> str:
    return next((r.element_name for r in comparison.rows if r.element == identifier), element_name(identifier))


def _row_views(comparison: Comparison, identifier: str, labels: Sequence[str]) -> tuple[RowView, ...]:
    return row_views([row for row in comparison.rows if row.element == identifier], labels)
