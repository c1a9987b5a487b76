"""Marks: are they found however a tile is scanned, and how well do they place it?"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from inkstrain.scoring.place.placement import locate
from inkstrain.scoring.read.scanfile import open_scan
from inkstrain.targets.chart import build_key
from inkstrain.targets.errors import CannotMeasureError
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import PrintOptions, ScanOptions, rehearse

from .cases import BLUR_MM, GRAIN, SHOT_NOISE, WOBBLE_PERIOD_MM

STRETCH = 0.004
WOBBLE_MM = 0.1
FOUND_WITHIN_MM = 0.1
DPI_RANGE = (150.0, 1200.0)
_SMALL = Recipe(sheet="120x120", hues=1, only=("ring-to-white",))
_GRID = 25


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacingCase:
    """One scan to place: drawn freely to be found, or under the conditions of the residual's goal."""

    kind: Literal["found", "residual"]
    dpi: int
    seed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """How a scan was placed; errors are over a grid of the whole tile, against the rehearsal's geometry."""

    kind: Literal["found", "residual"]
    dpi: float
    placed: bool = False
    used: int = 0
    expected: int = 0
    residual_rms_mm: float = float("nan")
    true_rms_mm: float = float("nan")
    true_max_mm: float = float("nan")


def place(case: PlacingCase) -> Placed:
    """Rehearse a scan and place it."""
    rng = np.random.default_rng([case.seed, 100 + (case.kind == "residual")])
    recipe = Recipe() if case.kind == "residual" else _SMALL
    options, suffix = _options(case, rng)
    with tempfile.TemporaryDirectory(prefix="inkstrain-bench-") as folder:
        path = Path(folder) / f"scan{suffix}"
        truth = rehearse(recipe, path, print_options=PrintOptions(grain=GRAIN), scan_options=options, seed=case.seed)
        try:
            with open_scan(path) as scan:
                (placement,) = locate(scan)
        except (CannotMeasureError, ValueError):
            return Placed(kind=case.kind, dpi=options.dpi)
    x, y, width, height = build_key(recipe).sheets[0].tiles[0].box_mm
    across, down = np.meshgrid(np.linspace(x, x + width, _GRID), np.linspace(y, y + height, _GRID))
    points = np.stack([across.ravel(), down.ravel()], axis=1)
    off_px = placement.to_scan_px(points) - truth.geometry.scan_px_of_chart_mm(points)
    off_mm = np.hypot(off_px[:, 0], off_px[:, 1]) * 25.4 / options.dpi
    return Placed(
        kind=case.kind,
        dpi=options.dpi,
        placed=bool(off_mm.max() <= FOUND_WITHIN_MM),
        used=placement.marks_used,
        expected=placement.marks_expected,
        residual_rms_mm=placement.residual_rms_mm,
        true_rms_mm=float(np.sqrt(np.mean(off_mm**2))),
        true_max_mm=float(off_mm.max()),
    )


def _options(case: PlacingCase, rng: np.random.Generator) -> tuple[ScanOptions, str]:
    """Draw a scan, and its file's ending: the goal's stretch and wobble, or anything, even in the logarithm of dpi."""
    x, y = rng.choice([-1.0, 1.0], 2) * STRETCH
    shared: dict[str, Any] = {
        "dpi": case.dpi,
        "rotation_deg": rng.uniform(-1.5, 1.5),
        "stretch": (x, y),
        "wobble_mm": WOBBLE_MM,
        "wobble_period_mm": rng.uniform(*WOBBLE_PERIOD_MM),
        "wobble_phase_deg": rng.uniform(0.0, 360.0),
        "blur_mm": BLUR_MM,
        "shot_noise": SHOT_NOISE,
    }
    if case.kind == "residual":
        return ScanOptions(**shared), ".tif"
    suffix = str(rng.choice([".tif", ".png", ".jpg"]))
    free: dict[str, Any] = {
        "dpi": np.rint(np.exp(rng.uniform(*np.log(DPI_RANGE)))),
        "rotation_deg": rng.uniform(-180.0, 180.0),
        "stretch": tuple(rng.uniform(-STRETCH, STRETCH, 2)),
        "wobble_mm": rng.uniform(0.0, WOBBLE_MM),
        "lid": str(rng.choice(["white", "black"])),
        "tile": 1 if rng.random() < 0.5 else None,
        "margin_mm": rng.uniform(1.0, 8.0),
        "bits": 8 if suffix == ".jpg" else int(rng.choice([8, 16])),
        "jpeg_quality": int(rng.integers(75, 96)),
        "resolution_tag": bool(rng.random() < 0.7),
        "embed": bool(rng.random() < 0.7),
    }
    return ScanOptions(**{**shared, **free}), suffix
