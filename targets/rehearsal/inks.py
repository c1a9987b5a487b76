"""Ink on paper: a Yule-Nielsen modified spectral Neugebauer model of four invented inks, n = 2.

Reflectance is the square of the area-weighted mean of square roots over the sixteen overprints (Yule and Nielsen
1951 on Neugebauer 1937; as in Wyble and Berns, Color Res. Appl. 25(1):4-19, 2000, from memory).
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ..colorimetry import WHITE_D50, colour_science

__all__ = ["InkSet", "Separation", "device_xyz", "paper_xyz"]

Array = NDArray[np.float64]

_WAVELENGTHS_NM: Final = np.arange(400.0, 701.0, 10.0)
_DOTS: Final = np.array([[(i >> bit) & 1 for bit in range(4)] for i in range(16)], dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class InkSet:
    """Inks on one paper.

    Parameters
    ----------
    density
        Peak optical density of solid cyan, magenta, yellow and black.
    gain
        Dot gain of each at half coverage, as a share of the area; at most 0.25, so that tone stays in order.
    kink
        Excess of the tone response's slope below ``kink_at``, as where a light ink gives way to a dark one.
    kink_at
        Nominal coverage of that place.
    trapping_loss
        How much less dense overprints are than the sum of their inks, for each ink after the first.
    paper_warmth, paper_reflectance
        Paper: reflectance at 550 nm, and its relative fall from there to 400 nm.
    gloss
        Share of light that the surface returns before any ink is met; it sets the black point.
    """

    density: tuple[float, float, float, float] = (1.9, 1.9, 1.7, 2.4)
    gain: tuple[float, float, float, float] = (0.12, 0.12, 0.10, 0.14)
    kink: float = 0.0
    kink_at: float = 0.4
    trapping_loss: float = 0.06
    paper_warmth: float = 0.02
    paper_reflectance: float = 0.90
    gloss: float = 0.003


@dataclass(frozen=True, slots=True, kw_only=True)
class Separation:
    """From three amounts to four inks: when black comes in, how much colour it replaces, and the total ink limit."""

    black_from: float = 0.3
    black_power: float = 1.6
    colour_removed: float = 0.45
    ink_limit: float = 3.0


def _sigmoid(x: Array) -> Array:
    return np.asarray(1.0 / (1.0 + np.exp(-x)))


@functools.cache
def _ink_shapes() -> Array:
    """Return density spectra (4, wavelengths) with peaks of about 1; invented, shaped like pigments."""
    w = _WAVELENGTHS_NM
    cyan = _sigmoid((w - 585) / 11) * (1 - 0.25 * _sigmoid((w - 690) / 12)) + 0.07 * np.exp(-(((w - 420) / 40) ** 2))
    magenta = np.exp(-(((w - 542) / 44) ** 2)) + 0.12 * np.exp(-(((w - 410) / 45) ** 2))
    yellow = _sigmoid((489 - w) / 8)
    black = 0.96 + 0.04 * (w - 400) / 300
    return np.stack([cyan, magenta, yellow, black])


@functools.cache
def _weights() -> Array:
    """Return (wavelengths, 3): XYZ of a perfect white at Y = 1, D50 and the 2° observer."""
    colour = colour_science()
    shape = colour.SpectralShape(400, 700, 10)
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values
    light = colour.SDS_ILLUMINANTS["D50"].copy().align(shape).values[:, None]
    weights = np.asarray(cmfs * light)
    # the tails beyond 400 to 700 nm are left out: put the white where the connection space has it
    return np.asarray(weights / weights.sum(axis=0) * WHITE_D50)


def _paper(inks: InkSet) -> Array:
    return np.asarray(inks.paper_reflectance * (1 - inks.paper_warmth * (550 - _WAVELENGTHS_NM) / 150))


@functools.lru_cache(maxsize=16)
def _root_overprints(inks: InkSet) -> Array:
    """Return square roots of the sixteen overprints' reflectances (16, wavelengths)."""
    density = _DOTS @ (np.asarray(inks.density)[:, None] * _ink_shapes())
    density = density * (1 - inks.trapping_loss * np.maximum(_DOTS.sum(axis=1) - 1, 0))[:, None]
    return np.asarray(np.sqrt(inks.gloss + (1 - inks.gloss) * _paper(inks) * 10.0**-density))


def paper_xyz(inks: InkSet) -> Array:
    """Return XYZ of bare paper relative to a perfect white diffuser."""
    return np.asarray(_root_overprints(inks)[0] ** 2 @ _weights())


def device_xyz(inks: InkSet, separation: Separation, amounts: Array) -> Array:
    """Return XYZ (n, 3) relative to paper of amounts (n, 3) of cyan, magenta and yellow, 0 to 1."""
    cover = _tone(inks, _separate(separation, amounts))
    area = np.ones((len(cover), 1))
    for ink in range(4):  # Demichel: each overprint's area is the product of its inks' covers
        c = cover[:, ink : ink + 1]
        area = np.concatenate([area * (1 - c), area * c], axis=1)
    xyz = (area @ _root_overprints(inks)) ** 2 @ _weights()
    return np.asarray(xyz / paper_xyz(inks) * WHITE_D50)


def _separate(separation: Separation, amounts: Array) -> Array:
    grey = amounts.min(axis=1, keepdims=True)
    start = separation.black_from
    black = np.clip((grey - start) / (1 - start), 0.0, 1.0) ** separation.black_power
    colour = amounts - separation.colour_removed * black * grey
    room = (separation.ink_limit - black) / np.maximum(colour.sum(axis=1, keepdims=True), 1e-9)
    return np.concatenate([colour * np.minimum(room, 1.0), black], axis=1)


def _tone(inks: InkSet, cover: Array) -> Array:
    if inks.kink:
        at, lift = inks.kink_at, inks.kink * inks.kink_at * (1 - inks.kink_at)
        cover = np.where(cover < at, cover * (1 + lift / at), at + lift + (cover - at) * (1 - lift / (1 - at)))
    return np.asarray(np.clip(cover + 4 * np.asarray(inks.gain) * cover * (1 - cover), 0.0, 1.0))
