"""One picture: read once, block by block; its colours worked out once each; its differences mapped."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ..results.photos import OVER_DE00, AreaOver
from ..results.score import Viewing
from .reading import Picture, upright
from .seen import seen_de00
from .sides import BITS, Side
from .table import CHANNELS, CodeBook, Coded, ColourTable
from .words import COLOUR_NAMES, colour_index

__all__ = ["CLOSER_DE00", "MAP_PX", "Areas", "Looked", "look_at"]

Array = NDArray[np.float64]
Map = NDArray[np.float32]

MAP_PX: Final = 1280
"""Longest side of the maps that places are found on and that the eye's filter works on."""

CLOSER_DE00: Final = 1.0
"""A side counts as closer in a place from this on: about what is just seen side by side."""

_BLOCK_PX: Final = 250_000
_STEP_DE00: Final = 0.01
_STEPS: Final = 6000
_NEUTRAL_C: Final = 3.0
_CHECKED: Final = 20_000


@dataclass(slots=True)
class Areas:
    """Areas in px, added up over a picture's colours."""

    pixels: int = 0
    over: dict[float, int] = field(default_factory=lambda: dict.fromkeys(OVER_DE00, 0))
    histogram: Array = field(default_factory=lambda: np.zeros(_STEPS + 1))
    total_de00: float = 0.0
    off_de00: Array = field(default_factory=lambda: np.zeros(2))
    closer: Array = field(default_factory=lambda: np.zeros(2))
    off_over_2: int = 0
    bits: tuple[dict[str, int], dict[str, int]] = field(
        default_factory=lambda: (dict.fromkeys(BITS, 0), dict.fromkeys(BITS, 0))
    )
    not_covered: int = 0
    chromatic: int = 0
    lightness: Array = field(default_factory=lambda: np.zeros(101))
    by_colour: Array = field(default_factory=lambda: np.zeros(len(COLOUR_NAMES)))

    def add(self, coded: Coded) -> None:
        """Add colours with their areas."""
        count = coded.count
        self.pixels += int(count.sum())
        for limit in OVER_DE00:
            self.over[limit] += int(count[coded.de00 > limit].sum())
        bins = np.minimum((coded.de00 / _STEP_DE00).astype(np.intp), _STEPS)
        self.histogram += np.bincount(bins, count, minlength=_STEPS + 1)
        self.total_de00 += float(coded.de00 @ count)
        self.off_de00 += count @ coded.off
        ahead = coded.off[:, 1] - coded.off[:, 0]
        self.closer += [count[ahead > CLOSER_DE00].sum(), count[ahead < -CLOSER_DE00].sum()]
        self.off_over_2 += int(count[coded.off[:, 0] > 2.0].sum())
        for sums, bits in zip(self.bits, (coded.bits_a, coded.bits_b), strict=True):
            for name, bit in BITS.items():
                sums[name] += int(count[(bits & bit) > 0].sum())
        either = (coded.bits_a | coded.bits_b) & BITS["not_covered"]
        self.not_covered += int(count[either > 0].sum())
        self.chromatic += int(count[np.hypot(coded.lab[:, 1], coded.lab[:, 2]) > _NEUTRAL_C].sum())
        self.lightness += np.bincount(np.clip(np.rint(coded.lab[:, 0]), 0, 100).astype(np.intp), count, minlength=101)
        off = coded.de00 > 2.0
        self.by_colour += np.bincount(colour_index(coded.lab[off]), count[off], minlength=len(COLOUR_NAMES))

    def area_over(self) -> AreaOver:
        """Return the shares over each limit."""
        return AreaOver(**{f"over_{limit:.0f}": self.over[limit] / self.pixels for limit in OVER_DE00})

    def share_over(self, limit_de00: float) -> float:
        """Return the share over any limit, to 0.01 ΔE00."""
        first = min(max(round(limit_de00 / _STEP_DE00), 0), _STEPS)
        return float(self.histogram[first:].sum()) / self.pixels

    def p95(self) -> float:
        """Return the difference that 95 % of the area stays under."""
        return float(np.searchsorted(np.cumsum(self.histogram), 0.95 * self.pixels) + 1) * _STEP_DE00

    def share(self, side: int, name: str) -> float:
        """Return the share of the area of which something is said."""
        return self.bits[side][name] / self.pixels


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Looked:
    """A picture's areas and its maps, turned as it is looked at.

    Attributes
    ----------
    factor : int
        Width of a map's pixel in the picture's.
    de00 : float array (rows, columns)
        Mean difference of the pixels in each.
    xyz_a, xyz_b : float array (3, rows, columns)
        Mean light of what comes out, relative to paper.
    unknown : float array (rows, columns)
        Share of each that a chart does not cover.
    closer_de00 : float array (rows, columns)
        By how much the first side is closer to what is asked, mean.
    seen_de00 : float array (rows, columns)
        The difference as seen.
    rounding_de00 : float or None
        For 16-bit colour pictures, how far sampled pixels' differences are from those of their rounded colours: mean.
    """

    areas: Areas
    factor: int
    de00: Map
    xyz_a: Map
    xyz_b: Map
    unknown: Map
    closer_de00: Map
    seen_de00: Map
    rounding_de00: float | None

    def area_over_seen(self) -> AreaOver:
        """Return the shares of the map over each limit."""
        return AreaOver(**{f"over_{limit:.0f}": float((self.seen_de00 > limit).mean()) for limit in OVER_DE00})


