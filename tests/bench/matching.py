"""Two scores of one fade beside each other, truth and scan or scan and scan: found, lost, added, and how far off."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from unittest.mock import patch

import numpy as np

from inkstrain.scoring.measure import departure, fade, hue
from inkstrain.scoring.measure.course import RESOLUTION_MM
from inkstrain.scoring.measure.rings import exact_ring
from inkstrain.scoring.results.score import FlatFieldScore, NeutralWedgeScore, RingScore, Viewing
from inkstrain.targets.colorimetry import lab_to_xyz
from inkstrain.targets.key import Ring
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import LightnessWave, PrintOptions, RingTruth, Step
from inkstrain.targets.rehearsal.truth import WedgeTruth
from inkstrain.targets.spaces import decode, xyz_to_rgb

SURE = {"contour": 0.4, "flat": 0.6, "faint": 3.0, "hue": 6.0}
"""Sizes from which a finding must be found (DESIGN §8): ΔE00, thresholds, degrees (twice the limit)."""
WEAK = 0.5  # of the limits of reporting: what truth does not even have at that, is added
RIPPLE_NEAR = 0.15  # of the period

_SIZES = {
    "contour": "excess_de00", "flat": "missing_de00", "faint": "visibility", "hue": "degrees", "reversal": "depth_l",
    "ripple": "amplitude_l",
}  # fmt: skip
_FIELDS: dict[str, dict[str, str | None]] = {
    "contour": {
        "radius_mm": "radius_noise_mm", "excess_de00": "noise_de00", "width_mm": "width_noise_mm",
        "visibility": "visibility_noise",
    },
    "flat": {"missing_de00": "noise_de00", "width_mm": "width_noise_mm", "visibility": "visibility_noise"},
    "faint": {"visibility": "visibility_noise", "amplitude_de00": "noise_de00", "radius_mm": None, "width_mm": None},
    "hue": {"degrees": "noise_deg", "delta_h": None, "visibility": "visibility_noise"},
    "reversal": {"depth_l": "noise_l"},
    "ripple": {"amplitude_l": "noise_l", "period_mm": None},
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Record:
    """A finding or a figure of two scores: the second's less the first's, with the standard errors of the difference.

    A finding of which `found` is false was lost, if it is `sure` that it should have been found; `added` is one that
    stands in the second only.
    """

    measure: str
    element: str
    size: float
    place_mm: float = 0.0
    found: bool = True
    sure: bool = True
    added: bool = False
    errors: dict[str, float] = field(default_factory=dict)
    noise: dict[str, float] = field(default_factory=dict)


@contextmanager
def _limits(part: float) -> Iterator[None]:
    with (
        patch.object(fade, "LEAST_EXCESS_DE00", part * fade.LEAST_EXCESS_DE00),
        patch.object(fade, "LEAST_MISSING_DE00", part * fade.LEAST_MISSING_DE00),
        patch.object(departure, "THRESHOLD", part * departure.THRESHOLD),
        patch.object(hue, "SWING_LEAST_DEG", part * hue.SWING_LEAST_DEG),
        patch.object(hue, "SWING_LEAST_DELTA_H", part * hue.SWING_LEAST_DELTA_H),
    ):
        yield


def truth_rings(
    ring: Ring, recipe: Recipe, truth: RingTruth, got: RingScore, viewing: Viewing
) -> tuple[RingScore, RingScore]:
    """Return what the exact course shows at the scan's resolution, and that by half the limits of reporting."""
    radius, lab = np.array(truth.radius_mm), np.array(truth.lab)
    args = (ring, recipe, radius, lab, viewing, (got.sheet, got.tile), got.resolution_mm or RESOLUTION_MM)
    with _limits(WEAK):
        weak = exact_ring(*args)
    return exact_ring(*args), weak


def compare_rings(
    first: RingScore,
    second: RingScore,
    weak: RingScore | None = None,
    scan: tuple[str, float] | None = None,
    turns_mm: Sequence[float] | None = None,
) -> list[Record]:
    """Return the records of a fade.

    Parameters
    ----------
    first, second
        Truth and scan, or two scans.
    weak
        Truth by lower limits: what it has there is not added. ``None``: two scans, both sides count alike.
    scan
        Colour space and exposure: a ring with colours that they cannot hold is left out.
    turns_mm
        Where hue was turned on purpose: only there a swing must be found. Elsewhere hue bends towards black or white,
        and how much of that is its smooth course hangs on the degree chosen for it, by noise too, which a scan states.
    """
    records: list[Record] = []
    if scan is not None and not _scannable(first, *scan):
        return records
    for measure in _FIELDS:
        true, got = _findings(first, measure), _findings(second, measure)
        pairs = _pairs(true, got)
        for index, one in enumerate(true):
            size = abs(getattr(one, _SIZES[measure]))
            sure = size >= SURE.get(measure, 0.0)
            if measure == "hue" and turns_mm is not None:
                sure = sure and any(low <= turn <= high for low, high in [_ends(one)] for turn in turns_mm)
            if index in pairs:
                records.append(_record(measure, first.id, one, got[pairs[index]], size, sure))
            else:
                # a faint ring that a scan finds strong enough for a contour or flat band, or in a run of them, is found
                seen = measure == "faint" and _held(one, second, ("contour", "flat", "ripple"))
                records.append(Record(measure, first.id, size, _place(one), found=seen, sure=sure))
        for index, one in enumerate(got):
            # a ripple is a run of faint rings, which truth may have
            others = ("contour", "flat", "faint", "ripple") if measure in ("faint", "ripple") else (measure,)
            if index not in pairs.values() and not _held(one, first if weak is None else weak, others):
                size = abs(getattr(one, _SIZES[measure]))
                sure = size >= SURE.get(measure, 0.0)
                records.append(Record(measure, first.id, size, _place(one), sure=sure, added=True))
    for name in ("reach", "evenness"):
        before, after = getattr(first, name), getattr(second, name)
        if before is not None and after is not None:
            noise = _together(getattr(first, f"{name}_noise"), getattr(second, f"{name}_noise"))
            records.append(Record(name, first.id, before, errors={name: after - before}, noise={name: noise}))
    if first.core_mm is not None and second.core_mm is not None:
        noise = _together(first.core_mm.noise, second.core_mm.noise)
        error = second.core_mm.value - first.core_mm.value
        records.append(Record("core", first.id, first.core_mm.value, errors={"core": error}, noise={"core": noise}))
    return records


