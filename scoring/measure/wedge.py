"""The neutral wedge, measured: L*, density, gain and separation of its steps, cast, and smoothness of the ramp.

A step is compared with the next darker one. It is *seen* if the edge between the two reaches the eye's threshold and
ΔL* is 3 standard errors, with what a scanner repeats itself to in them. A step that is not seen is *merged*; one
that is seen the wrong way *runs back*; every other *climbs*.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import delta_e00, density
from inkstrain.targets.key import NeutralWedge

from ..colour.basis import Basis
from ..colour.paper import paper_part_l
from ..colour.uncertainty import scanner_repeatability_l
from ..eye.visibility import edge_visibility
from ..results.score import (
    Black,
    Cast,
    DeltaEPair,
    ElementScore,
    HeadBanding,
    NeutralWedgeScore,
    Viewing,
    WedgeBreak,
    WedgeStep,
)
from .banding import Stripes, stripes_l
from .rings import delta_e_summary
from .sampling import Means, Tally, Window
from .wedgestripes import WedgeStripes, left_over, unstriped_steps, wedge_lines, wedge_stripes

__all__ = [
    "RAMP_BIN_MM",
    "SEEN_ERRORS",
    "SEEN_THRESHOLDS",
    "WedgeReading",
    "black_of",
    "ramp_smoothness",
    "read_wedge",
    "step_means",
    "wedge_score",
]

Array = NDArray[np.float64]

SEEN_ERRORS: Final = 3.0
"""Standard errors from which a difference of two steps counts (common practice, no source)."""

SEEN_THRESHOLDS: Final = 1.0
"""Visibility from which it counts: the eye's threshold."""

RAMP_BIN_MM: Final = 1.0
"""Pitch at which the continuous ramp is read."""

_BLOCKS: Final = (3, 8)
_INSET_MM: Final = 0.6
_RAMP_ROWS: Final = 8


def step_means(
    window: Window, wedge: NeutralWedge, basis: Basis, paper_xyz: Array, inset_mm: float = _INSET_MM
) -> Means:
    """Return the mean colours of the steps; groups are 24 blocks of each step."""
    left = np.array([step.box_mm[0] for step in wedge.steps])
    width = np.array([step.box_mm[2] for step in wedge.steps])
    top, height = wedge.steps[0].box_mm[1], wedge.steps[0].box_mm[3]
    tally = Tally(basis, (len(left), _BLOCKS[0] * _BLOCKS[1]))
    whole = float(left[-1] + width[-1] - left[0])
    for part in window.inside((float(left[0]), top + inset_mm, whole, height - 2 * inset_mm)):
        index = np.searchsorted(left[1:].astype(np.float32), part.x_mm, side="right")
        across = (part.x_mm - left[index] - inset_mm) / (width[index] - 2 * inset_mm)
        down = (part.y_mm - top - inset_mm) / (height - 2 * inset_mm)
        wanted = np.flatnonzero((across >= 0) & (across < 1) & (down >= 0) & (down < 1))
        block = (across.take(wanted) * _BLOCKS[0]).astype(np.int32) * _BLOCKS[1]
        block += (down.take(wanted) * _BLOCKS[1]).astype(np.int32)
        tally.add(part.pixels.take(wanted, axis=0), index.take(wanted), block)
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
        viewing: Viewing,
        paper_error_l: float = 0.0,
        stripes_elsewhere: Sequence[HeadBanding] = (),
        blur_mm: float = 0.05,
    ) -> NeutralWedgeScore:
        """Return the score, given what else the tile shows.

        Parameters
        ----------
        place
            Sheet and tile.
        viewing
            What visibility is stated for.
        paper_error_l
            Standard error of the white that all L* are relative to.
        stripes_elsewhere
            Stripes in other figures.
        blur_mm
            Sigma of the scan's blur, which stripes are freed of.
        """
        lightness = self.means.lab[:, 0]
        number = np.maximum(self.means.groups, 4)
        # the scatter of few blocks is itself not sure: the deviation of Student's t (JCGM 101:2008, 6.4.9.4)
        error = self.means.standard_error * np.sqrt((number - 1) / (number - 3))[:, None]
        striped = left_over(_inner_boxes(self.wedge), lightness, stripes_elsewhere, self.stripes)
        error[:, 0] = np.sqrt(error[:, 0] ** 2 + self.stripe_error_l**2 + striped**2)
        bandings = [one.stripes.banding(blur_mm) for one in self.stripes]
        return wedge_score(
            self.wedge,
            self.means.lab,
            error,
            self.smoothness,
            place,
            viewing,
            paper_error_l,
            max(bandings, key=lambda one: one.amplitude_l, default=None),
        )


