"""Head banding: stripes that run straight through, told apart from rings that run around.

Within one radius of a disc, colour may differ from sector to sector only by what is not a ring. Where the circle runs
along the stripes, at its top and bottom for stripes across the sheet, the sectors show them undiluted; those at its
sides do so for stripes along the sheet. A periodogram of the departures there (Lomb 1976, Scargle 1982), at a stated
false alarm rate, finds the period; amplitude and phase are then fitted to all sectors of the disc, and what the
stripes add to each is taken out before the sectors are averaged. Ink is what is striped: bare paper is not, so the
stripes fade out from L* 90 to 100; nor does a little more or less of it show where it is solid, so they do below L* 5,
and a hub has none. A flat field shows stripes directly, in its means along lines of the sheet, and so do lines that a
nozzle left out.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import WHITE_D50, lab_to_xyz

from ..colour.basis import Basis
from ..maths.solvers import lowest_place
from ..maths.waves import FALSE_ALARM, WaveFits, log_chance, noise_reach_mm, period_error_mm, wave_fits
from ..results.score import ElementScore, FlatFieldScore, HeadBanding, MissingLine, NeutralWedgeScore, RingScore
from .sampling import Means, means_of_cells

__all__ = [
    "LEAST_STRIPE_L",
    "PERIODS_MM",
    "Direction",
    "Stripes",
    "disc_stripes",
    "ink_share",
    "line_stripes",
    "missing_lines",
    "stripe_blur_mm",
    "stripe_lab",
    "stripes_l",
    "unstriped",
]

Array = NDArray[np.float64]
Direction = Literal["across", "along"]

LEAST_STRIPE_L: Final = 0.1
PERIODS_MM: Final = (0.4, 12.0)
"""Range of what counts as stripes."""

_OVERSAMPLED: Final = 4
_FIELD_PERIODS: Final = 1.5  # fewer are no stripes, but a drift
_MOST_STRIPES: Final = 3
_TREND_DEGREE: Final = {"disc": 1, "field": 3}
_BARE_L: Final = (90.0, 100.0)
_SOLID_L: Final = 5.0
_LEAST_INK: Final = 0.12
_LEAST_REACH_MM: Final = 0.2  # grain, blurred by a scan, reaches this far at least
_TRANSFER_PART: Final = 0.2  # how well what blur has taken is known, as a part of it (measured on rehearsals)
_DISC_PARTS: Final = (0.015, 0.0005)
_ARC_POINTS: Final = 7
_FRINGES: Final = np.arange(-8, 9) / 4
_AGREEMENT: Final = 0.7  # of what both ends of a diameter show by themselves, one wave through both must show
_LIGHT_STEP: Final = 1e-4
_NEWTON_ROUNDS: Final = 3  # one is enough for a matrix
_GAP_SIGMA: Final = 6.0
_GAP_LEAST_L: Final = 0.4
_GAP_WIDEST_MM: Final = 0.6
_GAP_AROUND_MM: Final = 1.6


@dataclass(frozen=True, slots=True)
class Stripes:
    """One wave of stripes.

    Attributes
    ----------
    direction
        ``across``: the stripes run along x and vary along y; ``along``: the other way round.
    period_mm
        Distance between stripes.
    wave
        Complex amplitudes of L*, a* and b* about the disc's centre, at full ink, (3,): the stripes are the real part
        of ``wave * exp(2πi place / period)``, as scanned.
    error_l
        Standard error of the amplitude of L*.
    length_mm
        Over which they were seen.
    amplitude_part, period_part
        Standard errors, as parts of amplitude and period, of what noise does not explain: how sharply they are seen,
        and in a disc what else its colours do (set on rehearsals; the accuracy bench counts how often they hold).
    period_error_mm
        Standard error of the period by noise, where a course was fitted beside the stripes, which may follow them.
    """

    direction: Direction
    period_mm: float
    wave: NDArray[np.complex128]
    error_l: float
    length_mm: float
    amplitude_part: float = 0.015
    period_part: float = 0.0
    period_error_mm: float | None = None

    def banding(self, blur_mm: float) -> HeadBanding:
        """Return what goes into a score, the loss by a Gaussian blur undone as far as half of the wave is left."""
        transfer = max(float(np.exp(-2.0 * (np.pi * blur_mm / self.period_mm) ** 2)), 0.5)
        size = np.abs(self.wave) / transfer
        return HeadBanding(
            period_mm=self.period_mm,
            amplitude_l=float(size[0]),
            direction=self.direction,
            amplitude_de=float(np.linalg.norm(size)),
            period_standard_error_mm=float(np.hypot(self._period_error_mm(), self.period_part * self.period_mm)),
            standard_error_l=float(
                np.linalg.norm(
                    [
                        self.error_l / transfer,
                        _TRANSFER_PART * size[0] * (1.0 - transfer),
                        self.amplitude_part * size[0],
                    ]
                )
            ),
        )

    def _period_error_mm(self) -> float:
        """Return what noise makes of the period: as told, else a sinusoid's Cramér-Rao bound."""
        if self.period_error_mm is not None:
            return self.period_error_mm
        return float(np.sqrt(3.0) / np.pi * self.error_l / abs(self.wave[0]) * self.period_mm**2 / self.length_mm)


