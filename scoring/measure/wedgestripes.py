"""Head banding in the neutral wedge: found in it, taken out of its steps, and what is left of it as uncertainty.

A step is a few millimetres wide: the mean of a wave over it is the wave times sin(πq)/(πq), q the step's extent in
periods, and where the step stands in the wave decides what of that shifts it. So the wave is fitted, with period and
phase, to thin lines through all steps and the ramp, every one of which may have any colour of its own: what is left is
the same in all of them. How its amplitude differs from step to step beyond noise (DerSimonian and Laird 1986) is how
well it is known in any one. Stripes that other figures of the tile show and the wedge does not give are stated as
uncertainty, any phase being as likely: amplitude / √2 (JCGM 100:2008, 4.4.5 has this arcsine distribution).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.key import Box, NeutralWedge

from ..colour.basis import Basis
from ..maths.solvers import lowest_place
from ..maths.waves import FALSE_ALARM, log_chance, noise_reach_mm, period_error_mm
from ..results.score import HeadBanding
from .banding import PERIODS_MM, Direction, Stripes, ink_share
from .sampling import Block, Means, Tally, Window

__all__ = ["Lines", "WedgeStripes", "left_over", "unstriped_steps", "wedge_lines", "wedge_stripes"]

Array = NDArray[np.float64]

_PITCH_MM: Final = (0.06, 0.1)
_INSET_MM: Final = 0.6
_AT_ONCE: Final = 16  # frequencies
_PARTS: Final = (8, 4)  # groups of a line, by the axis that lines are counted along
_OVERSAMPLED: Final = 4
_LEAST_L: Final = 0.03  # less shifts no step by what could be seen of it
_MOST_WAVES: Final = 2
_OUTLIER: Final = 5.0
_LEAST_PART: Final = 0.015
_PERIOD_PART: Final = 0.0005  # what marks leave of the sheet's own strain (set on rehearsals)
_SAME_PERIOD: Final = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Mean colours of thin lines through what is one colour: a step, or a narrow part of the ramp.

    Attributes
    ----------
    direction
        Of the stripes that they would show.
    lab, place_mm, patch
        CIELAB (n, 3), place across the stripes and number of the step or part (n,) of every line.
    level_l
        Mean L* of each line's patch, (n,).
    pitch_mm, reach_mm
        Distance between lines, and over which they share their noise.
    """

    direction: Direction
    lab: Array
    place_mm: Array
    patch: NDArray[np.intp]
    level_l: Array
    pitch_mm: float
    reach_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class WedgeStripes:
    """A wave through the wedge: `stripes` about chart millimetre 0, and the places that it was fitted to, (n,)."""

    stripes: Stripes
    middle_mm: float
    spread_mm: float


def wedge_lines(window: Window, wedge: NeutralWedge, basis: Basis, paper_xyz: Array) -> tuple[Lines, Lines]:
    """Return lines that stripes along the sheet would show in, and such for stripes across it."""
    pitch = float(np.clip(window.pixel_mm, *_PITCH_MM))
    steps = [step.box_mm for step in wedge.steps]
    x, y, width, height = wedge.ramp_box_mm
    edges = x + width * np.arange(len(steps) + 1) / len(steps)
    ramp: list[Box] = [(float(a), y, float(b - a), height) for a, b in itertools.pairwise(edges)]
    ladders = [_Ladder(steps, 0, pitch, _INSET_MM), _Ladder(steps, 1, pitch, _INSET_MM), _Ladder(ramp, 1, pitch, 0.0)]
    tallies = [Tally(basis, (ladder.size, ladder.parts)) for ladder in ladders]
    for ladder, tally in zip(ladders, tallies, strict=True):
        for part in window.inside(ladder.box_mm):
            ladder.add(tally, part)
    means = [tally.means(paper_xyz) for tally in tallies]
    return _lines("along", ladders[:1], means[:1], pitch), _lines("across", ladders[1:], means[1:], pitch)


