"""A print measured by an instrument, without a scan: patches, grey steps and hue bands; and the way back to a file.

Samples are named as in the key: patches by their own names, grey steps ``wedge-1`` (black) to ``wedge-33`` (white),
bare paper ``paper``, and places on a hue band ``full-45.5mm``, ``tint-45.5mm`` or ``shade-45.5mm``, by their distance
from the band's left end.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.chart import build_key, read_key
from inkstrain.targets.colorimetry import WHITE_D50, delta_e00, lab_to_xyz, xyz_to_lab
from inkstrain.targets.errors import CannotMeasureError, WrongUsageError
from inkstrain.targets.key import HueSweep, Key, NeutralWedge, PatchField
from inkstrain.targets.recipe import Recipe, parse_recipe

from ..colour.exchange import Readings, exchange_text, patch_name, read_exchange
from ..measure.course import RESOLUTION_MM
from ..measure.rings import delta_e_summary
from ..measure.sweeps import sweep_row
from ..measure.totals import totals_of
from ..measure.wedge import black_of, wedge_score
from ..results.score import (
    ColourBasis,
    Conditions,
    DeltaEPair,
    ElementScore,
    Flag,
    HueSweepScore,
    MadeBy,
    NeutralWedgeScore,
    PatchFieldScore,
    PatchReading,
    Score,
    Viewing,
    White,
)
from .finish import absolute_ends, finish, with_trust
from .scoring import Measured, ScoreOptions

__all__ = ["export_text", "score_readings", "step_name"]

Array = NDArray[np.float64]

REPEATABILITY_DE00: Final = 0.1
"""Taken for the standard error of a single reading by a handheld instrument (from memory; the file does not say)."""

_PAPER: Final = "paper"
_BAND: Final = re.compile(r"(FULL|TINT|SHADE)-(\d+(?:\.\d+)?)MM")
_LEAST_ON_BAND: Final = 6
_LEAST_STEPS: Final = 2


def step_name(step: int) -> str:
    """Return the sample id of a step of the neutral wedge."""
    return f"wedge-{step}"


def score_readings(
    file: Path, keys: Sequence[Path], *, conditions: Conditions, options: ScoreOptions, under: str | None = None
) -> Measured:
    """Score an instrument's readings of a print.

    Parameters
    ----------
    under
        The measurement condition to take, see `read_exchange`.
    keys
        The chart's key, and nothing else.

    Raises
    ------
    WrongUsageError
        If scan options were given, or more than one key.
    CannotMeasureError
        If key or readings cannot be read, or nothing of the chart was measured.
    """
    if len(keys) != 1:
        raise WrongUsageError("--measured takes one key: the .key.json that 'inkstrain make' wrote beside the chart.")
    if options.blank is not None or options.basis.fit is not None or options.basis.profile is not None:
        raise WrongUsageError("--measured needs no scanner: leave out --scanner-profile, --scanner-fit and --blank.")
    key, readings = read_key(keys[0]), read_exchange(file, under)
    recipe = parse_recipe(key.recipe)
    rows = _rows(readings, key, file)
    paper = _paper(rows, readings.lab, key, file)
    relative = xyz_to_lab(lab_to_xyz(readings.lab) * (WHITE_D50 / paper))
    colours = {name: relative[row] for name, row in rows.items()}
    elements = tuple(_elements(colours, key, recipe, options.viewing))
    if not elements:
        raise CannotMeasureError(f"{file}: too little of chart {key.chart} was measured to score anything.")
    white, black = absolute_ends(White(lab=tuple(xyz_to_lab(paper).tolist())), black_of(elements), paper)
    score = Score(
        made_by=MadeBy(version=version("inkstrain")),
        chart=key.chart,
        recipe=key.recipe,
        conditions=conditions,
        colour_basis=ColourBasis(kind="instrument", note=_note(readings)),
        viewing=options.viewing,
        resolution_mm=RESOLUTION_MM,
        white=white,
        black=black,
        tiles=(),
        elements=elements,
        totals=totals_of(elements, black),
        flags=tuple(Flag(code="readings", text=note) for note in readings.notes),
    )
    return Measured(score=with_trust(finish(score, recipe, options.promise), paper, None))


def _note(readings: Readings) -> str:
    how = {"spectral": "spectra", "xyz": "XYZ", "lab": "CIELAB"}[readings.quantity]
    stated = "; ".join(f"{text}" for text in readings.stated.values())
    return f"Measured by an instrument as {how}{f' ({stated})' if stated else ''}, with no scan."


def _rows(readings: Readings, key: Key, file: Path) -> dict[str, int]:
    """Return the row of everything of the chart that was measured, by its name as `patch_name` spells it."""
    known = {patch_name(_PAPER)}
    for element in _chart(key):
        if isinstance(element, PatchField):
            known |= {patch_name(patch.patch) for patch in element.patches}
        elif isinstance(element, NeutralWedge):
            known |= {patch_name(step_name(step.step)) for step in element.steps}
    best: dict[str, int] = {}
    for column in readings.names.values():
        spelt = {patch_name(name): row for row, name in enumerate(column)}
        rows = {name: row for name, row in spelt.items() if name in known or _BAND.fullmatch(name)}
        best = rows if len(rows) > len(best) else best
    if not best:
        raise CannotMeasureError(
            f"{file} names nothing of chart {key.chart}. Name samples as the key does: patches such as A1, steps "
            "such as wedge-1, bare paper as paper."
        )
    return best


def _chart(key: Key) -> list[PatchField | NeutralWedge | HueSweep]:
    return [
        element
        for sheet in key.sheets
        for tile in sheet.tiles
        for element in tile.elements
        if isinstance(element, PatchField | NeutralWedge | HueSweep)
    ]


def _paper(rows: Mapping[str, int], lab: Array, key: Key, file: Path) -> Array:
    """Return the absolute XYZ of bare paper: of the sample so named, or of a patch or step that asks for none."""
    names = [patch_name(_PAPER)]
    for element in _chart(key):
        if isinstance(element, PatchField):
            names += [patch_name(patch.patch) for patch in element.patches if min(patch.rgb) >= 1.0]
        elif isinstance(element, NeutralWedge):
            names += [patch_name(step_name(step.step)) for step in element.steps if min(step.rgb) >= 1.0]
    measured = [rows[name] for name in names if name in rows]
    if not measured:
        raise CannotMeasureError(
            f"{file} has no reading of bare paper, which all colours are relative to. Measure it, and name it paper."
        )
    return lab_to_xyz(lab[measured[0]])


def _elements(colours: Mapping[str, Array], key: Key, recipe: Recipe, viewing: Viewing) -> list[ElementScore]:
    found: list[ElementScore | None] = []
    for sheet in key.sheets:
        for tile in sheet.tiles:
            place = (sheet.sheet, tile.tile)
            for element in tile.elements:
                if isinstance(element, PatchField):
                    found.append(_patches(colours, element, place))
                elif isinstance(element, NeutralWedge):
                    found.append(_wedge(colours, element, place, viewing))
                elif isinstance(element, HueSweep):
                    found.append(_sweep(colours, element, recipe, place))
    return [element for element in found if element is not None]


def _patches(colours: Mapping[str, Array], field: PatchField, place: tuple[int, int]) -> PatchFieldScore | None:
    patches = [patch for patch in field.patches if patch_name(patch.patch) in colours]
    if not patches:
        return None
    lab = np.array([colours[patch_name(patch.patch)] for patch in patches])
    away = np.asarray(delta_e00(lab, [patch.lab for patch in patches]))
    return PatchFieldScore(
        id=field.id,
        kind=field.kind,
        sheet=place[0],
        tile=place[1],
        patches=tuple(
            PatchReading(
                patch=patch.patch,
                lab=tuple(row.tolist()),
                intended_lab=patch.lab,
                standard_error_de00=REPEATABILITY_DE00,
            )
            for patch, row in zip(patches, lab, strict=True)
        ),
        delta_e00=DeltaEPair(intended=delta_e_summary(away)),
        flags=_missing(len(field.patches) - len(patches), "patches"),
    )


def _missing(count: int, what: str) -> tuple[Flag, ...]:
    return (Flag(code="not-measured", text=f"{count} of the {what}"),) if count else ()


def _wedge(
    colours: Mapping[str, Array], wedge: NeutralWedge, place: tuple[int, int], viewing: Viewing
) -> NeutralWedgeScore | None:
    steps = tuple(step for step in wedge.steps if patch_name(step_name(step.step)) in colours)
    if len(steps) < _LEAST_STEPS:
        return None
    lab = np.array([colours[patch_name(step_name(step.step))] for step in steps])
    error = np.full_like(lab, REPEATABILITY_DE00 / np.sqrt(3))
    measured = wedge_score(wedge.model_copy(update={"steps": steps}), lab, error, None, place, viewing)
    return measured.model_copy(update={"flags": _missing(len(wedge.steps) - len(steps), "steps")})


def _sweep(
    colours: Mapping[str, Array], sweep: HueSweep, recipe: Recipe, place: tuple[int, int]
) -> HueSweepScore | None:
    rows = []
    for band in sweep.rows:
        on_band = []
        for name, lab in colours.items():
            match = _BAND.fullmatch(name)
            if match and match[1].lower() == band.level and float(match[2]) <= band.box_mm[2]:
                on_band.append((float(match[2]) / band.box_mm[2], lab))
        if len(on_band) < _LEAST_ON_BAND:
            continue
        on_band.sort(key=lambda pair: pair[0])
        fraction, lab = np.array([at for at, _ in on_band]), np.array([lab for _, lab in on_band])
        rows.append(sweep_row(lab, np.full(lab.shape, REPEATABILITY_DE00 / np.sqrt(3)), fraction, band, recipe))
    if not rows:
        return None
    return HueSweepScore(id=sweep.id, kind=sweep.kind, sheet=place[0], tile=place[1], rows=tuple(rows))


def export_text(score: Score) -> str:
    """Return patches, grey steps and paper of a score as ISO 28178 text that reads back.

    Absolute under a fit or from an instrument, else relative to the scanner's own white; a keyword says which.

    Raises
    ------
    CannotMeasureError
        If the score has neither patches nor steps.
    """
    relative: dict[str, Sequence[float]] = {}
    for element in score.elements:
        if isinstance(element, PatchFieldScore):
            relative |= {patch.patch: patch.lab for patch in element.patches}
        elif isinstance(element, NeutralWedgeScore):
            relative |= {step_name(step.step): step.lab for step in element.steps}
    if not relative:
        raise CannotMeasureError("The score has neither patches nor grey steps to export.")
    paper = lab_to_xyz(score.white.lab)
    lab = xyz_to_lab(lab_to_xyz(list(relative.values())) * (paper / WHITE_D50))
    scale = "absolute" if score.white.absolute_lab is not None else "relative to the scanner's own white"
    stated = {
        "DESCRIPTOR": f"chart {score.chart}, {scale}",
        "MEASUREMENT_SOURCE": f"colour basis: {score.colour_basis.kind}",
    }
    printed = (score.conditions.printer, score.conditions.paper, score.conditions.ink, score.conditions.intent)
    if any(printed):
        stated["PRINT_CONDITIONS"] = ", ".join(filter(None, printed))
    samples = {_PAPER: score.white.lab, **dict(zip(relative, lab.tolist(), strict=True))}
    return exchange_text(samples, stated, {_PAPER: (1.0, 1.0, 1.0), **_asked(parse_recipe(score.recipe))})


def _asked(recipe: Recipe) -> dict[str, tuple[float, float, float]]:
    """Return the encoded RGB of every patch and grey step by its sample id."""
    asked: dict[str, tuple[float, float, float]] = {}
    for element in _chart(build_key(recipe)):
        if isinstance(element, PatchField):
            asked |= {patch.patch: patch.rgb for patch in element.patches}
        elif isinstance(element, NeutralWedge):
            asked |= {step_name(step.step): step.rgb for step in element.steps}
    return asked
