"""How sharp a scan shows a disc: the blur of the disc's own outer edge."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from inkstrain.targets.key import Ring

from ..colour.basis import Basis
from ..maths.solvers import fit_curve
from .sampling import Window, disc_means

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
    first, last = ring.radius_mm - _REACH_MM, ring.radius_mm + _REACH_MM
    means = disc_means(window, ring.centre_mm, first, last, _BIN_MM, _SECTORS, basis, paper_xyz)
    good = np.asarray(np.isfinite(means.linear).all(axis=1))
    if good.sum() < 0.8 * len(good):
        return None
    place, linear = means.place[good] - ring.radius_mm, means.linear[good]
    ends = linear[:4].mean(axis=0), linear[-4:].mean(axis=0)
    channel = int(np.argmax(ends[1] - ends[0]))
    rim, paper = float(ends[0][channel]), float(ends[1][channel])
    if paper - rim < _LEAST_CONTRAST * paper:
        return None

    def edge(parameters: Array) -> Array:
        # a Gaussian's edge seen by a square pixel, whose box has the same variance in every direction
        inner, outer, middle, sigma = parameters
        return np.asarray(inner + (outer - inner) * _box_edge(place - middle, float(sigma), window.pixel_mm))

    bounds = ([-1.0, 0.0, -_REACH_MM / 2, 0.01], [2.0, 2.0, _REACH_MM / 2, _REACH_MM / 2])
    found = fit_curve(edge, linear[:, channel], (rim, paper, 0.0, 0.07), bounds)
    if found is None:
        return None
    misfit = float(np.sqrt(np.mean((edge(found) - linear[:, channel]) ** 2)))
    if misfit > _MOST_MISFIT * (paper - rim):
        return None
    return float(np.sqrt(max(found[3] ** 2 + (window.pixel_mm**2 - _BIN_MM**2) / 12.0, 1e-4)))


def _box_edge(away: Array, sigma: float, width: float) -> Array:
    """Return an edge from 0 to 1 of a Gaussian sigma, averaged over a box's width."""

    def area(at: Array) -> Array:
        return np.asarray(at * ndtr(at / sigma) + sigma / np.sqrt(2 * np.pi) * np.exp(-0.5 * (at / sigma) ** 2))

    return np.asarray((area(away + width / 2) - area(away - width / 2)) / width)
