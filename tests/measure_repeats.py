"""Rehearse prints and scans of the same conditions, and score them: what `repeats.json` was drawn from.

``python tests/measure_repeats.py FOLDER`` writes the scores (40 of them, ten minutes on one core);
``python tests/measure_repeats.py FOLDER --sum-up`` writes ``tests/repeats.json`` from them. ``--first 11`` writes
others, on which nothing was tuned, for ``tests/bench_noise.py --scores FOLDER``.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from inkstrain.scoring.colours import read_zones
from inkstrain.scoring.comparable import read_all
from inkstrain.scoring.compare import read_score
from inkstrain.scoring.measure import ScoreOptions, score_scans
from inkstrain.scoring.model import Conditions
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import PrintOptions, ScanOptions, rehearse
from inkstrain.targets.rehearsal.inkjet import VirtualInkjet, inkjet

DRIFT = 0.005
"""Standard deviation of an ink's density from one print to the next, as a share of it; invented."""


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
        from scipy import ndimage

        from inkstrain.targets.rehearsal.inkjet import _table
        from inkstrain.targets.rehearsal.inks import device_xyz

        base = self.base
        rgb = np.asarray(rgb, dtype=np.float64)
        places = np.clip(rgb.reshape(-1, 3), 0.0, 1.0).T * (base.table_nodes - 1)
        order = 3 if base.smooth else 1
        amounts = np.stack(
            [
                ndimage.map_coordinates(plane, places, order=order, mode="mirror", prefilter=False)
                for plane in _table(base, space)
            ],
            axis=-1,
        )
        inks = replace(base.inks, density=self.density)
        return device_xyz(inks, base.separation, np.clip(amounts, 0.0, 1.0)).reshape(rgb.shape)


def drifted(preset: str, print_number: int):
    """Return a preset as it printed one sheet."""
    draw = np.random.default_rng([len(preset), ord(preset[0]), print_number])
    base = inkjet(preset)
    density = np.asarray(base.inks.density) * (1.0 + DRIFT * draw.standard_normal(len(base.inks.density)))
    return DriftedInkjet(base=base, density=tuple(density.tolist()))


def scan_of(preset: str, print_number: int, scan_number: int, path: Path) -> None:
    """Rehearse one scan of one print: laid on the glass anew, the lid opened, other dust."""
    draw = np.random.default_rng([7, ord(preset[0]), print_number, scan_number])
    rehearse(
        Recipe(), path, printer=drifted(preset, print_number),
        print_options=PrintOptions(grain=0.02),
        scan_options=ScanOptions(
            dpi=300.0, rotation_deg=float(draw.normal(0, 0.8)), stretch=(0.0, 0.002), wobble_mm=0.03,
            wobble_phase_deg=float(draw.uniform(0, 360)), blur_mm=0.06, noise=0.002, dust=12,
            # Med. Phys. 42, 2015, doi 10.1118/1.4929563: 0.27 % where the lid was opened between scans
            exposure=0.94 * (1.0 + 0.0027 * float(draw.standard_normal())), uneven=0.004 * float(draw.uniform()),
            compression="none",
        ),
        seed=100 * print_number + (50 if preset == "rowan" else 0),
    )  # fmt: skip


def sum_up(folder: Path, target: Path) -> None:
    """Write what the scores hold, in the small: readings as they are, colours as mean, drift and noise."""
    summed = {}
    for preset in ("alder", "rowan"):
        scores = [
            [read_score(path) for path in sorted(folder.glob(f"{preset}-{number:02d}-*.json"))]
            for number in sorted({int(path.stem.split("-")[1]) for path in folder.glob(f"{preset}-*.json")})
        ]
        # a print whose scans are not all there would be drawn wrongly
        scores = [scans for scans in scores if len(scans) == max(map(len, scores))]
        readings = [[read_all(score) for score in scans] for scans in scores]
        rows = {
            "/".join(key): [
                [_reading(r[key]) for r in scans] for scans in readings
            ]
            for key in readings[0][0]
        }  # fmt: skip
        summed[preset] = {"rows": rows, "colours": _colours(scores)}
    target.write_text(json.dumps(summed, separators=(",", ":")) + "\n", encoding="utf-8")


def _reading(reading) -> list[float] | None:
    if reading is None:
        return None
    return [_short(value) for value in (reading.value, reading.standard_error, reading.hidden_below)]


def _short(value: float, digits: int = 4) -> float:
    return round(float(value), digits) or 0


def _colours(scores) -> dict:
    zones = [[read_zones(score) for score in scans] for scans in scores]
    names = [name for name in zones[0][0] if name != "patch-field"]
    flat = np.array([[np.concatenate([z[n].ravel() for n in names]) for z in scans] for scans in zones])
    prints = flat.mean(axis=1)
    _, sizes, shapes = np.linalg.svd(prints - prints.mean(axis=0), full_matrices=False)
    drift = shapes[:4] * sizes[:4, None] / np.sqrt(len(prints) - 1)
    noise = np.sqrt(np.mean((flat - prints[:, None]) ** 2, axis=(0, 1)) * 2)
    return {
        "elements": {name: len(zones[0][0][name]) for name in names},
        "mean": [_short(v, 2) for v in prints.mean(axis=0)],
        "drift": [[_short(v, 3) for v in row] for row in drift],
        "noise": [_short(v, 3) for v in noise],
    }


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--prints", type=int, default=10)
    parser.add_argument("--first", type=int, default=1, help="number of the first print; others give a set held out")
    parser.add_argument("--scans", type=int, default=2)
    parser.add_argument("--sum-up", action="store_true")
    given = parser.parse_args()
    if given.sum_up:
        sum_up(given.folder, Path(__file__).with_name("repeats.json"))
        return
    for print_number in range(given.first, given.first + given.prints):
        for scan_number in range(1, given.scans + 1):
            for preset in ("alder", "rowan"):
                target = given.folder / f"{preset}-{print_number:02d}-{scan_number}.json"
                if target.exists():
                    continue
                scan = given.folder / "scan.tif"
                scan_of(preset, print_number, scan_number, scan)
                measured = score_scans(
                    [scan], conditions=Conditions(printer=preset, note=f"print {print_number}"),
                    options=ScoreOptions(crops=False),
                )  # fmt: skip
                target.write_text(measured.score.model_dump_json(), encoding="utf-8")
                print(target, flush=True)


if __name__ == "__main__":
    main()
