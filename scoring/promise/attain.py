"""What the printer's profile promised, put beside what was measured: attainable colours, ΔE00 to them, causes.

A pure function of a score: no scan is needed, so a kept score can be asked again with another profile.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import WHITE_D50, delta_e00, lab_to_xyz, xyz_to_lab
from inkstrain.targets.key import Element, FlatField, HueSweep, NeutralWedge, PatchField, Ring
from inkstrain.targets.recipe import Recipe, parse_recipe
from inkstrain.targets.rings import ring_rgb
from inkstrain.targets.sweeps import sweep_hue_deg, sweep_rgb

from ..eye.visibility import DEFAULT_VIEWING
from ..measure.course import PITCH_MM, exact_course, radii
from ..measure.rings import delta_e_summary, intended_course, ring_score
from ..measure.totals import totals_of
from ..results.score import (
    DeltaEPair,
    ElementScore,
    FlatFieldScore,
    HueSweepScore,
    NeutralWedgeScore,
    PatchFieldScore,
    RingScore,
    Score,
    Viewing,
)
from .cause import attribute
from .rendering import Press

__all__ = ["sweep_fractions", "with_attainable", "with_attainable_ring"]

Array = NDArray[np.float64]

_PITCH_MM: Final = 0.01


def with_attainable(score: Score, press: Press, *, causes: bool = True) -> Score:
    """Return a score with the attainable colours of a profile and rendering, and the cause of every finding.

    Without ``causes`` they stay unknown, as they must if the print was not made this way.

    Measured and attainable colours are both relative to the paper. For absolute, where paper and print together are
    to match the file, ΔE00 to the file is that of the measured colours on the profile's paper.
    """
    recipe = parse_recipe(score.recipe)
    known = {e.id: e for sheet in build_key(recipe).sheets for tile in sheet.tiles for e in tile.elements}
    found = (_element(element, known, recipe, press, score.viewing) for element in score.elements)
    elements = tuple(found if causes else map(_unknown, found))
    totals = score.totals.model_copy(update={"by_cause": totals_of(elements).by_cause})
    return score.model_copy(update={"elements": elements, "totals": totals})


def _unknown(score: ElementScore) -> ElementScore:
    """Take the causes away again."""
    if not isinstance(score, RingScore):
        return score
    found = {
        name: tuple(each.model_copy(update={"cause": "unknown"}) for each in getattr(score, name))
        for name in ("contours", "flat_bands", "faint_rings", "hue_swings")
    }
    return score.model_copy(update={**found, "core_cause": "unknown" if score.core_cause else None})


def _element(
    score: ElementScore, known: Mapping[str, Element], recipe: Recipe, press: Press, viewing: Viewing
) -> ElementScore:
    match score, known.get(score.id):
        case RingScore() as ring, Ring() as described:
            return with_attainable_ring(ring, described, recipe, press, viewing)
        case HueSweepScore() as sweep, HueSweep():
            rows = []
            for row in sweep.rows:
                hue = np.array(row.hue_deg)
                attainable = press.lab(sweep_rgb(recipe.space, row.level, sweep_fractions(recipe, row.level, hue)))
                rows.append(row.model_copy(update={"delta_e00": _pair(press, row.lab, row.intended_lab, attainable)}))
            return sweep.model_copy(update={"rows": tuple(rows)})
        case NeutralWedgeScore() as wedge, NeutralWedge() as described:
            # an instrument may have measured some steps only
            by_step = {step.step: step for step in described.steps}
            steps = [by_step[step.step] for step in wedge.steps]
            rgb, intended = [s.rgb for s in steps], [s.lab for s in steps]
            pair = _pair(press, [s.lab for s in wedge.steps], intended, press.lab(rgb))
            return wedge.model_copy(update={"delta_e00": pair})
        case PatchFieldScore() as field, PatchField() as described:
            by_name = {patch.patch: patch for patch in described.patches}
            patches = [by_name[reading.patch] for reading in field.patches]
            pair = _pair(
                press, [r.lab for r in field.patches], [p.lab for p in patches], press.lab([p.rgb for p in patches])
            )
            return field.model_copy(update={"delta_e00": pair})
        case FlatFieldScore() as flat, FlatField() as described:
            pair = _pair(press, [flat.lab], [described.lab], press.lab([described.rgb]))
            return flat.model_copy(update={"delta_e00": pair})
    return score


def _pair(press: Press, measured: ArrayLike, intended: ArrayLike, attainable: Array) -> DeltaEPair:
    return DeltaEPair(
        intended=delta_e_summary(np.asarray(delta_e00(_seen(press, measured), intended))),
        attainable=delta_e_summary(np.asarray(delta_e00(measured, attainable))),
    )


def _seen(press: Press, lab: ArrayLike) -> Array:
    """Return colours as they are to be compared with the file: on the profile's paper if the intent is absolute."""
    if press.rendering.intent != "absolute":
        return np.asarray(lab, dtype=np.float64)
    return xyz_to_lab(lab_to_xyz(lab) * (np.array(press.profile.paper_xyz) / WHITE_D50))


def with_attainable_ring(
    ring: RingScore, described: Ring, recipe: Recipe, press: Press, viewing: Viewing = DEFAULT_VIEWING
) -> RingScore:
    """Return one ring's score with attainable colours and causes; see `with_attainable`."""
    if not ring.course.radius_mm or ring.resolution_mm is None:
        return ring
    press = dataclasses.replace(press, absolute=False)
    fine: Array = _PITCH_MM * (np.arange(round(described.radius_mm / _PITCH_MM), dtype=np.float64) + 0.5)
    at = radii(described.ramp_mm, ring.course.radius_mm[-1] + PITCH_MM)
    course = exact_course(
        fine, press.lab(ring_rgb(described, recipe, fine)), described.ramp_mm, at, ring.resolution_mm
    )
    intended = intended_course(described, recipe, course)
    promised = ring_score(described, course, intended, viewing, (ring.sheet, ring.tile))
    radius = np.array(ring.course.radius_mm)
    attainable = np.stack([np.interp(radius, at, axis) for axis in course.lab[0].T], axis=-1)
    inner, outer = described.ramp_mm
    on_ramp = (radius > inner) & (radius < outer)
    measured, asked = np.array(ring.course.lab), np.array(ring.course.intended_lab)
    kept = ring.course.model_copy(update={"attainable_lab": tuple(map(tuple, attainable.round(3).tolist()))})
    pair = _pair(press, measured[on_ramp], asked[on_ramp], attainable[on_ramp])
    ring = ring.model_copy(update={"course": kept, "delta_e00": pair})
    return attribute(ring, promised, course, intended)


def sweep_fractions(recipe: Recipe, level: str, hue_deg: Array) -> Array:
    """Return places along a band, as fractions of its length, of hue positions."""
    fraction = np.linspace(0.0, 1.0, 7201)
    return np.interp(hue_deg, sweep_hue_deg(recipe.space, level, fraction), fraction)  # type: ignore[arg-type]
