"""From scans to a score: read, place, sample, measure; nothing is ever half-analysed."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import CancelledError, ThreadPoolExecutor
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import WHITE_D50, delta_e00, xyz_to_lab
from inkstrain.targets.errors import CannotMeasureError
from inkstrain.targets.key import Box, Element, FlatField, HueSweep, NeutralWedge, PatchField, Ring
from inkstrain.targets.outputprofile import OutputProfile
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.spaces import xyz_to_rgb

from .banding import stripe_blur_mm
from .basis import Basis
from .bedlight import BedLight, evened, light_flags
from .choice import BasisChoice
from .course import RESOLUTION_MM
from .crops import Crop
from .edge import rim_blur_mm
from .finish import Promise, black_of, finish, with_trust
from .health import health_flags, stripes_of
from .model import (
    Conditions,
    ElementScore,
    Flag,
    MadeBy,
    MarkResidual,
    RingScore,
    Score,
    TileReading,
    Viewing,
    White,
)
from .paper import paper_means
from .patches import measure_flat, measure_patches
from .placement import Placement, locate
from .rendering import Rendering
from .rings import measure_ring, radial_means
from .sampling import Window, open_window
from .scanfile import ScanFile, open_scan
from .sweeps import SweepReading, read_sweep
from .totals import totals_of
from .visibility import DEFAULT_VIEWING
from .wedge import WedgeReading, read_wedge

__all__ = ["Measured", "ScoreOptions", "score_scans"]

Array = NDArray[np.float64]
_Found = ElementScore | WedgeReading | SweepReading
Progress = Callable[[str, float], None]

_CROP_PX_PER_MM: Final = 8.0
_WINDOWS: Final = 2  # that are measured at once
_LARGE_PX: Final = 5e6  # windows beyond this are measured one at a time, for memory's sake
_DEFAULT_RENDERING: Final = Rendering("relative", True)
_PAPER_APART_DE00: Final = 0.8
"""A flatbed repeats itself within 0.3 % when its lid was opened (Med. Phys. 42, 2015): 0.1 L*; this is far beyond."""
_SOFT: Final = 1.02  # of the stated resolution, which moves a hard step's excess by 2 %
_DEFAULT_BASIS: Final = BasisChoice()


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreOptions:
    """What may be chosen about measuring.

    Parameters
    ----------
    crops
        Cut out pictures of the elements for a report.
    viewing
        What visibility figures are stated for.
    profile, rendering
        The printer profile and the way the print was asked for: attainable colours and causes follow from them.
    other_profiles
        Profiles that the print may have been made with instead.
    basis
        Where the colour basis of each scan comes from.
    blank
        The light across the bed, to be divided out.
    """

    crops: bool = True
    viewing: Viewing = DEFAULT_VIEWING
    profile: OutputProfile | None = None
    rendering: Rendering = _DEFAULT_RENDERING
    other_profiles: tuple[OutputProfile, ...] = ()
    basis: BasisChoice = _DEFAULT_BASIS
    blank: BedLight | None = None

    @property
    def promise(self) -> Promise | None:
        """The printer profile's promise, if there is one."""
        if self.profile is None:
            return None
        return Promise(profile=self.profile, rendering=self.rendering, others=self.other_profiles)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """A score, and the pictures of its elements by element id (sRGB, as scanned, put straight)."""

    score: Score
    crops: Mapping[str, Crop] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Part:
    """What one tile of one scan gave."""

    recipe: Recipe
    reading: TileReading
    basis: Basis
    paper_xyz: Array
    paper_error_l: float
    elements: tuple[ElementScore, ...]
    crops: dict[str, Crop]


def score_scans(
    paths: Sequence[Path],
    *,
    conditions: Conditions | None = None,
    options: ScoreOptions | None = None,
    progress: Progress | None = None,
) -> Measured:
    """Measure the scans of one print.

    Parameters
    ----------
    paths
        Scans of its tiles, in any order and orientation.
    progress
        Called with what is being measured and the share done, 0 to 1.

    Raises
    ------
    CannotMeasureError
        If a scan cannot be read, holds no tile, or the scans are not of one print.
    """
    if not paths:
        raise CannotMeasureError("No scan was given. Name the scanned image files of one print.")
    options = options or ScoreOptions()
    # scans that do not belong together are refused before the first is measured
    placed = _place_all(paths) if len(paths) > 1 else {}
    parts: list[_Part] = []
    for index, path in enumerate(paths):

        def report(what: str, share: float, index: int = index) -> None:
            if progress is not None:
                progress(what, (index + share) / len(paths))

        # the matrices here are small: a BLAS that shares them out to threads takes longer, and far longer on a busy
        # machine; elements are shared out instead
        with threadpool_limits(limits=1, user_api="blas"), open_scan(path) as scan:
            parts += _measure_scan(scan, placed.get(index), options, report)
    return _assemble(parts, conditions or Conditions(), options)


