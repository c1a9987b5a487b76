"""Place every tile of a scan: from chart millimetres to scan pixels and back, to a few hundredths of a mm."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inkstrain.targets.errors import CannotMeasureError
from inkstrain.targets.key import Element, Key, Ring, Tile
from inkstrain.targets.recipe import Recipe

from ..read.overview import Overview, make_overview
from ..read.scanfile import ScanFile
from .codes import Code, find_codes
from .dots import FineMarks, refine_marks
from .localmap import LocalFit, LocalMap, fit_local_map
from .marks import RoughMarks, affine_fit, find_marks, px_per_mm

__all__ = ["Placement", "locate"]

Floats = npt.NDArray[np.float64]
Pair = tuple[float, float]

_LEAST_DPI: Final = 130.0
"""150 dpi less a print scale and a scanner's stretch; below, a mark is too few px for the residual promised."""
_MODEST_DPI: Final = 250.0
_LEAST_MARKS: Final = 12
_MOST_OUTSIDE: Final = 0.15
_LEAST_FOUND: Final = 0.5
_MOST_BENT_MM: Final = 0.5
"""Affine residual of a flatbed stays near its wobble, 0.1 mm; a page seen 1° askew bends by more than this."""
_MOST_UNEVEN: Final = 0.10
_MOST_RESIDUAL_MM: Final = 0.3
_RESIDUAL_GOAL_MM: Final = 0.05
_SCALE_TOLERANCE: Final = 0.01
_SCALE_RANGE: Final = (0.6, 1.6)
"""A print scale outside this means that the resolution tag is not the scanner's."""
_SHARPENED: Final = 0.03
"""Rehearsed plain scans stay under 0.002, JPEG under 0.025; paper at 94 % of full scale leaves room for 0.06."""
_SHARPENED_LOSSY: Final = 0.06
"""A JPEG of quality 50 at 150 dpi rings by 0.04 by itself."""
_CLIPPED: Final = 0.5
_BLOCKED: Final = 0.9
"""Noise alone puts half of an ideal black at zero."""
_BENT_MM: Final = 0.2
"""Twice the affine residual that a flatbed's wobble leaves."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placement:
    """Where one tile lies in one scan.

    Attributes
    ----------
    sheet, tile : int
    recipe : Recipe
    key_tile : Tile
        The tile in the chart's key.
    dpi : (x, y)
        Px per inch of paper along the scan's rows and columns: measured on the print, taken as true to size;
        where the file's resolution tag shows that the print was scaled, the tag's.
    rotation_deg : float
        Direction of the sheet's x axis in the scan, clockwise, -180 to 180.
    print_scale : (x, y)
        Size of the print over its nominal size along the sheet's axes by the resolution tag, the scanner's own
        stretch included. (1, 1) where there is no usable tag; a flag says so.
    residual_rms_mm, residual_max_mm : float
        Distance on paper between a mark and the map fitted without it (leave-one-out).
    marks_used, marks_expected : int
    blur_mm : float
        Gaussian sigma, on paper in linear light, of the marks' edges: print, optics and pixel together.
    paper_windows_px : tuple of (x0, y0, x1, y1)
        Boxes of clear paper beside marks, in scan px.
    local_map : LocalMap
    flags : tuple of str
    """

    sheet: int
    tile: int
    recipe: Recipe
    key_tile: Tile
    dpi: Pair
    rotation_deg: float
    print_scale: Pair
    residual_rms_mm: float
    residual_max_mm: float
    marks_used: int
    marks_expected: int
    blur_mm: float
    paper_windows_px: tuple[tuple[int, int, int, int], ...]
    local_map: LocalMap
    flags: tuple[str, ...]

    def to_scan_px(self, points_mm: npt.ArrayLike) -> Floats:
        """Return scan px (x, y) of sheet mm, shape (n, 2); pixel (0, 0) has its centre at (0.5, 0.5)."""
        return self.local_map.to_px(np.asarray(points_mm, dtype=np.float64).reshape(-1, 2))

    def to_chart_mm(self, points_px: npt.ArrayLike) -> Floats:
        """Return sheet mm (x, y) of scan px, shape (n, 2)."""
        return self.local_map.to_mm(np.asarray(points_px, dtype=np.float64).reshape(-1, 2))


def locate(scan: ScanFile, *, build: Callable[[Recipe], Key] | None = None) -> tuple[Placement, ...]:
    """Find and place every tile in a scan, whichever way up it lies.

    Parameters
    ----------
    scan
        An opened scan of one or more tiles.
    build
        Gives the key of a recipe; by default `inkstrain.targets.chart.build_key`.

    Returns
    -------
    tuple of Placement
        By sheet and tile. A tile that is there only in part is left out, and a flag on the others says so.

    Raises
    ------
    CannotMeasureError
        If no tile can be placed: no code, a mirror image, a photograph at an angle, too few dpi, a tile cut off.
    """
    key_of = build or _build_key
    overview = make_overview(scan)
    try:
        codes = find_codes(overview)
    except CannotMeasureError as error:
        if scan.dpi_tag is not None and min(scan.dpi_tag) < _LEAST_DPI:
            raise _too_coarse(scan, min(scan.dpi_tag)) from error
        raise CannotMeasureError(f"{scan.path}: {error}") from error
    placed: list[Placement] = []
    failed: list[CannotMeasureError] = []
    for code in codes:
        try:
            placed.append(_place(scan, overview, code, key_of))
        except CannotMeasureError as error:
            failed.append(error)
    if not placed:
        raise failed[0]
    if failed:
        notes = tuple(f"other-tile-left-out: {error}" for error in failed)
        placed = [_with_flags(placement, notes) for placement in placed]
    return tuple(placed)


def _build_key(recipe: Recipe) -> Key:
    from inkstrain.targets.chart import build_key

    return build_key(recipe)


def _with_flags(placement: Placement, flags: tuple[str, ...]) -> Placement:
    from dataclasses import replace

    return replace(placement, flags=placement.flags + flags)


def _too_coarse(scan: ScanFile, dpi: float) -> CannotMeasureError:
    return CannotMeasureError(
        f"{scan.path} has only {dpi:.0f} dpi, too coarse to measure. Scan again at 300 to 600 dpi."
    )


def _place(scan: ScanFile, overview: Overview, code: Code, build: Callable[[Recipe], Key]) -> Placement:
    where = f"tile {code.tile} of sheet {code.sheet} in {scan.path}"
    tile = _key_tile(build(code.recipe), code, where)
    if code.mirrored and not scan.stored_mirrored:
        raise CannotMeasureError(
            f"{where[0].upper()}{where[1:]} is a mirror image. Scan the printed side, with any mirroring off; "
            "if the paper itself shows it mirrored, turn mirroring off in the printer driver and print it again."
        )
    x, y, width, height = tile.code_box_mm
    box_mm = np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])
    code_dpi = 25.4 * px_per_mm(affine_fit(box_mm, code.corners_px))
    if code_dpi < _LEAST_DPI:
        raise _too_coarse(scan, code_dpi)
    marks_mm = np.array(tile.marks_mm, dtype=np.float64)
    rough = find_marks(overview, code, tile)
    affine = _check_rough(where, scan, tile, rough)
    fine = refine_marks(scan, rough, affine, tile.mark_radius_mm)
    if len(fine.index) < _LEAST_MARKS:
        raise _too_few(where, len(fine.index), tile)
    fit = fit_local_map(marks_mm[fine.index], fine.centres_px, px_per_mm(affine))
    dpi, print_scale, flags = _sizes(scan, fit.map.affine[:, :2])
    residual_mm = np.hypot(*(fit.left_out_px[fit.used] * 25.4 / np.array(dpi)).T)
    rms_mm = float(np.sqrt((residual_mm**2).mean()))
    if rms_mm > _MOST_RESIDUAL_MM:
        raise CannotMeasureError(
            f"The marks of {where} lie {rms_mm:.2f} mm off any smooth course. "
            "Press the print flat on the glass, close the lid, and scan again without moving it."
        )
    used = int(fit.used.sum())
    flags += scan.flags + _look_flags(fine, bool(scan.flags)) + _mark_flags(rough, used, rms_mm)
    bent_mm = _bend_mm(marks_mm[fine.index], fine.centres_px, affine_fit(marks_mm[fine.index], fine.centres_px))
    if bent_mm > _BENT_MM:
        flags += (f"out-of-square: the marks are out of square by {bent_mm:.1f} mm; a flatbed scan is straighter",)
    toward = fit.map.affine[:, 0]
    return Placement(
        sheet=code.sheet,
        tile=code.tile,
        recipe=code.recipe,
        key_tile=tile,
        dpi=dpi,
        rotation_deg=float(np.rad2deg(np.arctan2(toward[1], toward[0]))),
        print_scale=print_scale,
        residual_rms_mm=rms_mm,
        residual_max_mm=float(residual_mm.max()),
        marks_used=used,
        marks_expected=len(marks_mm),
        blur_mm=fine.look.blur_mm * float(np.sqrt(print_scale[0] * print_scale[1])),
        paper_windows_px=_trusted_paper(fine, fit),
        local_map=fit.map,
        flags=flags,
    )


def _key_tile(key: Key, code: Code, where: str) -> Tile:
    for sheet in key.sheets:
        for tile in sheet.tiles:
            if (sheet.sheet, tile.tile) == (code.sheet, code.tile):
                return tile
    raise CannotMeasureError(
        f"The code names {where}, but chart {key.chart} has no such tile. "
        "Scan it again; if that does not help, make the chart again and print that."
    )


def _element_points_mm(element: Element) -> Floats:
    """Return points on an element's outline, shape (n, 2)."""
    if isinstance(element, Ring):
        x, y = element.centre_mm
        r = element.radius_mm
        return np.array([(x - r, y), (x + r, y), (x, y - r), (x, y + r)])
    x, y, width, height = element.box_mm
    return np.array([(x, y), (x + width, y), (x, y + height), (x + width, y + height)])


