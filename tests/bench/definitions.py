"""Which faults of a noise-free printed path meet DESIGN's definitions, clearly or only just.

Written anew from the definitions, apart from the program's own finders and from the rehearsal's truth, so that it
checks both. A fault is **counted** if it meets a definition as it stands, **clear** if it also meets one whose every
threshold is 5 % stricter, and **near** if it meets one that is 5 % looser.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy.ndimage import uniform_filter1d

from inkstrain.targets.colorimetry import delta_e00
from inkstrain.targets.rehearsal import RingPath

CONTOUR_SHARE = 2.0
CONTOUR_DE00 = 1.0
FLAT_SHARE = 0.25
FLAT_DE00 = 2.0
FLAT_WIDTH_MM = 0.5
HUE_DELTA_H = 1.0
HUE_DEG = 3.0
BORDER = 0.05
_SMOOTHING_UM = 50  # as the rehearsal's truth: a printer's table may wiggle from cell to cell
_JOIN_MM = 0.06  # stretches nearer than this are one, which no scanner could tell apart
_EDGE_MM = 0.1  # a narrower contour is an edge, and one of its own
_ONE_RING_MM = 0.3  # and so are contours, if the path moves at its share or faster between them

Status = Literal["clear", "counted", "near", "none"]


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of a path, with its size: contrast or colour moved by the file, ΔE00."""

    inner_mm: float
    outer_mm: float
    size_de00: float


class Definitions:
    """One printed path, judged."""

    def __init__(self, path: RingPath) -> None:
        inner, outer = path.ring.ramp_mm
        ramp = (path.radius_mm > inner - 0.001) & (path.radius_mm < outer + 0.001)
        self._radius, self._lab = path.radius_mm[ramp], path.lab[ramp]
        self._printed = np.asarray(delta_e00(path.lab[ramp][:-1], path.lab[ramp][1:]))
        self._intended = np.asarray(delta_e00(path.intended_lab[ramp][:-1], path.intended_lab[ramp][1:]))
        self._reach = self._printed.sum() / self._intended.sum()
        share = self._reach * uniform_filter1d(self._intended, _SMOOTHING_UM, mode="nearest")
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = uniform_filter1d(self._printed, _SMOOTHING_UM, mode="constant") / share
        self._ratio = np.nan_to_num(ratio, nan=1.0, posinf=np.inf)

    def contours(self, share: float = CONTOUR_SHARE, least_de00: float = CONTOUR_DE00) -> list[Stretch]:
        """Return stretches faster than a multiple of the share with at least a contrast across them."""
        runs: list[tuple[int, int]] = []
        for first, last in self._runs(self._ratio > share):
            if delta_e00(self._lab[first], self._lab[last]) < least_de00:
                continue
            begun, before = runs[-1] if runs else (first, first)
            gap = slice(before, first)
            widths = self._radius[before] - self._radius[begun], self._radius[last] - self._radius[first]
            near = min(widths) > _EDGE_MM and self._radius[first] - self._radius[before] < _ONE_RING_MM
            if runs and near and self._printed[gap].sum() >= self._reach * self._intended[gap].sum():
                runs[-1] = (runs[-1][0], last)
            else:
                runs.append((first, last))
        return [
            Stretch(
                float(self._radius[first]),
                float(self._radius[last]),
                float(delta_e00(self._lab[first], self._lab[last])),
            )
            for first, last in runs
        ]

    def flats(self, share: float = FLAT_SHARE, least_de00: float = FLAT_DE00) -> list[Stretch]:
        """Return stretches slower than a part of the share while the file moves on."""
        found = []
        for first, last in self._runs(self._ratio < share):
            moved = float(self._intended[first:last].sum())
            if moved >= least_de00:
                found.append(Stretch(float(self._radius[first]), float(self._radius[last]), moved))
        return found

    def contour_status(self, inner_mm: float, outer_mm: float) -> Status:
        """Tell how surely a contour lies at a stretch."""
        return self._status(
            inner_mm,
            outer_mm,
            [self.contours(CONTOUR_SHARE * k, CONTOUR_DE00 * k) for k in (1 + BORDER, 1, 1 - BORDER)],
        )

    def flat_status(self, inner_mm: float, outer_mm: float) -> Status:
        """Tell how surely a flat band lies at a stretch."""
        return self._status(
            inner_mm, outer_mm, [self.flats(FLAT_SHARE / k, FLAT_DE00 * k) for k in (1 + BORDER, 1, 1 - BORDER)]
        )

    def _status(self, inner_mm: float, outer_mm: float, by_strictness: list[list[Stretch]]) -> Status:
        names: tuple[Status, ...] = ("clear", "counted", "near")
        for name, stretches in zip(names, by_strictness, strict=True):
            if any(s.inner_mm <= outer_mm + 0.05 and s.outer_mm >= inner_mm - 0.05 for s in stretches):
                return name
        return "none"

    def _runs(self, inside: np.ndarray[Any, Any]) -> list[tuple[int, int]]:
        edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(np.int8), [0]])))
        runs: list[tuple[int, int]] = []
        for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if runs and self._radius[first] - self._radius[runs[-1][1]] < _JOIN_MM:
                runs[-1] = (runs[-1][0], last)
            else:
                runs.append((first, last))
        return runs