def _place_all(paths: Sequence[Path]) -> dict[int, tuple[Placement, ...]]:
    placed = {}
    for index, path in enumerate(paths):
        with threadpool_limits(limits=1, user_api="blas"), open_scan(path) as scan:
            placed[index] = locate(scan)
    names = {index: _name(path) for index, path in enumerate(paths)}
    _check_one_print([(names[i], p.recipe, p.sheet, p.tile) for i, found in placed.items() for p in found])
    return placed


def _measure_scan(
    scan: ScanFile,
    placements: tuple[Placement, ...] | None,
    options: ScoreOptions,
    progress: Progress,
) -> list[_Part]:
    progress(f"{scan.path.name}: finding marks", 0.0)
    basis = options.basis.of(scan.icc, str(scan.path))
    parts = []
    placements = placements or locate(scan)
    scan = evened(scan, basis, options.blank)
    for number, placement in enumerate(placements):

        def report(what: str, share: float, number: int = number) -> None:
            progress(f"{scan.path.name}: {what}", 0.2 + 0.8 * (number + share) / len(placements))

        parts.append(_measure_tile(scan, placement, basis, options, report))
    return parts


def _measure_tile(
    scan: ScanFile, placement: Placement, basis: Basis, options: ScoreOptions, progress: Progress
) -> _Part:
    paper_linear, paper_error = paper_means(scan, placement, basis)
    paper_xyz = basis.xyz(paper_linear)
    if paper_xyz.min() <= 0.02:
        raise CannotMeasureError(f"{scan.path}: the paper is nearly black in this scan. Scan it again, brighter.")
    elements: dict[str, ElementScore] = {}
    readings: list[WedgeReading | SweepReading] = []
    crops: dict[str, Crop] = {}
    flags = [*placement.flags, *scan.flags, *light_flags(scan, placement, basis, options.blank)]
    in_chart_order = placement.key_tile.elements
    by_scan_row = sorted(in_chart_order, key=lambda e: float(placement.to_scan_px([_box(e)[:2]])[0, 1]))
    largest = max(_box(e)[2] * _box(e)[3] for e in in_chart_order) * float(np.prod(placement.dpi)) / 25.4**2
    windows = _WINDOWS if largest < _LARGE_PX else 1
    reading, given_up = threading.Lock(), threading.Event()  # one file, one position in it

    def sample(element: Element) -> tuple[Element, _Found | None, Crop | None, bool]:
        if given_up.is_set():
            raise CancelledError
        with reading:
            window = open_window(scan, placement, _box(element))
        found = _measure_element(element, window, placement, basis, paper_xyz, options.viewing)
        crop = _crop(window, placement, basis, _box(element)) if options.crops else None
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
                    crops[element.id] = crop
        except BaseException:  # Ctrl-C, too: what has not begun need not
            given_up.set()
            raise
    y = basis.xyz(paper_linear)[1]
    paper_error_l = float(paper_error / y * (116.0 * np.cbrt(y)) / 3.0)
    elements |= _with_the_rest(readings, elements.values(), placement, paper_error_l, options.viewing)
    return _Part(
        recipe=placement.recipe,
        reading=_reading(scan, placement, flags),
        basis=basis,
        paper_xyz=paper_xyz,
        paper_error_l=paper_error_l,
        elements=tuple(elements[e.id] for e in in_chart_order if e.id in elements),
        crops={e.id: crops[e.id] for e in in_chart_order if e.id in crops},
    )


def _measure_element(
    element: Element, window: Window, placement: Placement, basis: Basis, paper_xyz: Array, viewing: Viewing
) -> _Found | None:
    """Measure one element from its pixels; wedges and sweeps need the rest of the tile, too, to become scores."""
    place = (placement.sheet, placement.tile)
    match element:
        case Ring():
            blur_mm = rim_blur_mm(window, element, basis, paper_xyz) or placement.blur_mm or 0.0
            means = radial_means(window, element, basis, paper_xyz, blur_mm)
            return measure_ring(element, placement.recipe, means, basis, paper_xyz, blur_mm, viewing, place)
        case HueSweep():
            return read_sweep(window, element, basis, paper_xyz)
        case NeutralWedge():
            return read_wedge(window, element, basis, paper_xyz)
        case PatchField():
            return measure_patches(window, element, basis, paper_xyz, place)
        case FlatField():
            return measure_flat(window, element, basis, paper_xyz, place, _stripe_blur(placement))


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
    image = np.rint(255 * xyz_to_rgb("srgb", basis.xyz(basis.linear(codes)))).astype(np.uint8)
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
        scan=_name(scan.path),
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