class _Ladder:
    """Rungs of one pitch across a row of boxes of equal height: along x (axis 0) or along y (axis 1)."""

    def __init__(self, boxes: Sequence[Box], axis: int, pitch: float, inset_mm: float) -> None:
        box = np.array(boxes, dtype=np.float32)
        self._left, self._inner = box[:, 0] + np.float32(inset_mm), box[:, 2] - np.float32(2 * inset_mm)
        self._next = box[1:, 0]
        self._top, self._tall = float(box[0, 1]) + _INSET_MM, float(box[0, 3]) - 2 * _INSET_MM
        self._axis, self._pitch = axis, pitch
        side = float(self._inner.min()) if axis == 0 else self._tall
        self.box_mm = (float(box[0, 0]), self._top, float(box[-1, 0] + box[-1, 2] - box[0, 0]), self._tall)
        self.rungs = max(int(side / pitch), 1)
        self.parts = _PARTS[axis]
        self.size = len(boxes) * self.rungs

    def add(self, tally: Tally, part: Block) -> None:
        """Add the pixels of a block, which lie within `box_mm`, to the tally of this ladder's rungs."""
        box = np.searchsorted(self._next, part.x_mm, side="right")
        across, down = part.x_mm - self._left.take(box), part.y_mm - np.float32(self._top)
        inner = self._inner.take(box)
        along = across if self._axis == 0 else down
        beside = down / np.float32(self._tall) if self._axis == 0 else across / inner
        rung = (along * np.float32(1.0 / self._pitch)).astype(np.int32)
        wanted = np.flatnonzero((across >= 0) & (across < inner) & (rung < self.rungs))
        group = np.minimum((beside.take(wanted) * self.parts).astype(np.int32), self.parts - 1)
        bins = box.take(wanted) * self.rungs + rung.take(wanted)
        place = part.x_mm if self._axis == 0 else part.y_mm
        tally.add(part.pixels.take(wanted, axis=0), bins, group, place.take(wanted))


def _lines(direction: Direction, ladders: Sequence[_Ladder], means: Sequence[Means], pitch: float) -> Lines:
    patches, levels, first = [], [], 0
    for ladder, mean in zip(ladders, means, strict=True):
        number = np.arange(ladder.size) // ladder.rungs
        rows = mean.lab[:, 0].reshape(-1, ladder.rungs)
        level = np.array([np.median(row[np.isfinite(row)]) if np.isfinite(row).any() else np.nan for row in rows])
        patches.append(number + first)
        levels.append(level[number])
        first += int(number[-1]) + 1
    lab, place = (np.concatenate([getattr(mean, name) for mean in means]) for name in ("lab", "place"))
    patch, level_l = np.concatenate(patches), np.concatenate(levels)
    good = np.isfinite(lab).all(axis=1) & np.isfinite(place) & np.isfinite(level_l)
    reach = noise_reach_mm(means[0].cells, pitch)
    return Lines(direction, lab[good], place[good], patch[good], level_l[good], pitch, reach)


def wedge_stripes(lines: Lines) -> tuple[WedgeStripes, ...]:
    """Return the waves in the lines of a wedge, the strongest first."""
    found: list[WedgeStripes] = []
    if len(lines.place_mm) < 100:
        return ()
    while len(found) < _MOST_WAVES:
        one = _strongest(lines)
        if one is None:
            break
        found.append(one)
        turn = np.exp(2j * np.pi * lines.place_mm / one.stripes.period_mm)
        shown = np.real(turn[:, None] * one.stripes.wave) * ink_share(lines.level_l)[:, None]
        lines = replace(lines, lab=lines.lab - shown)
    return tuple(found)


