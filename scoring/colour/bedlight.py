"""Even light across the scanner's bed: a scanned blank sheet divides it out, bare paper beside the marks shows it.

The blank sheet must be scanned with the same area and settings, on the same place of the bed. Only its slow course is
used: blocks of 4 mm, medians of their neighbours against dust, then smoothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.errors import CannotMeasureError

from ..place.placement import Placement
from ..read.scanfile import ScanFile, open_scan
from .basis import Basis

__all__ = ["BedLight", "EvenedScan", "evened", "light_flags", "read_blank", "uneven_light"]

Array = NDArray[np.float64]

UNEVEN: Final = 0.03
"""Light that differs by more across a tile is flagged: 1.2 L* on paper (common practice, no source)."""

_BLOCK_MM: Final = 4.0
_ASSUMED_DPI: Final = 300.0
_SMOOTH_BLOCKS: Final = 1.5
_MEDIAN_BLOCKS: Final = 5
_INNER: Final = 0.9
_MOST_RANGE: Final = 0.35
_DARKEST: Final = 0.2
_CLIPPED: Final = 0.999
_SHORT_MM: Final = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class BedLight:
    """The light across a bed, relative to its mean.

    Attributes
    ----------
    relative
        Linear light, (down, across, 3), at the centres of equal blocks.
    size_px
        Width and height of the blank scan.
    size_mm
        The same in mm by the file's resolution tag, or ``None`` without one.
    """

    relative: Array
    size_px: tuple[int, int]
    size_mm: tuple[float, float] | None
    name: str

    def at(self, scan: ScanFile, columns: Array, rows: Array) -> NDArray[np.float32]:
        """Return the light at a scan's pixel centres, (rows, columns, 3)."""
        scale = self._scale(scan)
        down, across = self.relative.shape[:2]
        u = _weights(columns * scale[0] / self.size_px[0] * across - 0.5, across)
        v = _weights(rows * scale[1] / self.size_px[1] * down - 0.5, down)
        return np.stack([v @ self.relative[..., c].astype(np.float32) @ u.T for c in range(3)], axis=-1)

    def _scale(self, scan: ScanFile) -> tuple[float, float]:
        """Return blank pixels to a scan pixel, along rows and columns.

        Raises
        ------
        CannotMeasureError
            If the blank scan does not cover what was scanned.
        """
        if self.size_mm is not None and scan.dpi_tag is not None:
            dpi = (self.size_px[0] / self.size_mm[0] * 25.4, self.size_px[1] / self.size_mm[1] * 25.4)
            scale = (dpi[0] / scan.dpi_tag[0], dpi[1] / scan.dpi_tag[1])
            short = [
                (pixels * factor - size) / (size / mm) > _SHORT_MM
                for pixels, factor, size, mm in zip(
                    (scan.width, scan.height), scale, self.size_px, self.size_mm, strict=True
                )
            ]
        else:
            scale = (self.size_px[0] / scan.width, self.size_px[1] / scan.height)
            short = [abs(scale[0] / scale[1] - 1) > 0.01]
        if any(short):
            raise CannotMeasureError(
                f"The blank scan {self.name} does not cover the area of {scan.path}. Scan the blank sheet with "
                "the same area, in the same place."
            )
        return scale


class EvenedScan(ScanFile):
    """A scan whose pixels come as linear light, float32, with the bed's light divided out."""

    def __init__(self, scan: ScanFile, basis: Basis, light: BedLight) -> None:
        # the same open file under another reading; whoever opened it closes it
        self.__dict__.update(scan.__dict__)
        self._scan, self._basis, self._light = scan, basis, light

    def read(self, x0: int, y0: int, x1: int, y1: int) -> Any:
        """Return linear light, float32, of the pixels with x0 <= x < x1 and y0 <= y < y1."""
        linear = self._basis.linear(self._scan.read(x0, y0, x1, y1))
        columns, rows = (np.arange(a, b, dtype=np.float64) + 0.5 for a, b in ((x0, x1), (y0, y1)))
        return np.asarray(linear / self._light.at(self._scan, columns, rows))


def evened(scan: ScanFile, basis: Basis, light: BedLight | None) -> ScanFile:
    """Return the scan with its light made even, or as it is without a blank scan."""
    return scan if light is None else EvenedScan(scan, basis, light)


def _weights(place: Array, count: int) -> NDArray[np.float32]:
    """Return the matrix that interpolates linearly from `count` nodes to places, and holds the ends beyond them."""
    place = np.clip(place, 0, count - 1)
    left = np.minimum(place.astype(int), max(count - 2, 0))
    matrix = np.zeros((len(place), count), dtype=np.float32)
    index = np.arange(len(place))
    matrix[index, left] = 1 - (place - left)
    matrix[index, np.minimum(left + 1, count - 1)] += (place - left).astype(np.float32)
    return matrix


