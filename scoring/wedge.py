"""The neutral wedge, measured: L*, density, order and separation of its steps, cast, and smoothness of the ramp."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import delta_e00, density
from inkstrain.targets.key import NeutralWedge

from .banding import Stripes, stripes_l
from .basis import Basis
from .model import Cast, DeltaEPair, HeadBanding, NeutralWedgeScore, WedgeBreak, WedgeStep
from .paper import paper_part_l
from .rings import delta_e_summary
from .sampling import Means, Tally, Window
from .wedgestripes import WedgeStripes, left_over, unstriped_steps, wedge_lines, wedge_stripes

__all__ = [
    "RAMP_BIN_MM",
    "SEPARATED_D_PRIME",
    "WedgeReading",
    "ramp_smoothness",
    "read_wedge",
    "step_means",
    "wedge_score",
]

Array = NDArray[np.float64]

SEPARATED_D_PRIME: Final = 3.0
"""Steps count as told apart from 3 standard errors of their difference on (common practice, no source)."""

RAMP_BIN_MM: Final = 1.0
"""Pitch at which the continuous ramp is read."""

_LEAST_ERROR_L: Final = 0.003  # beyond the scatter within a step (set on rehearsals)
_BLOCKS: Final = (3, 8)
_INSET_MM: Final = 0.6
_RAMP_ROWS: Final = 8
_REVERSAL_D_PRIME: Final = 2.0


def step_means(
    window: Window, wedge: NeutralWedge, basis: Basis, paper_xyz: Array, inset_mm: float = _INSET_MM
) -> Means:
    """Return the mean colours of the steps; groups are 24 blocks of each step."""
    left = np.array([step.box_mm[0] for step in wedge.steps])
    width = np.array([step.box_mm[2] for step in wedge.steps])
    top, height = wedge.steps[0].box_mm[1], wedge.steps[0].box_mm[3]
    tally = Tally(basis, (len(left), _BLOCKS[0] * _BLOCKS[1]))
    for part in window.blocks():
        index = np.clip(np.searchsorted(left, part.x_mm, side="right") - 1, 0, len(left) - 1)
        across = (part.x_mm - left[index] - inset_mm) / (width[index] - 2 * inset_mm)
        down = (part.y_mm - top - inset_mm) / (height - 2 * inset_mm)
        inside = (across >= 0) & (across < 1) & (down >= 0) & (down < 1)
        block = (across[inside] * _BLOCKS[0]).astype(np.intp) * _BLOCKS[1]
        tally.add(part.pixels[inside], index[inside], block + (down[inside] * _BLOCKS[1]).astype(np.intp))
    return tally.means(paper_xyz)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WedgeReading:
    """What a scan shows of a wedge, before anything else of its tile is known.

    Attributes
    ----------
    means
        Of the steps, stripes taken out.
    stripe_error_l
        Standard errors in L* that taking them out adds, (n,).
    stripes
        The waves that were found.
    smoothness
        Of the continuous ramp, stripes taken out.
    """

    wedge: NeutralWedge
    means: Means
    stripe_error_l: Array
    stripes: tuple[WedgeStripes, ...]
    smoothness: float | None

    def score(
        self,
        place: tuple[int, int],
        paper_error_l: float = 0.0,
        seen: Sequence[HeadBanding] = (),
        blur_mm: float = 0.05,
    ) -> NeutralWedgeScore:
        """Return the score, given what else the tile shows.

        Parameters
        ----------
        place
            Sheet and tile.
        paper_error_l
            Standard error of the white that all L* are relative to.
        seen
            Stripes in other figures.
        blur_mm
            Sigma of the scan's blur, which stripes are freed of.
        """
        lightness = self.means.lab[:, 0]
        number = np.maximum(self.means.groups, 4)
        own = (
            # the scatter of few blocks is itself not sure: the deviation of Student's t (JCGM 101:2008, 6.4.9.4)
            self.means.standard_error[:, 0] * np.sqrt((number - 1) / (number - 3)),
            np.full(len(lightness), _LEAST_ERROR_L),
            self.stripe_error_l,
            left_over(_inner_boxes(self.wedge), lightness, seen, self.stripes),
        )
        error = np.sqrt(np.sum(np.square(own), axis=0))
        score = wedge_score(self.wedge, self.means.lab, error, self.smoothness, place)
        # white shifts all steps alike, so it is no part of how far they are told apart
        whole = np.hypot(error, paper_part_l(lightness, paper_error_l)).tolist()
        steps = tuple(
            step.model_copy(update={"standard_error_l": u}) for step, u in zip(score.steps, whole, strict=True)
        )
        bandings = [one.stripes.banding(blur_mm) for one in self.stripes]
        strongest = max(bandings, key=lambda one: one.amplitude_l, default=None)
        return score.model_copy(update={"steps": steps, "head_banding": strongest})


def read_wedge(window: Window, wedge: NeutralWedge, basis: Basis, paper_xyz: Array) -> WedgeReading | None:
    """Read the steps of a wedge and the stripes through it; ``None`` if a step could not be read."""
    means = step_means(window, wedge, basis, paper_xyz)
    if not np.isfinite(means.lab).all():
        return None
    lines = wedge_lines(window, wedge, basis, paper_xyz)
    stripes = tuple(one for some in lines for one in wedge_stripes(some))
    means, error = unstriped_steps(means, _inner_boxes(wedge), _BLOCKS, stripes)
    return WedgeReading(
        wedge=wedge,
        means=means,
        stripe_error_l=error,
        stripes=stripes,
        smoothness=_ramp_smoothness(window, wedge, basis, paper_xyz, [one.stripes for one in stripes]),
    )


def _inner_boxes(wedge: NeutralWedge, inset_mm: float = _INSET_MM) -> Array:
    """Return what is averaged of each step: x, y, width and height, (n, 4) mm."""
    boxes = np.array([step.box_mm for step in wedge.steps])
    return np.asarray(boxes + np.array([inset_mm, inset_mm, -2 * inset_mm, -2 * inset_mm]))


def wedge_score(
    wedge: NeutralWedge, lab: Array, error: Array, smoothness: float | None, place: tuple[int, int]
) -> NeutralWedgeScore:
    """Return the score of a wedge from the colours of its steps, (n, 3), and their standard errors in L*, (n,)."""
    darkness = np.asarray(density(lab))
    intended = np.array([step.lab for step in wedge.steps])
    rises = np.diff(lab[:, 0])
    prime = rises / np.hypot(error[1:], error[:-1])
    breaks = []
    for i, (rise, d) in enumerate(zip(rises.tolist(), prime.tolist(), strict=True)):
        if d < SEPARATED_D_PRIME:
            breaks.append(
                WedgeBreak(
                    after_step=wedge.steps[i].step,
                    delta_l=rise,
                    d_prime=d,
                    kind="reversed" if d < -_REVERSAL_D_PRIME else "tied",
                )
            )
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    worst = int(np.argmax(chroma))
    numbers = [step.step for step in wedge.steps]
    return NeutralWedgeScore(
        id=wedge.id,
        kind=wedge.kind,
        sheet=place[0],
        tile=place[1],
        steps=tuple(
            WedgeStep(
                step=numbers[i],
                intended_l=float(intended[i, 0]),
                lab=tuple(lab[i].tolist()),
                density=float(darkness[i]) if np.isfinite(darkness[i]) else None,
                standard_error_l=float(error[i]),
            )
            for i in range(len(numbers))
        ),
        monotonic=not any(step.kind == "reversed" for step in breaks),
        breaks=tuple(breaks),
        first_from_black=_first_told(lab[:, 0], error, numbers),
        first_from_white=_first_told(lab[::-1, 0], error[::-1], numbers[::-1]),
        cast=Cast(
            max_c=float(chroma[worst]),
            mean_c=float(chroma.mean()),
            at_step=numbers[worst],
            a_at_max=float(lab[worst, 1]),
            b_at_max=float(lab[worst, 2]),
        ),
        smoothness=smoothness,
        delta_e00=DeltaEPair(intended=delta_e_summary(np.asarray(delta_e00(lab, intended)))),
    )


def _first_told(lightness: Array, error: Array, numbers: list[int]) -> int | None:
    """Return the first step told from the end step, by ΔL* over its own noise."""
    for i in range(1, len(lightness)):
        if abs(lightness[i] - lightness[0]) >= SEPARATED_D_PRIME * np.hypot(error[i], error[0]):
            return numbers[i]
    return None


def _ramp_smoothness(
    window: Window, wedge: NeutralWedge, basis: Basis, paper_xyz: Array, stripes: Sequence[Stripes]
) -> float | None:
    x, y, width, height = wedge.ramp_box_mm
    tally = Tally(basis, (int(width / RAMP_BIN_MM), _RAMP_ROWS))
    for part in window.blocks():
        bins = np.floor((part.x_mm - x) / RAMP_BIN_MM).astype(np.intp)
        rows = np.floor((part.y_mm - y - _INSET_MM) / (height - 2 * _INSET_MM) * _RAMP_ROWS).astype(np.intp)
        inside = (bins >= 0) & (bins < int(width / RAMP_BIN_MM)) & (rows >= 0) & (rows < _RAMP_ROWS)
        tally.add(part.pixels[inside], bins[inside], rows[inside])
    lightness: Array = tally.means(paper_xyz).lab[:, 0]
    place = np.asarray(x + RAMP_BIN_MM * (np.arange(len(lightness)) + 0.5), dtype=np.float64)
    for one in stripes:
        if one.direction == "along":
            lightness = np.asarray(lightness - stripes_l(one, place, RAMP_BIN_MM, lightness), dtype=np.float64)
    return ramp_smoothness(lightness[1:-1])


def ramp_smoothness(lightness: Array) -> float | None:
    """Return the rms of second differences of L* along the continuous ramp, per mm², after Green's metric.

    Differences of differences between neighbours, root mean square (Marchessoux & Rostang 2017). An even ramp gives 0.

    Parameters
    ----------
    lightness
        L* about every `RAMP_BIN_MM`, (n,).
    """
    if not np.isfinite(lightness).all():
        return None
    second = [b - a for a, b in itertools.pairwise(np.diff(lightness).tolist())]
    return float(np.sqrt(np.mean(np.square(second))) / RAMP_BIN_MM**2)