def look_at(
    picture: Picture, sides: tuple[Side, Side], reference: Side, viewing: Viewing, long_edge_mm: float
) -> Looked:
    """Look at one picture.

    Parameters
    ----------
    reference
        What both sides are held against.
    long_edge_mm
        How long the picture's longer side is on the print.

    Raises
    ------
    CannotMeasureError
        If the file turns out damaged, or a side cannot answer.
    """
    areas = Areas()
    book = CodeBook(picture.source, picture.bits, picture.grey)
    table = ColourTable(book, sides, reference, areas.add)
    factor = max(1, -(-max(picture.width, picture.height) // MAP_PX))
    rows, columns = -(-picture.stored_height // factor), -(-picture.stored_width // factor)
    maps = np.empty((rows, columns, CHANNELS), np.float32)
    step = max(1, _BLOCK_PX // (picture.stored_width * factor)) * factor
    rounding = _Rounding(book, table, picture)
    for start in range(0, picture.stored_height, step):
        pixels = picture.rows(start, min(start + step, picture.stored_height))
        found = table.look_up(book.codes(pixels))
        first = start // factor
        reduced = _reduced(found, factor)
        maps[first : first + len(reduced)] = reduced
        rounding.look(pixels, found)
    table.flush()
    rounded_off = rounding.mean()
    del table, rounding, found, reduced, pixels
    planes = np.ascontiguousarray(np.moveaxis(upright(maps, picture.orientation), -1, 0))
    del maps
    pitch_mm = long_edge_mm / max(picture.width, picture.height) * factor
    return Looked(
        areas=areas, factor=factor, de00=planes[0], xyz_a=planes[1:4], xyz_b=planes[4:7], unknown=planes[7],
        closer_de00=planes[8],
        seen_de00=seen_de00(planes[1:4], planes[4:7], pitch_mm, viewing), rounding_de00=rounded_off,
    )  # fmt: skip


def _reduced(found: Map, factor: int) -> Map:
    """Return means over blocks of factor × factor, with what is left at the edges as blocks of their own."""
    if factor == 1:
        return found
    height, width = found.shape[:2]
    down, across = np.arange(0, height, factor), np.arange(0, width, factor)
    sums = np.add.reduceat(np.add.reduceat(found, down, axis=0), across, axis=1)
    sizes = np.diff(np.append(down, height))[:, None, None] * np.diff(np.append(across, width))[None, :, None]
    return np.asarray(sums / sizes.astype(np.float32))


class _Rounding:
    """Checks a 16-bit picture's rounded colours against the pixels' own, on pixels spread over the picture."""

    def __init__(self, book: CodeBook, table: ColourTable, picture: Picture) -> None:
        self._table = table
        self._needed = picture.bits == 16 and not book.grey
        self._every = max(1, picture.width * picture.height // _CHECKED)
        self._values: list[NDArray[np.uint16]] = []
        self._rounded: list[Map] = []

    def look(self, pixels: NDArray[np.uint16], found: Map) -> None:
        if self._needed:
            self._values.append(pixels.reshape(-1, 3)[:: self._every].copy())
            self._rounded.append(found.reshape(-1, CHANNELS)[:: self._every, 0].copy())

    def mean(self) -> float | None:
        if not self._needed:
            return None
        exact = self._table.difference(np.concatenate(self._values) / 65535.0)
        return float(np.abs(exact - np.concatenate(self._rounded)).mean())
