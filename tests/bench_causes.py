"""Figures of cause, of "was it printed as you think?" and of the forecast's speed, on seeds that no test uses.

``python tests/bench_causes.py [--prints N] [--rings N] [--scans N]``: paths are exact and printed colours have noise;
only ``--scans`` rehearses scans of rings, at 300 dpi and without damage, and reads them against their forecast.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Iterator

import numpy as np
import pyvips
from bench.definitions import Definitions
from disc_samples import RECIPE, Setting, sample
from test_cause import HUES, PERCEPTUAL, RELATIVE, outcomes, printed, ring
from test_hypotheses import WAYS, Made, apart_from_stated, press, score_of

from inkstrain.scoring.attain import with_attainable_ring
from inkstrain.scoring.forecast import forecast
from inkstrain.scoring.hypotheses import printed_as
from inkstrain.scoring.rendering import Press
from inkstrain.targets.outputprofile import OutputProfile
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import IccPrinter

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


def scanned(profile: OutputProfile, count: int) -> Iterator[tuple[bool, str, float | None, float | None]]:
    """Yield of each contour of undamaged scans: clear of the limits or not, cause, and errors in mm and ΔE00.

    A contour that no forecast one lies near (1 mm) has no errors.
    """
    rng = np.random.default_rng(SEED)
    for number in range(count):
        name = f"ring-to-{rng.choice(['white', 'black'])}-{rng.choice(HUES)}"
        rendering = (PERCEPTUAL, RELATIVE)[number % 2]
        setting = Setting(
            printer=IccPrinter(profile.data, rendering.intent, rendering.bpc), dpi=300, seed=SEED + number
        )
        predicted, path = printed(name, profile, rendering)
        limits = Definitions(path)
        score = sample(name, (), setting).score()
        for one in with_attainable_ring(score, ring(name), RECIPE, Press(RECIPE.space, profile, rendering)).contours:
            clear = limits.contour_status(one.inner_mm, one.outer_mm) == "clear"
            near = min(predicted.contours, key=lambda c: abs(c.radius_mm - one.radius_mm), default=None)
            if near is None or abs(near.radius_mm - one.radius_mm) > 1.0:
                yield clear, one.cause, None, None
            else:
                away = one.radius_mm - near.radius_mm, one.contrast_de00 - near.contrast_de00
                yield clear, one.cause, abs(away[0]), abs(away[1])


def tell_scanned(profile: OutputProfile, count: int) -> None:
    """Print what scans show of contours against their forecast."""
    contours = list(scanned(profile, count))
    for title, some in (("all", contours), ("clear of the limits", [c for c in contours if c[0]])):
        print(f"scans, {title}:", dict(Counter(cause for _, cause, _, _ in some)), end="")
        for what, column in (("radius mm", 2), ("contrast de00", 3)):
            errors = [c[column] for c in some if c[column] is not None]
            if errors:
                half, most = np.percentile(errors, (50, 95))
                print(f"; {what} of {len(errors)}: median {half:.3f}, p95 {most:.3f}", end="")
        print(flush=True)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--prints", type=int, default=200)
    parser.add_argument("--rings", type=int, default=100)
    parser.add_argument("--scans", type=int, default=0)
    asked = parser.parse_args()
    profile = OutputProfile(bytes(pyvips.Operation.call("profile_load", "cmyk")))
    if asked.scans:
        tell_scanned(profile, asked.scans)
        return
    for run in range(3):
        start, cpu = time.perf_counter(), time.process_time()
        forecast(Recipe(), profile)
        print(f"forecast {run}: {time.perf_counter() - start:.2f} s, CPU {time.process_time() - cpu:.2f} s", flush=True)
    print("hypotheses", dict(hypotheses(asked.prints)), flush=True)
    print("causes", dict(Counter((t, c) for _, t, c in outcomes(profile, asked.rings, SEED))), flush=True)


if __name__ == "__main__":
    main()
