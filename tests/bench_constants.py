"""Each constant of the measures varied by a quarter either way, and what moves, on exact courses: no scans, so quick.

    python tests/bench_constants.py [--prints 12] [--seed 1] [--out tests/bench/results/constants.json]

Courses are of both real CMYK tables, virtual inkjets and damaged prints. A figure's move is the size of its difference
from the one by the constant as it stands: median and 95th percentile over all findings that both have. ``findings`` is
by how many contours, flat bands and faint rings there are more.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import Any
from unittest.mock import patch

import numpy as np
from bench.cases import Case, Kind, draw
from bench.documents import constants_table, keep
from bench.matching import compare_rings

from inkstrain.scoring.eye.visibility import DEFAULT_VIEWING
from inkstrain.scoring.measure import course, departure, fade, rings
from inkstrain.scoring.results.score import RingScore
from inkstrain.targets.chart import build_key
from inkstrain.targets.key import Ring
from inkstrain.targets.rehearsal import RingTruth, ring_path
from inkstrain.targets.rehearsal.damage import RingDamage

CHANGE = 0.25
KINDS: tuple[Kind, ...] = ("table", "clean", "damaged", "dropoff", "faint", "mixed")
CONSTANTS: dict[ModuleType, tuple[str, ...]] = {
    course: ("RESOLUTION_MM", "PITCH_MM", "_TANGENT_MM", "_BEYOND_MM", "_REACH_SIGMAS"),
    fade: ("CONTOUR_SHARE", "FLAT_SHARE", "LEAST_EXCESS_DE00", "LEAST_MISSING_DE00", "REVERSAL_LEAST_L", "CORE_DE00"),
    departure: ("THRESHOLD", "_LOCAL_MM", "_BESIDE_MM", "_SMEARED", "_INSET"),
}
"""Those that exact courses hang on; `SHOWN`, `SURE` and `_REPEATABILITY` are of errors, which they have none of."""
MEASURES = {
    "excess ΔE00": ("contour", "excess_de00"), "radius mm": ("contour", "radius_mm"),
    "width mm": ("contour", "width_mm"), "missing ΔE00": ("flat", "missing_de00"), "flat mm": ("flat", "width_mm"),
    "faint thresholds": ("faint", "visibility"), "reach": ("reach", "reach"), "evenness": ("evenness", "evenness"),
    "core mm": ("core", "core"),
}  # fmt: skip


@dataclasses.dataclass(frozen=True, slots=True)
class Fade:
    """A ring and its exact course."""

    ring: Ring
    case: Case
    radius_mm: Any
    lab: Any

    def score(self) -> RingScore:
        """Return what it shows, by the constants as they stand now."""
        return rings.exact_ring(
            self.ring, self.case.recipe, self.radius_mm, self.lab, DEFAULT_VIEWING, (1, 1), course.RESOLUTION_MM
        )


def fades(prints: int, seed: int) -> list[Fade]:
    """Return the rings of prints of every kind, one ring in four of each, by turns."""
    found = []
    for number in range(prints):
        case = Case(kind=KINDS[number % len(KINDS)], dpi=(), seed=seed + number // len(KINDS))
        sheet = build_key(case.recipe).sheets[0]
        printed = draw(case, sheet)
        every = [e for tile in sheet.tiles for e in tile.elements if isinstance(e, Ring)]
        for ring in every[number % 4 :: 4]:
            its = [d for d in printed.damages if isinstance(d, RingDamage) and d.element == ring.id]
            truth = RingTruth.of(ring_path(ring, case.recipe, printed.printer, its), ())
            found.append(Fade(ring, case, np.array(truth.radius_mm), np.array(truth.lab)))
    return found


@contextmanager
def changed(module: ModuleType, name: str, factor: float) -> Iterator[None]:
    """Change a constant wherever the measures have it, and forget what was worked out by it."""
    value = factor * getattr(module, name)
    holders = [other for other in (*CONSTANTS, rings) if name in vars(other)]
    patches = [patch.object(other, name, value) for other in holders]
    try:
        for one in patches:
            one.start()
        _forget()
        yield
    finally:
        for one in patches:
            one.stop()
        _forget()


def _forget() -> None:
    for module in (*CONSTANTS, rings):
        for thing in vars(module).values():
            if hasattr(thing, "cache_clear"):
                thing.cache_clear()


def moves(before: Sequence[RingScore], after: Sequence[RingScore]) -> dict[str, Any]:
    """Return median and 95th percentile of what moved, by measure, and the change of the number of findings."""
    records = [record for one, other in zip(before, after, strict=True) for record in compare_rings(one, other)]
    found: dict[str, Any] = {}
    for title, (measure, name) in MEASURES.items():
        sizes = [abs(record.errors[name]) for record in records if record.measure == measure and name in record.errors]
        found[title] = [float(p) for p in np.percentile(sizes, (50, 95))] if sizes else None
    found["findings"] = sum(map(_findings, after)) - sum(map(_findings, before))
    return found


def _findings(ring: RingScore) -> int:
    return len(ring.contours) + len(ring.flat_bands) + len(ring.faint_rings)


def main() -> None:
    """Vary every constant, and print what moves."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--prints", type=int, default=24)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    drawn = fades(options.prints, options.seed)
    before = [fade.score() for fade in drawn]
    rows = []
    for module, names in CONSTANTS.items():
        for name in names:
            for factor in (1 - CHANGE, 1 + CHANGE):
                with changed(module, name, factor):
                    after = [fade.score() for fade in drawn]
                about = {"constant": name, "value": getattr(module, name), "changed": f"× {factor:g}"}
                rows.append({**about, **moves(before, after)})
    print(f"{len(drawn)} courses, {sum(map(_findings, before))} findings.\n")
    data = {"rows": json.loads(json.dumps(rows)), "command": "now", "seed": options.seed, "date": "", "commit": ""}
    print(constants_table(data))
    if options.out is not None:
        keep(options.out, rows, seed=options.seed, courses=len(drawn), findings=sum(map(_findings, before)))


if __name__ == "__main__":
    main()
