"""Colours worked out once each: a photograph has far fewer colours than pixels.

An 8-bit picture's colours are exact. Of 16 bits the 8 that are even in lightness are kept, so that a colour stands for
those within half of 0.4 L*; `CodeBook.rounding` says what that costs.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import delta_e00, lab_to_xyz, xyz_to_lab

from .reading import Source
from .sides import BITS, Intended, Side

__all__ = ["CHANNELS", "CodeBook", "Coded", "ColourTable", "colours_of"]

Array = NDArray[np.float64]
Codes = NDArray[np.int32]

_CHUNK: Final = 1 << 15
_ROWS: Final = 500_000
_WORKERS: Final = 2
CHANNELS: Final = 9
"""What a colour is looked up as: ΔE00, XYZ of both sides, 1 where a side cannot say, and by how much the first side is
closer to the reference than the second, ΔE00."""


@dataclass(frozen=True, slots=True)
class CodeBook:
    """From a picture's pixels to codes of its colours, and back to values.

    Attributes
    ----------
    levels : float array (levels,)
        Encoded value, 0 to 1, that each level of a channel stands for.
    """

    source: Source
    bits: int
    grey: bool
    levels: Array = field(init=False)
    _to_level: NDArray[np.int32] | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        if self.bits == 8:
            object.__setattr__(self, "levels", np.arange(256) / 255.0)
            return
        if self.grey:
            object.__setattr__(self, "levels", np.arange(65536) / 65535.0)
            return
        values = np.linspace(0.0, 1.0, 4097)
        lightness = xyz_to_lab(self.source.to_xyz(np.repeat(values[:, None], 3, axis=1)))[:, 0]
        # climbing by a hair wherever the profile does not, so that it can be turned round
        course = np.maximum.accumulate(lightness) + 1e-6 * np.arange(len(values))
        course = (course - course[0]) / (course[-1] - course[0])
        levels = np.interp(np.arange(256) / 255.0, course, values)
        borders = (levels[1:] + levels[:-1]) / 2
        object.__setattr__(self, "levels", levels)
        object.__setattr__(
            self, "_to_level", np.searchsorted(borders, np.arange(65536) / 65535.0, side="right").astype(np.int32)
        )

    @property
    def size(self) -> int:
        """How many codes there are."""
        return int(len(self.levels) ** (1 if self.grey else 3))

    def codes(self, pixels: NDArray[Any]) -> Codes:
        """Return codes (rows, columns) of pixels (rows, columns, channels)."""
        if self.grey:
            return np.asarray(pixels[..., 0], dtype=np.int32)
        if self._to_level is None:
            red, green, blue = (pixels[..., i].astype(np.int32) for i in range(3))
        else:
            red, green, blue = (self._to_level[pixels[..., i]] for i in range(3))
        return np.asarray((red << 16) | (green << 8) | blue, dtype=np.int32)

    def values(self, codes: Codes) -> Array:
        """Return encoded values (n, channels) of codes (n,)."""
        if self.grey:
            return np.repeat(self.levels[codes][:, None], self.source.channels, axis=1)
        return np.stack([self.levels[codes >> 16], self.levels[codes >> 8 & 255], self.levels[codes & 255]], axis=-1)


@dataclass(frozen=True, slots=True)
class Coded:
    """Worked-out colours: what is summed over the picture; ``off`` is ΔE00 of each side from the reference, (n, 2)."""

    lab: NDArray[np.float32]
    de00: NDArray[np.float32]
    off: NDArray[np.float32]
    bits_a: NDArray[np.uint16]
    bits_b: NDArray[np.uint16]
    count: NDArray[np.int64]


class ColourTable:
    """What two sides make of a picture's colours; filled as the picture is read, and started afresh when full.

    Parameters
    ----------
    reference
        What both sides are held against: what the file asks for, or that with its black fitted to the first side's.
    when_full
        Takes what was counted so far whenever the table is started afresh, and at the end (`flush`).
    """

    def __init__(
        self, book: CodeBook, sides: tuple[Side, Side], reference: Side, when_full: Callable[[Coded], None]
    ) -> None:
        self._book, self._sides, self._reference, self._when_full = book, sides, reference, when_full
        self._row_of = np.zeros(book.size, np.int32)  # row + 1; untouched pages of zeros take no memory
        self._used = 0
        rows = min(_ROWS, book.size)
        self.rows = np.empty((rows, CHANNELS), np.float32)
        self._lab = np.empty((rows, 3), np.float32)
        self._off = np.empty((rows, 2), np.float32)
        self._bits = np.empty((rows, 2), np.uint16)
        self._count = np.zeros(rows, np.int64)

    def look_up(self, codes: Codes) -> NDArray[np.float32]:
        """Return what `CHANNELS` says, (..., 9), of pixels given as codes; they are counted."""
        if codes.size > len(self.rows) and len(self.rows) < self._book.size:
            # a block may hold more colours than the table
            longer = int(codes.shape[1] > codes.shape[0])
            halves = np.array_split(codes, 2, axis=longer)
            return np.concatenate([self.look_up(half) for half in halves], axis=longer)
        found = self._row_of[codes]
        if not found.all():
            new = np.unique(codes[found == 0])
            if self._used + len(new) > len(self.rows):
                self.flush()
                new = np.unique(codes)
            self._work_out(new)
            found = self._row_of[codes]
        found -= 1
        self._count[: self._used] += np.bincount(found.ravel(), minlength=self._used)
        return self.rows[found]

    def flush(self) -> None:
        """Hand over what was counted, and start afresh."""
        for start in range(0, self._used, _CHUNK):
            part = slice(start, min(start + _CHUNK, self._used))
            bits = self._bits[part]
            self._when_full(
                Coded(self._lab[part], self.rows[part, 0], self._off[part], bits[:, 0], bits[:, 1], self._count[part])
            )
        self._row_of[:] = 0
        self._count[:] = 0
        self._used = 0

    def difference(self, values: Array) -> Array:
        """Return ΔE00 (n,) of encoded values (n, channels), not rounded and not counted."""
        _, lab_a, lab_b, _ = _both(self._book.source, values, self._sides)
        return np.asarray(delta_e00(lab_a, lab_b))

    def _work_out(self, codes: Codes) -> None:
        first = self._used
        self._row_of[codes] = np.arange(first + 1, first + 1 + len(codes))
        self._used += len(codes)
        starts = range(0, len(codes), _CHUNK)

        def one(start: int) -> None:
            part = codes[start : start + _CHUNK]
            rows = slice(first + start, first + start + len(part))
            values = self._book.values(part)
            intended, lab_a, lab_b, bits = _both(self._book.source, values, self._sides)
            self._lab[rows], self._bits[rows] = intended, bits
            self.rows[rows, 0] = delta_e00(lab_a, lab_b)
            self.rows[rows, 1:4], self.rows[rows, 4:7] = lab_to_xyz(lab_a), lab_to_xyz(lab_b)
            self.rows[rows, 7] = _unknown(bits)
            asked = self._reference.lab(self._book.source, values, intended)
            off = [np.asarray(delta_e00(lab_a, asked)), np.zeros(len(part))]
            if not isinstance(self._sides[1], Intended):
                off[1] = np.asarray(delta_e00(lab_b, asked))
            # what a chart does not cover is nearer to nothing
            self._off[rows] = np.where(_unknown(bits)[:, None], 0.0, np.stack(off, axis=-1))
            self.rows[rows, 8] = self._off[rows, 1] - self._off[rows, 0]

        if len(starts) == 1:
            one(0)
            return
        with ThreadPoolExecutor(_WORKERS) as pool:
            for _ in pool.map(one, starts):
                pass


def _both(source: Source, values: Array, sides: tuple[Side, Side]) -> tuple[Array, Array, Array, NDArray[np.uint16]]:
    """Return CIELAB asked for, of the first side and of the second, and what is said, of encoded values."""
    intended = xyz_to_lab(source.to_xyz(values))
    lab_a, lab_b = (side.lab(source, values, intended) for side in sides)
    bits = np.stack([side.bits(source, values, intended) for side in sides], axis=-1)
    # what a chart does not cover is not guessed: both are what was asked for, and no difference is claimed
    hidden = _unknown(bits)[:, None]
    return intended, np.where(hidden, intended, lab_a), np.where(hidden, intended, lab_b), bits


def colours_of(source: Source, values: Array, sides: tuple[Side, Side]) -> tuple[Array, Array]:
    """Return CIELAB (n, 3) of both sides, of encoded values (n, channels)."""
    _, lab_a, lab_b, _ = _both(source, values, sides)
    return lab_a, lab_b


def _unknown(bits: NDArray[np.uint16]) -> NDArray[np.bool_]:
    return np.asarray(((bits[:, 0] | bits[:, 1]) & BITS["not_covered"]) > 0)