def stripe_blur_mm(blur_mm: float, dpi: float) -> float:
    """Return the sigma that blurs stripes, from that of marks and rims, which are printed in the file's pixels too."""
    return float(np.sqrt(max(blur_mm**2 - (25.4 / dpi) ** 2 / 12.0, 0.0)))


def ink_share(lightness: Array) -> Array:
    """Return how much of a stripe shows at an L*: none on bare paper, none where a little more or less ink is black."""
    bare = np.clip((_BARE_L[1] - lightness) / (_BARE_L[1] - _BARE_L[0]), 0.0, 1.0)
    return np.asarray(bare * np.clip(lightness / _SOLID_L, 0.0, 1.0))


def _ink(lightness: Array, radius: Array, hub_mm: float) -> Array:
    return np.where(radius > hub_mm, ink_share(lightness), 0.0)


def _turns(period_mm: float, radius: Array, sectors: int, direction: Direction) -> NDArray[np.complex128]:
    """Return the mean of exp(2πi place / period) over the arc of each cell, (n, sectors)."""
    sector = 2 * np.pi / sectors
    points = max(_ARC_POINTS, round(4 * float(radius.max(initial=0.0)) * sector / period_mm))
    angle = (np.arange(sectors)[:, None] + (np.arange(points) + 0.5) / points) * sector
    place = np.sin(angle) if direction == "across" else np.cos(angle)
    return np.asarray(np.exp(2j * np.pi / period_mm * radius[:, None, None] * place).mean(axis=2))


def stripe_lab(stripes: tuple[Stripes, ...], radius: Array, sectors: int, ink: Array) -> Array:
    """Return what stripes add to the cells of a disc, CIELAB (n, sectors, 3), given the share of ink by radius (n,)."""
    total = np.zeros((len(radius), sectors, 3))
    for one in stripes:
        turns = _turns(one.period_mm, radius, sectors, one.direction)
        total += np.real(turns[..., None] * one.wave) * ink[:, None, None]
    return total


def stripes_l(stripes: Stripes, place_mm: Array, bin_mm: float, lightness: Array) -> Array:
    """Return what stripes about place 0 add to the L* of bins across them, (n,), given that L*."""
    turn = np.exp(2j * np.pi * place_mm / stripes.period_mm) * np.sinc(bin_mm / stripes.period_mm)
    return np.asarray(np.real(turn * stripes.wave[0]) * ink_share(lightness))


def unstriped(means: Means, stripes: tuple[Stripes, ...], hub_mm: float, basis: Basis, paper_xyz: Array) -> Means:
    """Return the radial means of a disc as they would be without its stripes."""
    if not stripes:
        return means
    level = np.nan_to_num(means.lab[:, 0], nan=100.0)
    place = np.nan_to_num(means.place)
    added = stripe_lab(stripes, place, means.cells.shape[1], _ink(level, place, hub_mm))
    return means_of_cells(
        _light_of(means.cells - added, means, basis, paper_xyz), means.cell_count, means.place, basis, paper_xyz
    )