def _findings(ring: RingScore, measure: str) -> Sequence[Any]:
    names = {"flat": "flat_bands", "faint": "faint_rings", "hue": "hue_swings"}
    return getattr(ring, names.get(measure, f"{measure}s"))  # type: ignore[no-any-return]


def _ends(one: Any) -> tuple[float, float]:
    """Return where a finding begins and ends; one with a width at half height reaches as far to either side."""
    if hasattr(one, "inner_mm"):
        return one.inner_mm, one.outer_mm
    return one.radius_mm - one.width_mm, one.radius_mm + one.width_mm


def _place(one: Any) -> float:
    return float(getattr(one, "radius_mm", sum(_ends(one)) / 2))


def _overlap(a: Any, b: Any) -> bool:
    (a_in, a_out), (b_in, b_out) = _ends(a), _ends(b)
    return a_in <= b_out and b_in <= a_out


def _held(one: Any, ring: RingScore, measures: Sequence[str]) -> bool:
    return any(_overlap(one, other) for measure in measures for other in _findings(ring, measure))


def _pairs(true: Sequence[Any], got: Sequence[Any]) -> dict[int, int]:
    """Pair findings that overlap one to one, the nearest first."""
    near = [(abs(_place(t) - _place(g)), i, j) for i, t in enumerate(true) for j, g in enumerate(got) if _overlap(t, g)]
    pairs: dict[int, int] = {}
    for _, i, j in sorted(near):
        if i not in pairs and j not in pairs.values():
            pairs[i] = j
    return pairs


def _together(first: float | None, second: float | None) -> float:
    return float(np.hypot(first or 0.0, second or 0.0))


def _record(measure: str, element: str, first: Any, second: Any, size: float, sure: bool) -> Record:
    errors, noise = {}, {}
    for name, stated in _FIELDS[measure].items():
        before, after = getattr(first, name), getattr(second, name)
        if before is None or after is None:
            continue
        errors[name] = after - before
        if stated is not None and getattr(second, stated) is not None:
            noise[name] = _together(getattr(first, stated), getattr(second, stated))
    return Record(measure, element, size, _place(first), sure=sure, errors=errors, noise=noise)


def _scannable(ring: RingScore, space: str, exposure: float) -> bool:
    """Tell whether a scan can hold a ring's colours: far out of a space, a channel is cut off at zero."""
    light = decode(space, xyz_to_rgb(space, lab_to_xyz(np.array(ring.course.lab)) * exposure))
    return bool(light.min() > 0.0 and light.max() < 1.0)


def step_record(step: Step, got: RingScore) -> Record:
    """Return whether a hard step was found as contour or faint ring."""
    found = any(inner <= step.radius_mm <= outer for inner, outer in map(_ends, (*got.contours, *got.faint_rings)))
    return Record("step", got.id, step.contrast_de00, step.radius_mm, found=found)


def ripple_records(damages: Sequence[Any], got: RingScore) -> list[Record]:
    """Return the records of a ring with waves over its whole ramp."""
    records = []
    for wave in damages:
        assert isinstance(wave, LightnessWave)
        near = [r for r in got.ripples if abs(r.period_mm / wave.period_mm - 1.0) <= RIPPLE_NEAR]
        errors, noise = {}, {}
        if near:
            widest = max(near, key=lambda r: r.outer_mm - r.inner_mm)
            errors = {"amplitude_l": widest.amplitude_l - wave.amplitude_l}
            noise = {} if widest.noise_l is None else {"amplitude_l": widest.noise_l}
        records.append(
            Record("ripple", got.id, wave.amplitude_l, wave.period_mm, found=bool(near), errors=errors, noise=noise)
        )
    return records


def wedge_records(truth: WedgeTruth, score: NeutralWedgeScore) -> list[Record]:
    """Return the errors of L* of the steps."""
    true = {step.step: step.lab[0] for step in truth.steps}
    return [
        Record("neutral", truth.id, true[s.step], errors={"lab_l": s.lab[0] - true[s.step]}, noise={"lab_l": s.noise_l})
        for s in score.steps
    ]


def banding_records(printed: PrintOptions, score: FlatFieldScore) -> list[Record]:
    """Return what a flat field says of the sheet's head banding."""
    way = "across" if printed.banding_along == "y" else "along"
    got = score.head_banding
    errors, noise = {}, {}
    if got is not None and got.direction == way:
        errors = {
            "period_mm": got.period_mm - printed.banding_period_mm,
            "amplitude_l": got.amplitude_l - printed.banding_l,
        }
        stated = {"period_mm": got.period_standard_error_mm, "amplitude_l": got.standard_error_l}
        noise = {name: value for name, value in stated.items() if value is not None}
    return [
        Record(
            "banding", score.id, printed.banding_l, printed.banding_period_mm, bool(errors), errors=errors, noise=noise
        )
    ]
