"""The forecast: the score that a printer's profile alone predicts, for every intent, before any ink is spent.

Colours run in floating point along the fades themselves (no raster), every 0.01 mm of radius, and are measured at the
same resolution as a scan by the same function. A profile's tables are interpolated, so a predicted course has no steps,
only steep stretches.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from importlib.metadata import version
from typing import Final

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import delta_e00, xyz_to_lab
from inkstrain.targets.errors import CannotMeasureError
from inkstrain.targets.key import Element, FlatField, HueSweep, NeutralWedge, PatchField, Ring
from inkstrain.targets.outputprofile import OutputProfile
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rings import ring_rgb
from inkstrain.targets.sweeps import sweep_rgb
from inkstrain.targets.wedge import neutral_rgb

from ..eye.visibility import DEFAULT_VIEWING
from ..measure.course import RESOLUTION_MM
from ..measure.gamut import colour_volume
from ..measure.rings import exact_ring
from ..measure.sweeps import SWEEP_BIN_MM, sweep_row
from ..measure.totals import totals_of
from ..measure.wedge import RAMP_BIN_MM, black_of, ramp_smoothness, wedge_score
from ..results.forecast import Forecast, ForecastProfile, IntentForecast
from ..results.score import (
    ColourVolume,
    ElementScore,
    HueSweepScore,
    MadeBy,
    NeutralWedgeScore,
    RingScore,
    plain_lab,
)
from .neutrals import predict_neutrals
from .rendering import RENDERINGS, Press, Rendering

__all__ = ["PITCH_MM", "forecast", "predicted_elements"]

Array = NDArray[np.float64]

PITCH_MM: Final = 0.01
"""Distance between the radii at which colours are predicted."""

_PROBED_EVERY: Final = 10  # of the radii: 0.1 mm
_SAME_DE00: Final = 0.05


def forecast(recipe: Recipe, profile: OutputProfile) -> Forecast:
    """Return what a profile predicts for a chart, every rendering side by side; `words.advice.in_words` adds advice.

    Raises
    ------
    CannotMeasureError
        If the profile is for grey and the chart has colour, or serves no intent.
    """
    _refuse_grey(recipe, profile)
    flags = [f"no-table: nothing in the profile serves the intent {intent}" for intent in profile.unserved]
    for intent in ("perceptual", "relative", "saturation"):
        table = profile.table(intent)
        if table not in (intent, None, "matrix"):
            flags.append(f"no-table: the profile has no table for {intent}; its {table} table is used instead")
    if profile.table("relative") == "matrix":
        flags.append("matrix-profile: the profile has no tables, so intents differ in nothing but the black point")
    if profile.is_display:
        flags.append("display-profile: the profile is one of a display; it is taken for a printer that behaves alike")
    served = [rendering for rendering in RENDERINGS if profile.table(rendering.intent) is not None]
    if not served:
        raise CannotMeasureError(f"{profile.name}: nothing in the profile serves any rendering intent.")
    intents = _all(recipe, profile, served)
    return Forecast(
        made_by=MadeBy(version=version("inkstrain")),
        chart=recipe.chart_id,
        recipe=recipe.text,
        profile=ForecastProfile(
            description=profile.description,
            sha256=profile.sha256,
            device=profile.device,
            icc_version=profile.version,
            paper_lab=plain_lab(xyz_to_lab(profile.paper_xyz)),
        ),
        viewing=DEFAULT_VIEWING,
        intents=intents,
        advice=(),
        summary=(),
        flags=tuple(flags),
    )


def _refuse_grey(recipe: Recipe, profile: OutputProfile) -> None:
    coloured = [kind for kind in recipe.only if kind != "neutral-wedge"]
    if profile.device == "gray" and coloured:
        raise CannotMeasureError(
            f"{profile.name} is a profile for grey, and the chart has colour ({', '.join(coloured)}). "
            "Give a colour printer's profile, or forecast a chart made with --only neutral-wedge."
        )


@functools.lru_cache(maxsize=8)
def _probe(recipe: Recipe) -> Array:
    """Return colours from all over the chart, (n, 3): renderings that agree on them agree everywhere."""
    elements = [element for sheet in build_key(recipe).sheets for tile in sheet.tiles for element in tile.elements]
    rings = [_asked(element, recipe)[1][::_PROBED_EVERY] for element in elements if isinstance(element, Ring)]
    around = np.linspace(0.0, 1.0, 100)
    sweeps = [
        sweep_rgb(recipe.space, band.level, around) for e in elements if isinstance(e, HueSweep) for band in e.rows
    ]
    return np.concatenate([*rings, *sweeps, neutral_rgb(recipe.space, around * 100.0)])


def _all(recipe: Recipe, profile: OutputProfile, renderings: Sequence[Rendering]) -> tuple[IntentForecast, ...]:
    """Return every rendering's forecast; one that comes out as an earlier one is not worked out again."""
    told: list[tuple[Array, IntentForecast]] = []
    neutrals = predict_neutrals(recipe, profile, renderings)
    for rendering, greys in zip(renderings, neutrals, strict=True):
        press = Press(recipe.space, profile, rendering, absolute=rendering.intent == "absolute")
        colours = press.lab(_probe(recipe))
        twin = next((f for lab, f in told if not f.same_as and np.max(delta_e00(colours, lab)) < _SAME_DE00), None)
        # the matrices are small: a BLAS that shares them out to threads takes longer
        with threadpool_limits(limits=1, user_api="blas"):
            elements = twin.elements if twin else predicted_elements(recipe, press)
        told.append(
            (
                colours,
                IntentForecast(
                    intent=rendering.intent,
                    bpc=rendering.bpc,
                    table=profile.table(rendering.intent) or "none",
                    same_as=twin.name if twin else None,
                    elements=elements,
                    totals=totals_of(elements, black_of(elements)),
                    neutrals=greys,
                    colour_volume=twin.colour_volume if twin else _volume(elements, recipe),
                ),
            )
        )
    return tuple(intent for _, intent in told)


