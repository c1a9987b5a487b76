"""From pixels to means with standard errors: every figure is averaged in linear light, in bins of groups.

A bin is what one number is wanted for (a radius, a step, a place along a band). Its pixels are shared out to groups
(sectors of a disc, blocks of a patch): groups that dust or a hair has spoiled are left out by a robust rule, and the
spread of the others gives the standard error, whatever it comes from.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from inkstrain.targets.key import Box
from numpy.typing import NDArray

from .basis import Basis

if TYPE_CHECKING:
    from .placement import Placement
    from .scanfile import ScanFile

__all__ = ["Means", "Window", "grouped_means", "open_window"]

Array = NDArray[np.float64]

_GRID_MM: Final = 1.5
_OUTLIER: Final = 5.0  # robust standard deviations
_OUTLIER_FLOOR: Final = 0.25  # ΔE that no group is dropped for
_LEAST_FILLING: Final = 0.35


@dataclass(frozen=True, slots=True)
class Window:
    """A rectangle of a scan, with the chart's coordinates of its pixels.

    Attributes
    ----------
    pixels
        As scanned, (h, w, 3), uint8 or uint16.
    x_mm, y_mm
        Chart millimetres of the pixel centres, (h, w), float32.
    pixel_mm
        Mean side of a pixel on the chart.
    clipped
        True if the window had to be cut at the scan's edge.
    """

    pixels: NDArray[Any]
    x_mm: NDArray[np.float32]
    y_mm: NDArray[np.float32]
    pixel_mm: float
    clipped: bool


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
    return Window(pixels, down @ chart[..., 0] @ across.T, down @ chart[..., 1] @ across.T, pixel_mm, clipped)


def _interpolation(start: int, stop: int, step: int) -> tuple[Array, NDArray[np.float32]]:
    """Return sparse pixel centres and the matrix that interpolates linearly from them to all pixel centres."""
    nodes = np.linspace(start + 0.5, stop - 0.5, max((stop - start) // step, 1) + 1)
    place = (np.arange(start, stop) + 0.5 - nodes[0]) / (nodes[1] - nodes[0]) if len(nodes) > 1 else np.zeros(1)
    left = np.clip(place.astype(int), 0, max(len(nodes) - 2, 0))
    matrix = np.zeros((stop - start, len(nodes)), dtype=np.float32)
    index = np.arange(stop - start)
    matrix[index, left] = 1.0 - (place - left)
    matrix[index, left + 1] += place - left
    return nodes, matrix


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
    covariance_free_groups
        Number of groups that were kept, (n,).
    place
        Mean of the coordinate given with the pixels, (n,).
    """

    linear: Array
    lab: Array
    standard_error: Array
    covariance_free_groups: NDArray[np.int_]
    place: Array


def grouped_means(
    basis: Basis,
    paper_xyz: Array,
    pixels: NDArray[Any],
    bins: NDArray[np.int_],
    groups: NDArray[np.int_],
    shape: tuple[int, int],
    coordinate: NDArray[np.float32] | None = None,
) -> Means:
    """Average pixels in bins of groups.

    Parameters
    ----------
    pixels
        Shape (n, 3), as scanned.
    bins, groups
        Which bin and which of its groups each pixel belongs to, shape (n,).
    shape
        Numbers of bins and of groups.
    coordinate
        A coordinate of each pixel whose mean over each bin is wanted, shape (n,).
    """
    count_bins, count_groups = shape
    cell = bins * count_groups + groups
    size = count_bins * count_groups
    count = np.bincount(cell, minlength=size).reshape(shape).astype(np.float64)
    linear = basis.linear(pixels)
    total = np.stack(
        [np.bincount(cell, weights=linear[:, c], minlength=size).reshape(shape) for c in range(3)], axis=-1
    )
    place = np.full(count_bins, np.nan)
    if coordinate is not None:
        per_bin = np.bincount(bins, minlength=count_bins)
        sums = np.bincount(bins, weights=coordinate, minlength=count_bins)
        place = np.divide(sums, per_bin, out=place, where=per_bin > 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        means = total / count[..., None]
        lab = basis.lab(means, paper_xyz)
        usable = count >= np.maximum(_LEAST_FILLING * np.median(count, axis=1, keepdims=True), 1)
        kept = usable & _undisturbed(lab, usable)
        linear_mean = np.sum(total * kept[..., None], axis=1) / np.sum(count * kept, axis=1)[:, None]
        number = kept.sum(axis=1)
        spread = np.where(kept[..., None], lab, np.nan)
        error = _nan_std(spread) / np.sqrt(number)[:, None]
    return Means(linear_mean, basis.lab(linear_mean, paper_xyz), error, number, place)


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
    return np.sqrt(squares / np.maximum(number - 1, 1))
