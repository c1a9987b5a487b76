"""A print and a scan that never happened."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..chart import build_key
from ..colorimetry import xyz_to_lab
from ..errors import WrongUsageError
from ..key import Box, HueSweep, Key, NeutralWedge, Ring, Sheet
from ..recipe import Recipe, parse_recipe
from ..spaces import icc_profile
from .damage import Damage, MergedHues, RingDamage
from .dotpage import DotPage, print_dots
from .geometry import ScanGeometry
from .inkjet import VirtualInkjet
from .layers import Grain, draw_specks
from .options import PrintOptions, ScanOptions
from .page import Disc, Page, disc, print_page, to_light
from .printers import IdentityPrinter, Printer
from .ringpath import RingPath, ring_path
from .scan import Scanner
from .sweeptruth import sweep_truth, wedge_truth
from .truth import PrinterTruth, RingTruth, Truth
from .write import check_name, write_image

__all__ = ["check_damages", "rehearse", "rehearse_array", "scan_geometry"]

_MM_PER_INCH = 25.4


def rehearse(
    chart: Key | Recipe, out: Path, *, printer: Printer | None = None, damages: Sequence[Damage] = (),
    print_options: PrintOptions | None = None, scan_options: ScanOptions | None = None, seed: int = 0,
    sheet: int = 1, truth_file: bool = False, progress: Callable[[float], None] | None = None,
) -> Truth:  # fmt: skip
    """Write a scan of a print of a chart, neither of which ever was, and return its truth.

    Parameters
    ----------
    chart
        A key or a recipe.
    out
        The scan; its name's ending says the kind: .tif, .png or .jpg.
    printer
        None prints the file's own colours.
    damages
        What goes wrong, by element id.
    print_options, scan_options
        How it is printed and scanned; None for a clean print, squarely scanned at 300 dpi.
    seed
        The same seed gives the same file, byte for byte, on the same versions of the libraries.
    sheet
        Number of the sheet.
    truth_file
        Also write ``<out>.truth.json``.
    progress
        Called with the share done, 0 to 1.

    Raises
    ------
    WrongUsageError
        If a damage names what the sheet has not, or damages overlap, or the file's name is of no known kind.
    """
    scan_options = scan_options or ScanOptions()
    check_name(out, scan_options)
    scanner, truth = _set_up(chart, printer, damages, print_options, scan_options, seed, sheet)
    profile = icc_profile(scan_options.space) if scan_options.embed and not scan_options.grey else None
    part = out.with_name(f".{out.stem}.{os.getpid()}.part{out.suffix}")
    size = (truth.geometry.height_px, truth.geometry.width_px)
    try:
        write_image(part, scanner.strips(), size, scan_options, profile, progress)
        os.replace(part, out)
    finally:
        part.unlink(missing_ok=True)
    if truth_file:
        out.with_name(out.name + ".truth.json").write_text(truth.model_dump_json(indent=1) + "\n", encoding="utf-8")
    return truth


def rehearse_array(
    chart: Key | Recipe, *, printer: Printer | None = None, damages: Sequence[Damage] = (),
    print_options: PrintOptions | None = None, scan_options: ScanOptions | None = None, seed: int = 0,
    sheet: int = 1,
) -> tuple[NDArray[Any], Truth]:  # fmt: skip
    """Return the scan as an array (h, w, 3), or (h, w, 1) if grey, with its truth; see `rehearse`."""
    scanner, truth = _set_up(chart, printer, damages, print_options, scan_options or ScanOptions(), seed, sheet)
    return np.concatenate(list(scanner.strips())), truth


def scan_geometry(sheet: Sheet, print_options: PrintOptions, scan_options: ScanOptions) -> ScanGeometry:
    """Return the map of a scan that shows a sheet, one of its tiles or a box, whole at any rotation.

    Raises
    ------
    WrongUsageError
        If the sheet has no such tile.
    """
    size = (sheet.width_mm, sheet.height_mm)
    scale = print_options.scale
    centred = ((1 - scale[0]) * size[0] / 2, (1 - scale[1]) * size[1] / 2)
    offset = centred if print_options.offset_mm is None else print_options.offset_mm
    shared = {
        name: getattr(scan_options, name)
        for name in (
            "dpi", "stretch", "wobble_mm", "wobble_period_mm", "wobble_phase_deg", "rotation_deg", "shear_deg",
            "keystone", "mirrored",
        )
    }  # fmt: skip
    trial = ScanGeometry(
        width_px=1, height_px=1, view_centre_mm=(0.0, 0.0), print_scale=scale, print_offset_mm=offset,
        print_mirrored=print_options.mirrored, sheet_size_mm=size, **shared,
    )  # fmt: skip
    x, y, width, height = _view(sheet, scan_options)
    corners = np.array([(x, y), (x + width, y), (x, y + height), (x + width, y + height)])
    if scan_options.tile is not None or scan_options.crop_mm is not None:
        corners = trial.sheet_mm_of_chart_mm(corners)
    centre = (corners.min(axis=0) + corners.max(axis=0)) / 2
    # the wobble is left out here: it moves an edge by less than the margin
    still = trial.model_copy(update={"view_centre_mm": tuple(centre.tolist()), "wobble_mm": 0.0})
    extent = 2 * np.abs(still.scan_px_of_sheet_mm(corners) - still.scan_px_of_sheet_mm(centre)).max(axis=0)
    pixels = np.maximum(np.ceil(extent + 2 * scan_options.margin_mm / trial.pixel_mm - 1e-6), 1).astype(int)
    return still.model_copy(
        update={"width_px": int(pixels[0]), "height_px": int(pixels[1]), "wobble_mm": scan_options.wobble_mm}
    )


def _view(sheet: Sheet, options: ScanOptions) -> Box:
    if options.crop_mm is not None:
        return options.crop_mm
    if options.tile is None:
        return (0.0, 0.0, sheet.width_mm, sheet.height_mm)
    for tile in sheet.tiles:
        if tile.tile == options.tile:
            return tile.box_mm
    raise WrongUsageError(f"Sheet {sheet.sheet} has no tile {options.tile}: it has 1 to {len(sheet.tiles)}.")


def check_damages(sheet: Sheet, damages: Iterable[Damage]) -> None:
    """Refuse damages that name no element of a sheet, or one of another kind.

    Raises
    ------
    WrongUsageError
        If so; the message lists what the sheet has.
    """
    elements = {element.id: element for tile in sheet.tiles for element in tile.elements}
    for damage in damages:
        element = elements.get(damage.element)
        if isinstance(damage, RingDamage):
            wanted: Any = Ring
        else:
            wanted = HueSweep if isinstance(damage, MergedHues) else NeutralWedge
        if not isinstance(element, wanted):
            known = ", ".join(e.id for e in elements.values() if isinstance(e, wanted)) or "none"
            raise WrongUsageError(
                f"Damage '{damage.kind}' cannot be done to {damage.element!r}. Sheet {sheet.sheet} has: {known}."
            )
        step = getattr(damage, "step", None)
        if isinstance(element, NeutralWedge) and step is not None and not 2 <= step <= len(element.steps):
            raise WrongUsageError(f"Step {step} of {element.id}: use 2 to {len(element.steps)}.")


def _set_up(
    chart: Key | Recipe, printer: Printer | None, damages: Sequence[Damage],
    print_options: PrintOptions | None, options: ScanOptions, seed: int, sheet_number: int,
) -> tuple[Scanner, Truth]:  # fmt: skip
    recipe = chart if isinstance(chart, Recipe) else parse_recipe(chart.recipe)
    key = build_key(chart) if isinstance(chart, Recipe) else chart
    printer = printer or IdentityPrinter()
    printed = print_options or PrintOptions()
    sheet = _sheet(key, sheet_number)
    check_damages(sheet, damages)
    geometry = scan_geometry(sheet, printed, options)
    region = _seen_region(geometry)
    paths = [
        ring_path(ring, recipe, printer, [d for d in damages if isinstance(d, RingDamage) and d.element == ring.id])
        for ring in _rings(sheet)
        if _in_sight(ring, region)
    ]
    per_chart_mm = 1.0 / float(np.mean(geometry.print_scale))
    pixel_mm, bleed_mm = geometry.pixel_mm * per_chart_mm, printed.bleed_mm * per_chart_mm
    discs: list[Disc] = []
    page: Page | DotPage
    if isinstance(printer, VirtualInkjet) and printer.screen is not None:
        if printed.raster_dpi is not None:
            raise WrongUsageError(f"{printer.name} has a raster of its own: leave raster_dpi out.")
        page = print_dots(
            sheet, recipe, printer, paths, damages, region_mm=region, scan_space=options.space, pixel_mm=pixel_mm,
            bleed_mm=bleed_mm, seed=seed,
        )  # fmt: skip
    else:
        others: Any = [d for d in damages if not isinstance(d, RingDamage)]
        page = print_page(
            sheet, recipe, printer, region_mm=region, dpi=printed.raster_dpi or recipe.dpi, scan_space=options.space,
            bleed_mm=bleed_mm, damages=others,
        )  # fmt: skip
        matrix = to_light(printer, options.space)
        discs = [disc(path, matrix, pixel_mm, bleed_mm) for path in paths]
    scanner = Scanner(
        geometry=geometry,
        page=page,
        discs=discs,
        grain=Grain.draw(printed, (sheet.width_mm, sheet.height_mm), geometry.pixel_mm, seed),
        specks=draw_specks(options, geometry, seed if options.noise_seed is None else options.noise_seed),
        print_options=printed,
        options=options,
        seed=seed,
    )
    truth = Truth(
        chart=recipe.chart_id,
        recipe=recipe.text,
        sheet=sheet.sheet,
        tiles=tuple(tile.tile for tile in sheet.tiles if options.tile in (None, tile.tile)),
        seed=seed,
        printer=_printer_truth(printer, recipe),
        geometry=geometry,
        print_options=printed,
        scan_options=options,
        damages=tuple(damages),
        rings=tuple(_ring_truth(path, damages) for path in paths),
        sweeps=sweep_truth(sheet, recipe, printer, damages),
        wedges=wedge_truth(sheet, recipe, printer, damages),
    )
    return scanner, truth


def _sheet(key: Key, number: int) -> Sheet:
    for sheet in key.sheets:
        if sheet.sheet == number:
            return sheet
    raise WrongUsageError(f"Chart {key.chart} has no sheet {number}: it has 1 to {len(key.sheets)}.")


def _rings(sheet: Sheet) -> list[Ring]:
    return [element for tile in sheet.tiles for element in tile.elements if isinstance(element, Ring)]


def _ring_truth(path: RingPath, damages: Sequence[Damage]) -> RingTruth:
    return RingTruth.of(path, tuple(i for i, d in enumerate(damages) if d.element == path.ring.id))


def _seen_region(geometry: ScanGeometry) -> Box:
    """Return the box of the chart that a scan can show, with a millimetre to spare."""
    w, h = geometry.width_px, geometry.height_px
    across, down = np.linspace(0, w, 9), np.linspace(0, h, 9)
    edge = [(u, v) for u in across for v in (0, h)] + [(u, v) for u in (0, w) for v in down]
    points = geometry.chart_mm_of_scan_px(np.array(edge, dtype=np.float64))
    spare = 1.0 + geometry.wobble_mm + 10 * geometry.pixel_mm
    low, high = points.min(axis=0) - spare, points.max(axis=0) + spare
    return (float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1]))


def _in_sight(ring: Ring, region: Box) -> bool:
    x, y = ring.centre_mm
    reach = ring.radius_mm + 1.0
    return (
        region[0] - reach < x < region[0] + region[2] + reach and region[1] - reach < y < region[1] + region[3] + reach
    )


def _printer_truth(printer: Printer, recipe: Recipe) -> PrinterTruth:
    black = xyz_to_lab(printer.print_xyz(recipe.space, np.zeros(3)))
    return PrinterTruth(
        name=printer.name,
        detail=repr(printer),
        paper_lab=tuple(xyz_to_lab(printer.paper_xyz).tolist()),
        black_lab=tuple(black.tolist()),
    )
