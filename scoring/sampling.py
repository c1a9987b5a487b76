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

from .basis import Basis

if TYPE_CHECKING:
    from .placement import Placement
    from .scanfile import ScanFile

__all__ = ["Block", "Means", "Rows", "Tally", "Window", "open_window"]

Array = NDArray[np.float64]

_GRID_MM: Final = 2.0
_BLOCK_PX: Final = 400_000
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
    """Values that change slowly, known at a sparse grid of nodes: ``down @ nodes @ across.T``."""

    down: NDArray[np.float32]
    nodes: NDArray[np.float32]
    across: NDArray[np.float32]

    def __getitem__(self, rows: slice, /) -> NDArray[np.float32]:
        return np.asarray(self.down[rows] @ self.nodes @ self.across.T, dtype=np.float32)


@dataclass(frozen=True, slots=True)
class Block:
    """Some rows of a window: pixels as scanned, (h, w, 3), and chart millimetres of their centres, (h, w), float32."""

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
    columns, across = _interpolation(x0, x1, step)
    rows, down = _interpolation(y0, y1, step)
    grid = np.stack(np.meshgrid(columns, rows), axis=-1)
    chart = placement.to_chart_mm(grid.reshape(-1, 2)).reshape(grid.shape).astype(np.float32)
    x_mm, y_mm = (_Interpolated(down, np.ascontiguousarray(chart[..., axis]), across) for axis in (0, 1))
    return Window(pixels, x_mm, y_mm, pixel_mm, clipped)


def _interpolation(start: int, stop: int, step: int) -> tuple[Array, NDArray[np.float32]]:
    """Return sparse pixel centres and the matrix that interpolates linearly from them to all pixel centres."""
    nodes = np.linspace(start + 0.5, stop - 0.5, max((stop - start) // step, 1) + 1)
    place = (np.arange(start, stop) + 0.5 - nodes[0]) / (nodes[1] - nodes[0]) if len(nodes) > 1 else np.zeros(1)
    left = np.clip(place.astype(int), 0, max(len(nodes) - 2, 0))
    matrix = np.zeros((stop - start, len(nodes)), dtype=np.float32)
    index = np.arange(stop - start)
    matrix[index, left] = 1.0 - (place - left)
    matrix[index, left + 1] += place - left
    return np.asarray(nodes, dtype=np.float64), matrix


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
    """

    linear: Array
    lab: Array
    standard_error: Array
    groups: NDArray[np.int_]
    place: Array
    cells: Array


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
        self._total = np.zeros((*shape, 3))
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
        cell = bins * self._shape[1] + groups
        self._count += np.bincount(cell, minlength=size).reshape(self._shape)
        for channel, values in enumerate(np.moveaxis(self._basis.linear(pixels), -1, 0)):
            self._total[..., channel] += np.bincount(cell, weights=values, minlength=size).reshape(self._shape)
        if coordinate is not None:
            self._place += np.bincount(bins, weights=coordinate, minlength=self._shape[0])

    def means(self, paper_xyz: Array) -> Means:
        """Return the means of the bins over the groups that nothing has spoiled."""
        count, total = self._count, self._total
        with np.errstate(invalid="ignore", divide="ignore"):
            lab = self._basis.lab(total / count[..., None], paper_xyz)
            usable = count >= np.maximum(_LEAST_FILLING * np.median(count, axis=1, keepdims=True), 1)
            kept = usable & _undisturbed(lab, usable)
            linear = np.sum(total * kept[..., None], axis=1) / np.sum(count * kept, axis=1)[:, None]
            number = kept.sum(axis=1)
            cells = np.where(kept[..., None], lab, np.nan)
            error = _nan_std(cells) / np.sqrt(number)[:, None]
            place = self._place / count.sum(axis=1)
            return Means(linear, self._basis.lab(linear, paper_xyz), error, number, place, cells)


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