def _check_rough(where: str, scan: ScanFile, tile: Tile, rough: RoughMarks) -> Floats:
    """Return the affine map of the marks on the overview, or say plainly why the tile cannot be measured."""
    marks_mm = np.array(tile.marks_mm, dtype=np.float64)
    found = rough.found
    if found.sum() < _LEAST_MARKS:
        if (~rough.inside).mean() > _MOST_OUTSIDE:
            raise _cut_off(where, tile, rough)
        raise _too_few(where, int(found.sum()), tile)
    affine = affine_fit(marks_mm[found], rough.places_px[found])
    apart_mm = _bend_mm(marks_mm[found], rough.places_px[found], affine)
    stretches = np.linalg.svd(affine[:, :2], compute_uv=False)
    if apart_mm > _MOST_BENT_MM or stretches[0] / stretches[1] > 1 + _MOST_UNEVEN:
        raise CannotMeasureError(
            f"The marks of {where} are out of square by {apart_mm:.1f} mm, as in a photograph taken at an angle. "
            "Scan the print on a flatbed, pressed flat."
        )
    outside = ~rough.inside
    points_mm = np.concatenate([_element_points_mm(element) for element in tile.elements])
    points_px = points_mm @ affine[:, :2].T + affine[:, 2]
    lost = ((points_px < 0) | (points_px > (scan.width, scan.height))).any(axis=1)
    if outside.mean() > _MOST_OUTSIDE or lost.any():
        raise _cut_off(where, tile, rough)
    if found.sum() < _LEAST_FOUND * rough.inside.sum():
        raise _too_few(where, int(found.sum()), tile)
    return affine


