"""Layers of a print and a scan, each drawn from its own stream of one seed, in blocks that no strip size changes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .geometry import ScanGeometry
from .options import PrintOptions, ScanOptions

__all__ = ["Grain", "Speck", "banding_table", "blur", "draw_specks", "generator", "scan_noise"]

Plane = NDArray[np.float32]

_STREAMS: Final = ("grain", "banding", "noise", "dust", "hairs", "damage", "drops")
_SAMPLED_FROM_PX: Final = 0.8  # wide enough that sampling at whole pixels changes neither moment by 1 %
_NOISE_ROWS: Final = 64
_GRAIN_ROWS: Final = 128
_SHIFTS: Final = (0, 7919, 15541)  # primes: far apart on the sheet for each channel's own grain


def generator(seed: int, layer: str, *block: int) -> np.random.Generator:
    """Return the random stream of one layer and block."""
    sequence = np.random.SeedSequence(seed, spawn_key=(_STREAMS.index(layer), *block))
    return np.random.Generator(np.random.SFC64(sequence))


@dataclass(frozen=True, slots=True)
class Grain:
    """Relative reflectance of every print dot of a sheet: ``field`` (rows, columns), dots ``dot_mm`` wide."""

    field: Plane
    dot_mm: float
    coloured: float

    @classmethod
    def draw(cls, options: PrintOptions, sheet_mm: tuple[float, float], pixel_mm: float, seed: int) -> Grain | None:
        """Return the grain of a sheet as a scanner of a given pixel averages it, or None where there is none."""
        if not options.grain:
            return None
        dot = options.grain_dot_mm
        columns, rows = (math.ceil(side / dot) + 1 for side in sheet_mm)
        blocks = [
            generator(seed, "grain", block).standard_normal((_GRAIN_ROWS, columns), dtype=np.float32)
            for block in range(-(-rows // _GRAIN_ROWS))
        ]
        field = np.concatenate(blocks)[:rows]
        correlation = options.grain_correlation_mm / dot
        if correlation:
            field = ndimage.gaussian_filter(field, correlation, mode="wrap")
            field /= field.std()
        field *= options.grain
        if options.grain_shape == "lognormal":
            sigma = math.sqrt(math.log1p(options.grain**2))
            field = np.expm1(field * (sigma / options.grain) - sigma**2 / 2)
        # a square of the pixel's width has the variance of this Gaussian; finer pixels see single dots
        if pixel_mm > dot:
            field = ndimage.gaussian_filter(field, pixel_mm / math.sqrt(12.0) / dot, mode="wrap")
        return cls(field, dot, options.grain_coloured)

    def apply(self, light: Plane, x_mm: Plane, y_mm: Plane) -> None:
        """Multiply light (3, h, w) by the grain at sheet x and y (h, w), in place."""
        rows, columns = self.field.shape
        scale = np.float32(1.0 / self.dot_mm)
        place = np.clip(y_mm * scale, 0, rows - 1).astype(np.int32) * columns
        place += np.clip(x_mm * scale, 0, columns - 1).astype(np.int32)
        flat = self.field.ravel()
        own = flat.take(place)
        if not self.coloured:
            light *= own + 1
            return
        share, rest = math.sqrt(1.0 - self.coloured), math.sqrt(self.coloured)
        for channel, shift in enumerate(_SHIFTS):
            other = flat.take(place + shift * 3 + 1, mode="wrap")
            light[channel] *= 1 + np.float32(share) * own + np.float32(rest) * other


def banding_table(options: PrintOptions, length_mm: float, seed: int) -> tuple[Plane, float]:
    """Return L* offsets along a sheet's side and their pitch in mm."""
    pitch = min(0.01, options.banding_period_mm / 100)
    place = np.arange(math.ceil(length_mm / pitch) + 2) * pitch
    phase = place / options.banding_period_mm
    if options.banding_jitter:
        nodes = generator(seed, "banding").standard_normal(math.ceil(phase[-1]) + 2)
        phase = phase + options.banding_jitter * np.interp(phase, np.arange(nodes.size), nodes)
    start = options.banding_phase_deg / 360
    return (options.banding_l * np.sin(2 * np.pi * (phase + start))).astype(np.float32), pitch


def scan_noise(seed: int, rows: range, width: int, channels: int) -> Plane:
    """Return unit normal noise (channels, rows, width); the same for a row whatever strip asks for it."""
    first, last = rows.start // _NOISE_ROWS, (rows.stop - 1) // _NOISE_ROWS
    blocks = [
        generator(seed, "noise", block).standard_normal((channels, _NOISE_ROWS, width), dtype=np.float32)
        for block in range(first, last + 1)
    ]
    start = rows.start - first * _NOISE_ROWS
    whole = blocks[0] if len(blocks) == 1 else np.concatenate(blocks, axis=1)
    return whole[:, start : start + len(rows)]


