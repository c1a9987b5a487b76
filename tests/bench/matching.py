"""Measured features beside true ones: found, missed, false, and by how much they are off."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from inkstrain.scoring.model import FlatFieldScore, NeutralWedgeScore, RingScore, Score
from inkstrain.targets.rehearsal import PrintOptions, RingTruth
from inkstrain.targets.rehearsal.truth import ContourTruth, FlatBandTruth, WedgeTruth

from .definitions import BORDER, CONTOUR_DE00, FLAT_WIDTH_MM, HUE_DEG, HUE_DELTA_H, Definitions, Status, Stretch

NEAR_MM = 0.15  # features farther apart than this are not the same
PART_MM = 0.1  # beyond a damage a stretch goes on, so that it is more than the damage
HUE_NEAR_MM = 1.0
RIPPLE_NEAR = 0.15  # of the period

Measure = Literal["contour", "flat", "hue", "reversal", "ripple", "banding"]


@dataclass(frozen=True, slots=True)
class Found:
    """A true feature, and what was measured of it: errors by name, empty if it was missed.

    `own` marks what the damage did not make: the printer's own, or a side effect; and hues that no scan can hold.
    """

    measure: Measure
    element: str
    status: Status
    own: bool
    found: bool
    size: float
    place_mm: float
    errors: dict[str, float]
    stated: dict[str, float] = field(default_factory=dict)
    """Standard errors that came with the measured values, by the names of the errors."""


@dataclass(frozen=True, slots=True)
class False_:
    """A measured feature that is not there; `status` near: it would be, were the thresholds 5 % looser."""

    measure: Measure
    element: str
    status: Status
    beside_true: bool
    size: float
    place_mm: float


@dataclass(frozen=True, slots=True)
class Error:
    """A measured value less the true one, and the standard error that was stated."""

    measure: Literal["core", "neutral"]
    element: str
    error: float
    truth: float
    damaged: bool
    stated: float | None = None


Record = Found | False_ | Error


def ring_records(
    truth: RingTruth, score: RingScore, judged: Definitions, early_hub: bool, scannable: bool = True
) -> list[Record]:
    """Return all records of one ring; `scannable` tells whether a scan can hold the hues that damage turned."""
    records = _contours(truth, score, judged) + _flats(truth, score, judged) + _swings(truth, score, scannable)
    if score.core_mm is not None:
        records.append(Error("core", truth.id, score.core_mm - truth.core_mm, truth.core_mm, early_hub))
    return records


def _contours(truth: RingTruth, score: RingScore, judged: Definitions) -> list[Record]:
    known = [(c, False) for c in truth.contours] + [(c, True) for c in truth.other_contours]
    status = [judged.contour_status(c.inner_mm, c.outer_mm) for c, _ in known]
    pairs = _pairs([c for c, _ in known], score.contours, lambda a, b: abs(a.radius_mm - b.radius_mm))
    records: list[Record] = []
    for index, (true, own) in enumerate(known):
        if status[index] in ("near", "none") or true.contrast_de00 < CONTOUR_DE00:
            continue
        errors, stated = {}, {}
        whole = _whole(true, judged.contours(), own)
        if index in pairs:
            got = score.contours[pairs[index]]
            base = whole or Stretch(true.inner_mm, true.outer_mm, true.contrast_de00)
            away = got.radius_mm - true.radius_mm
            if whole is None:
                stated = _known(contrast_de00=got.contrast_standard_error_de00, radius_mm=got.radius_standard_error_mm)
            else:
                own, away = True, (got.inner_mm + got.outer_mm - whole.inner_mm - whole.outer_mm) / 2
            contrast = got.contrast_de00 - base.size_de00
            errors = {
                "radius_mm": away,
                "contrast_de00": contrast,
                "contrast_part": contrast / max(0.3, 0.05 * base.size_de00),
                "inner_mm": got.inner_mm - base.inner_mm,
                "outer_mm": got.outer_mm - base.outer_mm,
            }
        records.append(
            Found(
                "contour",
                truth.id,
                status[index],
                own,
                bool(errors),
                true.contrast_de00,
                true.radius_mm,
                errors,
                stated,
            )
        )
    for index, got in enumerate(score.contours):
        if index in pairs.values():
            continue
        near = judged.contour_status(got.inner_mm, got.outer_mm)
        beside = any(_overlap(got, true) for true, _ in known)
        real = near in ("clear", "counted") and not beside
        if not real:  # else it is one that the rehearsal's truth merged with a neighbour
            records.append(False_("contour", truth.id, near, beside, got.contrast_de00, got.radius_mm))
    return records


def _whole(true: ContourTruth | FlatBandTruth, stretches: Sequence[Stretch], own: bool) -> Stretch | None:
    """Return the stretch of the noise-free path that a damage is only a part of, by the definitions; usually none.

    A step may stand in a steep stretch of the printer's, a held stretch end where the printer holds anyway.
    """
    if own:
        return None
    for one in stretches:
        touches = one.inner_mm <= true.outer_mm and one.outer_mm >= true.inner_mm
        if touches and max(true.inner_mm - one.inner_mm, one.outer_mm - true.outer_mm) > PART_MM:
            return one
    return None


def _flats(truth: RingTruth, score: RingScore, judged: Definitions) -> list[Record]:
    known = [(f, False) for f in truth.flat_bands] + [(f, True) for f in truth.other_flat_bands]
    pairs = _pairs(
        [f for f, _ in known], score.flat_bands, lambda a, b: abs(a.inner_mm + a.outer_mm - b.inner_mm - b.outer_mm)
    )
    records: list[Record] = []
    for index, (true, own) in enumerate(known):
        status = judged.flat_status(true.inner_mm, true.outer_mm)
        if status in ("near", "none") or true.width_mm < FLAT_WIDTH_MM:
            continue
        if true.width_mm < FLAT_WIDTH_MM * (1 + BORDER):
            status = "counted"
        errors = {}
        whole = _whole(true, judged.flats(), own)
        ends = whole or true
        own = own or whole is not None
        if index in pairs:
            got = score.flat_bands[pairs[index]]
            errors = {
                "width_mm": got.width_mm - (ends.outer_mm - ends.inner_mm),
                "inner_mm": got.inner_mm - ends.inner_mm,
                "outer_mm": got.outer_mm - ends.outer_mm,
            }
        records.append(Found("flat", truth.id, status, own, bool(errors), true.width_mm, true.inner_mm, errors))
    for index, got in enumerate(score.flat_bands):
        if index in pairs.values():
            continue
        near = judged.flat_status(got.inner_mm, got.outer_mm)
        beside = any(_overlap(got, true) for true, _ in known)
        if beside or near in ("near", "none"):
            records.append(False_("flat", truth.id, near, beside, got.lost_de00, got.inner_mm))
    return records


def _swings(truth: RingTruth, score: RingScore, scannable: bool) -> list[Record]:
    records: list[Record] = []
    used: set[int] = set()
    for true in truth.hue_swings:
        strength = min(abs(true.degrees) / HUE_DEG, abs(true.delta_h) / HUE_DELTA_H)
        away = [abs(got.radius_mm - true.radius_mm) for got in score.hue_swings]
        best = int(np.argmin(away)) if away else -1
        found = best >= 0 and away[best] <= HUE_NEAR_MM
        if found:
            used.add(best)
        if strength < 1:
            continue
        errors = {}
        if found:
            got = score.hue_swings[best]
            errors = {"degrees": got.degrees - true.degrees, "radius_mm": got.radius_mm - true.radius_mm}
        status: Status = "clear" if strength >= 1 + BORDER else "counted"
        records.append(Found("hue", truth.id, status, not scannable, found, true.degrees, true.radius_mm, errors))
    for index, got in enumerate(score.hue_swings):
        if index not in used:
            records.append(False_("hue", truth.id, "none", False, got.degrees, got.radius_mm))
    return records


def ripple_records(truth: RingTruth, score: RingScore) -> list[Record]:
    """Return the records of a ring with waves."""
    records: list[Record] = []
    for true in truth.ripples:
        inside = [
            got
            for got in score.ripples
            if got.inner_mm < true.outer_mm
            and got.outer_mm > true.inner_mm
            and abs((got.period_mm or true.period_mm) / true.period_mm - 1.0) <= RIPPLE_NEAR
        ]
        errors, stated = {}, {}
        if inside:
            widest = max(inside, key=lambda got: got.outer_mm - got.inner_mm)
            difference = widest.amplitude_l - true.amplitude_l
            errors = {"amplitude_part": difference / true.amplitude_l, "amplitude_l": difference}
            stated = _known(amplitude_l=widest.standard_error_l)
        records.append(
            Found("ripple", truth.id, "clear", False, bool(inside), true.amplitude_l, true.period_mm, errors, stated)
        )
    return records


def wedge_records(truth: WedgeTruth, score: NeutralWedgeScore) -> list[Record]:
    """Return the errors of L* of the steps."""
    true = {step.step: step.lab[0] for step in truth.steps}
    return [
        Error("neutral", truth.id, s.lab[0] - true[s.step], true[s.step], False, s.standard_error_l)
        for s in score.steps
    ]


def most_striped(lab: Any) -> float:
    """Return the largest share of the head banding that a ring's colours (n, 3) show: it fades towards bare and solid.

    As rehearsals print it: in full from L* 5 to 90, fading to none at 0 and 100.
    """
    lightness = np.asarray(lab)[:, 0]
    return float(np.max(np.clip((100.0 - lightness) / 10.0, 0.0, 1.0) * np.clip(lightness / 5.0, 0.0, 1.0)))


def banding_records(printed: PrintOptions, score: Score, shares: Mapping[str, float]) -> list[Record]:
    """Return what the rings and flat fields say of the head banding of a sheet, of which rings show shares by id."""
    way = "across" if printed.banding_along == "y" else "along"
    records: list[Record] = []
    for element in score.elements:
        if not isinstance(element, (RingScore, FlatFieldScore)):
            continue
        got = element.head_banding
        found = got is not None and got.direction == way
        errors, stated = {}, {}
        if got is not None and found:
            errors = {"period_part": got.period_mm / printed.banding_period_mm - 1}
            errors["amplitude_part"] = got.amplitude_l / printed.banding_l - 1
            errors["period_mm"] = got.period_mm - printed.banding_period_mm
            errors["amplitude_l"] = got.amplitude_l - printed.banding_l
            stated = _known(period_mm=got.period_standard_error_mm, amplitude_l=got.standard_error_l)
        flat = isinstance(element, FlatFieldScore)
        records.append(
            Found(
                "banding",
                element.id,
                "clear",
                flat,
                found,
                printed.banding_l * shares.get(element.id, 1.0),
                printed.banding_period_mm,
                errors,
                stated,
            )
        )
    return records


def _known(**values: float | None) -> dict[str, float]:
    return {name: value for name, value in values.items() if value is not None}


def _overlap(a: Any, b: Any, slack_mm: float = NEAR_MM) -> bool:
    return bool(a.inner_mm <= b.outer_mm + slack_mm and a.outer_mm >= b.inner_mm - slack_mm)


def _pairs(true: Sequence[Any], got: Sequence[Any], distance: Callable[[Any, Any], float]) -> dict[int, int]:
    """Pair features one to one, the nearest first; only those that overlap within `NEAR_MM`."""
    near = [(distance(t, g), i, j) for i, t in enumerate(true) for j, g in enumerate(got) if _overlap(t, g)]
    pairs: dict[int, int] = {}
    for _, i, j in sorted(near):
        if i not in pairs and j not in pairs.values():
            pairs[i] = j
    return pairs