def read_wedge(window: Window, wedge: NeutralWedge, basis: Basis, paper_xyz: Array) -> WedgeReading | None:
    """Read the steps of a wedge and the stripes through it; ``None`` if a step could not be read."""
    means = step_means(window, wedge, basis, paper_xyz)
    if not np.isfinite(means.lab).all():
        return None
    lines = wedge_lines(window, wedge, basis, paper_xyz)
    stripes = tuple(one for some in lines for one in wedge_stripes(some))
    means, error = unstriped_steps(means, _inner_boxes(wedge), _BLOCKS, stripes, window.pixel_mm)
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


@dataclass(frozen=True, slots=True, eq=False)
class _Reading:
    """Colours of steps (n, 3) and the standard errors of their L* from the scan, (n,)."""

    lab: Array
    noise_l: Array

    def __getitem__(self, rows: slice) -> _Reading:
        return _Reading(self.lab[rows], self.noise_l[rows])


@dataclass(frozen=True, slots=True, eq=False)
class _Pairs:
    """Steps set against others: how far apart, how sure that is, and whether it is seen; (n,) each."""

    delta_l: Array
    noise_l: Array
    visibility: Array
    seen: NDArray[np.bool_]


def _compared(first: _Reading, second: _Reading, viewing: Viewing, field_mm: float) -> _Pairs:
    delta = second.lab[..., 0] - first.lab[..., 0]
    noise = np.hypot(first.noise_l, second.noise_l)
    error = np.hypot(
        noise, np.hypot(scanner_repeatability_l(first.lab[..., 0]), scanner_repeatability_l(second.lab[..., 0]))
    )
    visibility = edge_visibility(first.lab, second.lab, viewing, field_mm)
    seen = (visibility >= SEEN_THRESHOLDS) & (np.abs(delta) >= SEEN_ERRORS * error)
    # it grows with ΔL*, so that one is as unsure as the other
    return _Pairs(delta, noise, np.where(np.abs(delta) >= error, visibility, np.nan), seen)


