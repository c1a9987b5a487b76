"""The accuracy bench: hundreds of seeded rehearsals, scored and held against their truth.

    python tests/bench_accuracy.py [--discs 500] [--dpi 300 600] [--processes 2] [--seed 1] [--out results.json]

prints a markdown table of every accuracy row of the design: found, missed, false, and percentiles of errors.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import multiprocessing
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from bench.cases import KINDS, Case, Result, run
from bench.placing import Placed, PlacingCase, place
from bench.table import markdown, rows

DISCS_PER_SHEET = 16
PARTS = (*KINDS, "marks")
_WAVE_SHARE = 0.5  # waves need fewer discs than the share of false findings does

NOTES = """\
Conditions: 2 % grain, 0.3 % scanner noise, 0.06 mm blur, 1.5° skew, 0.3 % stretch, 0.05 mm wobble of 20 to 100 mm
period; scan in a wide space; whole default sheets. Truth is the rehearsal's. A contour or flat band counts if the
noise-free printed path meets the definition (speed, contrast, colour moved, and 0.5 mm for flat bands); one is
**clear of the limits** if it also meets it with every threshold 5 % stricter. A false finding is borderline if the
path would meet the definition with every threshold 5 % looser. What the printer itself or a damage's surroundings
make is not false. Shares have Wilson intervals, percentiles those between order statistics. Hue swings whose colours
no scan can hold (turned out of the widest space) are left out."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the bench; return 0 if every goal is met, else 1."""
    options = _options(arguments)
    started = time.perf_counter()
    results, placed = _run(_cases(options), options.processes)
    lines = rows(results, placed)
    print(markdown(lines))
    print(f"\n{NOTES}")
    print(f"\nSeed {options.seed}, {options.discs} discs a set, {(time.perf_counter() - started) / 60:.0f} minutes.")
    if options.out is not None:
        if options.out.suffix == ".json":
            data = {
                "rows": [dataclasses.asdict(line) for line in lines],
                "cases": [_plain(result) for result in results],
                "placed": [dataclasses.asdict(p) for p in placed],
            }
            options.out.write_text(json.dumps(data, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        else:
            options.out.write_text(f"{markdown(lines)}\n\n{NOTES}\n", encoding="utf-8")
    return 0 if all(line.met is not False for line in lines) else 1


def _options(arguments: Sequence[str] | None) -> Any:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--discs", type=int, default=500, help="discs in each set and resolution")
    parser.add_argument("--scans", type=int, default=96, help="scans to find marks in")
    parser.add_argument("--dpi", type=int, nargs="+", default=[300, 600])
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", choices=PARTS, default=list(PARTS), help="some parts of the bench")
    parser.add_argument("--out", type=Path, help="also write the results: .json with every case, or .md")
    return parser.parse_args(arguments)


def _cases(options: Any) -> list[Case | PlacingCase]:
    sheets = math.ceil(options.discs / DISCS_PER_SHEET)
    cases: list[Case | PlacingCase] = []
    for kind in (kind for kind in KINDS if kind in options.only):
        count = math.ceil(sheets * _WAVE_SHARE) if kind == "waves" else sheets
        cases += [Case(kind=kind, dpi=dpi, seed=options.seed + i) for dpi in options.dpi for i in range(count)]
    if "marks" in options.only:
        cases += [PlacingCase(kind="found", dpi=0, seed=options.seed + i) for i in range(options.scans)]
        cases += [
            PlacingCase(kind="residual", dpi=dpi, seed=options.seed + i)
            for dpi in options.dpi
            for i in range(max(options.scans // 4, 1))
        ]
    return cases


def _do(case: Case | PlacingCase) -> Result | Placed:
    return run(case) if isinstance(case, Case) else place(case)


def _run(cases: Sequence[Case | PlacingCase], processes: int) -> tuple[list[Result], list[Placed]]:
    results: list[Result] = []
    placed: list[Placed] = []
    # a fresh interpreter for each worker: forking one whose libraries run threads may hang
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        for number, done in enumerate(pool.map(_do, cases), 1):
            (results if isinstance(done, Result) else placed).append(done)  # type: ignore[arg-type]
            print(f"\r{number} of {len(cases)} scans", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return results, placed


def _plain(result: Result) -> dict[str, Any]:
    kinds = [type(record).__name__.strip("_").lower() for record in result.records]
    records = [{"record": kind, **dataclasses.asdict(r)} for kind, r in zip(kinds, result.records, strict=True)]
    return {**{f.name: getattr(result, f.name) for f in dataclasses.fields(result)}, "records": records}


if __name__ == "__main__":
    sys.exit(main())
