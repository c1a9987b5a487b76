"""What a scan with something wrong in it leads to: right, flagged, refused, taken on trust, or silently wrong.

Four prints that never were are scanned, and each scan is spoiled in every way of `FAULTS`, in sizes drawn from the
print's seed. A case is *off* if any element that was measured departs from the clean scan's by more than `OFF`; it is
*silent* if it is off and no flag says more than the clean scan's do. What one scan alone cannot show (`TRUST`) is
*taken on trust* then. ``python tests/bench_silent.py [--prints 1 2] [--out FILE]``; prints 3 and 4 stay unseen while
checks are worked on.
"""

from __future__ import annotations

import argparse
import io
import json
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np
import tifffile
from PIL import Image
from scipy import ndimage

from inkstrain.scoring.jobs.scoring import ScoreOptions, score_scans
from inkstrain.scoring.results.score import HueSweepScore, NeutralWedgeScore, RingScore, Score
from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import delta_e00
from inkstrain.targets.errors import InkstrainError
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import ScanOptions, inkjet, rehearse

Pixels = np.ndarray[Any, np.dtype[Any]]
Fault = Callable[[Pixels, "Place", np.random.Generator], Pixels]

OFF: Final = {"fade ΔE00": 1.5, "ring excess ΔE00": 0.5, "wedge L*": 1.5, "sweep ΔE00": 2.0}
"""Mean over a fade, sum over its rings, worst step, mean over a band: what two scans of one print are well within."""
DPI: Final = 200
RECIPE: Final = Recipe(
    sheet="120x170", hues=2, only=("ring-to-white", "ring-to-black", "hue-sweep", "neutral-wedge")
)
PRINTS: Final = {1: ("rowan", 8), 2: ("hazel", 16), 3: ("alder", 8), 4: ("thistle", 16)}
"""Invented printer and bits a channel, by the seed of print, scan and sizes of faults."""


