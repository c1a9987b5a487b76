"""From pixels to means with standard errors: every figure is averaged in linear light, in bins of groups.

A bin is what one number is wanted for (a radius, a step, a place along a band). Its pixels are shared out to groups
(sectors of a disc, blocks of a patch): groups that dust or a hair has spoiled are left out by a robust rule, and the
spread of the others gives the standard error, whatever it comes from.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.key import Box

from ..colour.basis import Basis

if TYPE_CHECKING:
    from ..place.placement import Placement
    from ..read.scanfile import ScanFile

__all__ = ["Block", "Means", "Rows", "Tally", "Window", "disc_means", "means_of_cells", "open_window"]

Array = NDArray[np.float64]

_GRID_MM: Final = 2.0
_BLOCK_PX: Final = 48_000  # the quickest of 12,000 to 400,000: what is worked out for it stays in a cache
_LOOK_EVERY: Final = 16  # pixels, to find what part of a window a box is in
_OUTLIER: Final = 5.0  # robust standard deviations
_OUTLIER_FLOOR: Final = 0.25  # ΔE that no group is dropped for
_LEAST_FILLING: Final = 0.35


class Rows(Protocol):
    """Values of a window's pixels, of which rows are asked for: an array, or one that is worked out as it is needed."""

    def __getitem__(self, rows: slice, /) -> NDArray[np.float32]:
        """Return the values of some rows, (rows, w)."""
        ...


@dataclass(frozen=True, slots=True)
class _Interpolated:
    """Values that change slowly, known at nodes every `step` pixels, from the first pixel on: linear between them."""

    nodes: NDArray[np.float32]
    step: int
    height: int
    width: int

    def __getitem__(self, rows: slice, /) -> NDArray[np.float32]:
        number = np.arange(*rows.indices(self.height))
        above, part = np.divmod(number, self.step)
        share = (part / np.float32(self.step)).astype(np.float32)[:, None]
        lines = self.nodes[above] * (1 - share) + self.nodes[above + 1] * share
        # from a node and the way to the next to all pixels between: a product of matrices is the quickest
        cells = np.stack([lines[:, :-1], np.diff(lines, axis=1)], axis=-1).reshape(-1, 2)
        between = np.stack([np.ones(self.step), np.arange(self.step) / self.step]).astype(np.float32)
        return np.asarray((cells @ between).reshape(len(number), -1)[:, : self.width])