@dataclass(frozen=True, slots=True)
class Speck:
    """Something on the glass: a disc of ``radius`` px at (x, y) px that lets ``light`` through."""

    x: float
    y: float
    radius: float
    light: float

    def apply(self, light: Plane, top: int, left: int) -> None:
        """Dim light (3, h, w), whose first pixel is (left, top) of the scan, in place."""
        height, width = light.shape[1:]
        reach = self.radius + 1
        y0, y1 = max(0, int(self.y - reach - top)), min(height, int(self.y + reach - top) + 2)
        x0, x1 = max(0, int(self.x - reach - left)), min(width, int(self.x + reach - left) + 2)
        if y0 >= y1 or x0 >= x1:
            return
        dy = np.arange(y0, y1)[:, None] + (top + 0.5 - self.y)
        dx = np.arange(x0, x1)[None, :] + (left + 0.5 - self.x)
        cover = np.clip(self.radius + 0.5 - np.hypot(dx, dy), 0.0, 1.0)
        light[:, y0:y1, x0:x1] *= (1.0 - cover * (1.0 - self.light)).astype(np.float32)


def draw_specks(options: ScanOptions, geometry: ScanGeometry, seed: int) -> tuple[Speck, ...]:
    """Return dust and hairs, from the top down; a hair is a curved string of small specks."""
    pixel = geometry.pixel_mm
    specks: list[Speck] = []
    rng = generator(seed, "dust")
    for _ in range(options.dust):
        x, y = rng.random(2) * (geometry.width_px, geometry.height_px)
        specks.append(Speck(float(x), float(y), float(rng.uniform(0.03, 0.15)) / pixel, float(rng.uniform(0.2, 0.7))))
    rng = generator(seed, "hairs")
    for _ in range(options.hairs):
        x, y = rng.random(2) * (geometry.width_px, geometry.height_px)
        radius, light = rng.uniform(0.015, 0.03) / pixel, float(rng.uniform(0.3, 0.7))
        heading, bend = rng.uniform(0, 2 * math.pi), rng.normal(0, 0.25)
        step = max(radius, 0.5) * 2  # side by side, so that no place is dimmed twice
        for i in range(int(rng.uniform(2.0, 9.0) / pixel / step)):
            heading += bend * step * pixel
            x, y = x + step * math.cos(heading), y + step * math.sin(heading)
            specks.append(Speck(float(x), float(y), float(radius), light if i else 1.0))
    return tuple(sorted(specks, key=lambda speck: speck.y))


def _gaussian_taps(sigma_px: float, reach: int) -> NDArray[np.float64]:
    """Return one half of a Gaussian's kernel, from its middle, that blurs by `sigma_px` in spite of its few taps.

    A narrow Gaussian that is sampled at whole pixels blurs less than it says (0.19 for 0.35 pixels); its taps are those
    that have the Gaussian's variance and fourth moment instead.
    """
    square = sigma_px * sigma_px
    if sigma_px < _SAMPLED_FROM_PX:
        second = (3 * square - 1) * square / 24 if reach > 1 else 0.0
        first = square / 2 - 4 * second
        return np.array([1 - 2 * (first + second), first, second][: reach + 1] + [0.0] * (reach - 2))
    kernel = np.exp(-0.5 * np.arange(reach + 1) ** 2 / square)
    return np.asarray(kernel / (kernel[0] + 2 * kernel[1:].sum()))


def blur(light: Plane, sigma_px: float, margin: int) -> Plane:
    """Return light (c, h, w) blurred by a Gaussian, with a margin cut off all around."""
    if sigma_px <= 0:
        return light[:, margin : light.shape[1] - margin, margin : light.shape[2] - margin]
    reach = min(margin, max(1, math.ceil(3.5 * sigma_px)))
    kernel = _gaussian_taps(sigma_px, reach)
    height, width = light.shape[1] - 2 * margin, light.shape[2] - 2 * margin
    down = light[:, margin : margin + height] * np.float32(kernel[0])
    for i in range(1, reach + 1):
        down += np.float32(kernel[i]) * (
            light[:, margin - i : margin - i + height] + light[:, margin + i : margin + i + height]
        )
    across: Any = ndimage.correlate1d(down, np.concatenate([kernel[:0:-1], kernel]), axis=2, mode="nearest")
    return np.asarray(across[:, :, margin : margin + width], dtype=np.float32)
