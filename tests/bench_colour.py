"""Figures of the colour basis, all by spectral simulation: fits, other inks, borrowed fits.

``python tests/bench_colour.py [--drawn N] [--seed N] [--set wide|short] [--patches N] [--noise N]``: six named
scanners with the first inks, six draws of noise each; then N scanners with inks, papers, scan noise, stray light and
instrument's scatter drawn at random. The way of stating errors was chosen on other draws.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator

import numpy as np
import spectral
from bench.figures import share

from inkstrain.scoring.colour.fitting import Chosen, choose
from inkstrain.targets.colorimetry import WHITE_D50, delta_e00, lab_to_xyz, xyz_to_lab
from inkstrain.targets.patches import patch_rgb, wide_patch_rgb

SEED = 9001
COLOURS = 500
WITHIN = 0.25
NAMED = (
    ("LED-B3, smooth", ("LED-B3",)), ("FL12, smooth", ("FL12",)), ("FL2, smooth", ("FL2",)),
    ("LED-B3, camera 1", ("LED-B3", spectral.CAMERAS[0])), ("FL11, camera 1", ("FL11", spectral.CAMERAS[0])),
    ("LED-B3, camera 2", ("LED-B3", spectral.CAMERAS[1])),
)  # fmt: skip
SETS = {"wide": wide_patch_rgb, "short": patch_rgb}
Array = np.ndarray


def fit_and_errors(
    scanner: spectral.Sensor, inks: spectral.InkSet, others: spectral.InkSet, rgb: Array, rng: np.random.Generator,
    noise: float = 1e-4, flare: float = 0.003, instrument: float = 0.05,
) -> tuple[Chosen, Array, Array]:  # fmt: skip
    """Return a fit to patches, and ΔE00 on unseen colours of its own inks and of others on its own paper."""
    reflectance = inks.reflectance(rgb)
    measured = spectral.lab_of(reflectance) + instrument * rng.standard_normal((len(rgb), 3))
    seed = int(rng.integers(1 << 30))
    chosen = choose(scanner.linear(reflectance, noise=noise, flare=flare, seed=seed), measured, rgb)
    errors = []
    colours = rng.random((COLOURS, 3))
    for each in (inks, spectral.InkSet(others.densities, inks.paper)):
        unseen = each.reflectance(colours)
        seen = xyz_to_lab(chosen.correction.xyz(scanner.linear(unseen, noise=noise, flare=flare, seed=seed + 1)))
        errors.append(np.asarray(delta_e00(seen, spectral.lab_of(unseen))))
    return chosen, errors[0], errors[1]


def row(name: str, runs: list[tuple[Chosen, Array, Array]]) -> tuple[float, float, float]:
    """Print the means over draws of one scanner; return them: true median and 95 %, and stated over true."""
    true, other = ([np.percentile(run[i], (50, 95)) for run in runs] for i in (1, 2))
    ratio = [run[0].residual.p95 / at[1] for run, at in zip(runs, true, strict=True)]
    middle = [run[0].residual.median / at[0] for run, at in zip(runs, true, strict=True)]
    median, p95 = np.mean(true, axis=0)
    span = f" ({min(ratio):.2f} to {max(ratio):.2f})" if len(ratio) > 1 else ""
    method = runs[0][0].correction.method
    print(
        f"| {name} | {median:.2f}, {p95:.2f} | {np.mean(middle):.2f} | {np.mean(ratio):.2f}{span} | "
        f"{np.mean(other, axis=0)[1]:.1f} | {method.name}, {method.terms} |",
        flush=True,
    )
    return float(median), float(p95), float(np.mean(ratio))


def fits(drawn: int, seed: int, rgb: Array, noise: float | None) -> None:
    """Print how well fits do on colours they have not seen, and how well they know it."""
    print("| light, sensors | ΔE00 median, 95 % | stated over true: median | 95 % | other inks, 95 % | method |")
    print("|---|---|---|---|---|---|")
    single = []
    for number, (name, made) in enumerate(NAMED):
        rng = np.random.default_rng((seed, number))
        scanner = spectral.sensor(*made)
        runs = [fit_and_errors(scanner, spectral.FIRST, spectral.SECOND, rgb, rng) for _ in range(6)]
        row(name, runs)
        single += [abs(chosen.residual.p95 / np.percentile(own, 95) - 1) <= WITHIN for chosen, own, _ in runs]
    print(f"named: stated 95 % within 25 % of the true one in {sum(single)} of {len(single)} single draws")
    found = list(_drawn(drawn, seed, rgb, noise))
    if found:
        medians, p95s, ratios = np.array(found).T
        for text, hits in (
            ("stated 95 % within 25 % of the true one", np.abs(ratios - 1) <= WITHIN),
            ("median at most 0.4", medians <= 0.4), ("95 % at most 1.2", p95s <= 1.2),
        ):  # fmt: skip
            part = share(int(hits.sum()), len(found))
            print(f"drawn: {text}: {hits.sum()} of {part.count} ({100 * part.low:.0f} to {100 * part.high:.0f} %)")
        print(f"drawn: stated over true: {ratios.min():.2f} to {ratios.max():.2f}, median {np.median(ratios):.2f}")


def _drawn(count: int, seed: int, rgb: Array, noise: float | None) -> Iterator[tuple[float, float, float]]:
    for number in range(count):
        rng = np.random.default_rng((seed, 100 + number))
        name, scanner = spectral.drawn_sensor(rng)
        inks, others = spectral.drawn_inks(rng), spectral.drawn_inks(rng)
        scatter = [rng.choice([1e-4, 3e-4]), rng.choice([0.0, 0.003, 0.006]), rng.choice([0.03, 0.05, 0.1])]
        scatter[0] = scatter[0] if noise is None else noise
        run = fit_and_errors(scanner, inks, others, rgb, rng, *map(float, scatter))
        yield row(f"drawn {number + 1}: {name}, {', '.join(f'{value:g}' for value in scatter)}", [run])


def borrowed(seed: int) -> None:
    """Print how well a borrowed fit tells how far two prints are apart: a profile of creamier paper, thinner black."""
    rgb, thin = np.array(wide_patch_rgb("adobe-rgb")), np.array([1.0, 1.0, 1.0, 0.93])[:, None]
    profile = spectral.InkSet(spectral.FIRST.densities * thin, spectral.CREAM)
    for name, made in NAMED:
        scanner, rng = spectral.sensor(*made), np.random.default_rng((seed, 7))
        seen_patches = scanner.linear(spectral.FIRST.reflectance(rgb), noise=1e-4)
        fit = choose(seen_patches, spectral.lab_of(profile.reflectance(rgb)), rgb).correction
        weaker = spectral.InkSet(spectral.FIRST.densities * rng.uniform(0.9, 0.97), spectral.PAPER)
        colours, paper = rng.random((COLOURS, 3)), spectral.PAPER[None]
        white, own = lab_to_xyz(spectral.lab_of(paper)), fit.xyz(scanner.linear(paper))
        true, seen = [], []
        for inks in (spectral.FIRST, weaker):
            reflectance = inks.reflectance(colours)
            true.append(xyz_to_lab(lab_to_xyz(spectral.lab_of(reflectance)) * WHITE_D50 / white))
            seen.append(xyz_to_lab(fit.xyz(scanner.linear(reflectance, noise=1e-4)) * WHITE_D50 / own))
        moved, found = np.asarray(delta_e00(*true)), np.asarray(delta_e00(*seen))
        off = np.abs(found - moved)
        kept = float(np.mean(off <= np.maximum(0.1 * moved, 0.5)))
        absolute = np.percentile(delta_e00(seen[0], true[0]), 95)
        apart = f"{np.median(moved):.1f} ΔE00 apart (95 %: {np.percentile(moved, 95):.1f})"
        right = f"right within 10 % or 0.5 for {100 * kept:.1f} % of colours, 95 % within {np.percentile(off, 95):.2f}"
        print(f"borrowed, {name}: two prints {apart}, {right}; colours themselves off by {absolute:.1f}", flush=True)


def main() -> None:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--drawn", type=int, default=24)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--set", choices=SETS, default="wide")
    parser.add_argument("--noise", type=float, help="of a patch's mean in drawn scans, relative to white")
    parser.add_argument("--patches", type=int, help="only so many of them, at random")
    asked = parser.parse_args()
    rgb = np.array(SETS[asked.set]("adobe-rgb"))
    if asked.patches:
        rgb = rgb[np.random.default_rng(asked.seed).permutation(len(rgb))[: asked.patches]]
    fits(asked.drawn, asked.seed, rgb, asked.noise)
    borrowed(asked.seed)


if __name__ == "__main__":
    main()
