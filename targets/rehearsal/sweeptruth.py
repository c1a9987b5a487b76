"""The truth of hue sweeps and wedges."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ..colorimetry import delta_e00, path_length_de00, xyz_to_lab
from ..key import HueSweep, NeutralWedge, Sheet
from ..recipe import Recipe
from ..spaces import rgb_to_lab
from ..sweeps import sweep_hue_deg, sweep_rgb
from .damage import Cast, LostStep, MergedHues, ReversedStep
from .page import step_lab
from .printers import Printer
from .truth import MergedTruth, StepTruth, SweepTruth, WedgeTruth

__all__ = ["sweep_truth", "wedge_truth"]


def sweep_truth(sheet: Sheet, recipe: Recipe, printer: Printer, damages: Sequence[Any]) -> tuple[SweepTruth, ...]:
    """Return the truth of a sheet's hue sweeps."""
    return tuple(
        SweepTruth(
            id=element.id,
            merged=tuple(
                _merged(element, recipe, printer, damage, index)
                for index, damage in enumerate(damages)
                if isinstance(damage, MergedHues) and damage.element == element.id
            ),
        )
        for tile in sheet.tiles
        for element in tile.elements
        if isinstance(element, HueSweep)
    )


def _merged(sweep: HueSweep, recipe: Recipe, printer: Printer, damage: MergedHues, index: int) -> MergedTruth:
    band = next(row for row in sweep.rows if row.level == damage.level)
    ladder = np.linspace(0.0, 1.0, 20001)
    hue = sweep_hue_deg(recipe.space, damage.level, ladder)
    ends = np.interp([damage.from_deg, damage.to_deg], hue, ladder)
    rgb = sweep_rgb(recipe.space, damage.level, np.linspace(float(ends[0]), float(ends[1]), 2001))
    colours = xyz_to_lab(printer.print_xyz(recipe.space, rgb[[0, -1]]))
    place = band.box_mm[0] + ends * band.box_mm[2]
    return MergedTruth(
        level=damage.level,
        from_deg=damage.from_deg,
        to_deg=damage.to_deg,
        from_mm=float(place[0]),
        to_mm=float(place[1]),
        lost_de00=float(path_length_de00(rgb_to_lab(recipe.space, rgb))[-1]),
        step_de00=float(delta_e00(colours[0], colours[1])),
        damage=index,
    )


def wedge_truth(sheet: Sheet, recipe: Recipe, printer: Printer, damages: Sequence[Any]) -> tuple[WedgeTruth, ...]:
    """Return the truth of a sheet's neutral wedges."""
    return tuple(
        _wedge(element, recipe, printer, [d for d in damages if d.element == element.id])
        for tile in sheet.tiles
        for element in tile.elements
        if isinstance(element, NeutralWedge)
    )


def _wedge(wedge: NeutralWedge, recipe: Recipe, printer: Printer, damages: Sequence[Any]) -> WedgeTruth:
    lab = step_lab(wedge, recipe, printer, damages)
    casts = [(damage.a, damage.b) for damage in damages if isinstance(damage, Cast)]
    return WedgeTruth(
        id=wedge.id,
        steps=tuple(
            StepTruth(step=step.step, intended_l=step.lab[0], lab=tuple(row.tolist()))
            for step, row in zip(wedge.steps, lab, strict=True)
        ),
        lost=tuple(damage.step for damage in damages if isinstance(damage, LostStep)),
        reversed=tuple(damage.step for damage in damages if isinstance(damage, ReversedStep)),
        cast=(sum(a for a, _ in casts), sum(b for _, b in casts)),
    )
