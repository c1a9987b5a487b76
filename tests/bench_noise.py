"""How often prints that are alike are told apart, and true differences found. By hand: ``python tests/bench_noise.py``.

Drawn from what rehearsed prints really read, see `repeat_samples`; with ``--scores FOLDER`` the scores themselves that
``measure_repeats.py`` wrote there, in pairs by lot.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np
from repeat_samples import claims, found

from inkstrain.scoring.compare import compare, read_score

DESIGNS = ((1, 1), (2, 1), (5, 1), (1, 2), (1, 5), (2, 2))


def named(path: Path):
    """Return a kept score with its print named, as a photographer would."""
    score = read_score(path)
    conditions = score.conditions.model_copy(update={"print_name": path.stem.split("-")[1], "note": None})
    return score.model_copy(update={"conditions": conditions})


def of_scores(folder: Path, times: int, seed: int) -> None:
    """Compare rehearsed and scored prints of one virtual printer, in pairs of sides by lot."""
    scores = {tuple(path.stem.split("-")): named(path) for path in sorted(folder.glob("*-*-*.json"))}
    for prints, scans in ((1, 1), (2, 1), (5, 1), (1, 2), (2, 2), (5, 2)):
        for preset in ("alder", "rowan"):
            draw = np.random.default_rng([seed, prints, scans, ord(preset[0])])
            numbers = sorted({number for name, number, _ in scores if name == preset})
            told: Counter = Counter()
            false = 0
            for _ in range(times):
                chosen = draw.permutation(numbers)[: 2 * prints]
                sides = [
                    [scores[preset, number, str(scan)] for number in part for scan in draw.permutation([1, 2])[:scans]]
                    for part in (chosen[:prints], chosen[prints:])
                ]
                comparison = compare(*sides)
                claimed = [(r.element, r.measure) for r in comparison.rows if r.verdict in ("first", "second")]
                claimed += [(r.element, "colour") for r in comparison.colours if r.verdict == "moved"]
                false += bool(claimed)
                told.update(claimed)
            print(f"{prints}, {scans} | {preset} | {false} of {times} told apart | {told.most_common(4)}", flush=True)


def of_ledger(where: str) -> None:
    """Compare two papers of one printer, and follow that printer, in a large ledger (``bench_ledger.py`` fills one)."""
    for what in ("compare", "trend"):
        subprocess.run([sys.executable, __file__, "--ledger", where, "--only", what], check=True)


def asked(where: str, what: str) -> None:
    """Time one question to a ledger, once the program has loaded what it needs."""
    import scipy.stats  # noqa: F401

    from inkstrain.scoring.ledger import open_ledger
    from inkstrain.scoring.tracking import track
    from inkstrain.scoring.trendmodel import Selection
    from inkstrain.scoring.wanted import compare_wanted, find_wanted
    from inkstrain.targets.colorimetry import delta_e00

    if what == "compare":
        delta_e00([[50.0, 0.0, 0.0]], [[50.0, 1.0, 0.0]])
    printer = "printer=printer 100 (invented)"
    started = time.perf_counter()
    with open_ledger(where, create=False) as ledger:
        if what == "compare":
            whats = [f"{printer},paper=paper {n} (invented)" for n in (2, 3)]
            comparison = compare_wanted(find_wanted(whats, ledger), ledger)
            scores = sum(shown.scores for shown in comparison.prints)
            earlier = comparison.noise.earlier_scores if comparison.noise else 0
            said = f"compare: {scores} scores, {earlier} earlier ones"
        else:
            said = f"trend: {track(ledger, Selection(what=printer)).prints} prints"
    seconds = time.perf_counter() - started
    print(f"{said}: {seconds:.2f} s, {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--times", type=int, default=500)
    parser.add_argument("--power", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--printer", choices=("alder", "rowan"))
    parser.add_argument("--scores", type=Path)
    parser.add_argument("--ledger")
    parser.add_argument("--only", choices=("compare", "trend"))
    given = parser.parse_args()
    if given.ledger is not None and given.only is not None:
        asked(given.ledger, given.only)
        return
    if given.ledger is not None:
        of_ledger(given.ledger)
        return
    if given.scores is not None:
        of_scores(given.scores, given.times, given.seed)
        return
    print("prints a side, scans each | printer | falsely told apart | true difference of 1.5 limits found")
    for prints, scans in DESIGNS:
        for preset in (given.printer,) if given.printer else ("alder", "rowan"):
            draw = np.random.default_rng([given.seed, prints, scans, len(preset), ord(preset[0])])
            told = Counter()
            false = 0
            for _ in range(given.times):
                claimed = claims(preset, prints, scans, draw)
                false += bool(claimed)
                told.update(claimed)
            hits = [found(preset, prints, scans, draw) for _ in range(given.power)]
            missed = Counter(measure for measure, hit in hits if not hit)
            print(
                f"{prints}, {scans} | {preset} | {100 * false / given.times:.1f} % | "
                f"{100 * np.mean([hit for _, hit in hits]) if hits else np.nan:.1f} % | "
                f"{told.most_common(4)} {dict(missed)}",
                flush=True,
            )


if __name__ == "__main__":
    main()
