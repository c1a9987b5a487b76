"""Signs that a scan is not of the chart as it was printed: what the chart asks for twice must come out alike.

Every pixel of an element belongs to a class of one asked colour: a radius of a disc, a place along a band, a step, a
patch. Its difference from the middle of its class, averaged over squares, shows what lies on the print or is missing
from it, whatever the print did to that colour. Codes, edges and channels of a scan leave signs of their own.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.key import Element, FlatField, HueSweep, NeutralWedge, PatchField, Ring

from ..colour.basis import Basis
from ..place.placement import Placement
from ..read.scanfile import ScanFile
from .sampling import Window

__all__ = ["SQUARE_MM", "Codes", "Signs", "Unlikeness", "channel_shift_mm", "paper_at_most", "unlikeness"]

Array = NDArray[np.float64]

SQUARE_MM: Final = 2.0
"""Side of the squares that differences are averaged over: grain of a print averages out, a fingerprint does not."""
_SAMPLE_MM: Final = 0.17  # between the pixels that are looked at, at most: 140 a square
_CLASS_MM: Final = 0.25  # of radius, or along a band: a fade moves by about 1 ΔE00 in it
_EDGE_MM: Final = 0.5  # kept from every edge, for blur and placement
_GRAIN_MM: Final = 0.25  # over which neighbouring pixels share grain, seen through a scanner's blur (DESIGN §5.6)
_FILLED: Final = 0.3  # of a square
_BESIDE: Final = 8  # codes on either side: as far as 5 bits leave gaps
_EXPECTED: Final = 50.0
_LEAST_CODES: Final = 32
_LEAST_WINDOWS: Final = 6
_RUN_PX: Final = 8  # a JPEG's block
_LINES: Final = 200  # of a window, that runs are looked at in
_MARK_MM: Final = 1.9  # half a side of what is looked at about a mark: charts keep 1.2 mm clear beside its 1 mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Unlikeness:
    """How far an element's squares are from their classes.

    Attributes
    ----------
    worst
        The largest difference, CIELAB.
    scatter
        What grain and noise make of a square: the median scatter within squares over the root of how many grains of
        `_GRAIN_MM` a square has.
    place_mm
        Where on the sheet the worst is.
    """

    worst: float
    scatter: float
    place_mm: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Signs:
    """What the scan of a tile shows of itself; see `Codes`, `channel_shift_mm` and `paper_at_most`."""

    occupied: float
    blocks: float
    channel_shift_mm: float
    paper_at_most: float
    lossy: bool


class Codes:
    """Which code values a tile's elements hold, and how even runs of 8 pixels are by where they begin.

    Along a fade no code is left out, whatever the noise. Noise is the same in every run of 8 pixels; a JPEG smooths
    within its blocks of 8 (ITU-T T.81), so that runs which begin with a block are more even than others.
    """

    def __init__(self, full_scale: int) -> None:
        self._counting = threading.Lock()  # elements are sampled side by side
        self._shift = 0 if full_scale < 256 else 8
        self._counts = np.zeros((3, 256), np.int64)
        self._uneven: list[Array] = []

    def add(self, pixels: NDArray[Any], first_px: tuple[int, int], *, fades: bool) -> None:
        """Count a window's pixels (h, w, 3), whose first is at (x, y) of the scan; only fades have codes all along."""
        if pixels.dtype.kind != "u" or min(pixels.shape[:2]) < 4 * _RUN_PX:
            return
        codes = pixels[::2, ::2] >> self._shift if fades else pixels[:0]
        counts = [np.bincount(codes[..., c].ravel(), minlength=256) for c in range(3)]
        uneven = []
        middle = pixels.shape[0] // 2, pixels.shape[1] // 2
        for axis in (0, 1):
            across = slice(max(middle[1 - axis] - _LINES // 2, 0), middle[1 - axis] + _LINES // 2)
            lines = np.moveaxis(pixels[..., 1], axis, 1)[across].astype(np.float32)
            found = np.empty(_RUN_PX)
            for start in range(_RUN_PX):
                runs = lines[:, start : start + (lines.shape[1] - start) // _RUN_PX * _RUN_PX]
                bent = np.diff(runs.reshape(len(lines), -1, _RUN_PX), n=2, axis=2)  # a slope is no unevenness
                found[(start + first_px[axis]) % _RUN_PX] = np.median(np.mean(bent**2, axis=2))
            if found.mean() > 0:
                uneven.append(found / found.mean())
        with self._counting:
            self._counts += np.array(counts)
            self._uneven += uneven

    @property
    def occupied(self) -> float:
        """Share of the codes of 8 bits that occur, of those that should by their neighbours; of the worst channel.

        A code should occur if the 8 below it and the 8 above it, the lesser of both means, hold 50 pixels or more: that
        under a tenth of them is there by chance is all but impossible (Poisson: 1e-14).
        """
        shares = []
        for counts in self._counts:
            total = np.concatenate([[0], np.cumsum(counts)])
            mean = (total[_BESIDE:] - total[:-_BESIDE]) / _BESIDE  # of the codes from each on
            expected = np.minimum(mean[: -_BESIDE - 1], mean[_BESIDE + 1 :])
            should = expected >= _EXPECTED
            if should.sum() >= _LEAST_CODES:
                there = counts[_BESIDE:-_BESIDE] >= 0.1 * expected
                shares.append(float(np.mean(there[should])))
        return min(shares, default=1.0)

    @property
    def blocks(self) -> float:
        """How much more even runs of 8 pixels are at the best place to begin than usual: a share, sure by 3 errors."""
        if len(self._uneven) < _LEAST_WINDOWS:
            return 0.0
        by_start = np.median(self._uneven, axis=0)  # the same in whatever order elements were sampled
        best = int(np.argmin(by_start))
        # a median of n scatters by 1.25 standard deviations / √n (Kenney and Keeping, Mathematics of Statistics)
        scatter = 1.2533 * np.sort(np.array(self._uneven)[:, best]).std(ddof=1) / np.sqrt(len(self._uneven))
        return max(float(1.0 - (by_start[best] + 3.0 * scatter) / np.median(by_start)), 0.0)


def unlikeness(window: Window, element: Element, basis: Basis, paper_xyz: Array) -> Unlikeness | None:
    """Return how far places of one asked colour are apart on an element; ``None`` if too little of it is there."""
    every = max(int(_SAMPLE_MM / window.pixel_mm), 1)
    looked = slice(None, None, every)
    pixels = window.pixels[looked, looked]
    if pixels.size == 0:
        return None
    x, y = (axis[looked][:, looked] for axis in (window.x_mm, window.y_mm))
    kind = _classes(element, x.astype(np.float64), y.astype(np.float64)).ravel()
    inside = np.flatnonzero(kind >= 0)
    if len(inside) < 100:
        return None
    kind, x, y = kind[inside], x.ravel()[inside], y.ravel()[inside]
    lab = basis.lab(basis.linear(pixels.reshape(-1, 3)[inside]).astype(np.float64), paper_xyz)
    order = np.argsort(kind, kind="stable")
    away = np.empty_like(lab)
    borders = np.flatnonzero(np.diff(kind[order])) + 1
    for members in np.split(order, borders):
        away[members] = lab[members] - np.median(lab[members], axis=0)
    columns = np.floor((x - x.min()) / SQUARE_MM).astype(int)
    square = np.floor((y - y.min()) / SQUARE_MM).astype(int) * (columns.max() + 1) + columns
    count = np.bincount(square)
    usable = count > _FILLED * (SQUARE_MM / (every * window.pixel_mm)) ** 2
    if usable.sum() < 4:
        return None
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.stack([np.bincount(square, weights=axis) / count for axis in away.T], axis=-1)
        square_sum = np.bincount(square, weights=np.sum(away**2, axis=1)) / count - np.sum(mean**2, axis=1)
        places = [np.bincount(square, weights=axis) / count for axis in (x, y)]
    size = np.where(usable, np.linalg.norm(mean, axis=-1), 0.0)
    worst = int(np.argmax(size))
    return Unlikeness(
        worst=float(size[worst]),
        scatter=float(np.sqrt(np.median(square_sum[usable]))) * _GRAIN_MM / SQUARE_MM,
        place_mm=(float(places[0][worst]), float(places[1][worst])),
    )


def _classes(element: Element, x: Array, y: Array) -> NDArray[np.int64]:
    """Return a number for every place by the colour that is asked for there, -1 outside and at edges."""
    none = np.full(x.shape, -1, np.int64)
    match element:
        case Ring():
            radius = np.hypot(x - element.centre_mm[0], y - element.centre_mm[1])
            return np.where(radius < element.radius_mm - _EDGE_MM, (radius / _CLASS_MM).astype(np.int64), none)
        case FlatField():
            return np.where(_within(element.box_mm, x, y), 0, none)
        case PatchField():
            boxes = [patch.box_mm for patch in element.patches]
        case NeutralWedge():
            boxes = [step.box_mm for step in element.steps]
        case HueSweep():
            boxes = []
    for number, box in enumerate(boxes):
        none = np.where(_within(box, x, y), number, none)
    bands = [element.ramp_box_mm] if isinstance(element, NeutralWedge) else []
    bands += [row.box_mm for row in element.rows] if isinstance(element, HueSweep) else []
    for number, box in enumerate(bands):
        along = ((x - box[0]) / _CLASS_MM).astype(np.int64)
        none = np.where(_within(box, x, y), 1000 + 10_000 * number + along, none)
    return none


def _within(box: tuple[float, float, float, float], x: Array, y: Array) -> NDArray[np.bool_]:
    left, top, width, height = box
    across = (x > left + _EDGE_MM) & (x < left + width - _EDGE_MM)
    return np.asarray(across & (y > top + _EDGE_MM) & (y < top + height - _EDGE_MM))


def channel_shift_mm(scan: ScanFile, placement: Placement) -> float:
    """Return how far red and blue lie off green, in mm: the median over the round marks, of the worse of the two."""
    shifts = []
    pixel_mm = 25.4 / np.array(placement.dpi)
    for centre in placement.to_scan_px(placement.key_tile.marks_mm):
        half = _MARK_MM / pixel_mm
        (x0, y0), (x1, y1) = np.floor(centre - half).astype(int), np.ceil(centre + half).astype(int)
        if x0 < 0 or y0 < 0 or x1 > scan.width or y1 > scan.height:
            continue
        pixels = scan.read(int(x0), int(y0), int(x1), int(y1)).astype(np.float64)
        ink = np.clip(np.median(pixels[[0, -1]], axis=(0, 1)) * 0.85 - pixels, 0.0, None)
        total = ink.sum(axis=(0, 1))
        if np.any(total <= 0):
            continue
        v, u = np.mgrid[: ink.shape[0], : ink.shape[1]]
        centres = np.stack([(ink * axis[..., None]).sum(axis=(0, 1)) / total for axis in (u, v)], axis=-1)
        shifts.append((centres - centres[1]) * pixel_mm)
    if len(shifts) < 3:
        return 0.0
    middle = np.median(np.array(shifts), axis=0)
    return float(np.max(np.hypot(*middle.T)))


def paper_at_most(scan: ScanFile, placement: Placement) -> float:
    """Return the share of paper pixels that hold the largest code found on paper, of the worst channel."""
    parts = [scan.read(*box).reshape(-1, 3) for box in placement.paper_windows_px]
    pixels = np.concatenate(parts) if parts else np.zeros((0, 3))
    if len(pixels) < 100 or pixels.dtype.kind != "u":
        return 0.0
    return float(np.max(np.mean(pixels == pixels.max(axis=0), axis=0)))
