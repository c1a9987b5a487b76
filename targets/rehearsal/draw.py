"""Random plausible damage, for benches of many rehearsals."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict

from ..errors import WrongUsageError
from ..key import HueSweep, NeutralWedge, Ring, Sheet
from ..recipe import Recipe
from .damage import (
    Bump,
    Cast,
    Damage,
    DropOff,
    EarlyHub,
    HeldStretch,
    HueShift,
    LightnessReversal,
    LightnessWave,
    LostStep,
    MergedHues,
    ReversedStep,
    RingDamage,
    Step,
)
from .printers import IdentityPrinter, Printer
from .ringpath import check_ring_damage

__all__ = ["DamageRanges", "draw_damage", "draw_ring_damage"]

Pair = tuple[float, float]
_TRIES: Final = 30
RingKind = Literal["held", "dropoff", "softdrop", "step", "hue", "reversal", "earlyhub", "wave", "bump"]


class DamageRanges(BaseModel):
    """From what damages are drawn; pairs are (least, most), drawn evenly.

    ``clear_mm`` is kept free at the ramp's ends and between damages. A ring gets ``per_ring`` damages where there is
    room; a wave or an early hub, which reach along the ramp, stand alone. A share ``clean`` of rings gets none. A soft
    drop-off is ``soft_times`` as steep as the path on average, but takes no more than half of it.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    kinds: tuple[RingKind, ...] = (
        "held", "dropoff", "softdrop", "step", "hue", "reversal", "earlyhub", "wave", "bump",
    )  # fmt: skip
    per_ring: tuple[int, int] = (1, 2)
    clean: float = 0.2
    clear_mm: float = 1.5
    held_width_mm: Pair = (0.5, 2.5)
    drop_width_mm: Pair = (0.1, 0.6)
    drop_contrast_de00: Pair = (2.0, 10.0)
    soft_width_mm: Pair = (0.2, 3.0)
    soft_times: Pair = (2.0, 6.0)
    step_contrast_de00: Pair = (1.0, 8.0)
    hue_width_mm: Pair = (1.0, 3.0)
    hue_degrees: Pair = (5.0, 20.0)
    reversal_width_mm: Pair = (0.5, 1.5)
    reversal_depth_l: Pair = (0.8, 3.0)
    core_mm: Pair = (0.8, 3.0)
    wave_amplitude_l: Pair = (0.2, 1.5)
    wave_period_mm: Pair = (0.5, 5.0)
    bump_width_mm: Pair = (0.4, 2.0)
    bump_amplitude_l: Pair = (0.3, 1.5)
    merged_deg: Pair = (10.0, 40.0)
    cast_ab: Pair = (-4.0, 4.0)


def draw_damage(
    rng: np.random.Generator, sheet: Sheet, recipe: Recipe, printer: Printer | None = None,
    ranges: DamageRanges | None = None,
) -> tuple[Damage, ...]:  # fmt: skip
    """Return damage for a sheet: rings by `draw_ring_damage`, a merged stretch a sweep, one or two faults a wedge.

    A ring's damage is drawn again where the printer's path has not the contrast that was drawn.
    """
    ranges = ranges or DamageRanges()
    printer = printer or IdentityPrinter()
    drawn: list[Any] = []
    for element in (e for tile in sheet.tiles for e in tile.elements):
        if isinstance(element, Ring):
            drawn += _possible(rng, element, recipe, printer, ranges)
        elif isinstance(element, HueSweep) and rng.random() >= ranges.clean:
            width, level = rng.uniform(*ranges.merged_deg), rng.choice(["full", "tint", "shade"])
            start = rng.uniform(10.0, 350.0 - width)
            drawn.append(MergedHues(element.id, float(start), float(start + width), str(level)))  # type: ignore[arg-type]
        elif isinstance(element, NeutralWedge) and rng.random() >= ranges.clean:
            first, second = sorted(rng.choice(np.arange(4, len(element.steps) - 2, 3), 2, replace=False).tolist())
            drawn += [LostStep(element.id, first), ReversedStep(element.id, second)][: int(rng.integers(1, 3))]
            if rng.random() < 0.5:
                a, b = rng.uniform(*ranges.cast_ab, 2)
                drawn.append(Cast(element.id, float(a), float(b)))
    return tuple(drawn)


