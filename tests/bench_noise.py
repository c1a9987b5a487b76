"""How often prints that are alike are told apart, and true differences found. By hand: ``python tests/bench_noise.py``.

Drawn from what rehearsed prints really read, see `repeat_samples`.
"""

from __future__ import annotations

import argparse
from collections import Counter

import numpy as np
from repeat_samples import claims, found

DESIGNS = ((1, 1), (2, 1), (5, 1), (1, 2), (1, 5), (2, 2))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--times", type=int, default=500)
    parser.add_argument("--power", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    print("prints a side, scans each | printer | falsely told apart | true difference of 1.5 limits found")
    for prints, scans in DESIGNS:
        for preset in ("alder", "rowan"):
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
