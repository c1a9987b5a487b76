"""A small grey picture of a whole scan, for finding codes and marks; made in one pass over the file."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from .scanfile import ScanFile

__all__ = ["Overview", "make_overview", "reduction_factor"]

_USUAL_PX: Final = 6_000_000
"""A4 at 240 dpi: enough for codes of 0.6 mm modules, and quick to search."""
_MOST_PX: Final = 40_000_000
_LEAST_DPI: Final = 150
_STRIP_BYTES: Final = 2 << 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Overview:
    """The scan's green channel, averaged over blocks of ``factor`` by ``factor`` pixels.

    Attributes
    ----------
    grey : uint8 array, shape (height, width)
        Code values of the file scaled to 0..255; columns and rows that fill no whole block are left out.
    factor : int
        Scan px per overview px. A point at overview px (x, y) lies at scan px (factor x, factor y).
    """

    grey: npt.NDArray[np.uint8]
    factor: int


def reduction_factor(width: int, height: int, dpi_tag: tuple[float, float] | None) -> int:
    """Return how many px a side to average, from the size and, for very large scans, the resolution tag."""
    factor = max(1, math.ceil(math.sqrt(width * height / _USUAL_PX)))
    if dpi_tag is None or min(dpi_tag) < _LEAST_DPI:
        return factor
    # a bed larger than A3 would fall below the resolution that a code needs
    least = max(1, math.ceil(math.sqrt(width * height / _MOST_PX)))
    return max(least, min(factor, int(min(dpi_tag) // _LEAST_DPI)))


def make_overview(scan: ScanFile) -> Overview:
    """Return the overview of a scan; memory in use beside it is a few MiB."""
    factor = reduction_factor(scan.width, scan.height, scan.dpi_tag)
    width, height = scan.width // factor, scan.height // factor
    if not width or not height:
        return Overview(grey=np.full((1, 1), 255, np.uint8), factor=factor)
    grey = np.empty((height, width), np.uint8)
    rows_each = max(1, _STRIP_BYTES // (scan.width * 3 * scan.dtype.itemsize * factor))
    scale = np.float32(255 / (scan.full_scale * factor * factor))
    for row in range(0, height, rows_each):
        rows = min(rows_each, height - row)
        pixels = scan.read(0, row * factor, scan.width, (row + rows) * factor)
        green = pixels.reshape(rows, factor, scan.width, 3)[:, :, : width * factor, 1]
        total = green[:, 0].astype(np.float32)
        for line in range(1, factor):
            total += green[:, line]
        columns = total.reshape(rows, width, factor)
        block = columns[:, :, 0].copy()
        for column in range(1, factor):
            block += columns[:, :, column]
        block *= scale
        block += np.float32(0.5)
        grey[row : row + rows] = block  # cannot pass 255.5, so it never wraps
    return Overview(grey=grey, factor=factor)
