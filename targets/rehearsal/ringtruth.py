"""From a printed ring path to its truth, by the definitions of the measures, on a path without noise."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ..colorimetry import delta_e00, hue_deg_ipt
from .damage import DropOff, EarlyHub, HeldStretch, HueShift, LightnessReversal, LightnessWave, Step
from .ringpath import STEP_MM, RingPath, wave_ends
from .truth import ContourTruth, FlatBandTruth, HueSwingTruth, ReversalTruth, RingTruth, RippleTruth

__all__ = ["ring_truth"]

Array = NDArray[np.float64]

_CONTOUR_SPEED: Final = 2.0
_CONTOUR_DE00: Final = 1.0
_FLAT_SPEED: Final = 0.25
_FLAT_DE00: Final = 2.0
_REVERSAL_L: Final = 0.5
_CORE_DE00: Final = 1.0
_ONE_RING_MM: Final = 0.3  # wide contours nearer than this are one, unless the fade pauses between them
_SMOOTHING_MM: Final = 0.05  # a printer's table may wiggle from cell to cell; no eye or scanner follows that


class _Speeds:
    """Colour travelled within each cell of the ramp, by file and by print; edges are ``start + i · STEP_MM``."""

    def __init__(self, path: RingPath) -> None:
        self.start, self.end = path.ring.ramp_mm
        first, last = round(self.start / STEP_MM), round(self.end / STEP_MM)
        # from the hub's last cell to the rim's first: the two anchor the ramp's ends
        self.lab, self.intended_lab = path.lab[first - 1 : last + 1], path.intended_lab[first - 1 : last + 1]
        self.printed = np.asarray(delta_e00(self.lab[:-1], self.lab[1:]))
        self.intended = np.asarray(delta_e00(self.intended_lab[:-1], self.intended_lab[1:]))
        # step i lies between the centres of cells first - 1 + i and first + i, that is at their common edge
        self.edge = path.radius_mm[first - 1 : last] + STEP_MM / 2
        self.reach = float(self.printed.sum() / self.intended.sum())

    def at(self, radius_mm: float) -> int:
        """Return the index of the cell of `lab` that a radius lies in."""
        return int(np.clip(math.floor((radius_mm - self.start) / STEP_MM + 1e-6) + 1, 0, len(self.lab) - 1))

    def moved(self, steps: Array, inner_mm: float, outer_mm: float) -> float:
        """Return the colour travelled strictly within a stretch."""
        # a hard step at the inner radius may lie within that cell: it is the border, not the inside
        return float(steps[self.at(inner_mm) + 1 : self.at(outer_mm - STEP_MM)].sum())


def ring_truth(path: RingPath, damages: Sequence[tuple[int, Any]]) -> RingTruth:
    """Return the truth of a ring with its damages, each with its index."""
    speeds = _Speeds(path)
    contours, flats, reversals, swings, ripples = [], [], [], [], []
    for index, damage in damages:
        match damage:
            case HeldStretch(inner_mm=inner, outer_mm=outer, at=end):
                flats.append(_flat(speeds, inner, outer, index))
                contours.append(_jump(speeds, outer if end == "inner" else inner, index))
            case DropOff(inner_mm=inner, outer_mm=outer):
                contours.append(_contour(speeds, inner, outer, index))
            case Step(radius_mm=place):
                contours.append(_jump(speeds, place, index))
            case EarlyHub(to_mm=to, then=then):
                flats.append(_flat(speeds, speeds.start, to, index))
                contours += [_jump(speeds, to, index)] if then == "step" else []
            case HueShift():
                swings.append(_swing(path, damage, index))
            case LightnessReversal(inner_mm=inner, outer_mm=outer):
                ends = speeds.lab[[speeds.at(inner), speeds.at(outer - STEP_MM)], 0]
                reversals.append(
                    ReversalTruth(inner_mm=inner, outer_mm=outer, depth_l=abs(float(ends[1] - ends[0])), damage=index)
                )
            case LightnessWave(amplitude_l=amplitude, period_mm=period):
                inner, outer = wave_ends(path.ring, damage)
                ripples.append(
                    RippleTruth(inner_mm=inner, outer_mm=outer, amplitude_l=amplitude, period_mm=period, damage=index)
                )
    others = _others(speeds)
    return RingTruth(
        id=path.ring.id,
        reach=speeds.reach,
        evenness=_evenness(speeds),
        core_mm=_core(path),
        fall_off_mm=_fall_off(speeds),
        contours=tuple(contours),
        flat_bands=tuple(flats),
        hue_swings=tuple(swings),
        reversals=tuple(reversals),
        ripples=tuple(ripples),
        other_contours=tuple(c for c in others[0] if _apart(c, contours)),
        other_flat_bands=tuple(f for f in others[1] if _apart(f, flats)),
        other_reversals=tuple(r for r in _other_reversals(speeds) if _apart(r, reversals)),
    )


def _apart(found: Any, known: Sequence[Any]) -> bool:
    slack = 2 * _SMOOTHING_MM
    return all(found.outer_mm < k.inner_mm - slack or found.inner_mm > k.outer_mm + slack for k in known)


def _evenness(speeds: _Speeds) -> float:
    shares = speeds.printed / speeds.printed.sum() - speeds.intended / speeds.intended.sum()
    return float(1.0 - 0.5 * np.abs(shares).sum())


def _fall_off(speeds: _Speeds) -> tuple[float, float, float]:
    covered = np.cumsum(speeds.printed) / speeds.printed.sum()
    p10, p50, p90 = (float(speeds.edge[np.searchsorted(covered, part)]) for part in (0.1, 0.5, 0.9))
    return p10, p50, p90


def _core(path: RingPath) -> float:
    start = path.ring.ramp_mm[0]
    away = np.asarray(delta_e00(path.lab, path.lab[0]))
    beyond = (path.radius_mm > start) & (away > _CORE_DE00)
    first = path.radius_mm[np.argmax(beyond)] - STEP_MM / 2 if beyond.any() else path.ring.radius_mm
    return float(first - start)


def _jump(speeds: _Speeds, radius_mm: float, index: int | None) -> ContourTruth:
    """Describe a hard step: the contrast between the colours a hair inside and outside of it."""
    place = speeds.at(radius_mm)
    contrast = float(delta_e00(speeds.lab[max(place - 1, 0)], speeds.lab[min(place + 1, len(speeds.lab) - 1)]))
    return ContourTruth(
        radius_mm=radius_mm, inner_mm=radius_mm, outer_mm=radius_mm, width_mm=0.0, contrast_de00=contrast,
        damage=index,
    )  # fmt: skip


def _contour(speeds: _Speeds, inner_mm: float, outer_mm: float, index: int | None) -> ContourTruth:
    first, last = speeds.at(inner_mm), speeds.at(outer_mm - STEP_MM)
    covered = np.cumsum(speeds.printed[first:last])
    middle = speeds.edge[first + int(np.searchsorted(covered, covered[-1] / 2))] if last > first else inner_mm
    return ContourTruth(
        radius_mm=float(middle),
        inner_mm=inner_mm,
        outer_mm=outer_mm,
        width_mm=outer_mm - inner_mm,
        contrast_de00=float(delta_e00(speeds.lab[first], speeds.lab[last])),
        damage=index,
    )


def _flat(speeds: _Speeds, inner_mm: float, outer_mm: float, index: int | None) -> FlatBandTruth:
    lost = speeds.moved(speeds.intended, inner_mm, outer_mm) - speeds.moved(speeds.printed, inner_mm, outer_mm)
    return FlatBandTruth(
        inner_mm=inner_mm, outer_mm=outer_mm, width_mm=outer_mm - inner_mm, lost_de00=lost, damage=index
    )


def _swing(path: RingPath, damage: HueShift, index: int) -> HueSwingTruth:
    place = int(damage.radius_mm / STEP_MM)
    # what re-spacing moved to the rim has its place at the last row
    origin = min(int(np.searchsorted(path.radius_mm, path.position_mm[place])), len(path.undamaged_lab) - 1)
    turned, straight = path.lab[place], path.undamaged_lab[origin]
    degrees = (float(hue_deg_ipt(turned) - hue_deg_ipt(straight)) + 180.0) % 360.0 - 180.0
    chroma = math.hypot(*turned[1:]) * math.hypot(*straight[1:])
    angle = math.atan2(turned[2], turned[1]) - math.atan2(straight[2], straight[1])
    return HueSwingTruth(
        radius_mm=damage.radius_mm,
        width_mm=damage.width_mm,
        degrees=degrees,
        delta_h=2.0 * math.sqrt(chroma) * math.sin(angle / 2.0),
        damage=index,
    )


def _others(speeds: _Speeds) -> tuple[list[ContourTruth], list[FlatBandTruth]]:
    """Find what meets the definitions of contour and flat band along the whole ramp."""
    width = round(_SMOOTHING_MM / STEP_MM)
    box = np.ones(width) / width
    printed = np.convolve(speeds.printed, box, mode="same")
    share = speeds.reach * np.convolve(speeds.intended, box, mode="same")
    contours = [
        _contour(speeds, inner, outer, None) for inner, outer in _runs(printed > _CONTOUR_SPEED * share, speeds)
    ]
    contours = [contour for contour in contours if contour.contrast_de00 >= _CONTOUR_DE00]
    flats = [_flat(speeds, inner, outer, None) for inner, outer in _runs(printed < _FLAT_SPEED * share, speeds)]
    moved = [speeds.moved(speeds.intended, flat.inner_mm, flat.outer_mm) for flat in flats]
    return (
        _joined(contours, printed - share, speeds),
        [flat for flat, by in zip(flats, moved, strict=True) if by >= _FLAT_DE00],
    )


def _runs(mask: NDArray[np.bool_], speeds: _Speeds) -> list[tuple[float, float]]:
    change = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [
        (float(speeds.edge[first]), float(speeds.edge[min(last, len(speeds.edge) - 1)]))
        for first, last in change.reshape(-1, 2)
    ]


def _goes_on(ahead: Array, speeds: _Speeds, inner_mm: float, outer_mm: float) -> bool:
    """Tell whether a stretch moves at its share or faster; `ahead` is how far each step outruns its share."""
    return float(ahead[speeds.at(inner_mm) : speeds.at(outer_mm)].sum()) >= 0.0


def _joined(contours: list[ContourTruth], ahead: Array, speeds: _Speeds) -> list[ContourTruth]:
    """Make one of near contours between which the fade goes on, but for hard edges."""
    joined: list[ContourTruth] = []
    for contour in contours:
        before = joined[-1].outer_mm if joined else -math.inf
        wide = bool(joined) and min(joined[-1].width_mm, contour.width_mm) > 2 * _SMOOTHING_MM
        if wide and contour.inner_mm - before < _ONE_RING_MM and _goes_on(ahead, speeds, before, contour.inner_mm):
            joined[-1] = _contour(speeds, joined[-1].inner_mm, contour.outer_mm, None)
        else:
            joined.append(contour)
    return joined


def _other_reversals(speeds: _Speeds) -> list[ReversalTruth]:
    """Find stretches where printed lightness runs against the file's overall direction."""
    direction = float(np.sign(speeds.intended_lab[-1, 0] - speeds.intended_lab[0, 0]))
    lightness = direction * speeds.lab[:, 0]
    falling = np.diff(lightness) < 0
    found = []
    for inner, outer in _runs(falling, speeds):
        depth = float(lightness[speeds.at(inner)] - lightness[speeds.at(outer - STEP_MM)])
        if depth >= _REVERSAL_L:
            found.append(ReversalTruth(inner_mm=inner, outer_mm=outer, depth_l=depth, damage=None))
    return found