class _Fit:
    """Least squares of a wave in lines, every patch with a colour of its own, all with one slope; outliers left out."""

    def __init__(self, lines: Lines) -> None:
        self._ink = ink_share(lines.level_l)
        self._patch, self._place = lines.patch, lines.place_mm
        values = self._own(lines.lab)
        scale = 1.4826 * float(np.median(np.abs(values[:, 0])))
        keep = (np.abs(values[:, 0]) <= _OUTLIER * max(scale, 1e-6)) & (self._ink > 0)
        self._ink, self._patch, self._place = self._ink[keep], lines.patch[keep], lines.place_mm[keep]
        slope = self._own(self._place[:, None])
        self._slope = slope / max(float(np.linalg.norm(slope)), 1e-9)
        self.values = self._flat(lines.lab[keep])
        self.number = int(keep.sum())
        self.freedom = self.number - len(np.unique(self._patch)) - 3
        self.middle = float(self._place.mean())
        self.spread = float(self._place.std())

    def _own(self, columns: Array) -> Array:
        """Return columns (n, k) less the mean of each patch."""
        count = np.maximum(np.bincount(self._patch), 1)
        means = [np.bincount(self._patch, weights=column) / count for column in columns.T]
        return np.asarray(columns - np.stack(means, axis=1)[self._patch])

    def _flat(self, columns: Array) -> Array:
        own = self._own(columns)
        return np.asarray(own - self._slope @ (self._slope.T @ own))

    def columns(self, frequency: float) -> Array:
        """Return what a cosine and a sine, of ink, add to the lines beyond their patches' colours, (n, 2)."""
        turn = 2 * np.pi * frequency * self._place
        return self._flat(np.stack([np.cos(turn), -np.sin(turn)], axis=1) * self._ink[:, None])

    def gains(self, frequencies: Array) -> Array:
        """Return what a wave of each of evenly spaced frequencies takes from the sum of squares of L*."""
        order = np.argsort(self._patch, kind="stable")
        place, ink, values = self._place[order], self._ink[order], self.values[order, 0]
        slope = self._slope[order, 0]
        first = np.flatnonzero(np.diff(self._patch[order], prepend=-1))
        number = np.diff(np.append(first, len(order)))
        # a wave's turn from one frequency to the next is the same: multiplying is quicker than sines
        turn = np.exp(2j * np.pi * (frequencies[1] - frequencies[0]) * place)
        turns = np.cumprod(np.concatenate([np.ones((1, len(turn))), np.tile(turn, (_AT_ONCE - 1, 1))]), axis=0)
        wave = ink * np.exp(2j * np.pi * frequencies[0] * place)
        power = float(ink @ ink)
        found = []
        for start in range(0, len(frequencies), _AT_ONCE):
            waves = turns[: len(frequencies) - start] * wave
            sums, (sloped, along) = np.add.reduceat(waves, first, axis=1), (waves @ np.stack([slope, values], axis=1)).T
            square = np.einsum("fn,fn->f", waves, waves) - np.sum(sums**2 / number, axis=1) - sloped**2
            size = power - np.sum(np.abs(sums) ** 2 / number, axis=1) - np.abs(sloped) ** 2
            # normal equations of cosine and sine, written as complex numbers
            gain = size * np.abs(along) ** 2 - np.real(np.conj(square) * along**2)
            found.append(2 * gain / np.maximum(size**2 - np.abs(square) ** 2, 1e-9 * power**2))
            wave = wave * turns[-1] * turn
        return np.concatenate(found)

    def solve(self, frequency: float) -> tuple[float, Array, Array]:
        """Return the gain in L*, sizes (2, 3) and the inverse of the normal matrix, (2, 2)."""
        columns = self.columns(frequency)
        inverse = np.asarray(np.linalg.pinv(columns.T @ columns), dtype=np.float64)
        along = columns.T @ self.values
        sizes = inverse @ along
        return float(along[:, 0] @ sizes[:, 0]), sizes, inverse

    def period_error(self, frequency: float, sizes: Array) -> float:
        """Return the standard error of a period in mm for noise of 1 L*, all else fitted beside it."""
        wave = (sizes[0, 0] + 1j * sizes[1, 0]) * np.exp(2j * np.pi * frequency * self._place)
        moved = self._flat((np.real(2j * np.pi * (self._place - self.middle) * wave) * self._ink)[:, None])
        return period_error_mm(np.column_stack([self.columns(frequency), moved]), frequency)

    def scatter(self, frequency: float, sizes: Array, noise: float) -> float:
        """Return by how much, relative to itself, the amplitude differs from patch to patch (DerSimonian and Laird)."""
        shown = self.columns(frequency) @ sizes[:, 0]
        power = np.bincount(self._patch, weights=shown**2)
        own = np.bincount(self._patch, weights=shown * self.values[:, 0])
        seen = power > 0
        size, weight = own[seen] / power[seen], power[seen] / max(noise, 1e-12)
        mean = float(np.average(size, weights=weight))
        between = float(np.sum(weight * (size - mean) ** 2)) - (len(size) - 1)
        return float(np.sqrt(max(between / (weight.sum() - np.sum(weight**2) / weight.sum()), 0.0)))


def _strongest(lines: Lines) -> WedgeStripes | None:
    fit = _Fit(lines)
    extent = float(np.ptp(lines.place_mm))
    high = min(1 / PERIODS_MM[0], 1 / (4 * lines.pitch_mm))
    frequencies = np.arange(1 / PERIODS_MM[1], high, 1 / (_OVERSAMPLED * extent))
    gains = fit.gains(frequencies)
    i = int(np.argmax(gains))
    shared = max(lines.reach_mm / lines.pitch_mm, 1.0)
    total = float(fit.values[:, 0] @ fit.values[:, 0])
    left = max(total - float(gains[i]), 1e-12) / max(fit.freedom, 1)
    freedom = max(fit.freedom / shared, 1.0)
    if log_chance(float(gains[i]), left, freedom, shared) > np.log(FALSE_ALARM / (2 * len(frequencies))):
        return None
    around = 0.75 / (_OVERSAMPLED * extent)
    bounds = (max(float(frequencies[i]) - around, 1 / 20.0), float(frequencies[i]) + around)
    best = lowest_place(lambda f: -fit.solve(f)[0], *bounds, 1e-5)
    gain, sizes, inverse = fit.solve(best)
    # what is left at the period itself: beside it, some of the wave is left too
    left = max(total - gain, 1e-12) / max(fit.freedom, 1)
    wave = (sizes[0] + 1j * sizes[1]) / np.sinc(best * lines.pitch_mm)
    if abs(wave[0]) < _LEAST_L:
        return None
    error = float(np.sqrt(shared * left * np.trace(inverse) / 2))
    part = max(fit.scatter(best, sizes, shared * left), _LEAST_PART)
    unsure = fit.period_error(best, sizes) * float(np.sqrt(shared * left))
    stripes = Stripes(lines.direction, 1 / best, wave, error, extent, part, _PERIOD_PART, unsure)
    return WedgeStripes(stripes, fit.middle, fit.spread)