def _volume(elements: Sequence[ElementScore], recipe: Recipe) -> ColourVolume | None:
    return colour_volume([element for element in elements if isinstance(element, RingScore)], recipe)


def predicted_elements(recipe: Recipe, press: Press) -> tuple[ElementScore, ...]:
    """Return the elements of a score as a profile alone predicts them, in chart order; patches and tints left out."""
    placed = [
        (element, (sheet.sheet, tile.tile))
        for sheet in build_key(recipe).sheets
        for tile in sheet.tiles
        for element in tile.elements
    ]
    rings = iter(_rings([(e, place) for e, place in placed if isinstance(e, Ring)], recipe, press))
    found = []
    for element, place in placed:
        score = next(rings) if isinstance(element, Ring) else _other(element, recipe, press, place)
        if score is not None:
            found.append(score)
    return tuple(found)


def _other(element: Element, recipe: Recipe, press: Press, place: tuple[int, int]) -> ElementScore | None:
    match element:
        case HueSweep():
            return _sweep(element, recipe, press, place)
        case NeutralWedge():
            return _wedge(element, press, place)
        case Ring() | PatchField() | FlatField():
            return None


@functools.lru_cache(maxsize=128)
def _asked(ring: Ring, recipe: Recipe) -> tuple[Array, Array]:
    """Return even radii from the middle to the rim, and the file's RGB there."""
    radius: Array = PITCH_MM * (np.arange(round(ring.radius_mm / PITCH_MM), dtype=np.float64) + 0.5)
    return radius, ring_rgb(ring, recipe, radius)


def _rings(rings: Sequence[tuple[Ring, tuple[int, int]]], recipe: Recipe, press: Press) -> list[RingScore]:
    if not rings:
        return []
    asked = [_asked(ring, recipe) for ring, _ in rings]
    # all rings in one go: setting up Little CMS takes longer than a ring's colours
    printed = np.split(press.lab(np.concatenate([rgb for _, rgb in asked])), np.cumsum([len(r) for r, _ in asked])[:-1])
    return [
        exact_ring(ring, recipe, radius, lab, DEFAULT_VIEWING, place, RESOLUTION_MM)
        for (ring, place), (radius, _), lab in zip(rings, asked, printed, strict=True)
    ]


def _sweep(sweep: HueSweep, recipe: Recipe, press: Press, place: tuple[int, int]) -> HueSweepScore:
    rows = []
    for band in sweep.rows:
        count = int(band.box_mm[2] / SWEEP_BIN_MM)
        fraction = (np.arange(count) + 0.5)[1:-1] / count
        lab = press.lab(sweep_rgb(recipe.space, band.level, fraction))
        rows.append(sweep_row(lab, np.zeros_like(lab), fraction, band, recipe))
    return HueSweepScore(id=sweep.id, kind=sweep.kind, sheet=place[0], tile=place[1], rows=tuple(rows))


def _wedge(wedge: NeutralWedge, press: Press, place: tuple[int, int]) -> NeutralWedgeScore:
    lab = press.lab(np.array([step.rgb for step in wedge.steps]))
    count = int(wedge.ramp_box_mm[2] / RAMP_BIN_MM)
    along = (np.arange(count) + 0.5)[1:-1] / count * 100.0
    ramp = press.lab(neutral_rgb(press.space, along))
    return wedge_score(wedge, lab, np.zeros_like(lab), ramp_smoothness(ramp[:, 0]), place, DEFAULT_VIEWING)