def _light_of(cells: Array, means: Means, basis: Basis, paper_xyz: Array) -> Array:
    """Return the linear light of cells whose colours, (n, sectors, 3), are near those of the means.

    A basis only leads from light to XYZ, by a matrix or by a fit that is nearly one: Newton's method, with the slopes
    at each bin's mean.
    """
    wanted = lab_to_xyz(cells) * (paper_xyz / WHITE_D50)
    steps = _LIGHT_STEP * np.eye(3)
    slopes = np.stack(
        [basis.xyz(means.linear + step) - basis.xyz(means.linear - step) for step in steps], axis=-1
    ) / (2 * _LIGHT_STEP)  # fmt: skip
    known = np.asarray(np.isfinite(slopes).all(axis=(1, 2)))
    inverse = np.linalg.pinv(np.where(known[:, None, None], slopes, 0.0))
    light = means.cell_linear
    for _ in range(_NEWTON_ROUNDS):
        light = light + (wanted - basis.xyz(light)) @ np.swapaxes(inverse, 1, 2)
    return np.asarray(light)


def disc_stripes(cells: Array, radius_mm: Array, hub_mm: float = 0.0) -> tuple[Stripes, ...]:
    """Return the stripes through a disc, the strongest first.

    Parameters
    ----------
    cells
        CIELAB by radius and sector, (n, sectors, 3), sectors counted from +x towards +y; NaN where spoiled.
    radius_mm
        Even radii of the rows, (n,).
    hub_mm
        Radius of the hub: solid paper or solid black, neither of which shows stripes.
    """
    good = np.isfinite(cells).all(axis=2).sum(axis=1) >= cells.shape[1] // 2
    cells, radius = cells[good], radius_mm[good]
    if len(radius) < 50:
        return ()
    level = np.nanmean(cells[..., 0], axis=1)
    rest = cells - np.nanmean(cells, axis=1, keepdims=True)
    ink = _ink(level, radius, hub_mm)
    spacing = float(np.median(np.diff(radius)))
    found: list[Stripes] = []
    while len(found) < _MOST_STRIPES:
        guess = _strongest(rest, radius, ink)
        if guess is None or not guess.passes(_LEAST_REACH_MM / spacing):
            break
        one = _refine(rest, radius, ink, guess)
        if one is None:
            break
        shown = stripe_lab((one,), radius, cells.shape[1], ink)
        rest = rest - (shown - shown.mean(axis=1, keepdims=True))
        # only what is left without the stripes tells how far noise itself reaches
        shared = max(noise_reach_mm(rest, spacing) / spacing, 1.0)
        if not guess.passes(shared):
            break
        error = one.error_l * float(np.sqrt(shared))
        found.append(replace(one, error_l=error, amplitude_part=_DISC_PARTS[0], period_part=_DISC_PARTS[1]))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Guess:
    """A peak of the periodogram: what it takes from the sum of squares, the mean square left, and of how many."""

    direction: Direction
    period_mm: float
    gain: float
    noise: float
    number: int
    tries: int

    def passes(self, shared: float) -> bool:
        """Tell whether noise that so many neighbours share would seldom look like this."""
        freedom = max(self.number / shared - 3, 1)
        return bool(log_chance(self.gain, self.noise, freedom, shared) < np.log(FALSE_ALARM / self.tries))


def _strongest(rest: Array, radius: Array, ink: Array) -> _Guess | None:
    """Return the strongest wave that both ends of a diameter show."""
    quarter = rest.shape[1] // 4
    spacing = float(np.median(np.diff(radius)))
    frequencies, waves = _waves(round(float(radius[0]), 6), round(spacing, 6), len(radius))
    number = max(2 * int((ink > _LEAST_INK).sum()), 1)
    guesses = []
    directions: tuple[tuple[Direction, int], ...] = (("across", quarter), ("along", 0))
    for direction, near in directions:
        far = near + 2 * quarter
        ends = [_trendless(rest[:, [middle - 1, middle], 0].mean(axis=1), radius, ink) for middle in (near, far)]
        sums = [end @ waves for end in ends]
        joint = np.abs(sums[0] + np.conj(sums[1])) ** 2 * 2 / number
        apart = (np.abs(sums[0]) ** 2 + np.abs(sums[1]) ** 2) * 4 / number
        i = int(np.argmax(joint))
        noise = (sum(float(end @ end) for end in ends) - float(joint[i])) / max(number - 3, 1)
        if joint[i] > _AGREEMENT * apart[i]:
            period = float(1 / frequencies[i])
            guesses.append(_Guess(direction, period, float(joint[i]), noise, number, 2 * len(frequencies)))
    return max(guesses, key=lambda guess: guess.gain, default=None)