def unstriped_steps(
    means: Means, boxes: Array, blocks: tuple[int, int], found: Sequence[WedgeStripes], pixel_mm: float
) -> tuple[Means, Array]:
    """Return the means of the steps without stripes, and the standard error in L* that taking them out adds, (n,).

    Parameters
    ----------
    means
        Of the steps, their groups being blocks.
    boxes
        x, y, width and height of what was averaged of each step, (n, 4) mm.
    blocks
        Number of blocks across and down.
    pixel_mm
        What a box's ends are rounded to: each ends anywhere within a pixel, and the wave there is counted or not.
    """
    if not found:
        return means, np.zeros(len(boxes))
    ink = ink_share(means.lab[:, 0])
    kept = np.isfinite(means.cells)
    added, variance = np.zeros_like(means.cells), np.zeros(len(boxes))
    for one in found:
        axis = 0 if one.stripes.direction == "along" else 1
        turns = _block_turns(boxes, blocks, axis, one.stripes.period_mm)
        added += np.real(turns[..., None] * one.stripes.wave) * ink[:, None, None]
        first, second = (_block_turns(boxes, (1, 1), axis, one.stripes.period_mm / n)[:, 0] for n in (1, 2))
        wave = one.stripes.wave[0]
        square = (abs(wave) ** 2 + np.real(wave**2 * second)) / 2 - np.real(wave * first) ** 2
        # light is averaged, and bends against L*: a wave's mean light is lighter than its mean L*, to second order
        bend = np.where(means.lab[:, 0] > 8.0, square * ink**2 / (means.lab[:, 0] + 16.0), 0.0)
        added[..., 0] += bend[:, None]
        left = np.abs(turns.mean(axis=1)) * ink
        away = (boxes[:, axis] + boxes[:, axis + 2] / 2 - one.middle_mm) / max(one.spread_mm, 1e-9)
        # amplitude, phase and, the farther from the middle, period
        variance += (left * one.stripes.error_l) ** 2 * (1 + away**2)
        variance += (left * one.stripes.amplitude_part * abs(one.stripes.wave[0])) ** 2
        # two ends of pixel / √12 each, of a wave with amplitude / √2
        variance += (abs(wave) * ink * pixel_mm / boxes[:, axis + 2]) ** 2 / 12.0
    number = np.maximum(means.groups, 1)[:, None]
    added = np.where(kept, added, 0.0)
    cells = means.cells - added
    away_from_mean = np.nan_to_num(cells - (np.nansum(cells, axis=1) / number)[:, None, :])
    error = np.sqrt(np.sum(away_from_mean**2, axis=1) / np.maximum(number - 1, 1) / number)
    lab = means.lab - added.sum(axis=1) / number
    return replace(means, lab=lab, standard_error=error, cells=cells), np.sqrt(variance)


def _block_turns(boxes: Array, blocks: tuple[int, int], axis: int, period_mm: float) -> NDArray[np.complex128]:
    """Return the mean of exp(2πi place / period) over each block of each step, (n, blocks), down counted first."""
    number = blocks[axis]
    side = boxes[:, axis + 2] / number
    place = boxes[:, axis, None] + side[:, None] * (np.arange(number) + 0.5)
    turns = np.exp(2j * np.pi * place / period_mm) * np.sinc(side / period_mm)[:, None]
    return np.asarray(np.repeat(turns, blocks[1], axis=1) if axis == 0 else np.tile(turns, (1, blocks[0])))


def left_over(boxes: Array, lightness: Array, seen: Sequence[HeadBanding], found: Sequence[WedgeStripes]) -> Array:
    """Return the standard error in L* of steps by stripes that others show and the wedge did not give, (n,)."""
    known = [(one.stripes.direction, one.stripes.period_mm) for one in found]
    worst: dict[Direction, Array] = {}
    for one in seen:
        if one.direction is None:
            continue
        if any(one.direction == way and abs(one.period_mm / period - 1) < _SAME_PERIOD for way, period in known):
            continue
        extent = boxes[:, 2 if one.direction == "along" else 3]
        share = one.amplitude_l / np.sqrt(2.0) * np.abs(np.sinc(extent / one.period_mm)) * ink_share(lightness)
        worst[one.direction] = np.maximum(worst.get(one.direction, np.zeros(len(boxes))), share)
    return np.asarray(np.sqrt(sum((part**2 for part in worst.values()), np.zeros(len(boxes)))))
