"""How often like prints are claimed to differ, and put-in rings shown. By hand: ``python tests/bench_noise.py FOLDER``.

Rehearses prints of virtual printers, each scanned anew, scores them into FOLDER (what is there is kept), and compares
them: independent pairs (no print in two of them), each with each (for the spread of the readings), and one of a pair
with a ring put in. Simulation: no print was scanned.
"""

from __future__ import annotations

import argparse
import itertools
import math
import statistics
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from bench.documents import keep
from scipy import stats

from inkstrain import compare
from inkstrain.scoring.compare.comparable import read_all
from inkstrain.scoring.jobs.scoring import ScoreOptions, score_scans
from inkstrain.scoring.results.comparison import Comparison
from inkstrain.scoring.results.firstscore import read_score
from inkstrain.scoring.results.score import Conditions, Contour, FaintRing, Score
from inkstrain.targets.recipe import KINDS, Recipe
from inkstrain.targets.rehearsal import PrintOptions, ScanOptions, Step, VirtualInkjet, inkjet, rehearse
from inkstrain.targets.rehearsal.inks import covers_xyz

DRIFT = 0.005
"""Standard deviation of an ink's density from one sheet to the next, as a share of it; invented."""

RINGS = (
    Step("ring-to-white-blue", 8.0, 5.0), Step("ring-to-white-cyan", 8.0, 3.5),
    Step("ring-to-white-green", 8.0, 1.7), Step("ring-to-white-red", 8.0, 1.2),
)  # fmt: skip
"""What is put in: hard jumps in ΔE00; the last two are of about 3 thresholds of visibility."""

DESIGNS = ((1, 1), (2, 1), (5, 1), (2, 2))
"""Prints a side, scans of each."""


@dataclass(frozen=True)
class DriftedInkjet:
    """A virtual inkjet whose inks come out denser or thinner than when its table was made."""

    base: VirtualInkjet
    density: tuple[float, ...]
    name: str = "drifted"

    @property
    def paper_xyz(self):
        return self.base.paper_xyz

    def print_xyz(self, space, rgb):
        rgb = np.asarray(rgb, dtype=np.float64)
        inks = replace(self.base.inks, density=self.density)
        return covers_xyz(inks, self.base.covers(space, rgb.reshape(-1, 3))).reshape(rgb.shape)


def printer_of(preset: str, number: int):
    """Return a preset as it printed one sheet; a printer of dots lays its dots anew on each."""
    base = inkjet(preset)
    if base.screen is not None:
        return base
    draw = np.random.default_rng([ord(preset[0]), number])
    density = np.asarray(base.inks.density) * (1.0 + DRIFT * draw.standard_normal(len(base.inks.density)))
    return DriftedInkjet(base=base, density=tuple(density.tolist()))


def made(folder: Path, recipe: Recipe, preset: str, number: int, scan: int, *, ring: bool, options) -> Score:
    """Return the score of one scan of one print, from the folder if it is there."""
    target = folder / f"{preset}-{'ring' if ring else 'like'}-{number:03d}-{scan}.json"
    if target.exists():
        return read_score(target)
    draw = np.random.default_rng([7, ord(preset[0]), number, scan])
    path = folder / f"{target.stem}.tif"
    rehearse(
        recipe, path, printer=printer_of(preset, number), damages=RINGS if ring else (),
        print_options=PrintOptions(
            grain=options.grain, grain_correlation_mm=options.texture, banding_l=options.banding
        ),
        scan_options=ScanOptions(
            dpi=options.dpi, rotation_deg=float(draw.normal(0, 0.8)), stretch=(0.0, 0.002), wobble_mm=0.03,
            wobble_phase_deg=float(draw.uniform(0, 360)), blur_mm=0.06, noise=0.002, dust=6,
            # 0.24 % between scans whose lid was opened (Med. Phys. 42, 2015, doi 10.1118/1.4929563)
            exposure=0.94 * (1.0 + 0.0024 * float(draw.standard_normal())), compression="none",
        ),
        seed=1000 * number + ord(preset[0]),  # the print's; its scans differ by place and exposure
    )  # fmt: skip
    conditions = Conditions(printer=f"{preset} (invented)", print_name=f"{number}{'r' if ring else ''}")
    score = score_scans([path], conditions=conditions, options=ScoreOptions(crops=False)).score
    path.unlink()
    target.write_text(score.model_dump_json(), encoding="utf-8")
    return score


def claims(comparison: Comparison) -> list[tuple[str, str]]:
    """Return what is claimed."""
    rows = (*comparison.totals, *comparison.rows)
    return [(row.element, row.measure) for row in rows if row.verdict in ("first", "second")]


def sides(scores: Sequence[Sequence[Score]], prints: int, scans: int) -> Iterator[tuple[list[Score], list[Score]]]:
    """Yield independent pairs of sides."""
    for start in range(0, len(scores) - 2 * prints + 1, 2 * prints):
        parts = scores[start : start + prints], scores[start + prints : start + 2 * prints]
        first, second = ([scan for one in part for scan in one[:scans]] for part in parts)
        yield first, second


def share(what: str, found: int, asked: int, goal: str = "", met: bool | None = None) -> dict[str, object]:
    """Return a share as a row, with its exact 95 % interval (Clopper and Pearson, Biometrika 26:404-413, 1934)."""
    low = stats.beta.ppf(0.025, found, asked - found + 1) if found else 0.0
    high = stats.beta.ppf(0.975, found + 1, asked - found) if found < asked else 1.0
    return {
        "what": what, "unit": "%", "value": found / asked, "low": float(low), "high": float(high), "count": asked,
        "goal": goal, "met": met,
    }  # fmt: skip


