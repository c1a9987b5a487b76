"""One tile of one scan: sampled element by element, and measured."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import CancelledError, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.errors import CannotMeasureError
from inkstrain.targets.key import Box, Element, FlatField, HueSweep, NeutralWedge, PatchField, Ring
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.spaces import screen_rgb

from ..colour.basis import Basis
from ..colour.bedlight import BedLight, light_flags
from ..colour.paper import paper_means
from ..eye.visibility import DEFAULT_VIEWING
from ..place.placement import Placement
from ..read.scanfile import ScanFile
from ..results.crops import Crop
from ..results.score import (
    ElementScore,
    Flag,
    MarkResidual,
    TileReading,
    Viewing,
)
from .alike import Codes, Signs, Unlikeness, channel_shift_mm, paper_at_most, unlikeness
from .banding import stripe_blur_mm, stripes_of
from .course import Sharpness
from .edge import rim_blur_mm
from .patches import measure_flat, measure_patches
from .rings import measure_ring, radial_means
from .sampling import Window, open_window
from .sweeps import SweepReading, read_sweep
from .wedge import WedgeReading, read_wedge

__all__ = ["Progress", "Tile", "measure_tile", "scan_name"]

Array = NDArray[np.float64]
_Found = ElementScore | WedgeReading | SweepReading
Progress = Callable[[str, float], None]

_CROP_PX_PER_MM: Final = 8.0
_WINDOWS: Final = 2  # that are measured at once
_MARKS_ABOUT: Final = 4.0  # a disc
_LARGE_PX: Final = 5e6  # windows beyond this are measured one at a time, for memory's sake


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tile:
    """What one tile of one scan gave.

    Attributes
    ----------
    paper_xyz
        The paper beside the elements, D50, 1 = white; ``paper_error_l`` is its standard error, L*.
    crops
        Pictures of the elements by id, if they were asked for.
    unlike, signs
        What elements and scan show of not being what they should be.
    """

    recipe: Recipe
    reading: TileReading
    basis: Basis
    paper_xyz: Array
    paper_error_l: float
    elements: tuple[ElementScore, ...]
    crops: dict[str, Crop]
    unlike: dict[str, Unlikeness]
    signs: Signs


def measure_tile(
    scan: ScanFile,
    placement: Placement,
    basis: Basis,
    *,
    viewing: Viewing = DEFAULT_VIEWING,
    blank: BedLight | None = None,
    crops: bool = False,
    progress: Progress = lambda what, share: None,
) -> Tile:
    """Measure a placed tile of a scan.

    Parameters
    ----------
    viewing
        What visibility figures are stated for.
    blank
        The light across the bed that ``scan`` was evened by, for what is said of it.
    crops
        Cut out pictures of the elements.
    progress
        Called with the element that was measured and the share done, 0 to 1.

    Raises
    ------
    CannotMeasureError
        If the paper is nearly black in the scan.
    """
    paper_linear, paper_error = paper_means(scan, placement, basis)
    paper_xyz = basis.xyz(paper_linear)
    if paper_xyz.min() <= 0.02:
        raise CannotMeasureError(f"{scan.path}: the paper is nearly black in this scan. Scan it again, brighter.")
    elements: dict[str, ElementScore] = {}
    readings: list[WedgeReading | SweepReading] = []
    pictures: dict[str, Crop] = {}
    flags = [*placement.flags, *scan.flags, *light_flags(scan, placement, basis, blank)]
    in_chart_order = placement.key_tile.elements
    by_scan_row = sorted(in_chart_order, key=lambda e: float(placement.to_scan_px([_box(e)[:2]])[0, 1]))
    largest = max(_box(e)[2] * _box(e)[3] for e in in_chart_order) * float(np.prod(placement.dpi)) / 25.4**2
    windows = _WINDOWS if largest < _LARGE_PX else 1
    reading, given_up = threading.Lock(), threading.Event()  # one file, one position in it

    codes, unlike = Codes(scan.full_scale), dict[str, Unlikeness]()

    def sample(element: Element) -> tuple[Element, _Found | None, Crop | None, bool]:
        if given_up.is_set():
            raise CancelledError
        with reading:
            window = open_window(scan, placement, _box(element))
        found = _measure_element(element, window, placement, basis, paper_xyz, viewing)
        crop = _crop(window, placement, basis, _box(element)) if crops else None
        away = unlikeness(window, element, basis, paper_xyz)
        if away is not None:
            unlike[element.id] = away
        first = _first_pixel(window, placement).astype(int).tolist()
        codes.add(window.pixels, (first[0], first[1]), fades=isinstance(element, Ring))
        return element, found, crop, not window.clipped

    # few threads hold pixels: each keeps memory of its own
    with ThreadPoolExecutor(windows) as samplers:
        try:
            for done, (element, score, crop, whole) in enumerate(samplers.map(sample, by_scan_row), start=1):
                progress(element.id, done / len(by_scan_row))
                if score is None or not whole:
                    flags.append(f"not-whole: {element.id} is not whole in the scan")
                if isinstance(score, WedgeReading | SweepReading):
                    readings.append(score)
                elif score is not None:
                    elements[element.id] = score
                if crop is not None:
                    pictures[element.id] = crop
        except BaseException:  # Ctrl-C, too: what has not begun need not
            given_up.set()
            raise
    y = basis.xyz(paper_linear)[1]
    paper_error_l = float(paper_error / y * (116.0 * np.cbrt(y)) / 3.0)
    elements |= _with_the_rest(readings, elements.values(), placement, paper_error_l, viewing)
    return Tile(
        recipe=placement.recipe,
        reading=_reading(scan, placement, flags),
        basis=basis,
        paper_xyz=paper_xyz,
        paper_error_l=paper_error_l,
        elements=tuple(elements[e.id] for e in in_chart_order if e.id in elements),
        crops={e.id: pictures[e.id] for e in in_chart_order if e.id in pictures},
        unlike=unlike,
        signs=Signs(
            occupied=codes.occupied, blocks=codes.blocks, channel_shift_mm=channel_shift_mm(scan, placement),
            paper_at_most=paper_at_most(scan, placement), lossy=any(one.startswith("lossy") for one in scan.flags),
        ),
    )  # fmt: skip


def _measure_element(
    element: Element, window: Window, placement: Placement, basis: Basis, paper_xyz: Array, viewing: Viewing
) -> _Found | None:
    """Measure one element from its pixels; wedges and sweeps need the rest of the tile, too, to become scores."""
    place = (placement.sheet, placement.tile)
    match element:
        case Ring():
            sharpness = _sharpness(window, element, placement, basis, paper_xyz)
            means = radial_means(window, element, basis, paper_xyz, sharpness.blur_mm)
            return measure_ring(element, placement.recipe, means, basis, paper_xyz, sharpness, viewing, place)
        case HueSweep():
            return read_sweep(window, element, basis, paper_xyz)
        case NeutralWedge():
            return read_wedge(window, element, basis, paper_xyz)
        case PatchField():
            return measure_patches(window, element, basis, paper_xyz, place)
        case FlatField():
            return measure_flat(window, element, basis, paper_xyz, place, _stripe_blur(placement))


def _sharpness(window: Window, ring: Ring, placement: Placement, basis: Basis, paper_xyz: Array) -> Sharpness:
    """Return how sharp a disc is: by its rim, or else by the marks.

    What marks show and a rim does not may be anything up to the whole (JCGM 100, 4.3.7). The mean radius of a ring
    hangs on the four marks about its disc, on one axis of each one's residual.
    """
    marks = placement.blur_mm or 0.0
    blur, error = rim_blur_mm(window, ring, basis, paper_xyz) or (marks, marks / float(np.sqrt(12.0)))
    radius_error = placement.residual_rms_mm / float(np.sqrt(2.0 * _MARKS_ABOUT))
    return Sharpness(blur_mm=blur, blur_error_mm=error, radius_error_mm=radius_error)


def _with_the_rest(
    readings: Sequence[WedgeReading | SweepReading],
    others: Iterable[ElementScore],
    placement: Placement,
    paper_error_l: float,
    viewing: Viewing,
) -> dict[str, ElementScore]:
    """Return the scores, by id, of what needs to know of the tile's other figures: what stripes they show."""
    place, blur, seen = (placement.sheet, placement.tile), _stripe_blur(placement), stripes_of(others)
    wedges = [one for one in readings if isinstance(one, WedgeReading)]
    stripes = [wave.stripes for wedge in wedges for wave in wedge.stripes]
    scores: dict[str, ElementScore] = {
        one.wedge.id: one.score(place, viewing, paper_error_l, seen, blur) for one in wedges
    }
    sweeps = [one for one in readings if isinstance(one, SweepReading)]
    return scores | {one.sweep.id: one.score(placement.recipe, place, stripes) for one in sweeps}


