"""Ink on paper: a Yule-Nielsen modified spectral Neugebauer model of four to seven invented inks.

Reflectance is the n-th power of the area-weighted mean of n-th roots over all overprints (Yule and Nielsen 1951 on
Neugebauer 1937; as in Wyble and Berns, Color Res. Appl. 25(1):4-19, 2000, from memory). With n = 1 light from the dots
adds up, as it does in a picture of them.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ..colorimetry import WHITE_D50, colour_science

__all__ = ["InkSet", "Separation", "covers_xyz", "device_xyz", "ink_covers", "overprints_xyz", "paper_xyz"]

Array = NDArray[np.float64]

_WAVELENGTHS_NM: Final = np.arange(400.0, 701.0, 10.0)
_WITH_LIGHT: Final = np.array([0, 1, 3])  # cyan, magenta and black, which have a light ink


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
    light
        Densities of light cyan, light magenta and light black as shares of the dark inks'; None: there are none.
    yule_nielsen
        n of the model.
    """

    density: tuple[float, float, float, float] = (1.9, 1.9, 1.7, 2.4)
    gain: tuple[float, float, float, float] = (0.12, 0.12, 0.10, 0.14)
    kink: float = 0.0
    kink_at: float = 0.4
    trapping_loss: float = 0.06
    paper_warmth: float = 0.02
    paper_reflectance: float = 0.90
    gloss: float = 0.003
    light: tuple[float, float, float] | None = None
    yule_nielsen: float = 2.0

    @property
    def count(self) -> int:
        """Number of inks: cyan, magenta, yellow, black, then light cyan, light magenta, light black."""
        return 4 if self.light is None else 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Separation:
    """From three amounts to the inks.

    Parameters
    ----------
    black_from, black_power, colour_removed
        When black comes in, and how much colour it replaces.
    ink_limit
        The most that cyan, magenta, yellow and black add up to.
    light_amount
        Where there are light inks, an amount a of an ink becomes a² of the dark one and ``light_amount · a (1 - a)`` of
        the light one: only light at first, only dark at last, and no kink between (a choice, no source).
    """

    black_from: float = 0.3
    black_power: float = 1.6
    colour_removed: float = 0.45
    ink_limit: float = 3.0
    light_amount: float = 2.0


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
    """Return n-th roots of the reflectances of all overprints (2^inks, wavelengths); bit i is ink i."""
    solid = np.asarray(inks.density)[:, None] * _ink_shapes()
    if inks.light is not None:
        solid = np.concatenate([solid, np.asarray(inks.light)[:, None] * solid[_WITH_LIGHT]])
    dots = np.array([[(i >> bit) & 1 for bit in range(inks.count)] for i in range(2**inks.count)], dtype=np.float64)
    density = dots @ solid * (1 - inks.trapping_loss * np.maximum(dots.sum(axis=1) - 1, 0))[:, None]
    reflectance = inks.gloss + (1 - inks.gloss) * _paper(inks) * 10.0**-density
    return np.asarray(reflectance ** (1 / inks.yule_nielsen))


def paper_xyz(inks: InkSet) -> Array:
    """Return XYZ of bare paper relative to a perfect white diffuser."""
    return np.asarray(_root_overprints(inks)[0] ** inks.yule_nielsen @ _weights())


@functools.lru_cache(maxsize=16)
def overprints_xyz(inks: InkSet) -> Array:
    """Return XYZ (2^inks, 3) relative to paper of all overprints, bit i being ink i."""
    xyz = _root_overprints(inks) ** inks.yule_nielsen @ _weights()
    return np.asarray(xyz / paper_xyz(inks) * WHITE_D50)


def device_xyz(inks: InkSet, separation: Separation, amounts: Array) -> Array:
    """Return XYZ (n, 3) relative to paper of amounts (n, 3) of cyan, magenta and yellow, 0 to 1."""
    return covers_xyz(inks, ink_covers(inks, separation, amounts))


def ink_covers(inks: InkSet, separation: Separation, amounts: Array) -> Array:
    """Return the share of paper that each ink covers, dot gain included, (n, inks), of amounts (n, 3)."""
    cover = _separate(separation, amounts)
    gain = np.asarray(inks.gain)
    if inks.light is not None:
        parted = cover[:, _WITH_LIGHT]
        light = separation.light_amount * parted * (1 - parted)
        cover = cover.copy()
        cover[:, _WITH_LIGHT] = parted**2
        cover = np.concatenate([cover, light], axis=1)
        gain = np.concatenate([gain, gain[_WITH_LIGHT]])
    return _tone(inks, cover, gain)


def covers_xyz(inks: InkSet, covers: Array) -> Array:
    """Return XYZ (n, 3) relative to paper of covers (n, inks), inks lying on each other by chance."""
    area = np.ones((len(covers), 1))
    for ink in range(inks.count):  # Demichel: each overprint's area is the product of its inks' covers
        c = covers[:, ink : ink + 1]
        area = np.concatenate([area * (1 - c), area * c], axis=1)
    if inks.yule_nielsen == 1.0:
        return np.asarray(area @ overprints_xyz(inks))
    xyz = (area @ _root_overprints(inks)) ** inks.yule_nielsen @ _weights()
    return np.asarray(xyz / paper_xyz(inks) * WHITE_D50)


def _separate(separation: Separation, amounts: Array) -> Array:
    grey = amounts.min(axis=1, keepdims=True)
    start = separation.black_from
    black = np.clip((grey - start) / (1 - start), 0.0, 1.0) ** separation.black_power
    colour = amounts - separation.colour_removed * black * grey
    room = (separation.ink_limit - black) / np.maximum(colour.sum(axis=1, keepdims=True), 1e-9)
    return np.concatenate([colour * np.minimum(room, 1.0), black], axis=1)


def _tone(inks: InkSet, cover: Array, gain: Array) -> Array:
    if inks.kink:
        at, lift = inks.kink_at, inks.kink * inks.kink_at * (1 - inks.kink_at)
        cover = np.where(cover < at, cover * (1 + lift / at), at + lift + (cover - at) * (1 - lift / (1 - at)))
    return np.asarray(np.clip(cover + 4 * gain * cover * (1 - cover), 0.0, 1.0))
