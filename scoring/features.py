"""Contours, flat bands, reversals, core and the rest: pure functions of a printed and an intended path.

Definitions are DESIGN's: speed is ΔE00 a millimetre; a path's share is the intended speed scaled by reach; a contour
is a stretch faster than twice its share with at least 1 ΔE00 across it, and 1.5 times its own standard error if it
has one; a flat band is one slower than a quarter of its share while the file moves on by at least 2 ΔE00. Two contours
less than 0.3 mm apart are one, unless the fade pauses between them and falls behind its share, or one is an edge,
narrower than 0.1 mm.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import delta_e00, path_length_de00

from .model import Contour, FallOff, FlatBand, Reversal
from .pathmodel import LEAST_WIDTH_BLURS

__all__ = [
    "CONTOUR_LEAST_DE00",
    "CONTOUR_SHARE",
    "FLAT_LEAST_DE00",
    "FLAT_SHARE",
    "ColourNoise",
    "PathPair",
    "core_mm",
    "evenness",
    "fall_off",
    "find_contours",
    "find_flat_bands",
    "find_reversals",
    "reach",
]

Array = NDArray[np.float64]

CONTOUR_SHARE: Final = 2.0
CONTOUR_LEAST_DE00: Final = 1.0
FLAT_SHARE: Final = 0.25
FLAT_LEAST_DE00: Final = 2.0
_CORE_DE00: Final = 1.0
_REVERSAL_L: Final = 0.5
_BRIDGE_MM: Final = 0.06  # two stretches nearer than this are one
_ONE_RING_MM: Final = 0.3  # nor are two steep ones, seen from 400 mm (2.6 minutes of arc), unless the fade pauses
_UNTOLD_BLURS: Final = 4.0  # within which nothing tells a flat course from a slow one
_SLOW_SHARE: Final = 0.55  # of what may be flat; set on rehearsals
_ABRUPT: Final = 0.8  # of a limit: speed that falls below it within `_WITHIN_ROWS` falls abruptly
_WITHIN_ROWS: Final = 2
_ABRUPT_BLURS: Final = 2.0  # how far beyond a crossing of the limit a stretch may reach
_EDGE_MM: Final = 0.1  # what is narrower is an edge, and stays one of its own
_OWN_EDGE_DE00: Final = 2.0  # a weaker one beside a stretch that is nearly steep may be a part of it; set on rehearsals
_BRIDGE_DE00: Final = 0.2  # but two flat ones with a step between them are two: tones merge in staircases

# how well contours are known; see `_contour_errors`
_SIDE_MM: Final = 0.15
_HARD_ENDS: Final = 0.1
_STEEP_ENDS: Final = 0.5
_SHARE_DOUBT: Final = 0.08  # how well a scan tells a course's speed where nothing is sharp
_NOISE_PART: Final = 2.0
_SCALE_PART: Final = 0.01
_PLACE_MM: Final = 0.0025
_NEAR_MM: Final = 0.5
_WIDTH_PART: Final = 0.03
_SHOWN: Final = 1.5  # standard errors of contrast; of 1000 true contours none has less, of a table's 5 of 126


@dataclass(frozen=True, slots=True)
class PathPair:
    """A printed path and the intended one at the same radii along the ramp.

    Attributes
    ----------
    radius_mm
        Radii from the ramp's inner to its outer end, shape (n,), not decreasing; a step stands as two equal radii.
    printed, intended
        CIELAB, shape (n, 3).
    """

    radius_mm: Array
    printed: Array
    intended: Array

    def printed_length(self) -> Array:
        """Cumulative ΔE00 along the printed path, shape (n,)."""
        return path_length_de00(self.printed)

    def intended_length(self) -> Array:
        """Cumulative ΔE00 along the intended path, shape (n,)."""
        return path_length_de00(self.intended)


def reach(pair: PathPair) -> float:
    """Return how much of the asked-for path was printed: the printed length over the intended one."""
    return float(pair.printed_length()[-1] / pair.intended_length()[-1])


def evenness(pair: PathPair) -> float | None:
    """Return 1 - half the integral of the difference of the two normalised speeds, 0 to 1; ``None`` without a path."""
    printed, intended = np.diff(pair.printed_length()), np.diff(pair.intended_length())
    if printed.sum() < 1e-6 or intended.sum() < 1e-6:
        return None
    return float(1.0 - 0.5 * np.sum(np.abs(printed / printed.sum() - intended / intended.sum())))


def _stretches(inside: NDArray[np.bool_], radius: Array, moved: Array | None = None) -> list[tuple[int, int]]:
    """Return [first, past-last) runs of true segments as row numbers, joined over gaps that are nothing.

    `moved` is the path's cumulative length: gaps in which it grows are something.
    """
    moved = np.zeros(len(radius)) if moved is None else moved
    edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(int), [0]])))
    runs: list[tuple[int, int]] = []
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        before = runs[-1][1] if runs else first
        if runs and radius[first] - radius[before] < _BRIDGE_MM and moved[first] - moved[before] < _BRIDGE_DE00:
            runs[-1] = (runs[-1][0], last)
        else:
            runs.append((first, last))
    return runs


@dataclass(frozen=True, slots=True)
class ColourNoise:
    """Standard errors in ΔE00 of the bins that a path was fitted to, by radius, both (n,)."""

    radius_mm: Array
    error_de00: Array

    def usual(self) -> float:
        """Return their median."""
        return float(np.median(self.error_de00))

    def near(self, radius_mm: float) -> float:
        """Return their root mean square about a radius: bins near the hub hold few pixels."""
        beside = np.abs(self.radius_mm - radius_mm) < _NEAR_MM
        return float(np.sqrt(np.mean((self.error_de00[beside] if beside.any() else self.error_de00) ** 2)))


def find_contours(
    pair: PathPair, noise: ColourNoise | None = None, blur_mm: float | None = None
) -> tuple[Contour, ...]:
    """Return the contours of a path, inner first.

    Parameters
    ----------
    noise
        Of what the path was fitted to; a contour whose contrast reaches 1 ΔE00 within twice the usual one is given.
        With `blur_mm` too, one whose contrast is less than 1.5 times its own standard error is not: nothing shows that
        it is one.
    blur_mm
        Gaussian sigma that the path was freed from; it tells how well ends are known. An end goes on to where speed
        changes abruptly, within two blurs and within 8 % of the limit. Without noise and blur the path is exact, and no
        standard errors are given.
    """
    course = _Course.of(pair)
    least = CONTOUR_LEAST_DE00 - (0.0 if noise is None else 2.0 * noise.usual())
    untold_mm = 0.0 if blur_mm is None else _ABRUPT_BLURS * blur_mm
    contours = _steep(course, CONTOUR_SHARE, untold_mm, least)
    if not contours:
        return ()
    strict, loose = (_steep(course, CONTOUR_SHARE * k, untold_mm) for k in (1 + _SHARE_DOUBT, 1 - _SHARE_DOUBT))
    found = []
    for steep in contours:
        doubt = _doubt(steep, strict, loose)
        errors: tuple[float, float] | tuple[None, None] = (None, None)
        if blur_mm is not None and noise is not None:
            around = _speed_around(pair.radius_mm, course.length, steep.inner_mm, steep.outer_mm)
            errors = _contour_errors(steep, doubt, around * blur_mm, noise.near(steep.centre_mm), blur_mm)
            if steep.contrast_de00 < _SHOWN * errors[0]:
                continue
        found.append(
            Contour(
                radius_mm=steep.centre_mm,
                inner_mm=steep.inner_mm,
                outer_mm=steep.outer_mm,
                width_mm=steep.width_mm,
                width_limit_mm=None if blur_mm is None else LEAST_WIDTH_BLURS * blur_mm,
                contrast_de00=steep.contrast_de00,
                contrast_range_de00=doubt.contrast_de00,
                contrast_standard_error_de00=errors[0],
                radius_standard_error_mm=errors[1],
                visibility_jnd=None,
            )
        )
    return tuple(found)


class _Steep(NamedTuple):
    """A stretch faster than a limit."""

    inner_mm: float
    outer_mm: float
    centre_mm: float
    contrast_de00: float

    @property
    def width_mm(self) -> float:
        return self.outer_mm - self.inner_mm


class _Doubt(NamedTuple):
    """What contrast may be, and how far the centre may lie, if speeds are a little more or less than they seem."""

    contrast_de00: tuple[float, float]
    place_mm: float


class _Course(NamedTuple):
    """A path with its cumulative lengths: printed, intended, and the share of the printed one.

    `relative` is printed speed over its share between neighbouring rows, (n-1,); infinite at a step.
    """

    pair: PathPair
    length: Array
    asked: Array
    share: Array
    relative: Array

    @classmethod
    def of(cls, pair: PathPair) -> _Course:
        length, asked = pair.printed_length(), pair.intended_length()
        share = asked * (length[-1] / max(asked[-1], 1e-12))
        moved, due = np.diff(length), np.diff(share)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = moved / due
        relative = np.where(due > 1e-9, ratio, np.where(moved > 0.02, np.inf, 1.0))
        return cls(pair, length, asked, share, relative)


def _steep(course: _Course, limit: float, untold_mm: float, least_de00: float = 0.0) -> list[_Steep]:
    """Return the stretches faster than a multiple of the share; wide ones between which the fade goes on are one.

    `untold_mm` is how far a stretch may reach beyond where its speed crosses the limit (`_faster`), 0 on an exact path;
    on others an edge beside a stretch, too weak to be a contour of its own, belongs to it, too.
    """
    radius, printed, length, share = course.pair.radius_mm, course.pair.printed, course.length, course.share
    found = np.array(_stretches(_faster(course, limit, untold_mm), radius), dtype=np.intp).reshape(-1, 2)
    strong = np.asarray(delta_e00(*printed[found.T])) >= least_de00

    def one(run: tuple[int, int, bool], first: int, last: int, strong: bool) -> bool:
        """Tell whether a stretch belongs to the run before it."""
        begun, before, whole = run
        wide = min(radius[before] - radius[begun], radius[last] - radius[first]) > _EDGE_MM
        near = (strong != whole or (strong and wide)) and radius[first] - radius[before] < _ONE_RING_MM
        return bool(near and length[first] - length[before] >= share[first] - share[before])

    runs: list[tuple[int, int, bool]] = []  # the last says: strong enough by itself
    kept = strong | (untold_mm > 0)
    for (first, last), is_strong in zip(found[kept].tolist(), strong[kept].tolist(), strict=True):
        while runs and not runs[-1][2] and not one(runs[-1], first, last, is_strong):
            runs.pop()
        if runs and one(runs[-1], first, last, is_strong):
            runs[-1] = (runs[-1][0], last, True)
        else:
            runs.append((first, last, is_strong))
    runs = [run for run in runs if run[2]]
    starts, stops, _ = np.array(runs, dtype=np.intp).reshape(-1, 3).T
    contrast = np.asarray(delta_e00(printed[starts], printed[stops]))
    centre = np.interp(0.5 * (length[starts] + length[stops]), length, radius)
    ends = radius[starts], radius[stops]
    return [_Steep(*row) for row in np.stack([*ends, centre, contrast], axis=1).tolist()]


def _faster(course: _Course, limit: float, untold_mm: float) -> NDArray[np.bool_]:
    """Return which segments are faster than a multiple of the share, or cannot be told from such.

    A stretch that is faster goes on to where speed changes abruptly, if that is not far, and speed on the way is nearer
    to the limit than a scan can tell.
    """
    radius, faster = course.pair.radius_mm, course.relative > limit
    abrupt = np.pad(course.relative < _ABRUPT * limit, _WITHIN_ROWS, constant_values=True)
    told = faster.copy()
    for first, last in _stretches(course.relative > (1 - _SHARE_DOUBT) * limit, radius):
        inside = first + np.flatnonzero(faster[first:last])
        if not len(inside):
            continue
        start, stop = inside[0], inside[-1] + 1
        if abrupt[first : first + _WITHIN_ROWS].any() and radius[start] - radius[first] < untold_mm:
            told[first:start] = True
        if abrupt[last + _WITHIN_ROWS : last + 2 * _WITHIN_ROWS].any() and radius[last] - radius[stop] < untold_mm:
            told[stop:last] = True
    return told


def _doubt(steep: _Steep, strict: list[_Steep], loose: list[_Steep]) -> _Doubt:
    """Compare a stretch with the strongest ones of a stricter and a looser limit that touch it.

    An edge is one for itself, unless it is weak: what it may run into says nothing of it.
    """
    if steep.width_mm <= _EDGE_MM and steep.contrast_de00 >= _OWN_EDGE_DE00:
        loose = [other for other in loose if other.width_mm <= _EDGE_MM]
    within, around = (
        max(
            (other for other in others if other.inner_mm <= steep.outer_mm and other.outer_mm >= steep.inner_mm),
            key=lambda other: other.contrast_de00,
            default=None,
        )
        for others in (strict, loose)
    )
    around = around or steep
    least = within.contrast_de00 if within else 0.0
    away = [abs(other.centre_mm - steep.centre_mm) for other in (within, around) if other]
    return _Doubt((min(least, steep.contrast_de00), max(around.contrast_de00, steep.contrast_de00)), max(away))


def _speed_around(radius: Array, length: Array, inner: float, outer: float) -> float:
    """Return the sum of the speeds just before and just after a stretch, ΔE00 a mm."""
    gap, side = 1e-4, _SIDE_MM
    before = np.diff(np.interp([inner - side, inner - gap], radius, length))[0]
    after = np.diff(np.interp([outer + gap, outer + side], radius, length))[0]
    return float((before + after) / (side - gap))


def _contour_errors(
    steep: _Steep, doubt: _Doubt, moved_in_blur: float, noise_de00: float, blur_mm: float
) -> tuple[float, float]:
    """Return standard errors of contrast (ΔE00) and radius (mm).

    The ends of a steep stretch are where its speed crosses a limit. They are known to a part of the blur, and what the
    path moves in it belongs to the contrast or does not; where speed stays near the limit, they hang on how well speed
    is known. The parts are set on rehearsals (1000 contours on printed steps and drop-offs, 2 % grain), so that about
    95 % of true values lie within 1.96 standard errors, and what hangs on the limit on 126 of a table, of which 87 %
    do; the accuracy bench counts how many do on others.
    """
    ends = (_HARD_ENDS if steep.width_mm == 0 else _STEEP_ENDS) * moved_in_blur
    least, most = doubt.contrast_de00
    hanging = (most - least) / np.sqrt(3.0)  # anywhere as far to either side (JCGM 100, 4.3.7)
    scale = _SCALE_PART * steep.contrast_de00
    contrast_error = float(np.sqrt((_NOISE_PART * noise_de00) ** 2 + ends**2 + scale**2 + hanging**2))
    place = _NOISE_PART * noise_de00 * blur_mm / steep.contrast_de00
    width = _WIDTH_PART * steep.width_mm
    return contrast_error, float(np.sqrt(_PLACE_MM**2 + place**2 + width**2 + doubt.place_mm**2))


def find_flat_bands(pair: PathPair, blur_mm: float | None = None) -> tuple[FlatBand, ...]:
    """Return the flat bands of a path, inner first.

    Parameters
    ----------
    blur_mm
        Gaussian sigma that the path was freed from. Within `_UNTOLD_BLURS` of it nothing tells a flat course from a
        slow one: bands so near to each other are one, and one so near to the hub or a hard step reaches it.
    """
    found = []
    course = _Course.of(pair)
    asked, got, radius = course.asked, course.length, pair.radius_mm
    bands = _stretches(course.relative < FLAT_SHARE, radius, got)
    if blur_mm is not None:
        bands = _as_told(course, bands, _UNTOLD_BLURS * blur_mm)
    for first, last in bands:
        moved = float(asked[last] - asked[first])
        if moved < FLAT_LEAST_DE00:
            continue
        inner, outer = float(radius[first]), float(radius[last])
        lost = moved - float(got[last] - got[first])
        found.append(FlatBand(inner_mm=inner, outer_mm=outer, width_mm=outer - inner, lost_de00=lost))
    return tuple(found)


def _as_told(course: _Course, bands: list[tuple[int, int]], untold_mm: float) -> list[tuple[int, int]]:
    """Return bands (row numbers) joined, and reaching the hub and hard steps, over slow gaps that blur hides."""
    radius = course.pair.radius_mm
    steps = np.flatnonzero(np.diff(radius) == 0)
    begins, ends = np.append(0, steps + 1), np.append(steps, len(radius))

    def hidden(first: int, last: int) -> bool:
        return first < last and radius[last] - radius[first] < untold_mm and _slow(course, first, last)

    told: list[tuple[int, int]] = []
    for first, last in bands:
        before, after = int(begins[begins <= first].max()), int(ends[ends >= last].min())
        if hidden(before, first):
            first = before
        if after < len(radius) and hidden(last, after):
            last = after
        if told and hidden(told[-1][1], first):
            first = told.pop()[0]
        told.append((first, last))
    return told


def _slow(course: _Course, first: int, last: int) -> bool:
    """Tell whether colour gets on slowly; what goes out and comes back, as a fit does in noise, gets nowhere."""
    moved = float(delta_e00(course.pair.printed[first], course.pair.printed[last]))
    return moved < _SLOW_SHARE * float(course.share[last] - course.share[first])


def find_reversals(pair: PathPair) -> tuple[Reversal, ...]:
    """Return the stretches where lightness runs against its intended way by at least 0.5 L*."""
    intended = np.diff(pair.intended[:, 0])
    way = np.sign(intended.sum())
    against = -way * np.diff(pair.printed[:, 0]) > 0
    found = []
    for first, last in _stretches(against & (way * intended >= 0), pair.radius_mm):
        depth = float(abs(pair.printed[last, 0] - pair.printed[first, 0]))
        if depth >= _REVERSAL_L:
            inner, outer = float(pair.radius_mm[first]), float(pair.radius_mm[last])
            found.append(Reversal(inner_mm=inner, outer_mm=outer, depth_l=depth))
    return tuple(found)


def core_mm(pair: PathPair, hub_lab: Array) -> float:
    """Return how far beyond the hub's edge colour stays within 1 ΔE00 of the hub, in mm."""
    away = np.asarray(delta_e00(pair.printed, hub_lab))
    beyond = np.flatnonzero(away > _CORE_DE00)
    if not len(beyond):
        return float(pair.radius_mm[-1] - pair.radius_mm[0])
    first = int(beyond[0])
    if first == 0:
        return 0.0
    place = np.interp(_CORE_DE00, away[first - 1 : first + 1], pair.radius_mm[first - 1 : first + 1])
    return float(place - pair.radius_mm[0])


def fall_off(pair: PathPair) -> FallOff | None:
    """Return the radii at which 10, 50 and 90 % of the printed path is covered, from the hub outwards."""
    length = pair.printed_length()
    if length[-1] < 1e-6:
        return None
    p10, p50, p90 = (float(np.interp(part * length[-1], length, pair.radius_mm)) for part in (0.1, 0.5, 0.9))
    return FallOff(p10=p10, p50=p50, p90=p90)
