"""How often like prints are told apart, and put-in rings shown. By hand: ``python tests/bench_noise.py FOLDER``.

Rehearses prints of virtual printers, each scanned anew, scores them into FOLDER (what is there is kept), and compares
them: independent pairs (no print in two of them), each with each (for the spread of the readings), and one of a pair
with a ring put in. Simulation: no print was scanned.
"""

from __future__ import annotations

import argparse
import itertools
import statistics
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy import stats

from inkstrain.scoring.compare.comparable import MEASURES, read_all
from inkstrain.scoring.jobs.comparing import compare
from inkstrain.scoring.jobs.scoring import ScoreOptions, score_scans
from inkstrain.scoring.results.comparison import Comparison
from inkstrain.scoring.results.firstscore import read_score
from inkstrain.scoring.results.score import Conditions, Score
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


def report(preset: str, scores: Sequence[Sequence[Score]], ringed: Sequence[Score]) -> None:
    """Print false claims by design, put-in rings shown, and the smallest showable beside the true repeatability."""
    for prints, scans in DESIGNS:
        if scans > min(map(len, scores)):
            continue
        false, asked, names = 0, 0, Counter()
        for first, second in sides(scores, prints, scans):
            found = claims(compare(first, second))
            asked, false = asked + 1, false + bool(found)
            names.update(found)
        if asked:
            high = stats.beta.ppf(0.975, false + 1, asked - false) if false < asked else 1.0
            print(
                f"{preset} | {prints} x {scans} | told apart {false} of {asked} (at most {100 * high:.1f} %) | "
                f"{names.most_common(4)}", flush=True,
            )  # fmt: skip
    shown, other = Counter(), Counter()
    for ring, like in zip(ringed, scores[1:] + scores[:1], strict=False):
        found = claims(compare([ring], [like[0]]))
        shown.update(step.element for step in RINGS if (step.element, "excess") in found)
        other.update(key for key in found if key[0] not in {step.element for step in RINGS})
    if ringed:
        print(
            f"{preset} | rings put in {len(ringed)} | shown {dict(shown)} | others {other.most_common(5)}", flush=True
        )
    table(preset, [one[0] for one in scores])


def table(preset: str, singles: Sequence[Score]) -> None:
    """Print the smallest showable difference of every measure beside 3.5 times the true repeatability."""
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
        deviation = statistics.stdev(values)
        name = f"{'total ' if key[0] == 'print' else ''}{key[1]}"
        by_measure.setdefault(name, []).append((statistics.median(found), deviation))
    for name, pairs in by_measure.items():
        limit, deviation = (statistics.median(values) for values in zip(*pairs, strict=True))
        unit = MEASURES[name.removeprefix("total ")].unit
        ratio = f"{limit / (3.5 * deviation):.1f}" if deviation else "-"
        print(f"{preset} | {name} | {len(pairs)} rows | sd {deviation:.4f} {unit} | shows {limit:.3f} | ratio {ratio}")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--printers", nargs="+", default=["alder", "rowan", "hazel", "thistle"])
    parser.add_argument("--prints", type=int, default=40)
    parser.add_argument("--rings", type=int, default=10, help="how many prints get rings put in")
    parser.add_argument("--scans", type=int, default=1)
    parser.add_argument("--dpi", type=float, default=300.0)
    parser.add_argument("--grain", type=float, default=0.02)
    parser.add_argument("--texture", type=float, default=0.0, help="correlation of the grain, mm: textured paper")
    parser.add_argument("--banding", type=float, default=0.0, help="amplitude of head banding, L*")
    parser.add_argument("--sheet", default="a4")
    parser.add_argument("--hues", type=int, default=8)
    parser.add_argument("--only", nargs="*", default=KINDS)
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    recipe = Recipe(sheet=options.sheet, hues=options.hues, only=tuple(options.only))
    for preset in options.printers:
        started = time.perf_counter()
        scores = [
            [
                made(options.folder, recipe, preset, n, scan, ring=False, options=options)
                for scan in range(options.scans)
            ]
            for n in range(options.prints)
        ]
        ringed = [made(options.folder, recipe, preset, n, 0, ring=True, options=options) for n in range(options.rings)]
        print(f"{preset} | {options.prints} prints in {time.perf_counter() - started:.0f} s", flush=True)
        report(preset, scores, ringed)


if __name__ == "__main__":
    main()
