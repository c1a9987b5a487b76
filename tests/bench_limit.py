"""How well can faults be known at all? Least squares told where a ring has them, beside the program's findings.

    python tests/bench_limit.py [--discs 192] [--dpi 300 600] [--processes 2] [--seed 1] [--draws 4]

Sheets with mixed damage are rehearsed, scanned and scored as in `bench_accuracy.py`. Each ring's noise-free printed
path is blurred in linear light as the scan is, sampled in the scan's bins, given noise as the scan's own is from bin to
bin, several times anew, and fitted by the same model; but it is told the true places of kinks and steps, and refines
them only. What it misses no search for features can be blamed for. Rings that the told features leave more than
0.03 ΔE00 of, without noise, are left out: turned hues, and places that another damage has moved.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from bench.cases import Case, Rehearsed, rehearsed
from bench.definitions import Definitions
from bench.figures import percentile
from bench.matching import Found, ring_records
from bench.table import FLAT_WIDTH_GOAL_MM
from bench_accuracy import DISCS_PER_SHEET
from scipy.ndimage import gaussian_filter1d
from scipy.stats import norm

from inkstrain.scoring.features import find_contours, find_flat_bands
from inkstrain.scoring.model import RingScore
from inkstrain.scoring.path import PathFit, course_radii, fit_path, tolerance_scale
from inkstrain.scoring.rings import ramp_pair
from inkstrain.targets.colorimetry import lab_to_xyz, xyz_to_lab
from inkstrain.targets.key import Ring
from inkstrain.targets.rehearsal import RingPath, ring_path
from inkstrain.targets.rings import ring_lab

Array = np.ndarray[Any, Any]

NEAR_HUB_MM = 6.0  # of radius: bins hold few pixels, and the hub is not far
ROWS = (
    ("contrast", "contour", 0.0, math.inf),
    ("contrast below 6 mm", "contour", 0.0, NEAR_HUB_MM),
    ("contrast beyond", "contour", NEAR_HUB_MM, math.inf),
    ("width of flat bands", "flat", 0.0, math.inf),
)
_LEFT_DE00 = 0.03
_PITCH_MM = 0.005


@dataclass(frozen=True, slots=True)
class Pair:
    """Errors in parts of the limit (a contour's contrast: 0.3 ΔE00 or 5 %; a flat band's width: 0.1 mm)."""

    measure: str
    radius_mm: float
    program: float
    told: tuple[float, ...]


def places(damages: Sequence[Any]) -> tuple[Array, Array]:
    """Return where a ring's damages put kinks and steps, mm."""
    kinks: list[float] = []
    steps: list[float] = []
    for damage in damages:
        if damage.kind in ("held", "dropoff", "reversal"):
            kinks += [damage.inner_mm, damage.outer_mm]
        if damage.kind == "held":
            steps.append(damage.outer_mm if damage.at == "inner" else damage.inner_mm)
        if damage.kind == "step":
            kinks.append(damage.radius_mm)
            steps.append(damage.radius_mm)
        if damage.kind == "earlyhub":
            kinks.append(damage.to_mm)
            steps += [damage.to_mm] if damage.then == "step" else []
    return np.array(sorted(kinks)), np.array(sorted(steps))


def pairs(case: Case, draws: int, whole: bool) -> list[Pair]:
    """Return the pairs of a sheet."""
    done = rehearsed(case)
    rng = np.random.default_rng(case.seed)
    found: list[Pair] = []
    for ring in done.score.rings():
        found += _pairs_of(ring, done, case, draws, whole, rng)
    return found


