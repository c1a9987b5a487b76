"""The printed colour of a ring as a function of radius, damage included, on a micrometre grid."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ..colorimetry import delta_e00, ipt_to_lab, lab_to_ipt, xyz_to_lab
from ..errors import WrongUsageError
from ..key import Ring
from ..recipe import Recipe
from ..rings import ring_lab, ring_rgb
from .damage import (
    Bump,
    DropOff,
    EarlyHub,
    HeldStretch,
    HueShift,
    LightnessReversal,
    LightnessWave,
    RingDamage,
    Step,
)
from .printers import Printer

__all__ = ["STEP_MM", "RingPath", "check_ring_damage", "ring_path"]

Array = NDArray[Any]

STEP_MM: Final = 0.001
"""Pitch of the table of radii."""
_PRINTER_STEP_MM: Final = 0.004
_BOX_EDGE: Final = 0.2
_SOFT_KNOTS: Final = 401  # of a soft drop-off: over 3 mm, chords 0.0075 mm long


@dataclass(frozen=True, slots=True, kw_only=True)
class RingPath:
    """One ring along its radius; all arrays share the first axis, CIELAB is media-relative.

    Parameters
    ----------
    radius_mm
        (n,) centres of cells `STEP_MM` wide, from the middle to the rim's outer edge.
    intended_lab, undamaged_lab, lab
        (n, 3): what the file asks for, what the printer makes of it, and that with the damage.
    position_mm
        (n,) the radius whose undamaged colour stands here.
    """

    ring: Ring
    radius_mm: Array
    intended_lab: Array
    undamaged_lab: Array
    position_mm: Array
    lab: Array


@dataclass(slots=True)
class _Piece:
    """A stretch of the warp from printed radius to position on the undamaged path."""

    inner: float
    outer: float
    speed: float  # of position; used where `fixed`, else a multiple of the common speed
    jump_before: float = 0.0  # in position, at `inner`; where `follows`, in common speed × width
    jump_after: float = 0.0
    follows: bool = False
    wanted: Callable[[float, float], float] | None = None  # error of (position at start, length travelled)
    sign: float = 1.0
    soft: bool = False


def ring_path(ring: Ring, recipe: Recipe, printer: Printer, damages: Sequence[RingDamage] = ()) -> RingPath:
    """Return a ring's printed colours, with damage, on a grid of `STEP_MM`.

    Raises
    ------
    WrongUsageError
        If damages overlap, leave the ramp, or ask for more than the path has.
    """
    count = round(ring.radius_mm / STEP_MM)
    radius = (np.arange(count) + 0.5) * STEP_MM
    at = functools.partial(_undamaged_lab, ring, recipe, printer)
    position = _warp(ring, radius, at, damages)
    lab = at(position)
    for damage in damages:
        if isinstance(damage, HueShift):
            lab = _turn_hue(lab, radius, damage)
        elif isinstance(damage, LightnessWave):
            lab = _add_wave(lab, radius, ring, damage)
        elif isinstance(damage, Bump):
            lab = lab + [1.0, 0.0, 0.0] * (damage.amplitude_l * _raised_cosine(radius, damage)[:, None])
    return RingPath(
        ring=ring,
        radius_mm=radius,
        intended_lab=ring_lab(ring, recipe, radius),
        undamaged_lab=at(radius),
        position_mm=position,
        lab=lab,
    )


def check_ring_damage(ring: Ring, recipe: Recipe, printer: Printer, damages: Sequence[RingDamage]) -> None:
    """Refuse damages that a ring's printed path cannot have; quicker than `ring_path`.

    Raises
    ------
    WrongUsageError
        As `ring_path` does.
    """
    _warp(ring, np.zeros(1), functools.partial(_undamaged_lab, ring, recipe, printer), damages)


def _undamaged_lab(ring: Ring, recipe: Recipe, printer: Printer, radius_mm: Array) -> Array:
    coarse, lab = _coarse_path(ring, recipe, printer)
    return np.stack([np.interp(radius_mm, coarse, lab[:, i]) for i in range(3)], axis=-1)


@functools.lru_cache(maxsize=64)
def _coarse_path(ring: Ring, recipe: Recipe, printer: Printer) -> tuple[Array, Array]:
    """Return radii and the undamaged CIELAB there; between them colours are interpolated."""
    coarse = np.arange(0.0, ring.radius_mm + _PRINTER_STEP_MM, _PRINTER_STEP_MM)
    coarse = np.union1d(coarse, ring.ramp_mm)
    return coarse, xyz_to_lab(printer.print_xyz(recipe.space, ring_rgb(ring, recipe, coarse)))


def _warp(ring: Ring, radius: Array, at: Callable[[Array], Array], damages: Sequence[RingDamage]) -> Array:
    """Return the position on the undamaged path for each radius."""
    pieces = sorted(_pieces(ring, at, damages), key=lambda piece: piece.inner)
    start, end = ring.ramp_mm
    edge = start
    for piece in pieces:
        if piece.inner < edge - 1e-9 or piece.outer > end + 1e-9:
            raise WrongUsageError(
                f"A damage of {ring.id} from {piece.inner:g} to {piece.outer:g} mm overlaps another one or leaves "
                f"the ramp, {start:g} to {end:g} mm."
            )
        edge = piece.outer
    if not pieces:
        return radius
    common = 1.0
    for _ in range(40):  # the common speed and the wanted contrasts settle together
        common, before = _common_speed(pieces, end - start), common
        if not 0.02 < common < 50:
            raise WrongUsageError(f"The damages of {ring.id} ask for more than its path has to give.")
        _settle(pieces, start, common)
        if abs(common - before) < 1e-12:
            break
    knots_radius, knots_position, place, here = [0.0, start], [0.0, start], start, start
    for piece in pieces:
        here += common * (piece.inner - place)
        knots_radius += [piece.inner, piece.inner + 1e-9]
        knots_position += [here, here + _jump(piece, piece.jump_before, common)]
        width = piece.outer - piece.inner
        if piece.soft:
            t = np.linspace(0.0, 1.0, _SOFT_KNOTS)[1:-1]
            rise = t - np.sin(2 * math.pi * t) / (2 * math.pi)  # the speed's integral
            knots_position += (knots_position[-1] + width * (common * t + (piece.speed - common) * rise)).tolist()
            knots_radius += (piece.inner + width * t).tolist()
        here += _jump(piece, piece.jump_before, common) + piece.speed * width
        knots_radius += [max(piece.outer, piece.inner + 2e-9), max(piece.outer, piece.inner + 2e-9) + 1e-9]
        knots_position += [here, here + _jump(piece, piece.jump_after, common)]
        here, place = knots_position[-1], piece.outer
    knots_radius += [end + 1e-8, ring.radius_mm + 1.0]
    knots_position += [end, ring.radius_mm + 1.0]
    return np.interp(radius, knots_radius, knots_position)


def _jump(piece: _Piece, jump: float, common: float) -> float:
    return jump * common * (piece.outer - piece.inner) if piece.follows else jump


def _common_speed(pieces: Sequence[_Piece], length: float) -> float:
    free, spent = length, 0.0
    for piece in pieces:
        width = piece.outer - piece.inner
        if not (piece.follows and piece.jump_before + piece.jump_after):
            free -= width
            spent += piece.speed * width + piece.jump_before + piece.jump_after
    return (length - spent) / free if free > 0 else math.inf


def _settle(pieces: Sequence[_Piece], start: float, common: float) -> None:
    """Set each piece's speed or jump so that its wanted contrast is met from where it now begins."""
    place, here = start, start
    for piece in pieces:
        here += common * (piece.inner - place)
        width = piece.outer - piece.inner
        if piece.wanted is not None:
            travel = piece.sign * _solve(piece.wanted, here)
            if width > 0:
                piece.speed = travel / width
            else:
                piece.jump_before = travel
        here += piece.speed * width + _jump(piece, piece.jump_before + piece.jump_after, common)
        place = piece.outer


