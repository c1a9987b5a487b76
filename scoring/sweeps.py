"""Hue sweeps, measured: order of hues, merged stretches, chroma reached."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import delta_e00, hue_deg_ipt
from inkstrain.targets.key import HueSweep, SweepBand
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.spaces import rgb_to_lab
from inkstrain.targets.sweeps import sweep_hue_deg, sweep_rgb

from .basis import Basis
from .model import DeltaEPair, HueSweepScore, Merged, SweepRow
from .rings import delta_e_summary, error_de00
from .sampling import Means, Tally, Window

__all__ = ["SWEEP_BIN_MM", "band_means", "measure_sweep", "sweep_row"]

Array = NDArray[np.float64]

SWEEP_BIN_MM: Final = 1.0
_INSET_MM: Final = 0.7
_ROWS: Final = 12
_MERGED_SHARE: Final = 0.25
_MERGED_LEAST_DE00: Final = 2.0
_BACKWARD_DEG: Final = 0.5


def band_means(window: Window, band: SweepBand, basis: Basis, paper_xyz: Array) -> tuple[Means, Array]:
    """Return mean colours about every millimetre along a band, and their places as fractions of its length."""
    x, y, width, height = band.box_mm
    count = int(width / SWEEP_BIN_MM)
    tally = Tally(basis, (count, _ROWS))
    for part in window.blocks():
        fraction = (part.x_mm - x) / width
        down = (part.y_mm - y - _INSET_MM) / (height - 2 * _INSET_MM)
        inside = (fraction >= 0) & (fraction < 1) & (down >= 0) & (down < 1)
        rows = (down[inside] * _ROWS).astype(np.intp)
        tally.add(part.pixels[inside], (fraction[inside] * count).astype(np.intp), rows)
    return tally.means(paper_xyz), (np.arange(count) + 0.5) / count


def measure_sweep(
    window: Window, sweep: HueSweep, recipe: Recipe, basis: Basis, paper_xyz: Array, place: tuple[int, int]
) -> HueSweepScore | None:
    """Return the score of the hue sweeps, or ``None`` if a band could not be read."""
    rows = []
    for band in sweep.rows:
        means, fraction = band_means(window, band, basis, paper_xyz)
        if not np.isfinite(means.lab[1:-1]).all():
            return None
        inner = slice(1, -1)  # the two end bins touch bare paper
        rows.append(sweep_row(means.lab[inner], means.standard_error[inner], fraction[inner], band, recipe))
    return HueSweepScore(id=sweep.id, kind=sweep.kind, sheet=place[0], tile=place[1], rows=tuple(rows))


def sweep_row(lab: Array, standard_error: Array, fraction: Array, band: SweepBand, recipe: Recipe) -> SweepRow:
    """Return the score of one band from its colours, (n, 3), at fractions of its length, (n,)."""
    hue = sweep_hue_deg(recipe.space, band.level, fraction)
    intended = rgb_to_lab(recipe.space, sweep_rgb(recipe.space, band.level, fraction))
    error = error_de00(lab, standard_error)
    return SweepRow(
        level=band.level,
        hue_deg=tuple(hue.round(3).tolist()),
        lab=tuple(map(tuple, lab.round(4).tolist())),
        intended_lab=tuple(map(tuple, intended.round(4).tolist())),
        order_breaks=_order_breaks(lab, intended, hue, standard_error),
        merged=_merged(lab, intended, hue, error),
        chroma=tuple(np.hypot(lab[:, 1], lab[:, 2]).round(3).tolist()),
        standard_error_de00=tuple(error.round(4).tolist()),
        delta_e00=DeltaEPair(intended=delta_e_summary(np.asarray(delta_e00(lab, intended)))),
    )


def _order_breaks(lab: Array, intended: Array, hue: Array, error: Array) -> tuple[float, ...]:
    """Return the hue positions after which printed hue turns back, by more than 0.5° and 3 standard errors."""
    turn = np.diff(np.unwrap(np.radians(hue_deg_ipt(lab))))
    asked = np.diff(np.unwrap(np.radians(hue_deg_ipt(intended))))
    chroma = np.maximum(np.hypot(lab[:, 1], lab[:, 2]), 1.0)
    noise = np.degrees(np.hypot(error[:, 1], error[:, 2]) / chroma)
    back = -np.degrees(turn) * np.sign(asked.sum())
    forward = np.degrees(asked) * np.sign(asked.sum()) > 0
    broken = forward & (back > np.maximum(_BACKWARD_DEG, 3 * np.hypot(noise[1:], noise[:-1])))
    return tuple(((hue[1:] + hue[:-1]) / 2)[broken].round(2).tolist())


def _merged(lab: Array, intended: Array, hue: Array, error: Array) -> tuple[Merged, ...]:
    """Return stretches slower than a quarter of their share while the file moves on by at least 2 ΔE00."""
    got, asked = np.asarray(delta_e00(lab[1:], lab[:-1])), np.asarray(delta_e00(intended[1:], intended[:-1]))
    got = np.sqrt(np.maximum(got**2 - error[1:] ** 2 - error[:-1] ** 2, 0.0))  # noise lengthens every step
    slow = got < _MERGED_SHARE * asked * got.sum() / asked.sum()
    edges = np.flatnonzero(np.diff(np.concatenate([[0], slow.astype(int), [0]])))
    found = []
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if asked[first:last].sum() >= _MERGED_LEAST_DE00:
            found.append(Merged(from_deg=float(hue[first]), to_deg=float(hue[last])))
    return tuple(found)
