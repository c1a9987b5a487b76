"""Hue sweeps, measured: order of hues, merged stretches, chroma reached.

Stripes that run down a sweep change its lightness from place to place, so that hues which came out as one seem to move
on. Those that the neutral wedge of the tile shows are taken out first: period and phase are the wedge's, since stripes
run straight through both, their size is fitted to each band.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import delta_e00, hue_deg_ipt
from inkstrain.targets.key import HueSweep, SweepBand
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.spaces import rgb_to_lab
from inkstrain.targets.sweeps import sweep_hue_deg, sweep_rgb

from ..colour.basis import Basis
from ..results.score import DeltaEPair, Flag, HueSweepScore, Merged, SweepRow
from .banding import Stripes, stripes_l
from .course import error_de00
from .rings import delta_e_summary
from .sampling import Means, Tally, Window

__all__ = ["SWEEP_BIN_MM", "SweepReading", "band_means", "read_sweep", "sweep_row"]

Array = NDArray[np.float64]

SWEEP_BIN_MM: Final = 1.0
_INSET_MM: Final = 0.7
_ROWS: Final = 12
_MERGED_SHARE: Final = 0.25
_MERGED_LEAST_DE00: Final = 2.0
_BACKWARD_DEG: Final = 0.5
_OUTLIER: Final = 5.0
_MOST_SIZE: Final = 1.5  # of the wedge's amplitude
_LEAST_SHOWN_L: Final = 0.02


def band_means(window: Window, band: SweepBand, basis: Basis, paper_xyz: Array) -> tuple[Means, Array]:
    """Return mean colours about every millimetre along a band, and their places as fractions of its length."""
    x, y, width, height = band.box_mm
    count = int(width / SWEEP_BIN_MM)
    tally = Tally(basis, (count, _ROWS))
    for part in window.inside((x, y + _INSET_MM, width, height - 2 * _INSET_MM)):
        bins = ((part.x_mm - x) * (count / width)).astype(np.int32)
        rows = ((part.y_mm - y - _INSET_MM) * (_ROWS / (height - 2 * _INSET_MM))).astype(np.int32)
        tally.add(part.pixels, np.minimum(bins, count - 1), np.minimum(rows, _ROWS - 1))
    return tally.means(paper_xyz), (np.arange(count) + 0.5) / count


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepReading:
    """What a scan shows of a sweep, before stripes are known: each band, its means, and their places as fractions."""

    sweep: HueSweep
    rows: tuple[tuple[SweepBand, Means, Array], ...]

    def score(self, recipe: Recipe, place: tuple[int, int], stripes: Sequence[Stripes] = ()) -> HueSweepScore:
        """Return the score.

        Parameters
        ----------
        place
            Sheet and tile.
        stripes
            Of the neutral wedge, about chart millimetre 0.
        """
        rows, shown = [], 0.0
        for band, means, fraction in self.rows:
            inner = slice(1, -1)  # the two end bins touch bare paper
            lab, place_mm = means.lab[inner].copy(), band.box_mm[0] + band.box_mm[2] * fraction[inner]
            for one in stripes:
                if one.direction == "along":
                    wave = _size_in(lab[:, 0], stripes_l(one, place_mm, SWEEP_BIN_MM, lab[:, 0]))
                    lab[:, 0] -= wave
                    shown = max(shown, float(np.max(np.abs(wave))))
            rows.append(sweep_row(lab, means.standard_error[inner], fraction[inner], band, recipe))
        flags: tuple[Flag, ...] = ()
        if shown > _LEAST_SHOWN_L:
            text = f"up to {shown:.2f} L*, as the neutral wedge shows them"
            flags = (Flag(code="stripes-taken-out", where=self.sweep.id, text=text),)
        return HueSweepScore(
            id=self.sweep.id, kind=self.sweep.kind, sheet=place[0], tile=place[1], rows=tuple(rows), flags=flags
        )


def _size_in(lightness: Array, shown: Array) -> Array:
    """Return a wave (n,) in the size that a band has it in: by second differences, which a smooth course hardly has."""
    got, wave = np.diff(lightness, 2), np.diff(shown, 2)
    away = got - wave
    kept = np.abs(away - np.median(away)) <= _OUTLIER * 1.4826 * np.median(np.abs(away - np.median(away)))
    power = float(wave[kept] @ wave[kept])
    size = float(got[kept] @ wave[kept]) / power if power > 0 else 0.0
    return np.asarray(float(np.clip(size, 0.0, _MOST_SIZE)) * shown)


def read_sweep(window: Window, sweep: HueSweep, basis: Basis, paper_xyz: Array) -> SweepReading | None:
    """Read the hue sweeps, or return ``None`` if a band could not be read."""
    rows = []
    for band in sweep.rows:
        means, fraction = band_means(window, band, basis, paper_xyz)
        if not np.isfinite(means.lab[1:-1]).all():
            return None
        rows.append((band, means, fraction))
    return SweepReading(sweep=sweep, rows=tuple(rows))


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