def report(scores: Sequence[Sequence[Score]], ringed: Sequence[Score]) -> Iterator[dict[str, object]]:
    """Yield false claims by design, put-in rings shown, and the smallest showable beside the true repeatability."""
    for prints, scans in DESIGNS:
        if scans > min(map(len, scores)):
            continue
        found = [bool(claims(compare(*both))) for both in sides(scores, prints, scans)]
        if found:
            row = share(f"like prints, {prints} × {scans}: any difference claimed", sum(found), len(found), "≤ 5 %")
            yield row | {"met": True if row["high"] <= 0.05 else False if row["low"] > 0.05 else None}
    others = [one[0] for one in scores]
    for step in RINGS:
        pairs = list(zip(ringed, others[1:] + others[:1], strict=False))
        shown = [any(element == step.element for element, _ in claims(compare([a], [b]))) for a, b in pairs]
        seen = [max((f.visibility or 0.0 for f in _rings(ring, step)), default=0.0) for ring in ringed]
        if shown:
            row = share(
                f"a step of {step.contrast_de00:g} ΔE00 in {step.element}, "
                f"{statistics.median(seen):.1f} thresholds: shown",
                sum(shown), len(shown), "≥ 95 %" if statistics.median(seen) >= 3.0 else "",
            )  # fmt: skip
            yield row | {"met": None if not row["goal"] else True if row["low"] >= 0.95 else _missed(row)}
    yield from table(others)


def _missed(row: dict[str, object]) -> bool | None:
    return False if row["high"] < 0.95 else None


def _rings(score: Score, step: Step) -> list[Contour | FaintRing]:
    (fade,) = [ring for ring in score.rings() if ring.id == step.element]
    return [one for one in (*fade.contours, *fade.faint_rings) if abs(one.radius_mm - step.radius_mm) < 0.5]


def table(singles: Sequence[Score]) -> Iterator[dict[str, object]]:
    """Yield the smallest showable difference of every measure over 3.5 times the true repeatability."""
    readings = [read_all(score) for score in singles]
    limits: dict[tuple[str, str], list[float]] = {}
    for a, b in itertools.islice(itertools.combinations(singles, 2), 40):
        comparison = compare([a], [b])
        for row in (*comparison.totals, *comparison.rows):
            if row.smallest_showable is not None:
                limits.setdefault((row.element, row.measure), []).append(row.smallest_showable)
    by_measure: dict[str, list[tuple[float, float]]] = {}
    for key, found in limits.items():
        values = [reading.value for one in readings if (reading := one[key]) is not None]
        name = f"{'total ' if key[0] == 'print' else ''}{key[1]}"
        by_measure.setdefault(name, []).append((statistics.median(found), statistics.stdev(values)))
    for name, pairs in by_measure.items():
        limit, deviation = (statistics.median(values) for values in zip(*pairs, strict=True))
        if deviation:
            ratio = limit / (3.5 * deviation)
            # of a standard deviation, by the chi distribution
            low, high = (
                ratio * math.sqrt(stats.chi2.ppf(q, len(singles) - 1) / (len(singles) - 1)) for q in (0.025, 0.975)
            )
            yield {
                "what": f"{name}: smallest showable ({limit:.3g}) over 3.5 true deviations ({deviation:.2g})",
                "unit": "×", "value": ratio, "low": low, "high": high, "count": len(singles), "goal": "≤ 2",
                "met": ratio <= 2.0,
            }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--printers", nargs="+", default=["alder", "rowan", "hazel", "thistle"])
    parser.add_argument("--prints", type=int, nargs="+", default=[40], help="of each printer, or of all")
    parser.add_argument("--rings", type=int, nargs="+", default=[10], help="how many, every second, get rings put in")
    parser.add_argument("--scans", type=int, default=1)
    parser.add_argument("--dpi", type=float, default=300.0)
    parser.add_argument("--grain", type=float, default=0.02)
    parser.add_argument("--texture", type=float, default=0.0, help="correlation of the grain, mm: textured paper")
    parser.add_argument("--banding", type=float, default=0.0, help="amplitude of head banding, L*")
    parser.add_argument("--sheet", default="a4")
    parser.add_argument("--hues", type=int, default=8)
    parser.add_argument("--only", nargs="*", default=KINDS)
    parser.add_argument("--out", type=Path, help="where to keep the rows")
    options = parser.parse_args()
    rows: list[dict[str, object]] = []
    options.folder.mkdir(parents=True, exist_ok=True)
    recipe = Recipe(sheet=options.sheet, hues=options.hues, only=tuple(options.only))
    many = len(options.printers)
    counts = [each * many if len(each) == 1 else each for each in (options.prints, options.rings)]
    for preset, prints, rings in zip(options.printers, *counts, strict=True):
        started = time.perf_counter()
        scores = [
            [
                made(options.folder, recipe, preset, n, scan, ring=False, options=options)
                for scan in range(options.scans)
            ]
            for n in range(prints)
        ]
        ringed = [made(options.folder, recipe, preset, 2 * n, 0, ring=True, options=options) for n in range(rings)]
        print(f"{preset} | {prints} prints in {time.perf_counter() - started:.0f} s", flush=True)
        for row in report(scores, ringed):
            rows.append({"printer": preset, **row})
            print(rows[-1], flush=True)
    if options.out is not None:
        keep(options.out, rows, seed="the numbers of prints")


if __name__ == "__main__":
    main()
