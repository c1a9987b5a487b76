"""How sharp a scan shows a disc: the blur of the disc's own outer edge."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from inkstrain.targets.key import Ring

from ..colour.basis import Basis
from ..maths.solvers import fit_curve
from .course import SECTORS, local_line, standard_error, versions_of
from .sampling import Window, disc_means

__all__ = ["rim_blur_mm"]

Array = NDArray[np.float64]

_REACH_MM: Final = 0.4  # the window shows half a millimetre of paper around a disc
_BIN_MM: Final = 0.03
_SMOOTHING_MM: Final = 0.05  # half of the resolution
_LEAST_CONTRAST: Final = 0.1
_MOST_MISFIT: Final = 0.02  # rms, of the contrast


def rim_blur_mm(window: Window, ring: Ring, basis: Basis, paper_xyz: Array) -> tuple[float, float] | None:
    """Return the Gaussian sigma of the edge between rim and paper, pixel included, and its standard error, in mm.

    ``None`` if there is no such edge.

    The edge runs all round the disc that it speaks for, so that it holds what print, optics, pixels and any error of
    placing do to this disc; the marks, which are small, can be printed less sharply than it. A pixel's edge is no
    Gaussian's, but a course is smoothed, and then only its variance counts: so the edge is smoothed, too, before a
    Gaussian is fitted, and that smoothing taken off again (without it, 200 dpi came out 3 µm of 70 too sharp).
    """
    first, last = ring.radius_mm - _REACH_MM, ring.radius_mm + _REACH_MM
    means = disc_means(window, ring.centre_mm, first, last, _BIN_MM, SECTORS, basis, paper_xyz)
    good = np.asarray(np.isfinite(means.linear).all(axis=1))
    if good.sum() < 0.8 * len(good):
        return None
    place, linear = means.place[good] - ring.radius_mm, means.linear[good]
    ends = linear[:4].mean(axis=0), linear[-4:].mean(axis=0)
    channel = int(np.argmax(ends[1] - ends[0]))
    rim, paper = float(ends[0][channel]), float(ends[1][channel])
    if paper - rim < _LEAST_CONTRAST * paper:
        return None
    smoothing = local_line(place, place, _SMOOTHING_MM)
    versions = smoothing @ versions_of(means.cell_linear, means.cell_count)[good, :, channel]

    def edge(parameters: Array) -> Array:
        inner, outer, middle, sigma = parameters
        return np.asarray(inner + (outer - inner) * ndtr((place - middle) / sigma))

    bounds = ([-1.0, 0.0, -_REACH_MM / 2, 0.01], [2.0, 2.0, _REACH_MM / 2, _REACH_MM / 2])
    found = fit_curve(edge, versions[:, 0], (rim, paper, 0.0, 0.09), bounds)
    if found is None:
        return None
    misfit = float(np.sqrt(np.mean((edge(found) - versions[:, 0]) ** 2)))
    if misfit > _MOST_MISFIT * (paper - rim):
        return None
    inner, outer, middle, sigma = found
    away = (place - middle) / sigma
    steep = (outer - inner) * np.exp(-0.5 * away**2) / (np.sqrt(2.0 * np.pi) * sigma)
    slopes = np.stack([1.0 - ndtr(away), ndtr(away), -steep, -steep * away], axis=-1)
    sigmas = sigma + np.linalg.pinv(slopes)[3] @ (versions - edge(found)[:, None])
    blurs = np.sqrt(np.maximum(sigmas**2 - _SMOOTHING_MM**2 - _BIN_MM**2 / 12.0, 1e-4))
    return float(blurs[0]), float(standard_error(blurs))
