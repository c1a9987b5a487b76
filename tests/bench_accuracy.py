"""The accuracy bench: seeded rehearsals, scored and held against their truth at the stated resolution.

    python tests/bench_accuracy.py [--discs 500] [--sets damaged mixed …] [--dpi 300 600] [--processes 2] [--seed 1]

prints every accuracy row of the design beside its goal. Each print is scanned at every resolution, and each fourth
once more at the first. ``--out tests/bench/results/accuracy.json`` keeps the rows; ``python -m bench.documents``, in
tests, then writes tests/bench/RESULTS.md. ``--records`` keeps every finding, to look into.
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
from bench.documents import accuracy_table, keep
from bench.placing import Placed, PlacingCase, place
from bench.rows import rows

DISCS_PER_SHEET = 16
AGAIN_EVERY = 4


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the bench; return 0 if every goal is met, else 1."""
    options = _options(arguments)
    started = time.perf_counter()
    results, placed = _run(_cases(options), options.processes, options.records)
    lines = rows(results, placed)
    data = [dataclasses.asdict(line) for line in lines]
    shown = {"rows": json.loads(json.dumps(data)), "command": "now", "seed": options.seed, "date": "", "commit": ""}
    for row in shown["rows"]:
        row["high"] = row["high"] if math.isfinite(row["high"]) else None
    print(accuracy_table(shown))
    print(f"\n{options.discs} discs a set, {(time.perf_counter() - started) / 60:.1f} minutes.")
    if options.out is not None:
        keep(options.out, data, seed=options.seed)
    return 0 if all(line.met is not False for line in lines) else 1


def _options(arguments: Sequence[str] | None) -> Any:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--discs", type=int, default=512, help="discs in each set")
    parser.add_argument("--scans", type=int, default=96, help="scans to find marks in")
    parser.add_argument("--dpi", type=int, nargs="+", default=[300, 600])
    parser.add_argument("--sets", nargs="+", choices=(*KINDS, "marks"), default=[*KINDS, "marks"])
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, help="keep the rows as JSON")
    parser.add_argument("--records", type=Path, help="keep every finding, a line of JSON each")
    return parser.parse_args(arguments)


def _cases(options: Any) -> list[Case | PlacingCase]:
    sheets = math.ceil(options.discs / DISCS_PER_SHEET)
    cases: list[Case | PlacingCase] = []
    for kind in (kind for kind in KINDS if kind in options.sets):
        for number in range(sheets):
            again = options.dpi[:1] if number % AGAIN_EVERY == 0 else []
            cases.append(Case(kind=kind, dpi=(*options.dpi, *again), seed=options.seed + number))
    if "marks" in options.sets:
        cases += [PlacingCase(kind="found", dpi=0, seed=options.seed + i) for i in range(options.scans)]
        cases += [
            PlacingCase(kind="residual", dpi=dpi, seed=options.seed + i)
            for dpi in options.dpi
            for i in range(max(options.scans // 4, 1))
        ]
    return cases


def _do(case: Case | PlacingCase) -> list[Result] | Placed:
    return run(case) if isinstance(case, Case) else place(case)


def _run(
    cases: Sequence[Case | PlacingCase], processes: int, records: Path | None
) -> tuple[list[Result], list[Placed]]:
    results: list[Result] = []
    placed: list[Placed] = []
    # a fresh interpreter for each worker: forking one whose libraries run threads may hang
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        for number, done in enumerate(pool.map(_do, cases), 1):
            if isinstance(done, Placed):
                placed.append(done)
            else:
                results += done
                _write(records, done)
            print(f"\r{number} of {len(cases)} prints", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return results, placed


def _write(path: Path | None, results: Sequence[Result]) -> None:
    """Add every finding to a file of lines of JSON."""
    if path is None:
        return
    with path.open("a", encoding="utf-8") as file:
        for result in results:
            about = {f.name: getattr(result, f.name) for f in dataclasses.fields(result) if f.name != "records"}
            for record in result.records:
                print(json.dumps({**about, **dataclasses.asdict(record)}), file=file)


if __name__ == "__main__":
    sys.exit(main())