def read_blank(path: Path, basis_of: Callable[[bytes | None, str], Basis]) -> BedLight:
    """Read the scan of a blank sheet, its codes decoded by the basis that its embedded profile and name give.

    Raises
    ------
    CannotMeasureError
        If it cannot be read, is clipped, or shows no blank sheet.
    """
    from scipy.ndimage import gaussian_filter, median_filter

    with open_scan(path) as scan:
        basis = basis_of(scan.icc, str(path))
        dpi = scan.dpi_tag or (_ASSUMED_DPI, _ASSUMED_DPI)
        across = max(round(scan.width / dpi[0] * 25.4 / _BLOCK_MM), 2)
        down = max(round(scan.height / dpi[1] * 25.4 / _BLOCK_MM), 2)
        edges = np.linspace(0, scan.height, down + 1).astype(int)
        columns = np.linspace(0, scan.width, across + 1).astype(int)
        light, clipped = np.zeros((down, across, 3)), 0.0
        for row in range(down):
            pixels = scan.read(0, int(edges[row]), scan.width, int(edges[row + 1]))
            clipped += float((pixels.min(axis=-1) >= _CLIPPED * scan.full_scale).mean()) / down
            sums = np.add.reduceat(basis.linear(pixels).mean(axis=0, dtype=np.float64), columns[:-1], axis=0)
            light[row] = sums / np.diff(columns)[:, None]
        size_mm = None if scan.dpi_tag is None else (scan.width / dpi[0] * 25.4, scan.height / dpi[1] * 25.4)
        size_px = (scan.width, scan.height)
    _check_blank(path, light, clipped)
    light = median_filter(light, size=(_MEDIAN_BLOCKS, _MEDIAN_BLOCKS, 1), mode="nearest")
    light = gaussian_filter(light, (_SMOOTH_BLOCKS, _SMOOTH_BLOCKS, 0), mode="nearest")
    return BedLight(light / _inner(light).mean(axis=(0, 1)), size_px, size_mm, str(path))


def _inner(light: Array) -> Array:
    """Return the blocks away from the edges, where a blank sheet may end."""
    y, x = (round(side * (1 - _INNER) / 2) for side in light.shape[:2])
    return light[y : light.shape[0] - y, x : light.shape[1] - x]


def _check_blank(path: Path, light: Array, clipped: float) -> None:
    if clipped > 0.05:
        raise CannotMeasureError(
            f"The blank scan {path} is at full white, which hides uneven light. Turn off the scanner's automatic "
            "exposure and scan it again."
        )
    inner = _inner(light)
    low, high = np.percentile(inner, (2, 98), axis=(0, 1))
    if high.min() < _DARKEST or np.any((high - low) / high > _MOST_RANGE):
        raise CannotMeasureError(
            f"The blank scan {path} shows more than a blank sheet. Lay one sheet of unprinted paper over all of it."
        )


def light_flags(scan: ScanFile, placement: Placement, basis: Basis, light: BedLight | None) -> tuple[str, ...]:
    """Return what is to be said of the light across a tile."""
    flags = () if light is None else (f"light-evened: by the blank scan {Path(light.name).name}",)
    uneven = uneven_light(scan, placement, basis)
    if uneven is None or uneven <= UNEVEN:
        return flags
    advice = (
        "scan a blank sheet with the same area and settings, and give it as --blank"
        if light is None
        else "the blank sheet was scanned in another place or under other light; scan it again beside the print"
    )
    return (*flags, f"uneven-light: bare paper differs by {100 * uneven:.0f} % across the scan; {advice}")


def uneven_light(scan: ScanFile, placement: Placement, basis: Basis) -> float | None:
    """Return how much the light differs across a tile, as a fraction, from bare paper beside the marks.

    A quadratic surface through the paper's luminance: its range over the places. ``None`` with too few places.
    """
    place, light = [], []
    for x0, y0, x1, y1 in placement.paper_windows_px:
        pixels = scan.read(x0, y0, x1, y1)
        if pixels.size:
            place.append(((x0 + x1) / 2 / scan.width, (y0 + y1) / 2 / scan.height))
            light.append(float(basis.xyz(basis.linear(pixels).reshape(-1, 3).mean(axis=0, dtype=np.float64))[1]))
    if len(light) < 20:
        return None
    x, y = np.array(place).T - 0.5
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    values = np.array(light) / np.median(light)
    kept = np.abs(values - 1) < 0.3
    for _ in range(3):
        surface = terms @ np.linalg.lstsq(terms[kept], values[kept], rcond=None)[0]
        away = np.abs(values - surface)
        kept = away <= 4 * max(1.4826 * float(np.median(away)), 1e-4)
    return float(np.ptp(surface[kept]))