def _solve(error: Callable[[float, float], float], here: float) -> float:
    low, high = 0.0, 0.05
    while error(here, high) < 0:
        low, high = high, high * 1.5
        if high > 100:
            raise WrongUsageError("A damage asks for more contrast than the ring's path has.")
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if error(here, middle) < 0 else (low, middle)
    return (low + high) / 2


def _pieces(ring: Ring, at: Callable[[Array], Array], damages: Sequence[RingDamage]) -> list[_Piece]:
    def contrast(target: float) -> Callable[[float, float], float]:
        def error(here: float, travel: float) -> float:
            ends = at(np.array([here, here + travel]))
            return float(delta_e00(ends[0], ends[1])) - target

        return error

    def depth(target: float) -> Callable[[float, float], float]:
        def error(here: float, travel: float) -> float:
            ends = at(np.array([here, here - travel]))
            return abs(float(ends[0, 0] - ends[1, 0])) - target

        return error

    pieces = []
    for damage in damages:
        match damage:
            case HeldStretch(inner_mm=inner, outer_mm=outer, at=end):
                jumps = (0.0, 1.0) if end == "inner" else (1.0, 0.0)
                pieces.append(_Piece(inner, outer, 0.0, *jumps, follows=True))
            case DropOff(inner_mm=inner, outer_mm=outer, times=times, contrast_de00=wanted, soft=soft):
                error = None if wanted is None else contrast(wanted)
                pieces.append(_Piece(inner, outer, times or 1.0, wanted=error, soft=soft))
            case Step(radius_mm=place, contrast_de00=wanted):
                pieces.append(_Piece(place, place, 0.0, wanted=contrast(wanted)))
            case LightnessReversal(inner_mm=inner, outer_mm=outer, depth_l=wanted):
                pieces.append(_Piece(inner, outer, 0.0, wanted=depth(wanted), sign=-1.0))
            case EarlyHub(to_mm=to, then=then):
                step = then == "step"
                pieces.append(_Piece(ring.ramp_mm[0], to, 0.0, 0.0, float(step), follows=step))
    return pieces