def wedge_score(
    wedge: NeutralWedge,
    lab: Array,
    error: Array,
    smoothness: float | None,
    place: tuple[int, int],
    viewing: Viewing,
    paper_error_l: float = 0.0,
    head_banding: HeadBanding | None = None,
) -> NeutralWedgeScore:
    """Return the score of a wedge.

    Parameters
    ----------
    lab, error
        Colours of its steps, from black to white, and their standard errors along L*, a* and b*, (n, 3) each. A
        forecast has none: nought.
    smoothness
        Of the ramp beside them.
    place
        Sheet and tile.
    viewing
        What visibility is stated for.
    paper_error_l
        Standard error of the white that all L* are relative to: it moves all steps alike, so that it is in their errors
        and not in those of their differences.
    """
    darkness = np.asarray(density(lab))
    intended = np.array([step.lab for step in wedge.steps])
    numbers = [step.step for step in wedge.steps]
    width, height = wedge.steps[0].box_mm[2:]
    field_mm = float(np.sqrt(2.0 * width * height * 4.0 / np.pi))  # as large as two steps
    reading = _Reading(lab, error[:, 0])
    against = _compared(reading[:-1], reading[1:], viewing, field_mm)
    gain = against.delta_l / np.diff(intended[:, 0])
    breaks = tuple(
        WedgeBreak(after_step=numbers[i], delta_l=float(against.delta_l[i]), noise_l=float(against.noise_l[i]))
        for i in np.flatnonzero(against.seen & (against.delta_l < 0.0)).tolist()
    )
    noise = np.hypot(error[:, 0], paper_part_l(lab[:, 0], paper_error_l))
    steps = tuple(
        WedgeStep(
            step=numbers[i],
            intended_l=float(intended[i, 0]),
            lab=tuple(lab[i].tolist()),
            density=float(darkness[i]) if np.isfinite(darkness[i]) else None,
            gain=float(gain[i - 1]) if i else None,
            noise_l=float(noise[i]),
            repeatability_l=float(scanner_repeatability_l(lab[i, 0])),
            visibility=float(against.visibility[i - 1]) if i and np.isfinite(against.visibility[i - 1]) else None,
            seen=bool(against.seen[i - 1]) if i else None,
        )
        for i in range(len(numbers))
    )
    return NeutralWedgeScore(
        id=wedge.id,
        kind=wedge.kind,
        sheet=place[0],
        tile=place[1],
        steps=steps,
        monotonic=not breaks,
        breaks=breaks,
        merged=tuple(step.step for step in steps if step.seen is False),
        first_from_black=_first_seen(_compared(reading[:1], reading[1:], viewing, field_mm), numbers[1:]),
        first_from_white=_first_seen(_compared(reading[-1:], reading[-2::-1], viewing, field_mm), numbers[-2::-1]),
        cast=_cast(lab, error, numbers),
        smoothness=smoothness,
        head_banding=head_banding,
        delta_e00=DeltaEPair(intended=delta_e_summary(np.asarray(delta_e00(lab, intended)))),
    )


def _first_seen(from_end: _Pairs, numbers: list[int]) -> int | None:
    return next((number for number, seen in zip(numbers, from_end.seen.tolist(), strict=True) if seen), None)


def _cast(lab: Array, error: Array, numbers: list[int]) -> Cast:
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    worst = int(np.argmax(chroma))
    # the error of a length is that along it (JCGM 100:2008, 5.1.2)
    along = np.hypot(lab[:, 1] * error[:, 1], lab[:, 2] * error[:, 2]) / np.maximum(chroma, 1e-9)
    return Cast(
        max_c=float(chroma[worst]),
        mean_c=float(chroma.mean()),
        at_step=numbers[worst],
        a_at_max=float(lab[worst, 1]),
        b_at_max=float(lab[worst, 2]),
        mean_noise_c=float(np.sqrt(np.sum(along**2)) / len(along)),
    )


def _ramp_smoothness(
    window: Window, wedge: NeutralWedge, basis: Basis, paper_xyz: Array, stripes: Sequence[Stripes]
) -> float | None:
    x, y, width, height = wedge.ramp_box_mm
    tally = Tally(basis, (int(width / RAMP_BIN_MM), _RAMP_ROWS))
    count = int(width / RAMP_BIN_MM)
    for part in window.inside((x, y + _INSET_MM, count * RAMP_BIN_MM, height - 2 * _INSET_MM)):
        bins = ((part.x_mm - x) / RAMP_BIN_MM).astype(np.int32)
        rows = ((part.y_mm - y - _INSET_MM) * (_RAMP_ROWS / (height - 2 * _INSET_MM))).astype(np.int32)
        tally.add(part.pixels, np.minimum(bins, count - 1), np.minimum(rows, _RAMP_ROWS - 1))
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


def black_of(elements: Sequence[ElementScore]) -> Black | None:
    """Return the darkest step of the wedge."""
    for element in elements:
        if isinstance(element, NeutralWedgeScore):
            darkest = min(element.steps, key=lambda step: step.lab[0]).lab
            value = float(density(np.array(darkest)))
            return Black(lab=darkest, density=value) if np.isfinite(value) else None
    return None