@dataclass(frozen=True, slots=True)
class Block:
    """Some pixels of a window as scanned, (..., 3), and chart millimetres of their centres, (...), float32."""

    pixels: NDArray[Any]
    x_mm: NDArray[np.float32]
    y_mm: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Window:
    """A rectangle of a scan, with the chart's coordinates of its pixels.

    Attributes
    ----------
    pixels
        As scanned, (h, w, 3), uint8 or uint16.
    x_mm, y_mm
        Chart millimetres of the pixel centres, by rows.
    pixel_mm
        Mean side of a pixel on the chart.
    clipped
        True if the window had to be cut at the scan's edge.
    """

    pixels: NDArray[Any]
    x_mm: Rows
    y_mm: Rows
    pixel_mm: float
    clipped: bool

    def blocks(self) -> Iterator[Block]:
        """Yield the window in blocks of rows, so that what is worked out for each pixel stays small."""
        rows = max(_BLOCK_PX // max(self.pixels.shape[1], 1), 1)
        for row in range(0, self.pixels.shape[0], rows):
            part = slice(row, row + rows)
            yield Block(self.pixels[part], self.x_mm[part], self.y_mm[part])

    def inside(self, box_mm: Box) -> Iterator[Block]:
        """Yield the pixels whose centres lie in a box of the chart, in blocks: pixels (n, 3), places (n,)."""
        x, y, width, height = (np.float32(value) for value in box_mm)
        look = slice(None, None, _LOOK_EVERY)
        margin = np.float32(_LOOK_EVERY * 1.5 * self.pixel_mm)  # a turned window is looked at along diagonals
        u, v = self.x_mm[look][:, look], self.y_mm[look][:, look]
        near = (np.abs(u - x - width / 2) < width / 2 + margin) & (np.abs(v - y - height / 2) < height / 2 + margin)
        if not near.any():
            return
        rows, columns = (np.flatnonzero(near.any(axis=axis)) * _LOOK_EVERY for axis in (1, 0))
        across = slice(int(columns[0]), int(columns[-1]) + _LOOK_EVERY)
        end = min(int(rows[-1]) + _LOOK_EVERY, self.pixels.shape[0])
        step = max(_BLOCK_PX // (across.stop - across.start), 1)
        for row in range(int(rows[0]), end, step):
            part = slice(row, min(row + step, end))
            u, v = self.x_mm[part][:, across], self.y_mm[part][:, across]
            wanted = np.flatnonzero((u >= x) & (u < x + width) & (v >= y) & (v < y + height))
            pixels = self.pixels[part, across].reshape(-1, 3)
            yield Block(pixels.take(wanted, axis=0), u.take(wanted), v.take(wanted))


def open_window(scan: ScanFile, placement: Placement, box_mm: Box, margin_mm: float = 0.5) -> Window:
    """Read the part of a scan that holds a box of the chart."""
    x, y, width, height = box_mm
    edge = np.linspace(-margin_mm, 1.0, 9)
    u = x - margin_mm + np.linspace(0, width + 2 * margin_mm, len(edge))
    v = y - margin_mm + np.linspace(0, height + 2 * margin_mm, len(edge))
    outline = np.concatenate(
        [np.c_[u, np.full_like(u, v[0])], np.c_[u, np.full_like(u, v[-1])],
         np.c_[np.full_like(v, u[0]), v], np.c_[np.full_like(v, u[-1]), v]]
    )  # fmt: skip
    px = placement.to_scan_px(outline)
    low, high = np.floor(px.min(axis=0)).astype(int), np.ceil(px.max(axis=0)).astype(int)
    x0, y0 = max(int(low[0]), 0), max(int(low[1]), 0)
    x1, y1 = min(int(high[0]), scan.width), min(int(high[1]), scan.height)
    clipped = (x0, y0) != (int(low[0]), int(low[1])) or (x1, y1) != (int(high[0]), int(high[1]))
    pixels = scan.read(x0, y0, x1, y1)
    pixel_mm = 25.4 / float(np.mean(placement.dpi))
    step = max(round(_GRID_MM / pixel_mm), 1)
    # one node beyond the last pixel
    columns, rows = (np.arange(first, last + step, step) + 0.5 for first, last in ((x0, x1), (y0, y1)))
    grid = np.stack(np.meshgrid(columns, rows), axis=-1)
    chart = placement.to_chart_mm(grid.reshape(-1, 2)).reshape(grid.shape).astype(np.float32)
    x_mm, y_mm = (_Interpolated(np.ascontiguousarray(chart[..., axis]), step, y1 - y0, x1 - x0) for axis in (0, 1))
    return Window(pixels, x_mm, y_mm, pixel_mm, clipped)


@dataclass(frozen=True, slots=True)
class Means:
    """Mean colours of bins.

    Attributes
    ----------
    linear
        Mean linear channel values, (n, 3); NaN where a bin has no pixels.
    lab
        Media-relative CIELAB of `linear`, (n, 3).
    standard_error
        Standard error of `lab` from the spread of groups, (n, 3).
    groups
        Number of groups that were kept, (n,).
    place
        Mean of the coordinate given with the pixels, (n,).
    cells
        CIELAB of every bin's groups, (n, groups, 3); NaN where a group was left out.
    cell_linear
        Mean linear channel values of every bin's groups, (n, groups, 3); NaN where a group was left out.
    cell_count
        Pixels of every bin's groups, (n, groups); 0 where a group was left out.
    """

    linear: Array
    lab: Array
    standard_error: Array
    groups: NDArray[np.int_]
    place: Array
    cells: Array
    cell_linear: Array
    cell_count: Array


class Tally:
    """Sums of linear light by bin and group, to which pixels are added block by block.

    Parameters
    ----------
    shape
        Numbers of bins and of groups.
    """

    def __init__(self, basis: Basis, shape: tuple[int, int]) -> None:
        self._basis = basis
        self._shape = shape
        self._count = np.zeros(shape)
        self._total = np.zeros((3, *shape))
        self._place = np.zeros(shape[0])

    def add(
        self,
        pixels: NDArray[Any],
        bins: NDArray[np.integer[Any]],
        groups: NDArray[np.integer[Any]],
        coordinate: NDArray[np.float32] | None = None,
    ) -> None:
        """Add pixels (n, 3) as scanned, with the bin and group of each, and a coordinate to be averaged by bin."""
        size = self._shape[0] * self._shape[1]
        cell = np.empty(len(bins), np.intp)
        np.multiply(bins, self._shape[1], out=cell)
        cell += groups
        self._count += np.bincount(cell, minlength=size).reshape(self._shape)
        for total, values in zip(self._total, np.moveaxis(self._basis.linear(pixels), -1, 0), strict=True):
            total += np.bincount(cell, weights=values, minlength=size).reshape(self._shape)
        if coordinate is not None:
            self._place += np.bincount(bins, weights=coordinate, minlength=self._shape[0])

    def means(self, paper_xyz: Array) -> Means:
        """Return the means of the bins over the groups that nothing has spoiled."""
        count, total = self._count, np.moveaxis(self._total, 0, -1)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = total / count[..., None]
            lab = self._basis.lab(mean, paper_xyz)
            usable = count >= np.maximum(_LEAST_FILLING * np.median(count, axis=1, keepdims=True), 1)
            kept = usable & _undisturbed(lab, usable)
            light = np.where(kept[..., None], mean, np.nan)
            return means_of_cells(light, count * kept, self._place / count.sum(axis=1), self._basis, paper_xyz)


def means_of_cells(light: Array, count: Array, place: Array, basis: Basis, paper_xyz: Array) -> Means:
    """Return the means of bins whose groups are known.

    Parameters
    ----------
    light, count
        Mean linear channel values and number of pixels by bin and group, (n, groups, 3) and (n, groups); NaN and 0
        where a group is left out.
    place
        Mean coordinate of each bin, (n,).
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        linear = np.nansum(light * count[..., None], axis=1) / np.sum(count, axis=1)[:, None]
        number = np.sum(count > 0, axis=1)
        cells = basis.lab(light, paper_xyz)
        error = _nan_std(cells) / np.sqrt(number)[:, None]
        return Means(linear, basis.lab(linear, paper_xyz), error, number, place, cells, light, count)


def disc_means(
    window: Window,
    centre_mm: tuple[float, float],
    first_mm: float,
    stop_mm: float,
    bin_mm: float,
    sectors: int,
    basis: Basis,
    paper_xyz: Array,
) -> Means:
    """Return the means of a disc, every pixel used once: bins are whole rings of `bin_mm`, groups are sectors.

    Parameters
    ----------
    centre_mm
        Centre of the disc on the chart.
    first_mm, stop_mm
        Radius where the first bin begins, and beyond which none ends.
    sectors
        Number of equal sectors, counted from +x towards +y.
    """
    count = int((stop_mm - first_mm) / bin_mm + 1e-6)
    tally = Tally(basis, (count, sectors))
    low, high = np.float32(first_mm), np.float32(first_mm + count * bin_mm)
    for part in window.blocks():
        x, y = part.x_mm - np.float32(centre_mm[0]), part.y_mm - np.float32(centre_mm[1])
        square = x * x
        square += y * y
        radius = np.sqrt(square, out=square).ravel()
        inside = np.flatnonzero((radius >= low) & (radius < high))
        radius = radius.take(inside)
        bins = np.minimum(((radius - low) * np.float32(1.0 / bin_mm)).astype(np.int32), count - 1)
        groups = _sector(x.take(inside), y.take(inside), sectors)
        tally.add(part.pixels.reshape(-1, 3).take(inside, axis=0), bins, groups, radius)
    return tally.means(paper_xyz)


def _sector(x: NDArray[np.float32], y: NDArray[np.float32], sectors: int) -> NDArray[np.int8]:
    """Return in which of equal sectors, a multiple of 4, counted from +x towards +y, directions lie.

    A quadrant's sectors are told by slopes: several times as fast as by angles.
    """
    across, down = np.abs(x), np.abs(y)
    found = np.zeros(x.shape, np.int8)
    for border in range(1, sectors // 4):
        found += (down > across * np.float32(np.tan(2 * np.pi * border / sectors))).view(np.int8)
    np.subtract(sectors // 2 - 1, found, out=found, where=x < 0)
    return np.subtract(sectors - 1, found, out=found, where=y < 0)


def _undisturbed(lab: Array, usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Tell which groups agree with the median of their bin, within 5 robust standard deviations."""
    values = np.where(usable[..., None], lab, np.nan)
    middle = _nan_median(values)
    away = np.abs(values - middle[:, None, :])
    scale = 1.4826 * _nan_median(away)
    return np.asarray(np.all(away <= _OUTLIER * scale[:, None, :] + _OUTLIER_FLOOR, axis=-1))


def _nan_median(values: Array) -> Array:
    """Median over axis 1 without the warnings that numpy gives for empty bins."""
    ordered = np.sort(values, axis=1)  # NaN last
    number = np.sum(~np.isnan(values), axis=1)
    low, high = np.maximum((number - 1) // 2, 0), np.maximum(number // 2, 0)
    low = np.minimum(low, values.shape[1] - 1)
    high = np.minimum(high, values.shape[1] - 1)
    pick = np.take_along_axis
    return np.asarray((pick(ordered, low[:, None], 1) + pick(ordered, high[:, None], 1))[:, 0] / 2)


def _nan_std(values: Array) -> Array:
    number = np.sum(~np.isnan(values), axis=1)
    mean = np.nansum(values, axis=1) / number
    squares = np.nansum((values - mean[:, None]) ** 2, axis=1)
    return np.asarray(np.sqrt(squares / np.maximum(number - 1, 1)))
