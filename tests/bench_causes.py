"""Figures of cause, of "was it printed as you think?" and of the forecast's speed, on seeds that no test uses.

``python tests/bench_causes.py [--prints N] [--rings N] [--scans N] [--damaged N]``: paths are exact and printed colours
have noise; ``--scans`` rehearses scans of rings instead, at 300 dpi and without damage, and reads them against their
forecast; ``--damaged`` adds damage and asks for causes, scans with grain, noise, blur and skew.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import pyvips
from bench.definitions import Definitions
from disc_samples import RECIPE, Setting, sample
from test_cause import HUES, PERCEPTUAL, RELATIVE, outcomes, printed, ring
from test_hypotheses import WAYS, Made, apart_from_stated, press, score_of

from inkstrain.scoring.attain import with_attainable_ring
from inkstrain.scoring.forecast import forecast
from inkstrain.scoring.hypotheses import printed_as
from inkstrain.scoring.model import RingScore
from inkstrain.scoring.rendering import Press, Rendering
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


class Against(NamedTuple):
    """A contour of a scan against its forecast: clear of the limits or not, cause, errors over what is stated."""

    clear: bool
    cause: str
    radius_mm: float | None = None
    contrast_de00: float | None = None
    stated_de00: float = 0.0
    both_de00: float = 0.0
    moves_de00: float = 0.0  # the forecast's own contrast, if the limit of speed moves by 8 % either way

    @property
    def hangs(self) -> bool:
        return self.both_de00 > 1.0


def scanned(profile: OutputProfile, count: int) -> Iterator[Against]:
    """Yield each contour of undamaged scans against the nearest one of the forecast, if it is within a millimetre."""
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
                yield Against(clear, one.cause)
                continue
            least, most = near.contrast_range_de00
            doubt = max(most - near.contrast_de00, near.contrast_de00 - least)
            stated = one.contrast_standard_error_de00
            yield Against(
                clear,
                one.cause,
                abs(one.radius_mm - near.radius_mm),
                abs(one.contrast_de00 - near.contrast_de00),
                stated,
                float(np.hypot(stated, doubt)),
                most - least,
            )


def tell_scanned(profile: OutputProfile, count: int) -> None:
    """Print what scans show of contours against their forecast."""
    contours = list(scanned(profile, count))
    for title, some in (("all", contours), ("clear of the limits", [c for c in contours if c.clear])):
        print(f"scans, {title}:", dict(Counter(c.cause for c in some)), end="")
        known = [c for c in some if c.radius_mm is not None]
        for what in ("radius_mm", "contrast_de00"):
            errors = [getattr(c, what) for c in known]
            if errors:
                half, most = np.percentile(errors, (50, 95))
                print(f"; {what} of {len(errors)}: median {half:.3f}, p95 {most:.3f}", end="")
        for what in ("stated_de00", "both_de00"):
            held = sum(c.contrast_de00 <= 1.96 * getattr(c, what) for c in known)
            print(f"; contrast within 1.96 of {what}: {held} of {len(known)}", end="")
        if known:
            half, most = np.percentile([c.moves_de00 for c in known], (50, 95))
            print(f"; the forecast's own contrast moves by {half:.2f} and {most:.2f} if its limit does by 8 %", end="")
        firm = [c.contrast_de00 for c in known if not c.hangs]
        if firm:
            print(f"; those stated to 1 or better: {len(firm)}, p95 {np.percentile(firm, 95):.3f}", end="")
        print(flush=True)


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
    parser.add_argument("--scans", type=int, default=0)
    parser.add_argument("--damaged", type=int, default=0)
    asked = parser.parse_args()
    profile = OutputProfile(bytes(pyvips.Operation.call("profile_load", "cmyk")))
    if asked.scans or asked.damaged:
        if asked.scans:
            tell_scanned(profile, asked.scans)
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