def _trendless(values: Array, radius: Array, ink: Array) -> Array:
    """Return values without their slow trend, zero where there is little ink or no value."""
    usable = np.isfinite(values) & (ink > _LEAST_INK)
    if usable.sum() < 8:
        return np.zeros_like(values)
    trend = np.polynomial.Chebyshev.fit(radius[usable], values[usable], _TREND_DEGREE["disc"])(radius)
    return np.where(usable, values - trend, 0.0)


@functools.lru_cache(maxsize=8)
def _waves(first_mm: float, spacing_mm: float, count: int) -> tuple[Array, NDArray[np.complex128]]:
    """Return frequencies (per mm) and the waves exp(-2πi radius frequency) to look for them with, (count, number)."""
    radius = first_mm + spacing_mm * np.arange(count)
    high = min(1 / PERIODS_MM[0], 1 / (4 * spacing_mm))
    frequencies = np.arange(1 / PERIODS_MM[1], high, 1 / (_OVERSAMPLED * 2 * radius[-1]))
    return frequencies, np.exp(-2j * np.pi * np.outer(radius, frequencies))


def _refine(rest: Array, radius: Array, ink: Array, guess: _Guess) -> Stripes | None:
    """Fit period, amplitudes and phase of stripes to all cells, from a first guess on; errors of independent cells."""
    period, direction = guess.period_mm, guess.direction
    kept: NDArray[np.bool_] = np.asarray(np.isfinite(rest).all(axis=2))
    target = np.where(kept[..., None], rest, 0.0)

    def fit(frequency: float) -> tuple[float, NDArray[np.complex128], float]:
        turns = _turns(1 / frequency, radius, rest.shape[1], direction) * ink[:, None]
        turns = np.where(kept, turns - turns.mean(axis=1, keepdims=True), 0.0)
        columns = np.stack([turns.real[kept], -turns.imag[kept]], axis=1)
        sizes = np.linalg.solve(columns.T @ columns, columns.T @ target[kept])
        shown = columns @ sizes[:, 0]
        # cells near the hub hold few pixels and are noisy: each counts with its own misfit (White 1980)
        inverse = np.linalg.inv(columns.T @ columns)
        noisy = columns * (target[kept][:, 0] - shown)[:, None]
        error = float(np.sqrt(np.mean(np.diag(inverse @ (noisy.T @ noisy) @ inverse))))
        return float(shown @ shown), sizes[0] + 1j * sizes[1], error

    # the two ends of a diameter are far apart and show fringes: all sectors tell which is the true one
    fringe = 1 / (2 * float(np.average(radius, weights=ink)))
    lowest, highest = 1 / (2 * PERIODS_MM[1]), 1 / PERIODS_MM[0]
    guesses = [f for f in 1 / period + fringe * _FRINGES if lowest <= f <= highest]
    guessed = max(guesses, key=lambda f: fit(float(f))[0], default=1 / period)
    best = lowest_place(lambda f: -fit(f)[0], max(guessed - fringe / 4, 1e-2), guessed + fringe / 4, 2e-5)
    _gain, wave, error = fit(best)
    if abs(wave[0]) < LEAST_STRIPE_L:
        return None
    return Stripes(direction, 1 / best, wave, error, 2 * float(radius[-1]))


def line_stripes(
    lab: Array, error_l: Array, spacing_mm: float, direction: Direction, reach_mm: float = 0.0
) -> Stripes | None:
    """Return the stripes of a flat field from its means along lines of the sheet.

    Parameters
    ----------
    lab
        CIELAB of the lines, (n, 3), evenly spaced.
    error_l
        Standard errors of their L*, (n,).
    reach_mm
        Length over which neighbouring lines share their noise.
    """
    values = lab[:, 0]
    length = (len(values) - 1) * spacing_mm
    noise = float(np.median(error_l)) ** 2
    shared = max(reach_mm / spacing_mm, 1.0)
    low, high = max(1 / PERIODS_MM[1], _FIELD_PERIODS / length), min(1 / PERIODS_MM[0], 1 / (4 * spacing_mm))
    frequencies = np.arange(low, high, 1 / (_OVERSAMPLED * length))
    gain, residual = _line_gains(values, spacing_mm, frequencies)
    chance = log_chance(gain, np.maximum(residual, noise), max(len(values) / shared - 6, 1), shared)
    i = int(np.argmax(gain))
    if chance[i] > np.log(FALSE_ALARM / (2 * len(frequencies))):
        return None
    around = 0.75 / (_OVERSAMPLED * length)
    found = lowest_place(
        lambda f: -_line_gains(values, spacing_mm, np.array([f]))[0][0],
        float(frequencies[i]) - around,
        float(frequencies[i]) + around,
        1e-5,
    )
    waves = []
    for column in lab.T:
        fits = _line_fit(column, spacing_mm, found)
        waves.append(0j if fits is None else complex(fits.wave[0]))
    wave = np.array(waves)
    if abs(wave[0]) < LEAST_STRIPE_L:
        return None
    # what is left at the period itself: beside it, some of the wave is left too
    left = max(float(_line_gains(values, spacing_mm, np.array([found]))[1][0]), noise)
    error = float(np.sqrt(2.0 * shared * left / len(values)))
    unsure = _line_period_error(len(values), spacing_mm, found, wave[0]) * float(np.sqrt(shared * left))
    return Stripes(direction, 1 / found, wave, error, length, period_error_mm=unsure)


