"""Bare paper beside the marks: what white is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.errors import CannotMeasureError

if TYPE_CHECKING:
    from ..place.placement import Placement
    from ..read.scanfile import ScanFile
    from .basis import Basis

__all__ = ["paper_means", "paper_part_l"]

Array = NDArray[np.float64]


def paper_means(scan: ScanFile, placement: Placement, basis: Basis) -> tuple[Array, float]:
    """Return the paper's mean linear values: the median over clear places, and the standard error of the second."""
    means = []
    for x0, y0, x1, y1 in placement.paper_windows_px:
        pixels = scan.read(x0, y0, x1, y1)
        if pixels.size:
            means.append(basis.linear(pixels).reshape(-1, 3).mean(axis=0, dtype=np.float64))
    if len(means) < 3:
        raise CannotMeasureError(f"{scan.path}: no clear paper was found beside the marks.")
    values = np.array(means)
    middle = np.median(values, axis=0)
    spread = 1.4826 * float(np.median(np.abs(values[:, 1] - middle[1])))
    return middle, 1.2533 * spread / np.sqrt(len(means))


def paper_part_l(lightness: Array, paper_error_l: float) -> Array:
    """Return what an error of white, in its own L*, adds to media-relative L* (n,): light errs in proportion."""
    share = np.where(lightness > 8.0, (lightness + 16.0) / 116.0, 3.0 * np.maximum(lightness, 0.0) / 116.0)
    return np.asarray(share * paper_error_l)
