"""Rehearsed discs and flat fields, cut out and placed by the rehearsal's own geometry: no locating, so quick."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from inkstrain.scoring.colour.basis import Basis, basis_from_profile
from inkstrain.scoring.eye.visibility import DEFAULT_VIEWING
from inkstrain.scoring.measure.course import RESOLUTION_MM, Sharpness
from inkstrain.scoring.measure.rings import exact_ring, measure_ring, radial_means
from inkstrain.scoring.measure.sampling import Means, Window
from inkstrain.scoring.results.score import RingScore
from inkstrain.targets.chart import build_key
from inkstrain.targets.key import FlatField, Ring
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import IdentityPrinter, Printer, PrintOptions, ScanOptions, Truth, rehearse_array
from inkstrain.targets.rehearsal.damage import Damage
from inkstrain.targets.spaces import icc_profile

Array = NDArray[np.float64]

RECIPE = Recipe()
MARGIN_MM = 0.6
GRAIN = 0.02
BLUR_MM = 0.06


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """How a disc is printed and scanned; the defaults are those of the accuracy goals."""

    printer: Printer = field(default_factory=IdentityPrinter)
    dpi: float = 600.0
    grain: float = GRAIN
    blur_mm: float = BLUR_MM
    seed: int = 1
    print_options: PrintOptions | None = None
    scan: ScanOptions | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """A window of an element, and what measuring needs beside it."""

    element: Ring | FlatField
    window: Window
    basis: Basis
    paper_xyz: Array
    blur_mm: float
    truth: Truth

    def means(self) -> Means:
        """Return the radial means of a ring."""
        assert isinstance(self.element, Ring)
        return radial_means(self.window, self.element, self.basis, self.paper_xyz, self.blur_mm)

    def score(self) -> RingScore:
        """Return the score of a ring."""
        assert isinstance(self.element, Ring)
        sharpness = Sharpness(blur_mm=self.blur_mm)
        return measure_ring(
            self.element, RECIPE, self.means(), self.basis, self.paper_xyz, sharpness, DEFAULT_VIEWING, (1, 1)
        )

    def truth_score(self) -> RingScore:
        """Return what the ring's exact course shows."""
        assert isinstance(self.element, Ring)
        true = self.truth.ring(self.element.id)
        return exact_ring(
            self.element, RECIPE, np.array(true.radius_mm), np.array(true.lab), DEFAULT_VIEWING, (1, 1), RESOLUTION_MM
        )


def element(name: str) -> Ring | FlatField:
    """Return an element of the default chart."""
    for tile in build_key(RECIPE).sheets[0].tiles:
        for known in tile.elements:
            if known.id == name and isinstance(known, Ring | FlatField):
                return known
    raise KeyError(name)


def sample(name: str, damages: Sequence[Damage] = (), setting: Setting | None = None) -> Sample:
    """Rehearse one element of the default chart."""
    setting = setting or Setting()
    what = element(name)
    if isinstance(what, Ring):
        (x, y), r = what.centre_mm, what.radius_mm
        box = (x - r, y - r, 2 * r, 2 * r)
    else:
        box = what.box_mm
    printed = setting.print_options or PrintOptions(grain=setting.grain)
    scan = setting.scan or ScanOptions(dpi=setting.dpi, blur_mm=setting.blur_mm, rotation_deg=1.5)
    scan = scan.model_copy(update={"crop_mm": box, "margin_mm": MARGIN_MM})
    pixels, truth = rehearse_array(
        RECIPE, printer=setting.printer, damages=damages, print_options=printed, scan_options=scan, seed=setting.seed
    )
    geometry = truth.geometry
    rows, columns = (np.arange(n) + 0.5 for n in pixels.shape[:2])
    px = np.stack(np.meshgrid(columns, rows), axis=-1)
    chart = geometry.chart_mm_of_scan_px(px).astype(np.float32)
    basis = basis_from_profile(icc_profile(scan.space), "")
    window = Window(pixels, chart[..., 0], chart[..., 1], geometry.pixel_mm, False)
    paper = np.asarray(setting.printer.paper_xyz) * scan.exposure
    whole_blur = float(np.hypot(scan.blur_mm, geometry.pixel_mm / np.sqrt(12.0)))
    return Sample(what, window, basis, paper, whole_blur, truth)
