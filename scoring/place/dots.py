"""Measure marks to sub-pixel at the scan's full resolution.

A mark is a black dot. Its centre is fitted in linear light as that of a blurred disc on a sloping background,
with weights that leave out dust, hairs and whatever else does not look like the dot.
"""

from __future__ import annotations

import dataclasses
import itertools
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import special

from ..maths.solvers import fit_curve
from ..read.scanfile import ScanFile
from ..read.tone import linear_table
from .marks import RoughMarks, px_per_mm

__all__ = ["DotLook", "FineMarks", "refine_marks"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_RING_MM: Final = (0.4, 0.85)
"""Clear paper beside a mark, as distances from its edge; charts keep 1.2 mm clear."""
_FAR_MM: Final = 0.7
_FIT_DPI: Final = 300
"""Finer scans are averaged down to no less than this for the fit: an edge's place survives that, time does not."""
_POOLED_MARKS: Final = 80
_ROUNDS: Final = 6
_TUKEY: Final = 4.685  # 95 % efficiency on normal errors: Tukey's biweight, from memory
_LEAST_SPREAD: Final = 0.02
"""Residuals below this share of the contrast are never called outliers: the model edge is not the real edge."""
_FITTED_AT_ONCE: Final = 12
"""So many marks fit a processor's second cache."""
_PAPER_BOX_MM: Final = 0.26  # half a side


@dataclass(frozen=True, slots=True, kw_only=True)
class DotLook:
    """How a mark looks in this scan, all of them pooled.

    Attributes
    ----------
    radius_mm, blur_mm : float
        Of the dot's edge in linear light, in chart mm. The blur is a Gaussian's sigma and includes ink spread,
        optics and the pixel's own aperture.
    overshoot : float
        How far paper just outside the edge is brighter than clear paper, as a fraction of the contrast.
    clipped : float
        Fraction of paper pixels that hold the largest code value.
    blocked : float
        Fraction of ink pixels that hold the code value zero.
    """

    radius_mm: float
    blur_mm: float
    overshoot: float
    clipped: float
    blocked: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FineMarks:
    """Marks measured at full resolution.

    Attributes
    ----------
    index : int array, shape (n,)
        Which of the tile's marks.
    centres_px : float array, shape (n, 2)
        Scan px (x, y), pixel (0, 0) having its centre at (0.5, 0.5).
    error_px : float array, shape (n,)
        Standard error of a centre along one axis, from the fit's own residuals.
    look : DotLook
    paper_px : tuple of (x0, y0, x1, y1)
        Boxes of clear paper beside the marks.
    paper_mark : tuple of int
        Which mark each of these boxes belongs to.
    """

    index: npt.NDArray[np.intp]
    centres_px: Floats
    error_px: Floats
    look: DotLook
    paper_px: tuple[tuple[int, int, int, int], ...]
    paper_mark: tuple[int, ...]


@dataclass(slots=True, eq=False)
class _Window:
    """One mark's neighbourhood in linear light, as lists of pixels with places in mm from its rough centre."""

    mark: int
    value: Floats
    offset_mm: Floats
    paper_px: list[tuple[int, int, int, int]]
    clipped: float
    blocked: float


@dataclass(frozen=True, slots=True)
class _Fit:
    centre_mm: Floats
    depth: float
    error_mm: float
    kept: float


def refine_marks(scan: ScanFile, rough: RoughMarks, affine: Floats, radius_mm: float) -> FineMarks:
    """Measure the marks found on the overview at full resolution.

    Parameters
    ----------
    scan
    rough
    affine
        Shape (2, 3), chart mm to scan px, good to a few per cent.
    radius_mm
        Nominal radius of a mark.
    """
    # windows in order of rows, so that a compressed strip is decoded once
    order = np.flatnonzero(rough.found)
    order = order[np.argsort(rough.places_px[order, 1])]
    table = linear_table(scan)
    windows = [_read_window(scan, table, mark, rough.places_px[mark], affine, radius_mm) for mark in order.tolist()]
    centres = [_first_centre(window, radius_mm) for window in windows]
    look = _pooled_look(windows, centres, radius_mm)
    fits = [
        fit
        for first in range(0, len(windows), _FITTED_AT_ONCE)
        for fit in _fit_dots(windows[first : first + _FITTED_AT_ONCE], centres[first : first + _FITTED_AT_ONCE], look)
    ]
    usual = float(np.median([fit.depth for fit in fits])) if fits else 1.0
    good = [
        (window, fit)
        for window, fit in zip(windows, fits, strict=True)
        if fit.depth > 0.6 * usual and fit.kept > 0.7 and np.hypot(*fit.centre_mm) < 0.5 * radius_mm
    ]
    look = _pooled_look([window for window, _ in good], [fit.centre_mm for _, fit in good], radius_mm)
    index = np.array([window.mark for window, _ in good], dtype=np.intp)
    scale = px_per_mm(affine)
    # averaging n px widens an edge's variance by that of n px less that of one (a box's is its width²/12)
    widened_mm2 = (_coarseness(scale) ** 2 - 1) / (12 * scale**2)
    look = dataclasses.replace(look, blur_mm=float(np.sqrt(max(look.blur_mm**2 - widened_mm2, 1e-6))))
    centres_mm = np.array([fit.centre_mm for _, fit in good], dtype=np.float64).reshape(-1, 2)
    return FineMarks(
        index=index,
        centres_px=rough.places_px[index] + centres_mm @ affine[:, :2].T,
        error_px=np.array([fit.error_mm for _, fit in good]) * scale,
        look=look,
        paper_px=tuple(box for window, _ in good for box in window.paper_px),
        paper_mark=tuple(window.mark for window, _ in good for _ in window.paper_px),
    )


def _coarseness(scale: float) -> int:
    """Return how many px a side are averaged for the fit; a scanner's stretch must not halve that."""
    return max(1, int(scale * 25.4 * 1.02 / _FIT_DPI))


def _read_window(scan: ScanFile, table: Floats, mark: int, place: Floats, affine: Floats, radius_mm: float) -> _Window:
    scale = px_per_mm(affine)
    reach = (radius_mm + _RING_MM[1]) * scale
    coarse = _coarseness(scale)
    x0, y0 = (max(0, int(value - reach) // coarse * coarse) for value in place)
    x1 = min(scan.width // coarse * coarse, int(place[0] + reach) + coarse)
    y1 = min(scan.height // coarse * coarse, int(place[1] + reach) + coarse)
    x1, y1 = x0 + (x1 - x0) // coarse * coarse, y0 + (y1 - y0) // coarse * coarse
    green = scan.read(x0, y0, x1, y1)[:, :, 1]
    value = table[green]
    paper_px = _paper_boxes(value, (x0, y0), place, scale, radius_mm)
    if coarse > 1:
        value = value.reshape(value.shape[0] // coarse, coarse, -1, coarse).mean(axis=(1, 3))
    rows, columns = np.indices(value.shape)
    px = np.stack([x0 + (columns + 0.5) * coarse, y0 + (rows + 0.5) * coarse], axis=-1)
    offset_mm = (px - place) @ np.linalg.inv(affine[:, :2]).T
    near = _distance(offset_mm, np.zeros(2)) < radius_mm + _RING_MM[1]
    return _Window(
        mark=mark,
        value=value[near],
        offset_mm=offset_mm[near],
        paper_px=paper_px,
        clipped=float((green == scan.full_scale).mean()),
        blocked=_blocked(green, (x0, y0), place, 0.6 * radius_mm * scale),
    )


def _blocked(green: npt.NDArray[Any], origin: tuple[int, int], place: Floats, radius_px: float) -> float:
    """Return the fraction of the dot's middle that holds the code value zero."""
    rows, columns = np.indices(green.shape) + 0.5
    core = np.hypot(columns + origin[0] - place[0], rows + origin[1] - place[1]) < radius_px
    return float((green[core] == 0).mean()) if core.any() else 0.0


def _paper_boxes(
    value: Floats, origin: tuple[int, int], place: Floats, scale: float, radius_mm: float
) -> list[tuple[int, int, int, int]]:
    """Return up to four boxes of clear paper around a mark, in scan px, none with a speck in it."""
    half = max(1, int(_PAPER_BOX_MM * scale))
    away = (radius_mm + 0.6) * scale
    boxes, means, spreads = [], [], []
    for across, down in ((away, 0.0), (-away, 0.0), (0.0, away), (0.0, -away)):
        x, y = int(place[0] + across) - origin[0], int(place[1] + down) - origin[1]
        if x - half < 0 or y - half < 0 or x + half > value.shape[1] or y + half > value.shape[0]:
            continue
        inside = value[y - half : y + half, x - half : x + half]
        boxes.append((origin[0] + x - half, origin[1] + y - half, origin[0] + x + half, origin[1] + y + half))
        means.append(float(inside.mean()))
        spreads.append(float(inside.max() - inside.min()))
    return [
        box
        for box, mean, spread in zip(boxes, means, spreads, strict=True)
        if mean > 0.96 * max(means) and spread < 0.3 * mean
    ]


def _first_centre(window: _Window, radius_mm: float) -> Floats:
    """Return the centre of mass of what is darker than the paper around it."""
    centre = np.zeros(2)
    for _ in range(4):
        r = _distance(window.offset_mm, centre)
        ring, core = r > radius_mm + _RING_MM[0], r < 0.6 * radius_mm
        if not ring.any() or not core.any():
            return centre
        paper, ink = _median(window.value[ring]), _median(window.value[core])
        # what is not at least a tenth darker than paper is its grain
        weight = np.clip(0.9 * paper + 0.1 * ink - window.value, 0.0, paper - ink) * (r < 1.4 * radius_mm)
        if not weight.sum() > 0:
            return centre
        centre = weight @ window.offset_mm / weight.sum()
    return centre


def _distance(offset_mm: Floats, centre: Floats) -> Floats:
    across, down = offset_mm[..., 0] - centre[0], offset_mm[..., 1] - centre[1]
    return np.asarray(np.sqrt(across * across + down * down))


def _pooled_look(windows: list[_Window], centres: list[Floats], radius_mm: float) -> DotLook:
    """Return the look of the marks from one radial profile of many of them."""
    step = max(1, len(windows) // _POOLED_MARKS)
    r_all, value_all = [], []
    for window, centre in zip(windows[::step], centres[::step], strict=True):
        r = _distance(window.offset_mm, centre)
        ring, core = r > radius_mm + _RING_MM[0], r < 0.6 * radius_mm
        if ring.any() and core.any():
            paper, ink = _median(window.value[ring]), _median(window.value[core])
            if paper > ink:
                r_all.append(r)
                value_all.append((window.value - ink) / (paper - ink))
    if not r_all:
        return DotLook(radius_mm=radius_mm, blur_mm=0.08, overshoot=0.0, clipped=0.0, blocked=0.0)
    r, value = np.concatenate(r_all), np.concatenate(value_all)
    edges = np.arange(0.5 * radius_mm, radius_mm + _RING_MM[1], 0.01)
    middle, profile, count = _binned_median(r, value, edges)
    guess = (0.0, 1.0, radius_mm, 0.08)
    bounds = ((-0.3, 0.7, 0.6 * radius_mm, 0.005), (0.3, 1.3, 1.4 * radius_mm, 0.4))
    fitted = fit_curve(lambda p: _edge(middle, *p.tolist()), profile, guess, bounds, np.sqrt(count), soft=0.02)
    if fitted is None:  # only the look is lost, the centres do not rest on it
        fitted = np.array(guess)
    radius, blur = float(fitted[2]), float(fitted[3])
    # a wide halo lifts the fitted edge as well, so paper and ink are taken as far from it as there is room
    ink, paper = np.median(profile[middle < 0.6 * radius_mm]), np.median(profile[middle > radius_mm + _FAR_MM])
    smooth = np.convolve(profile, np.ones(3) / 3, mode="valid")
    over = float((smooth.max() - paper) / (paper - ink))
    under = float((ink - smooth.min()) / (paper - ink))
    return DotLook(
        radius_mm=radius,
        blur_mm=blur,
        overshoot=max(over, under, 0.0),
        clipped=float(np.median([window.clipped for window in windows])),
        blocked=float(np.median([window.blocked for window in windows])),
    )


def _binned_median(r: Floats, value: Floats, edges: Floats) -> tuple[Floats, Floats, Floats]:
    order = np.argsort(r)
    r, value = r[order], value[order]
    cuts = np.searchsorted(r, edges)
    filled = [(a, b) for a, b in itertools.pairwise(cuts) if b > a]
    middle = np.array([r[a:b].mean() for a, b in filled])
    median = np.array([_median(value[a:b]) for a, b in filled])
    return middle, median, np.array([float(b - a) for a, b in filled])


def _edge(r: Floats, low: float, high: float, radius: float, blur: float) -> Floats:
    """Return the blurred edge of a disc that is large beside its blur."""
    value: Floats = high - (high - low) * 0.5 * special.erfc((r - radius) / (np.sqrt(2) * blur))
    return value


def _fit_dots(windows: list[_Window], centres: list[Floats], look: DotLook) -> list[_Fit]:
    """Fit centres, depths and sloping backgrounds of marks by Gauss-Newton steps with Tukey's weights, all at once."""
    number, most = len(windows), max(len(window.value) for window in windows)
    value, offset, there = np.zeros((number, most)), np.zeros((number, most, 2)), np.zeros((number, most))
    for i, window in enumerate(windows):
        pixels = len(window.value)
        value[i, :pixels], offset[i, :pixels], there[i, :pixels] = window.value, window.offset_mm, 1.0
    columns = np.ones((number, most, 6))
    columns[..., 1:3] = offset
    linear = columns[..., :4]
    centre, weight, going = np.array(centres), there.copy(), np.ones(number, dtype=bool)
    fits: list[_Fit | None] = [None] * number
    for turn in range(_ROUNDS):
        away = offset - centre[:, None]
        r = np.maximum(np.sqrt(away[..., 0] ** 2 + away[..., 1] ** 2), 1e-9)
        z = (r - look.radius_mm) / look.blur_mm
        columns[..., 3] = -0.5 * special.erfc(z / np.sqrt(2))
        solved = _solved(linear, weight, value)
        depth = solved[:, 3]
        residual = value - (linear @ solved[..., None])[..., 0]
        # moving the centre by c changes the cover by -dcover/dr * (away / r) · c
        slope = depth[:, None] * np.exp(-0.5 * z * z) / (np.sqrt(2 * np.pi) * look.blur_mm)
        columns[..., 4:] = -(slope / r)[..., None] * away
        if turn:
            near = (np.abs(z) < 4) & (there > 0)
            spread = np.array([_median(np.abs(row[close])) for row, close in zip(residual, near, strict=True)])
            spread = np.maximum(1.4826 * spread, _LEAST_SPREAD * np.abs(depth))
            weight = there * np.clip(1 - (residual / (_TUKEY * spread[:, None])) ** 2, 0.0, None) ** 2
        step = _solved(columns, weight, residual)[:, 4:]
        centre = np.where(going[:, None], centre + np.clip(step, -0.2, 0.2), centre)
        last = turn == _ROUNDS - 1
        for i in np.flatnonzero(going & (last | ((turn > 1) & (np.abs(step).max(axis=1) < 1e-4)))).tolist():
            fits[i] = _described(columns[i], weight[i], residual[i], centre[i], float(depth[i]), len(windows[i].value))
            going[i] = False
        if not going.any():
            break
    return [fit for fit in fits if fit is not None]


def _solved(columns: Floats, weight: Floats, value: Floats) -> Floats:
    """Return weighted least squares of values (m, n) by columns (m, n, k), (m, k); what is not determined is nought."""
    weighted = (columns * weight[..., None]).swapaxes(1, 2)
    solved: Floats = (np.linalg.pinv(weighted @ columns, hermitian=True) @ (weighted @ value[..., None]))[..., 0]
    return solved


def _described(columns: Floats, weight: Floats, residual: Floats, centre: Floats, depth: float, pixels: int) -> _Fit:
    """Return a fit that has settled, with its error by its own residuals."""
    variance = float((weight * residual**2).sum() / max(weight.sum() - 6, 1.0))
    try:
        inverse = np.linalg.inv(columns.T @ (columns * weight[:, None]))
    except np.linalg.LinAlgError:
        return _Fit(centre_mm=centre, depth=0.0, error_mm=np.inf, kept=0.0)
    error_mm = float(np.sqrt(max(inverse[4:, 4:].trace() / 2, 0.0) * variance))
    return _Fit(centre_mm=centre, depth=depth, error_mm=error_mm, kept=float((weight > 0.1).sum()) / pixels)


def _median(values: Floats) -> float:
    """Return the median, 0 of nothing; a few hundred values take numpy's own several times as long."""
    half = len(values) // 2
    if not half:
        return float(values[0]) if len(values) else 0.0
    if len(values) % 2:
        return float(np.partition(values, half)[half])
    two = np.partition(values, (half - 1, half))
    return float(two[half - 1] + two[half]) / 2.0