def _check_one_print(found: Sequence[tuple[str, Recipe, int, int]]) -> None:
    """Refuse tiles (scan, recipe, sheet, tile) that are not of one print, each once."""
    seen: dict[tuple[int, int], str] = {}
    first, recipe = found[0][:2]
    for scan, other, sheet, tile in found:
        if other != recipe:
            raise CannotMeasureError(
                f"The scans are of different charts: {first} of {recipe.chart_id}, "
                f"{scan} of {other.chart_id}. Score each print by itself."
            )
        if (sheet, tile) in seen:
            raise CannotMeasureError(
                f"Sheet {sheet}, tile {tile} is in both {seen[sheet, tile]} and {scan}. "
                "Score repeated scans one by one, with the same --print NAME, and compare the scores."
            )
        seen[sheet, tile] = scan


def _assemble(parts: list[_Part], conditions: Conditions, options: ScoreOptions) -> Measured:
    """Merge the tiles of one print into one score."""
    recipe = parts[0].recipe
    _check_one_print([(part.reading.scan, part.recipe, part.reading.sheet, part.reading.tile) for part in parts])
    parts = sorted(parts, key=lambda part: (part.reading.sheet, part.reading.tile))
    elements = tuple(element for part in parts for element in part.elements)
    black = black_of(elements)
    paper = np.mean([part.paper_xyz for part in parts], axis=0)
    score = Score(
        made_by=MadeBy(version=version("inkstrain")),
        chart=recipe.chart_id,
        recipe=recipe.text,
        conditions=conditions,
        colour_basis=parts[0].basis.described,
        viewing=options.viewing,
        resolution_mm=RESOLUTION_MM,
        white=White(lab=_triple(xyz_to_lab(paper)), standard_error_l=float(np.mean([p.paper_error_l for p in parts]))),
        black=black,
        tiles=tuple(part.reading for part in parts),
        elements=elements,
        totals=totals_of(elements, black),
        flags=tuple(map(Flag.of, (*_flags(parts, recipe), *health_flags(elements)))),
    )
    score = finish(score, recipe, options.promise)
    score = with_trust(score, paper, options.basis.fit)
    return Measured(score=score, crops={name: crop for part in parts for name, crop in part.crops.items()})


def _name(path: Path) -> str:
    # a file's name may be bytes that are no text
    return path.name.encode("utf-8", "backslashreplace").decode("utf-8")


def _triple(values: NDArray[Any]) -> tuple[float, float, float]:
    a, b, c = (float(value) for value in values)
    return a, b, c


def _most_apart(papers: Sequence[Array]) -> float:
    """Return the largest ΔE00 between the paper whites of a print's tiles."""
    lab = xyz_to_lab(np.array(papers))
    return max((float(np.max(delta_e00(one, lab))) for one in lab), default=0.0)


def _flags(parts: list[_Part], recipe: Recipe) -> tuple[str, ...]:
    flags = []
    expected = {(sheet.sheet, tile.tile) for sheet in build_key(recipe).sheets for tile in sheet.tiles}
    missing = sorted(expected - {(part.reading.sheet, part.reading.tile) for part in parts})
    if missing:
        places = ", ".join(f"sheet {sheet} tile {tile}" for sheet, tile in missing)
        flags.append(f"tiles-missing: no scan of {places}")
    if len({part.basis.profile for part in parts}) > 1:
        flags.append("mixed-basis: the scans carry unlike colour profiles, or some of them none")
    rings = [e for part in parts for e in part.elements if isinstance(e, RingScore)]
    softest = max((ring.resolution_mm or 0.0 for ring in rings), default=0.0)
    if softest > _SOFT * RESOLUTION_MM:
        flags.append(
            f"less-sharp: the scan shows {softest:.2f} mm (sigma) where {RESOLUTION_MM:.2f} mm is stated; fades are "
            "measured at that, and narrow rings are weaker in it"
        )
    apart = _most_apart([part.paper_xyz for part in parts])
    if apart > _PAPER_APART_DE00:
        flags.append(
            f"scans-disagree: the same paper differs by {apart:.1f} ΔE00 from scan to scan; turn off automatic "
            "exposure and colour correction, and let the lamp warm up"
        )
    white = np.mean([part.paper_xyz for part in parts], axis=0)
    if np.any(white > 1.02 * WHITE_D50):
        flags.append("paper-brighter-than-white: the scan's exposure is too high")
    return tuple(flags)