def _pairs_of(
    ring: RingScore, done: Rehearsed, case: Case, draws: int, whole: bool, rng: np.random.Generator
) -> list[Pair]:
    element: Ring = done.elements[ring.id]
    its = done.damages_of(ring.id)
    path = ring_path(element, case.recipe, done.printer, its)
    radius = np.array(ring.profile.radius_mm)
    pixel, cell = 25.4 / case.dpi, float(np.median(np.diff(radius)))
    sigma = math.sqrt(done.scan_options.blur_mm**2 + (pixel**2 + cell**2) / 12)
    lab = _seen(path, radius, sigma)
    error = np.array(ring.profile.standard_error_de00)[:, None] * tolerance_scale(lab) / math.sqrt(3)
    inner, outer = element.ramp_mm
    error *= 1.0 if whole else _roughness((np.array(ring.profile.lab) - lab) / error)
    kinks, steps = (where[(where > inner) & (where < outer)] for where in places(its))

    asked = ring_lab(element, case.recipe, course_radii(*element.ramp_mm))

    def fitted(colours: Array) -> PathFit:
        return fit_path(radius, colours, error, element.ramp_mm, sigma, asked, (kinks, steps))

    if fitted(lab).residual_de00 > _LEFT_DE00:
        return []
    told: dict[tuple[str, float], list[float]] = {}
    for _ in range(draws):
        pair = ramp_pair(fitted(lab + error * rng.standard_normal(lab.shape)), element, case.recipe)
        seen = ring.model_copy(update={"contours": find_contours(pair), "flat_bands": find_flat_bands(pair, sigma)})
        for fault, part in _parts(seen, done, path):
            told.setdefault(fault, []).append(part)
    return [Pair(*fault, part, tuple(told[fault])) for fault, part in _parts(ring, done, path) if fault in told]


def _parts(ring: RingScore, done: Rehearsed, path: RingPath) -> list[tuple[tuple[str, float], float]]:
    """Return measure, radius and part of the limit of every true fault; infinite if it was not found."""
    parts = []
    for record in ring_records(done.truth.ring(ring.id), ring, Definitions(path), False):
        if isinstance(record, Found) and record.measure in ("contour", "flat") and not record.own:
            part = record.errors.get("contrast_part", math.inf)
            if "width_mm" in record.errors:
                part = record.errors["width_mm"] / FLAT_WIDTH_GOAL_MM
            parts.append(((record.measure, record.place_mm), part))
    return parts


def _roughness(difference: Array) -> float:
    """Return the scatter of neighbouring bins: standard errors hold what bins share, too, which moves no feature.

    Fourth differences leave out what is smooth; the square sum of their coefficients is 70.
    """
    return float(np.median(np.abs(np.diff(difference, n=4, axis=0))) / (math.sqrt(70) * norm.ppf(0.75)))


def _seen(path: RingPath, radius: Array, sigma: float) -> Array:
    """Return the printed path as a scan shows it, without noise."""
    fine = np.arange(path.radius_mm[0], path.radius_mm[-1], _PITCH_MM)
    light = lab_to_xyz(np.stack([np.interp(fine, path.radius_mm, column) for column in path.lab.T], axis=1))
    blurred = gaussian_filter1d(light, sigma / _PITCH_MM, axis=0, mode="nearest", truncate=6.0)
    return xyz_to_lab(np.stack([np.interp(radius, fine, column) for column in blurred.T], axis=1))


def _row(what: str, errors: Sequence[float]) -> str:
    """Return a line of the table; a fault that was missed is beyond the limit, and in no percentile."""
    sizes = np.abs(errors)
    figure = percentile([e for e in sizes if np.isfinite(e)])
    beyond = np.mean(sizes > 1)
    return (
        f"| {what} | {figure.value:.2f} ({figure.low:.2f} to {figure.high:.2f}) | {100 * beyond:.1f} % | {len(sizes)} |"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--discs", type=int, default=192, help="discs at each resolution")
    parser.add_argument("--dpi", type=int, nargs="+", default=[300, 600])
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--draws", type=int, default=4, help="of noise for each ring")
    parser.add_argument("--whole", action="store_true", help="noise as large as whole standard errors, bin by bin")
    options = parser.parse_args(arguments)
    sheets = math.ceil(options.discs / DISCS_PER_SHEET)
    print("| part of the limit | p95 (95 % interval) | beyond the limit | of |\n|---|---|---|---|")
    with ProcessPoolExecutor(options.processes, mp_context=multiprocessing.get_context("spawn")) as pool:
        for dpi in options.dpi:
            cases = [Case(kind="mixed", dpi=dpi, seed=options.seed + i) for i in range(sheets)]
            of_sheet = partial(pairs, draws=options.draws, whole=options.whole)
            every = [pair for part in pool.map(of_sheet, cases) for pair in part]
            for what, measure, first, last in ROWS:
                part = [pair for pair in every if pair.measure == measure and first <= pair.radius_mm < last]
                print(_row(f"{dpi} dpi, {what}: told where", [e for pair in part for e in pair.told]))
                print(_row(f"{dpi} dpi, {what}: the program, from the scan", [pair.program for pair in part]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