def _raised_cosine(radius: Array, damage: HueShift | Bump) -> Array:
    """Return the shape of a hue shift or a bump, 0 to 1: its full width at half height is the damage's width."""
    away = np.abs(radius - damage.radius_mm)
    box = isinstance(damage, HueShift) and damage.shape == "box"
    soft = _BOX_EDGE * damage.width_mm if box else damage.width_mm
    flat = damage.width_mm / 2 - soft / 2
    across = np.clip((away - flat) / soft, 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(math.pi * across))


def _turn_hue(lab: Array, radius: Array, damage: HueShift) -> Array:
    angle = np.radians(damage.degrees * _raised_cosine(radius, damage))
    touched = angle != 0.0
    ipt = lab_to_ipt(lab[touched])
    c, s = np.cos(angle[touched]), np.sin(angle[touched])
    turned = np.stack([ipt[:, 0], c * ipt[:, 1] - s * ipt[:, 2], s * ipt[:, 1] + c * ipt[:, 2]], axis=-1)
    lab = lab.copy()
    lab[touched] = ipt_to_lab(turned)
    return lab


def _add_wave(lab: Array, radius: Array, ring: Ring, damage: LightnessWave) -> Array:
    inner = ring.ramp_mm[0] if damage.inner_mm is None else damage.inner_mm
    outer = ring.ramp_mm[1] if damage.outer_mm is None else damage.outer_mm
    fade = min(damage.period_mm / 2, (outer - inner) / 2)
    window = np.clip(np.minimum(radius - inner, outer - radius) / fade, 0.0, 1.0)
    window = np.sin(window * math.pi / 2) ** 2
    lab = lab.copy()
    lab[:, 0] += damage.amplitude_l * window * np.sin(2 * math.pi * (radius - inner) / damage.period_mm)
    return lab
