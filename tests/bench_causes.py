"""Figures of cause, of "was it printed as you think?" and of the forecast's speed, on seeds that no test uses.

``python tests/bench_causes.py [--prints N] [--rings N] [--damaged N]``: paths are exact and printed colours have noise;
``--damaged`` rehearses scans of damaged rings instead, at 300 dpi with grain, noise, blur and skew.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter

import pyvips
from disc_samples import RECIPE, Setting, sample
from test_cause import outcomes, ring
from test_hypotheses import WAYS, Made, apart_from_stated, press, score_of

from inkstrain.scoring.promise.attain import with_attainable_ring
from inkstrain.scoring.promise.forecast import forecast
from inkstrain.scoring.promise.hypotheses import printed_as
from inkstrain.scoring.promise.rendering import Press, Rendering
from inkstrain.scoring.results.score import RingScore
from inkstrain.targets.outputprofile import OutputProfile
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import IccPrinter
from inkstrain.targets.rehearsal.damage import RingDamage

SEED = 7001
NOISES = (0.003, 0.01, 0.03)  # standard deviation of a colour's XYZ, relative


def hypotheses(count: int) -> Counter[tuple[str, str]]:
    """Count answers by whether the way of printing lies 1 ΔE00 or more from the stated one."""
    tally: Counter[tuple[str, str]] = Counter()
    names = list(WAYS)
    for number in range(count):
        name = names[number % len(names)]
        found = printed_as(score_of(Made(WAYS[name], SEED + number, NOISES[number // len(names) % 3])), press())
        assert found is not None
        if name == "as stated":
            tally["as stated", "right" if found.verdict != "does-not-fit" else "WRONG"] += 1
        elif found.best == name and apart_from_stated(found) >= 1.0:
            tally["1 or more apart", "right" if found.verdict == "does-not-fit" else "WRONG"] += 1
        elif found.best == name:
            tally["closer", "right" if found.verdict == "cannot-tell" else "WRONG"] += 1
        else:
            tally["another named", "WRONG"] += 1
    return tally


def tell_damaged(profile: OutputProfile, count: int) -> None:
    """Print causes of findings in noisy scans with damage."""

    def through(name: str, rendering: Rendering, damages: tuple[RingDamage, ...], number: int) -> RingScore:
        printer = IccPrinter(profile.data, rendering.intent, rendering.bpc)
        score = sample(name, damages, Setting(printer=printer, dpi=300, seed=SEED + number)).score()
        return with_attainable_ring(score, ring(name), RECIPE, Press(RECIPE.space, profile, rendering))

    print("causes, scans", dict(Counter((t, c) for _, t, c in outcomes(profile, count, SEED, through))), flush=True)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--prints", type=int, default=200)
    parser.add_argument("--rings", type=int, default=100)
    parser.add_argument("--damaged", type=int, default=0)
    asked = parser.parse_args()
    profile = OutputProfile(bytes(pyvips.Operation.call("profile_load", "cmyk")))
    if asked.damaged:
        tell_damaged(profile, asked.damaged)
        return
    for run in range(3):
        start, cpu = time.perf_counter(), time.process_time()
        forecast(Recipe(), profile)
        print(f"forecast {run}: {time.perf_counter() - start:.2f} s, CPU {time.process_time() - cpu:.2f} s", flush=True)
    print("hypotheses", dict(hypotheses(asked.prints)), flush=True)
    print("causes", dict(Counter((t, c) for _, t, c in outcomes(profile, asked.rings, SEED))), flush=True)


if __name__ == "__main__":
    main()
