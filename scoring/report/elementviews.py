"""What a page shows of hue sweeps, the neutral wedge, patches and flat fields, ready for the template."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from inkstrain.targets.colorimetry import delta_e00
from inkstrain.targets.key import HueSweep
from inkstrain.targets.sweeps import sweep_hue_deg

from ..results.crops import Crop
from ..results.figures import figure, interval, number
from ..results.score import (
    Flag,
    FlatFieldScore,
    HeadBanding,
    HueSweepScore,
    NeutralWedgeScore,
    PatchFieldScore,
    SweepRow,
    WedgeStep,
)
from ..words.phrases import cast_direction, element_name, eye_times, eye_words, flag_words, listed
from .pictures import cut, lab_to_srgb8, picture_uri
from .ringview import Fact, chroma_top, difference_words
from .sweepplot import row_plot, straightened
from .wedgeplot import cast_plot, wedge_plot

__all__ = [
    "FlatView",
    "PatchRow",
    "PatchView",
    "SweepRowView",
    "SweepView",
    "WedgeView",
    "flat_view",
    "patch_view",
    "sweep_view",
    "wedge_view",
]

_WIDE_PX = 1000
_MOST_LINES = 6
_LEVELS = {"full": "Full saturation", "tint": "Tint", "shade": "Shade"}


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRowView:
    """One row of a sweep."""

    name: str
    plot: Markup
    facts: tuple[Fact, ...]
    merged: bool
    broken: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepView:
    """A hue sweep."""

    anchor: str
    picture: str | None
    rows: tuple[SweepRowView, ...]
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WedgeView:
    """A neutral wedge."""

    anchor: str
    picture: str | None
    plot: Markup
    cast: Markup
    facts: tuple[Fact, ...]
    steps: tuple[tuple[str, ...], ...]
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchRow:
    """One patch: swatches as CSS colours, then figures."""

    patch: str
    asked_css: str
    printed_css: str
    values: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchView:
    """A patch field, the patch farthest from the file first."""

    anchor: str
    picture: str | None
    rows: tuple[PatchRow, ...]
    difference: str
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatView:
    """A flat field."""

    name: str
    picture: str | None
    facts: tuple[Fact, ...]
    flags: tuple[str, ...]


def _picture(crop: Crop | None) -> str | None:
    return picture_uri(crop.image, _WIDE_PX) if crop is not None else None


def _flags(flags: tuple[Flag, ...]) -> tuple[str, ...]:
    return tuple(flag_words(flag) for flag in flags)


def sweep_view(
    anchor: str, sweep: HueSweepScore, crop: Crop | None, place: HueSweep | None, space: str | None
) -> SweepView:
    """Build the view of a sweep; with its place in the key, each band of the scan stands over its plot."""
    top = chroma_top([lab for row in sweep.rows for lab in (row.lab, row.intended_lab)])
    rows = []
    for index, row in enumerate(sweep.rows, 1):
        uri = None
        band = next((b for b in place.rows if b.level == row.level), None) if place is not None else None
        if crop is not None and band is not None and space is not None:
            hue_deg = sweep_hue_deg(space, row.level, np.linspace(0.0, 1.0, 721))
            uri = straightened(cut(crop, band.box_mm), hue_deg, 900)
        rows.append(
            SweepRowView(
                name=_LEVELS[row.level],
                plot=row_plot(f"{anchor}-{index}", row, top, uri),
                facts=_row_facts(row),
                merged=bool(row.merged),
                broken=bool(row.order_breaks),
            )
        )
    return SweepView(anchor=anchor, picture=_picture(crop), rows=tuple(rows), flags=_flags(sweep.flags))


def _row_facts(row: SweepRow) -> tuple[Fact, ...]:
    merged = [interval(m.from_deg, m.to_deg, 0, "°") for m in row.merged]
    breaks = [number(degree, 0, "°") for degree in row.order_breaks]
    return (
        Fact(name="order of hues", value=f"broken at {listed(breaks)}" if breaks else "kept"),
        Fact(name="merged stretches", value=listed(merged) if merged else "none"),
        Fact(name="ΔE00 to the file", value=difference_words(row.delta_e00.intended)),
    )


def wedge_view(anchor: str, wedge: NeutralWedgeScore, crop: Crop | None) -> WedgeView:
    """Build the view of a neutral wedge."""
    return WedgeView(
        anchor=anchor,
        picture=_picture(crop),
        plot=wedge_plot(f"{anchor}-plot", wedge),
        cast=cast_plot(f"{anchor}-cast", [("printed", wedge.steps)]),
        facts=_wedge_facts(wedge),
        steps=tuple(_step_row(wedge, step) for step in wedge.steps),
        flags=_flags(wedge.flags),
    )


def _wedge_facts(wedge: NeutralWedgeScore) -> tuple[Fact, ...]:
    cast = wedge.cast
    first = "the first seen apart from it: 1 threshold or more, beyond the error of reading"
    facts = [
        Fact(name="climbs", value=_climb_words(wedge)),
        Fact(name="from black", value=_step_words(wedge, wedge.first_from_black), meaning=first),
        Fact(name="from white", value=_step_words(wedge, wedge.first_from_white), meaning=first),
        Fact(
            name="strongest cast",
            value=f"{number(cast.max_c)} C* at step {cast.at_step}",
            meaning=f"towards {cast_direction(cast.a_at_max, cast.b_at_max)}; "
            f"{figure(cast.mean_c, cast.mean_noise_c, digits=1)} on average",
        ),
        Fact(name="ΔE00 to the file", value=difference_words(wedge.delta_e00.intended)),
    ]
    if wedge.head_banding is not None:
        facts.append(
            Fact(name="stripes", value=_stripe_words(wedge.head_banding), meaning="taken out of the steps")
        )
    if wedge.smoothness is not None:
        facts.append(
            Fact(name="roughness", value=number(wedge.smoothness, 2), meaning="scatter of the climb; 0 is smooth")
        )
    return tuple(facts)


def _climb_words(wedge: NeutralWedgeScore) -> str:
    merged, back = len(wedge.merged), len(wedge.breaks)
    if not merged and not back:
        return "at every step"
    parts = [f"{merged} of {len(wedge.steps) - 1} merged"] * bool(merged) + [f"{back} run back"] * bool(back)
    return ", ".join(parts)


def _step_words(wedge: NeutralWedgeScore, step: int | None) -> str:
    found = next((s for s in wedge.steps if s.step == step), None)
    if step is None or found is None:
        return "none" if step is None else f"step {step}"
    return f"step {step}, asked for at L*\u00a0{found.intended_l:g}"


def _step_row(wedge: NeutralWedgeScore, step: WedgeStep) -> tuple[str, ...]:
    """A step against the one before it."""
    back = {b.after_step + 1 for b in wedge.breaks}
    words = "runs back" if step.step in back else "merges" if step.step in wedge.merged else eye_words(step)
    return (
        str(step.step),
        f"{step.intended_l:g}",
        figure(step.lab[0], step.noise_l),
        number(step.lab[1]),
        number(step.lab[2]),
        number(step.density, 2),
        "" if step.gain is None else number(step.gain, 2),
        "" if step is wedge.steps[0] else f"{words} {eye_times(step.visibility)}".rstrip(),
    )


def patch_view(anchor: str, field: PatchFieldScore, crop: Crop | None) -> PatchView:
    """Build the view of a patch field."""
    if not field.patches:
        difference = difference_words(field.delta_e00.intended)
        return PatchView(anchor=anchor, picture=_picture(crop), rows=(), difference=difference, flags=())
    asked = np.array([p.intended_lab for p in field.patches])
    printed = np.array([p.lab for p in field.patches])
    far = np.asarray(delta_e00(printed, asked))
    asked_css, printed_css = (_css(lab_to_srgb8(labs)) for labs in (asked, printed))
    rows = [
        PatchRow(
            patch=field.patches[i].patch,
            asked_css=asked_css[i],
            printed_css=printed_css[i],
            values=(
                *(number(v) for v in asked[i]),
                *(number(v) for v in printed[i]),
                figure(float(far[i]), field.patches[i].standard_uncertainty_de00, digits=1),
            ),
        )
        for i in np.argsort(-far, kind="stable")
    ]
    return PatchView(
        anchor=anchor,
        picture=_picture(crop),
        rows=tuple(rows),
        difference=difference_words(field.delta_e00.intended),
        flags=_flags(field.flags),
    )


def _css(pixels: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> list[str]:
    return ["#{:02x}{:02x}{:02x}".format(*(int(v) for v in pixel)) for pixel in pixels]


def _stripe_words(banding: HeadBanding) -> str:
    way = f" {banding.direction} the sheet" if banding.direction else ""
    period = figure(banding.period_mm, banding.period_standard_error_mm, "mm", digits=1)
    return f"every {period}{way}, amplitude {figure(banding.amplitude_l, banding.standard_error_l, 'L*', digits=2)}"


def flat_view(flat: FlatFieldScore, crop: Crop | None) -> FlatView:
    """Build the view of a flat field."""
    lightness, a, b = flat.lab
    banding = "none found" if flat.head_banding is None else _stripe_words(flat.head_banding)
    lines = "none found"
    if flat.missing_lines:
        places = ", ".join(f"{number(m.place_mm, 1)} {m.direction}" for m in flat.missing_lines[:_MOST_LINES])
        more = len(flat.missing_lines) - _MOST_LINES
        lines = f"{len(flat.missing_lines)}, at {places} mm" + (f" and {more} more" if more > 0 else "")
    facts = (
        Fact(name="colour", value=f"L* {number(lightness)}, C* {number(math.hypot(a, b))}"),
        Fact(name="grain", value=number(flat.grain_l, 2, "L*"), meaning="within thirds of a millimetre"),
        Fact(name="unevenness", value=number(flat.unevenness_l, 2, "L*"), meaning="from millimetre to millimetre"),
        Fact(name="stripes", value=banding),
        Fact(name="missing lines", value=lines, meaning="thin lines without ink, as a failing nozzle leaves"),
        Fact(name="ΔE00 to the file", value=difference_words(flat.delta_e00.intended)),
    )
    return FlatView(
        name=element_name(flat.id), picture=_picture(crop), facts=facts, flags=_flags(flat.flags)
    )