class Place:
    """Where things lie in a scan that is neither turned nor shifted: millimetres of the sheet to pixels."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.height, self.width = shape[:2]
        key = build_key(RECIPE)
        self.sheet_mm = (key.sheets[0].width_mm, key.sheets[0].height_mm)
        self.elements = {e.id: e for tile in key.sheets[0].tiles for e in tile.elements}
        # the scan shows the sheet in its middle
        self.margin = tuple(
            (side - mm * DPI / 25.4) / 2 for side, mm in zip((self.width, self.height), self.sheet_mm, strict=True)
        )

    def px(self, x_mm: float, y_mm: float) -> tuple[int, int]:
        return round(self.margin[0] + x_mm * DPI / 25.4), round(self.margin[1] + y_mm * DPI / 25.4)

    def box(self, x: float, y: float, w: float, h: float) -> tuple[slice, slice]:
        (x0, y0), (x1, y1) = self.px(x, y), self.px(x + w, y + h)
        return slice(y0, y1), slice(x0, x1)

    def disc(self, name: str, grow_mm: float = 0.0) -> tuple[slice, slice]:
        ring = self.elements[name]
        r = ring.radius_mm + grow_mm
        return self.box(ring.centre_mm[0] - r, ring.centre_mm[1] - r, 2 * r, 2 * r)

    def discs(self) -> list[str]:
        return [name for name in self.elements if name.startswith("ring-")]


def _full(a: Pixels) -> float:
    return float(np.iinfo(a.dtype).max)


def _codes(values: Pixels, like: Pixels) -> Pixels:
    return np.clip(np.rint(values), 0, _full(like)).astype(like.dtype)


def _curve(change: Callable[[Pixels], Pixels]) -> Fault:
    return lambda a, place, rng: _codes(_full(a) * change(a / _full(a)), a)


def _channels(*order: int) -> Fault:
    return lambda a, place, rng: np.ascontiguousarray(a[..., list(order)])


def _grey(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
    return _codes(np.repeat((a @ np.array([0.3, 0.59, 0.11]))[..., None], 3, axis=2), a)


def _torn(share: float) -> Fault:
    def fault(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
        rows, columns = place.disc(str(rng.choice(place.discs())))
        a = a.copy()
        width = columns.stop - columns.start
        paper = np.median(a[rows.start - 6 : rows.start - 3, columns], axis=(0, 1))
        lost = slice(columns.start, columns.start + round(share * width))
        a[rows, lost] = _codes(paper + rng.normal(0, 0.004 * _full(a), a[rows, lost].shape), a)
        return a

    return fault


def _exchanged(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
    names = place.discs()
    white = [n for n in names if "to-white" in n]
    black = [n for n in names if "to-black" in n]
    first, second = rng.choice(white if rng.random() < 0.5 else black, 2, replace=False)
    one, two = place.disc(first, 0.3), place.disc(second, 0.3)
    b = a.copy()
    h = min(one[0].stop - one[0].start, two[0].stop - two[0].start)
    w = min(one[1].stop - one[1].start, two[1].stop - two[1].start)
    one, two = ((slice(s[0].start, s[0].start + h), slice(s[1].start, s[1].start + w)) for s in (one, two))
    b[one], b[two] = a[two], a[one]
    return b


def _moved(by_mm: float) -> Fault:
    def fault(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
        rows, columns = place.disc(str(rng.choice(place.discs())), 0.8)
        angle = rng.uniform(0, 2 * np.pi)
        dy, dx = (round(by_mm * DPI / 25.4 * f(angle)) for f in (np.sin, np.cos))
        b = a.copy()
        part = a[rows, columns].copy()
        b[rows, columns] = np.median(part[:3], axis=(0, 1)).astype(a.dtype)
        b[rows.start + dy : rows.stop + dy, columns.start + dx : columns.stop + dx] = part
        return b

    return fault


def _posterised(bits: int) -> Fault:
    def fault(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
        levels = 2**bits - 1
        return _codes(np.rint(a / _full(a) * levels) / levels * _full(a), a)

    return fault


def _stretched(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
    eight = np.rint(a / _full(a) * 255)
    low = rng.uniform(8, 20)
    return _codes(np.rint(np.clip((eight - low) * 255 / (245 - low), 0, 255)) / 255 * _full(a), a)


def _jpeg(quality: int) -> Fault:
    def fault(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
        stream = io.BytesIO()
        Image.fromarray(np.rint(a / _full(a) * 255).astype(np.uint8)).save(stream, "JPEG", quality=quality)
        return _codes(np.asarray(Image.open(stream)).astype(np.float64) / 255 * _full(a), a)

    return fault


def _clipped(share: float) -> Fault:
    def fault(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
        paper = np.median(a[place.box(9, 9, 4, 4)], axis=(0, 1))
        return np.minimum(a, (share * paper).astype(a.dtype))

    return fault


def _light(a: Pixels, extra: Pixels) -> Pixels:
    return _codes(_full(a) * (np.clip((a / _full(a)) ** 2.2 + extra, 0, 1)) ** (1 / 2.2), a)


def _glare(width_mm: float, size: float) -> Fault:
    def fault(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
        x = np.arange(place.width) * 25.4 / DPI
        middle = rng.uniform(30, place.sheet_mm[0] - 30)
        return _light(a, (size * np.exp(-(((x - middle) / width_mm) ** 2)))[None, :, None])

    return fault


def _interference(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
    y, x = np.mgrid[: place.height, : place.width] * 25.4 / DPI
    r = np.hypot(x - rng.uniform(30, 120), y - rng.uniform(40, 150))
    wave = np.stack([np.cos(2 * np.pi * r**2 / (160 * scale)) for scale in (1.2, 1.0, 0.85)], axis=-1)
    return _codes(a * (1 + 0.04 * wave * np.exp(-((r / 40) ** 2))[..., None]), a)


def _moire(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
    wedge = place.elements["neutral-wedge"]
    rows, columns = place.box(*wedge.box_mm)
    b = a.copy()
    y, x = np.mgrid[: rows.stop - rows.start, : columns.stop - columns.start] * 25.4 / DPI
    angle = rng.uniform(0.2, 1.3)
    wave = np.sin(2 * np.pi * (x * np.cos(angle) + y * np.sin(angle)) / 8)
    b[rows, columns] = _codes(a[rows, columns] * (1 + 0.03 * wave[..., None]), a)
    return b


def _stain(size_mm: float, depth: float) -> Fault:
    def fault(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
        ring = place.elements[str(rng.choice(place.discs()))]
        angle, r = rng.uniform(0, 2 * np.pi), rng.uniform(0.3, 0.8) * ring.radius_mm
        cx, cy = place.px(ring.centre_mm[0] + r * np.cos(angle), ring.centre_mm[1] + r * np.sin(angle))
        y, x = np.mgrid[: place.height, : place.width]
        blob = np.exp(-((np.hypot(x - cx, y - cy) / (size_mm * DPI / 25.4)) ** 4))
        tint = np.array([depth, 1.3 * depth, 1.8 * depth])
        return _codes(a * (1 - blob[..., None] * tint), a)

    return fault


def _smudge(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
    name = str(rng.choice(place.discs()))
    rows, columns = place.disc(name)
    b = a.astype(np.float64)
    band = slice(rows.start + (rows.stop - rows.start) // 3, rows.start + 2 * (rows.stop - rows.start) // 3)
    b[band, columns] = ndimage.uniform_filter1d(b[band, columns], round(5 * DPI / 25.4), axis=1)
    return _codes(b, a)


def _label(name: str) -> Fault:
    def fault(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
        x, y, w, h = place.elements[name].box_mm
        b = a.copy()
        left = x + rng.uniform(0.1, 0.6) * w
        part = place.box(left, y - 1, 0.2 * w, rng.choice([0.6, 1.0]) * h + 2)
        b[part] = _codes(rng.normal(0.93, 0.004, b[part].shape) * _full(a), a)
        return b

    return fault


def _registered(by_mm: float, channel: int) -> Fault:
    def fault(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
        b = a.copy()
        moved = ndimage.shift(a[..., channel].astype(np.float32), (by_mm * DPI / 25.4, 0), order=1, mode="nearest")
        b[..., channel] = moved
        return b

    return fault


def _saturated(factor: float) -> Fault:
    def fault(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
        grey = a.mean(axis=2, keepdims=True)
        return _codes(grey + factor * (a - grey), a)

    return fault


def _flare(share: float) -> Fault:
    return lambda a, place, rng: _light(a * 1, np.full((1, 1, 1), share))


def _same(a: Pixels, place: Place, rng: np.random.Generator) -> Pixels:
    return a


FAULTS: Final[dict[str, Fault]] = {
    "turned by a right angle": lambda a, place, rng: np.ascontiguousarray(np.rot90(a)),
    "channels: blue green red": _channels(2, 1, 0),
    "channels: green red blue": _channels(1, 0, 2),
    "channels: red blue green": _channels(0, 2, 1),
    "channels: green blue red": _channels(1, 2, 0),
    "green in all channels": _channels(1, 1, 1),
    "red copied to green": _channels(0, 0, 2),
    "green copied to blue": _channels(0, 1, 1),
    "grey": _grey,
    "half a disc torn away": _torn(0.5),
    "60 % of a disc torn away": _torn(0.6),
    "a fifth of a disc torn away": _torn(0.2),
    "two discs exchanged": _exchanged,
    "a disc moved by 1 mm": _moved(1.0),
    "a disc moved by 2 mm": _moved(2.0),
    "posterised to 5 bits": _posterised(5),
    "posterised to 6 bits": _posterised(6),
    "posterised to 7 bits": _posterised(7),
    "stretched in 8 bits": _stretched,
    "JPEG of quality 95": _jpeg(95),
    "JPEG of quality 75": _jpeg(75),
    "JPEG of quality 40": _jpeg(40),
    "JPEG of quality 20": _jpeg(20),
    "highlights clipped to 97 % of paper": _clipped(0.97),
    "highlights clipped to 90 % of paper": _clipped(0.90),
    "highlights clipped to 75 % of paper": _clipped(0.75),
    "glare in a stripe": _glare(6, 0.15),
    "wide glare": _glare(25, 0.10),
    "interference rings": _interference,
    "moiré of 8 mm in the wedge": _moire,
    "a stain of 3 mm": _stain(3, 0.12),
    "a stain of 8 mm": _stain(8, 0.15),
    "a faint stain of 10 mm": _stain(10, 0.05),
    "a smudge": _smudge,
    "a label over the sweeps": _label("hue-sweep"),
    "a label over the wedge": _label("neutral-wedge"),
    "red out of register by 0.5 mm": _registered(0.5, 0),
    "blue out of register by 0.3 mm": _registered(0.3, 2),
}  # fmt: skip

TRUST: Final[dict[str, Fault]] = {
    "gamma 0.9": _curve(lambda v: v**0.9),
    "gamma 1.1": _curve(lambda v: v**1.1),
    "gamma 1.4": _curve(lambda v: v**1.4),
    "S-curve": _curve(lambda v: v + 0.12 * np.sin(2 * np.pi * (v - 0.5)) / 2),
    "automatic levels": _curve(lambda v: (v - 0.05) / 0.9),
    "saturation 1.2": _saturated(1.2),
    "saturation 0.8": _saturated(0.8),
    "flare of 1 %": _flare(0.01),
    "flare of 5 %": _flare(0.05),
}
"""Changes of tone or colour all over: what another print, or another printer, might have done as well."""


def measured(path: Path) -> Score:
    return score_scans([path], options=ScoreOptions(crops=False)).score


def off(score: Score, clean: Score) -> list[str]:
    """Return where a score departs from the clean one, of what it measured."""
    found = []
    others = {element.id: element for element in clean.elements}
    for one in score.elements:
        other = others.get(one.id)
        if isinstance(one, RingScore) and isinstance(other, RingScore) and one.reach is not None and other.course.lab:
            at = np.array(other.course.radius_mm)
            lab = np.stack([np.interp(at, one.course.radius_mm, axis) for axis in np.array(one.course.lab).T], axis=-1)
            fade = float(np.mean(delta_e00(lab, np.array(other.course.lab))))
            excess = abs(sum(c.excess_de00 for c in one.contours) - sum(c.excess_de00 for c in other.contours))
            if fade > OFF["fade ΔE00"] or excess > OFF["ring excess ΔE00"]:
                found.append(f"{one.id}: {fade:.1f} ΔE00, rings by {excess:.1f}")
        elif isinstance(one, NeutralWedgeScore) and isinstance(other, NeutralWedgeScore):
            worst = max(abs(a.lab[0] - b.lab[0]) for a, b in zip(one.steps, other.steps, strict=True))
            if worst > OFF["wedge L*"]:
                found.append(f"{one.id}: {worst:.1f} L*")
        elif isinstance(one, HueSweepScore) and isinstance(other, HueSweepScore):
            for a, b in zip(one.rows, other.rows, strict=True):
                mean = float(np.mean(delta_e00(np.array(a.lab), np.array(b.lab)))) if len(a.lab) == len(b.lab) else 99.0
                if mean > OFF["sweep ΔE00"]:
                    found.append(f"{one.id} {a.level}: {mean:.1f} ΔE00")
    return found


def codes_of(score: Score) -> Counter[str]:
    """Return what a score says of itself, by the code of its flags and where they are."""
    flags = [*score.flags, *(f for tile in score.tiles for f in tile.flags)]
    flags += [f for element in score.elements for f in getattr(element, "flags", ())]
    return Counter(f"{flag.code} {flag.where}" for flag in flags)


def judged(path: Path, clean: Score, trusted: bool) -> tuple[str, list[str]]:
    """Return what became of one case, and why."""
    try:
        score = measured(path)
    except InkstrainError as error:
        return "refused", [str(error)[-160:]]
    said = codes_of(score) - codes_of(clean)
    wrong = off(score, clean)
    if not wrong:
        return ("flagged, right" if said else "right"), sorted(said)
    if said:
        return "flagged, off", [*sorted(said), *wrong[:3]]
    return ("taken on trust" if trusted else "silent"), wrong[:4]


def run_print(number: int, folder: Path, only: str = "", turns: int = 2) -> list[dict[str, Any]]:
    """Run every fault on one print."""
    name, bits = PRINTS[number]
    base = folder / f"clean-{number}.tif"
    rehearse(RECIPE, base, printer=inkjet(name), scan_options=ScanOptions(dpi=DPI, bits=bits), seed=number)
    with tifffile.TiffFile(base) as tif:
        pixels, icc = tif.asarray(), tif.pages[0].tags.valueof(34675)
    clean, place = measured(base), Place(pixels.shape)
    cases = []
    for trusted, faults in ((False, FAULTS), (True, TRUST)):
        for index, (what, fault) in enumerate(faults.items()):
            if only not in what:
                continue
            for again in range(turns):
                rng = np.random.default_rng([number, index, again])
                path = folder / "spoiled.tif"
                spoiled = fault(pixels, place, rng)
                if again:  # each fault comes once as it is, and once on a scan turned the other way up
                    spoiled = np.ascontiguousarray(spoiled[::-1, ::-1])
                tags = [(34675, "B", len(icc), icc, True)] if icc else []
                tifffile.imwrite(
                    path, spoiled, photometric="rgb", resolution=(DPI, DPI), resolutionunit=2, extratags=tags
                )
                begun = time.monotonic()
                result, why = judged(path, clean, trusted)
                case = {"print": number, "fault": what, "turned": bool(again), "result": result, "why": why}
                seconds = time.monotonic() - begun
                print(f"{seconds:4.1f} s  {number} {what:38s} {result:15s} {'; '.join(why)[:140]}", flush=True)
                cases.append(case)
    return cases


def table(cases: list[dict[str, Any]]) -> dict[str, int]:
    """Return how many cases came to each result."""
    return dict(Counter(case["result"] for case in cases).most_common())


def main() -> None:
    """Run the prints asked for, print the table, and write the results if a file is named."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--prints", type=int, nargs="*", default=[*PRINTS])
    parser.add_argument("--only", default="")
    parser.add_argument("--turns", type=int, default=2, help="1: leave out the cases turned the other way up")
    parser.add_argument("--out", type=Path)
    words = parser.parse_args()
    cases = []
    with tempfile.TemporaryDirectory() as folder:
        for number in words.prints:
            cases += run_print(number, Path(folder), words.only, words.turns)
    print(json.dumps(table(cases), indent=1))
    if words.out:
        document = {"command": "python tests/bench_silent.py", "off": OFF, "table": table(cases), "cases": cases}
        words.out.write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
