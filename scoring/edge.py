"""How sharp a scan shows a disc: the blur of the disc's own outer edge."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from inkstrain.targets.key import Ring

from .basis import Basis
from .sampling import Tally, Window

__all__ = ["rim_blur_mm"]

Array = NDArray[np.float64]

_SECTORS: Final = 24
_REACH_MM: Final = 0.4  # the window shows half a millimetre of paper around a disc
_BIN_MM: Final = 0.03
_LEAST_CONTRAST: Final = 0.1
_MOST_MISFIT: Final = 0.02  # rms, of the contrast


def rim_blur_mm(window: Window, ring: Ring, basis: Basis, paper_xyz: Array) -> float | None:
    """Return the Gaussian sigma of the edge between rim and paper, pixel included, in mm; ``None`` if there is none.

    The edge runs all round the disc that it speaks for, so that it holds what print, optics, pixels and any error of
    placing do to this disc; the marks, which are small, can be printed less sharply than it.
    """
    from scipy.optimize import curve_fit

    count = round(2 * _REACH_MM / _BIN_MM)
    first, last = ring.radius_mm - _REACH_MM, ring.radius_mm + _REACH_MM
    tally = Tally(basis, (count, _SECTORS))
    for part in window.blocks():
        x, y = part.x_mm - np.float32(ring.centre_mm[0]), part.y_mm - np.float32(ring.centre_mm[1])
        square = x * x + y * y
        inside = np.flatnonzero((square >= first * first) & (square < last * last))
        away = np.sqrt(square.ravel()[inside]) - np.float32(first)
        bins = np.minimum((away * np.float32(1.0 / _BIN_MM)).astype(np.int32), count - 1)
        turn = np.arctan2(y.ravel()[inside], x.ravel()[inside])
        sectors = (turn * np.float32(_SECTORS / (2 * np.pi)) + np.float32(_SECTORS)).astype(np.int32) % _SECTORS
        tally.add(part.pixels.reshape(-1, 3)[inside], bins, sectors, away)
    means = tally.means(paper_xyz)
    good = np.isfinite(means.linear).all(axis=1)
    if good.sum() < 0.8 * count:
        return None
    place, linear = means.place[good] - _REACH_MM, means.linear[good]
    ends = linear[:4].mean(axis=0), linear[-4:].mean(axis=0)
    channel = int(np.argmax(ends[1] - ends[0]))
    rim, paper = float(ends[0][channel]), float(ends[1][channel])
    if paper - rim < _LEAST_CONTRAST * paper:
        return None

    def edge(at: Array, inner: float, outer: float, middle: float, sigma: float) -> Array:
        return np.asarray(inner + (outer - inner) * ndtr((at - middle) / sigma))

    start = (rim, paper, 0.0, 0.07)
    bounds = ([-1.0, 0.0, -_REACH_MM / 2, 0.01], [2.0, 2.0, _REACH_MM / 2, _REACH_MM / 2])
    try:
        found, _ = curve_fit(edge, place, linear[:, channel], start, bounds=bounds)
    except RuntimeError:  # it has not settled
        return None
    misfit = float(np.sqrt(np.mean((edge(place, *found) - linear[:, channel]) ** 2)))
    if misfit > _MOST_MISFIT * (paper - rim):
        return None
    return float(np.sqrt(max(found[3] ** 2 - _BIN_MM**2 / 12.0, 1e-4)))