def _bend_mm(mm: Floats, px: Floats, affine: Floats) -> float:
    """Return the rms distance of marks from the affine map in mm, a few stray ones left out."""
    apart = np.hypot(*(px - mm @ affine[:, :2].T - affine[:, 2]).T) / px_per_mm(affine)
    apart = np.sort(apart)[: max(1, int(0.95 * len(apart)))]
    return float(np.sqrt((apart**2).mean()))


def _too_few(where: str, count: int, tile: Tile) -> CannotMeasureError:
    return CannotMeasureError(
        f"Only {count} of the {len(tile.marks_mm)} round marks of {where} can be seen. "
        "Lay the print flat on clean glass, uncovered, and scan again; a photograph taken at an angle will not do."
    )


def _cut_off(where: str, tile: Tile, rough: RoughMarks) -> CannotMeasureError:
    """Return the error that names the sides, as printed, whose row of marks the scan lacks."""
    x, y = np.array(tile.marks_mm).T
    edges = {
        "left": x - x.min(), "right": x.max() - x, "top": y - y.min(), "bottom": y.max() - y,
    }  # fmt: skip
    lost = {side: float((~rough.inside)[away < 2.0].mean()) for side, away in edges.items()}
    # half a tile lacks half of two more sides, which is no news
    limit = min(0.8, max(lost.values()))
    sides = [side for side, share in lost.items() if share >= limit]
    named = f"{', '.join(sides[:-1])} and {sides[-1]} edges" if len(sides) > 1 else f"{sides[0]} part"
    lies = "lie" if len(sides) > 1 else "lies"
    return CannotMeasureError(
        f"The {named} of {where} {lies} outside the picture. Lay the whole tile on the glass and scan it again."
    )