def _possible(
    rng: np.random.Generator, ring: Ring, recipe: Recipe, printer: Printer, ranges: DamageRanges
) -> Sequence[RingDamage]:
    for _ in range(_TRIES):
        drawn = draw_ring_damage(rng, ring, ranges)
        try:
            check_ring_damage(ring, recipe, printer, drawn)
        except WrongUsageError:
            continue
        return drawn
    return ()


def draw_ring_damage(rng: np.random.Generator, ring: Ring, ranges: DamageRanges) -> Sequence[RingDamage]:
    """Return damages of one ring that neither overlap nor come nearer to its ends than asked."""
    if rng.random() < ranges.clean:
        return ()
    start, end = ring.ramp_mm
    wanted = int(rng.integers(ranges.per_ring[0], ranges.per_ring[1] + 1))
    drawn: list[RingDamage] = []
    taken: list[Pair] = []
    for _ in range(20 * wanted):
        if len(drawn) == wanted:
            break
        kind = str(rng.choice(list(ranges.kinds)))
        if kind in ("wave", "earlyhub"):
            if not drawn:
                return (_alone(rng, ring, kind, ranges),)
            continue
        width = _width(rng, kind, ranges)
        reach = width * (2.0 if kind in ("hue", "bump") else 1.0)
        room = (start + ranges.clear_mm, end - ranges.clear_mm - reach)
        if room[0] >= room[1]:
            continue
        inner = float(rng.uniform(*room))
        if any(inner < b + ranges.clear_mm and inner + reach > a - ranges.clear_mm for a, b in taken):
            continue
        taken.append((inner, inner + reach))
        drawn.append(_placed(rng, ring, kind, inner, width, ranges))
    return tuple(drawn)


def _alone(rng: np.random.Generator, ring: Ring, kind: str, ranges: DamageRanges) -> RingDamage:
    if kind == "wave":
        return LightnessWave(
            ring.id, float(rng.uniform(*ranges.wave_amplitude_l)), float(rng.uniform(*ranges.wave_period_mm))
        )
    then: Any = rng.choice(["step", "spaced"])
    return EarlyHub(ring.id, ring.ramp_mm[0] + float(rng.uniform(*ranges.core_mm)), str(then))  # type: ignore[arg-type]


def _width(rng: np.random.Generator, kind: str, ranges: DamageRanges) -> float:
    pairs = {
        "held": ranges.held_width_mm,
        "dropoff": ranges.drop_width_mm,
        "softdrop": ranges.soft_width_mm,
        "bump": ranges.bump_width_mm,
        "hue": ranges.hue_width_mm,
        "reversal": ranges.reversal_width_mm,
    }
    return float(rng.uniform(*pairs[kind])) if kind in pairs else 0.0


def _placed(
    rng: np.random.Generator, ring: Ring, kind: str, inner: float, width: float, ranges: DamageRanges
) -> RingDamage:
    name, outer = ring.id, inner + width
    sign = 1 if rng.random() < 0.5 else -1
    match kind:
        case "held":
            return HeldStretch(name, inner, outer, "inner" if sign > 0 else "outer")
        case "dropoff":
            return DropOff(name, inner, outer, contrast_de00=float(rng.uniform(*ranges.drop_contrast_de00)))
        case "softdrop":
            most = (ring.ramp_mm[1] - ring.ramp_mm[0]) / 2 / width
            return DropOff(name, inner, outer, times=min(float(rng.uniform(*ranges.soft_times)), most), soft=True)
        case "step":
            return Step(name, inner, float(rng.uniform(*ranges.step_contrast_de00)))
        case "hue":
            return HueShift(name, inner + width, width, sign * float(rng.uniform(*ranges.hue_degrees)))
        case "bump":
            return Bump(name, inner + width, width, sign * float(rng.uniform(*ranges.bump_amplitude_l)))
        case _:
            return LightnessReversal(name, inner, outer, float(rng.uniform(*ranges.reversal_depth_l)))