def _line_period_error(number: int, spacing_mm: float, frequency: float, wave: complex) -> float:
    """Return the standard error of a period in mm for noise of 1 L*: least squares of course, wave and frequency."""
    place = (np.arange(number) - (number - 1) / 2) * spacing_mm
    turn = np.exp(2j * np.pi * frequency * place)
    course = np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, number), _TREND_DEGREE["field"])
    moved = np.real(2j * np.pi * place * wave * turn)
    return period_error_mm(np.column_stack([course, turn.real, turn.imag, moved]), frequency)


def _line_fit(values: Array, spacing_mm: float, frequency: float) -> WaveFits | None:
    periods = len(values) * spacing_mm * frequency
    return wave_fits(values, spacing_mm, 1 / frequency, periods, _TREND_DEGREE["field"])


def _line_gains(values: Array, spacing_mm: float, frequencies: Array) -> tuple[Array, Array]:
    """Return what a wave of each frequency takes from the sum of squares, and the mean square that it leaves."""
    number = len(values)
    course = np.linalg.qr(np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, number), _TREND_DEGREE["field"]))[0]
    rest = values - course @ (course.T @ values)
    turn = 2 * np.pi * np.outer(np.arange(number) * spacing_mm, frequencies)
    cosine, sine = (wave - course @ (course.T @ wave) for wave in (np.cos(turn), np.sin(turn)))
    cc, ss, cs = (np.sum(a * b, axis=0) for a, b in ((cosine, cosine), (sine, sine), (cosine, sine)))
    c, s = rest @ cosine, rest @ sine
    gain = (ss * c * c - 2 * cs * c * s + cc * s * s) / np.maximum(cc * ss - cs * cs, 1e-12)
    return gain, np.maximum(rest @ rest - gain, 0.0) / max(number - _TREND_DEGREE["field"] - 3, 1)


def missing_lines(place_mm: Array, lightness: Array, error_l: Array, direction: Direction) -> tuple[MissingLine, ...]:
    """Return thin lines that are lighter than what is around them, such as a failing nozzle leaves; (n,) each."""
    spacing = float(np.median(np.diff(place_mm)))
    from scipy.ndimage import median_filter

    around = median_filter(lightness, size=max(round(_GAP_AROUND_MM / spacing), 3), mode="nearest")
    lift = lightness - around
    scale = max(1.4826 * float(np.median(np.abs(lift))), float(np.median(error_l)))
    beyond = lift > max(_GAP_SIGMA * scale, _GAP_LEAST_L)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], beyond.astype(int), [0]])))
    found = []
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        part = slice(max(first - 1, 0), last + 1)
        rise = np.maximum(lift[part], 0.0)
        width = float(rise.sum() * spacing / rise.max())
        if width > _GAP_WIDEST_MM:
            continue
        place = float(np.average(place_mm[part], weights=rise))
        found.append(MissingLine(direction=direction, place_mm=place, width_mm=width, lift_l=float(rise.max())))
    return tuple(found)


def stripes_of(elements: Iterable[ElementScore]) -> tuple[HeadBanding, ...]:
    """Return the stripes that elements show, the strongest of each."""
    return tuple(
        element.head_banding
        for element in elements
        if isinstance(element, RingScore | FlatFieldScore | NeutralWedgeScore) and element.head_banding is not None
    )