def _stripe_blur(placement: Placement) -> float:
    return 0.05 if placement.blur_mm is None else stripe_blur_mm(placement.blur_mm, placement.recipe.dpi)


def _box(element: Element) -> Box:
    if isinstance(element, Ring):
        (x, y), r = element.centre_mm, element.radius_mm
        return (x - r, y - r, 2 * r, 2 * r)
    return element.box_mm


def _crop(window: Window, placement: Placement, basis: Basis, box: Box) -> Crop:
    """Put an element straight, at 8 px a mm, as sRGB relative to the scanner's white."""
    from scipy.ndimage import map_coordinates

    x, y, width, height = box
    across, down = round(width * _CROP_PX_PER_MM), round(height * _CROP_PX_PER_MM)
    u = x + (np.arange(across) + 0.5) / _CROP_PX_PER_MM
    v = y + (np.arange(down) + 0.5) / _CROP_PX_PER_MM
    corners = np.array([(x, y), (x + width, y), (x, y + height)])
    a, b, c = placement.to_scan_px(corners)
    first = _first_pixel(window, placement)
    px = a + (u[None, :, None] - x) / width * (b - a) + (v[:, None, None] - y) / height * (c - a) - first
    step = max(int(1 / (_CROP_PX_PER_MM * window.pixel_mm)), 1)
    h, w = (side // step * step for side in window.pixels.shape[:2])
    if min(h, w) < step or window.pixels.size == 0:
        return Crop(image=np.full((1, 1, 3), 128, np.uint8), px_per_mm=_CROP_PX_PER_MM, origin_mm=(x, y))
    small = window.pixels[:h, :w].reshape(h // step, step, w // step, step, 3).mean(axis=(1, 3))
    rows, columns = px[..., 1] / step - 0.5, px[..., 0] / step - 0.5
    straight = np.stack(
        [map_coordinates(small[..., i], [rows, columns], order=1, mode="nearest") for i in range(3)], axis=-1
    )
    # evened scans come as linear light, others as codes
    linear = window.pixels.dtype.kind == "f"
    codes = straight.astype(np.float32) if linear else np.rint(straight).astype(window.pixels.dtype)
    image = np.rint(255 * screen_rgb(basis.xyz(basis.linear(codes)))).astype(np.uint8)
    return Crop(image=image, px_per_mm=_CROP_PX_PER_MM, origin_mm=(x, y))


def _first_pixel(window: Window, placement: Placement) -> Array:
    """Return the scan position (x, y) of a window's top left corner."""
    middle = (window.pixels.shape[0] // 2, window.pixels.shape[1] // 2)
    row = slice(middle[0], middle[0] + 1)
    chart = [(float(window.x_mm[row][0, middle[1]]), float(window.y_mm[row][0, middle[1]]))]
    return np.asarray(np.rint(placement.to_scan_px(chart)[0] - 0.5) - np.array([middle[1], middle[0]]))


def _reading(scan: ScanFile, placement: Placement, flags: list[str]) -> TileReading:
    return TileReading(
        sheet=placement.sheet,
        tile=placement.tile,
        scan=scan_name(scan.path),
        scan_sha256=scan.sha256,
        dpi=placement.dpi,
        rotation_deg=placement.rotation_deg,
        print_scale=placement.print_scale,
        mark_residual_mm=MarkResidual(rms=placement.residual_rms_mm, max=placement.residual_max_mm),
        blur_mm=placement.blur_mm,
        marks_used=placement.marks_used,
        marks_expected=placement.marks_expected,
        bits_per_channel=scan.bits,
        flags=tuple(map(Flag.of, dict.fromkeys(flags))),
    )


def scan_name(path: Path) -> str:
    """Return what a scan is called: its file's name."""
    # a file's name may be bytes that are no text
    return path.name.encode("utf-8", "backslashreplace").decode("utf-8")