def _sizes(scan: ScanFile, matrix: Floats) -> tuple[Pair, Pair, tuple[str, ...]]:
    """Return dpi, print scale and what to say about them."""
    measured = (float(25.4 * np.hypot(*matrix[0])), float(25.4 * np.hypot(*matrix[1])))
    flags: tuple[str, ...] = ()
    if min(measured) < _MODEST_DPI:
        flags += (f"low-resolution: {min(measured):.0f} dpi; 300 to 600 show narrow rings better",)
    tag = scan.dpi_tag
    if tag is None:
        return measured, (1.0, 1.0), (*flags, "no-resolution-tag: the print is taken as true to size")
    per_paper = matrix * (25.4 / np.array(tag))[:, None]
    scale = (float(np.hypot(*per_paper[:, 0])), float(np.hypot(*per_paper[:, 1])))
    if not all(_SCALE_RANGE[0] < value < _SCALE_RANGE[1] for value in scale):
        note = (
            f"resolution-tag-ignored: the file says {tag[0]:.0f} dpi, the chart's own size {measured[0]:.0f}; "
            "the print is taken as true to size"
        )
        return measured, (1.0, 1.0), (*flags, note)
    if all(abs(value - 1) <= _SCALE_TOLERANCE for value in scale):
        return measured, scale, flags
    per_cent = " × ".join(f"{100 * value:.1f} %" for value in dict.fromkeys(round(value, 3) for value in scale))
    note = (
        f"print-scaled: the print is {per_cent} of its size by the scan's resolution tag; turn off 'fit to page' and "
        "any scaling (a scan cannot tell the print's scale from the scanner's own stretch, mostly under 0.5 %)"
    )
    return (float(tag[0]), float(tag[1])), scale, (*flags, note)


def _look_flags(fine: FineMarks, lossy: bool) -> tuple[str, ...]:
    flags = []
    if fine.look.overshoot > (_SHARPENED_LOSSY if lossy else _SHARPENED):
        flags.append(
            f"sharpened: edges overshoot by {100 * fine.look.overshoot:.0f} %; turn the scanner's sharpening off"
        )
    if fine.look.clipped > _CLIPPED:
        flags.append("paper-clipped: the paper is at full white; turn off the scanner's automatic exposure")
    if fine.look.blocked > _BLOCKED:
        flags.append("black-clipped: black is at zero; turn off the scanner's automatic exposure and contrast")
    return tuple(flags)


def _mark_flags(rough: RoughMarks, used: int, rms_mm: float) -> tuple[str, ...]:
    flags = []
    expected = len(rough.found)
    if (~rough.inside).any():
        flags.append(f"edge-cut: {int((~rough.inside).sum())} of {expected} marks lie outside the picture")
    if used < 0.9 * expected:
        flags.append(f"marks-missing: {used} of {expected} marks could be used")
    if rms_mm > _RESIDUAL_GOAL_MM:
        flags.append(f"marks-uneven: marks lie {rms_mm:.2f} mm off a smooth course; press the print flat")
    return tuple(flags)


def _trusted_paper(fine: FineMarks, fit: LocalFit) -> tuple[tuple[int, int, int, int], ...]:
    """Return the paper boxes of marks that the map uses."""
    boxes = zip(fine.paper_px, fine.paper_mark, strict=True)
    trusted = set(fine.index[fit.used].tolist())
    return tuple(box for box, mark in boxes if mark in trusted)
