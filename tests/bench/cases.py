"""What the bench rehearses: whole default sheets, printed once, scanned several times, scored, held against truth."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pyvips

from inkstrain.scoring.jobs.scoring import ScoreOptions, score_scans
from inkstrain.scoring.results.score import FlatFieldScore, NeutralWedgeScore, RingScore, Score
from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import lab_to_xyz
from inkstrain.targets.key import Ring, Sheet
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import (
    INKJETS,
    DamageRanges,
    HueShift,
    IccPrinter,
    IdentityPrinter,
    LightnessWave,
    Printer,
    PrintOptions,
    ScanOptions,
    Step,
    Truth,
    draw_damage,
    rehearse,
)
from inkstrain.targets.rehearsal.damage import RingDamage

from .matching import Record, banding_records, compare_rings, ripple_records, step_record, truth_rings, wedge_records

GRAIN = 0.02
SHOT_NOISE = 0.003
BLUR_MM = 0.06
SKEW_DEG = 1.5
STRETCH = 0.003
WOBBLE_MM = 0.05
WOBBLE_PERIOD_MM = (20.0, 100.0)
SCAN_SPACE = "prophoto"  # as wide as a scanner sees: turned hues of the purest colours would clip in a narrow one
EXPOSURE = 0.8  # hues turned on pale tones are bluer than paper, and would clip nearer to full scale
TEXTURE_MM = 0.06  # over which the grain of textured paper hangs together
BANDING_L = 1.0
BANDING_PERIOD_MM = (0.5, 10.0)
WAVE_PERIOD_MM = (0.5, 5.0)
WAVE_AMPLITUDES_L = (0.2, 1.0)
HARD_STEP_DE00 = 1.0  # DESIGN §8: found as contour or faint ring

DEFAULT_CHART = Recipe()
Kind = Literal["damaged", "mixed", "dropoff", "faint", "table", "clean", "dots", "waves"]
KINDS: tuple[Kind, ...] = ("damaged", "mixed", "dropoff", "faint", "table", "clean", "dots", "waves")
DOTS = ("hazel", "thistle")
SMOOTH = ("gloss", "alder", "rowan", "sorrel")
CLEAN = (*SMOOTH, *DOTS, *(f"{name}, textured paper" for name in DOTS))
TABLE_FILE = Path("/usr/share/color/icc/ghostscript/default_cmyk.icc")  # Debian's libgs-common

_HARD = ("held", "dropoff", "step", "hue", "reversal", "earlyhub")
_DAMAGE: dict[Kind, DamageRanges] = {
    "damaged": DamageRanges(kinds=_HARD, clean=0.0),
    "dots": DamageRanges(kinds=_HARD, clean=0.0),
    "dropoff": DamageRanges(kinds=("softdrop",), clean=0.0),
    "faint": DamageRanges(kinds=("bump",), clean=0.25),
    # near hub and rim, near each other, and shallow ones
    "mixed": DamageRanges(
        kinds=(*_HARD, "softdrop", "bump"), clean=0.0, clear_mm=0.4, per_ring=(1, 3),
        step_contrast_de00=(0.3, 5.0), drop_contrast_de00=(1.0, 8.0),
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class PaleBlack:
    """Prints the file's own colours on a paper whose black is no darker than a given L*."""

    black_l: float
    name: str
    paper_xyz: tuple[float, float, float] = IdentityPrinter().paper_xyz

    def print_xyz(self, space: str, rgb: Any) -> Any:
        """Return the file's XYZ, lifted as a veil of white light would lift it."""
        veil = lab_to_xyz(np.array([self.black_l, 0.0, 0.0]))
        return veil + (1.0 - veil[1]) * IdentityPrinter().print_xyz(space, rgb)


# no print is as dark as a file's black, where a scanner cuts off half of its noise
PAPERS = {"gloss": PaleBlack(3.0, "gloss, black L* 3"), "matte": PaleBlack(23.0, "matte, black L* 23")}


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One sheet to print, and the resolutions to scan it at, one after the other."""

    kind: Kind
    dpi: tuple[int, ...]
    seed: int
    recipe: Recipe = DEFAULT_CHART


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What one scan of a case gave; `second_dpi` if it is two scans of one print beside each other."""

    kind: Kind
    printer: str
    dpi: int
    second_dpi: int | None
    seed: int
    discs: int
    records: list[Record]


@dataclass(frozen=True, slots=True, kw_only=True)
class Print:
    """What is printed in a case."""

    printer: Printer
    damages: Sequence[Any]
    options: PrintOptions
    name: str


def scan_options(dpi: float, rng: np.random.Generator) -> ScanOptions:
    """Draw the conditions of the goals: their sizes are fixed, signs and phases are drawn."""
    turn, x, y = rng.choice([-1.0, 1.0], 3)
    return ScanOptions(
        dpi=dpi,
        rotation_deg=float(turn * SKEW_DEG),
        stretch=(float(x * STRETCH), float(y * STRETCH)),
        wobble_mm=WOBBLE_MM,
        wobble_period_mm=float(rng.uniform(*WOBBLE_PERIOD_MM)),
        wobble_phase_deg=float(rng.uniform(0.0, 360.0)),
        blur_mm=BLUR_MM,
        shot_noise=SHOT_NOISE,
        space=SCAN_SPACE,
        exposure=EXPOSURE,
        noise_seed=int(rng.integers(1 << 31)),
    )


def tables() -> dict[str, bytes]:
    """Return the real CMYK tables that this machine has."""
    found = {"CMYK table of libvips": bytes(pyvips.Operation.call("profile_load", "cmyk"))}
    if TABLE_FILE.exists():
        found["CMYK table of libgs-common"] = TABLE_FILE.read_bytes()
    return found


def draw(case: Case, sheet: Sheet) -> Print:
    """Draw what is printed: printers take turns by the seed, damage is drawn."""
    rng = np.random.default_rng([case.seed, KINDS.index(case.kind)])
    options = PrintOptions(grain=GRAIN)
    match case.kind:
        case "clean":
            name = CLEAN[case.seed % len(CLEAN)]
        case "dots":
            name = DOTS[case.seed % len(DOTS)]
        case "damaged":
            name = SMOOTH[
                max(case.seed % 6 - 2, 0)
            ]  # half of them with the file's colours, where damage is all there is
        case "mixed":
            name = list(PAPERS)[case.seed % len(PAPERS)]
        case _:
            name = "gloss"
    if name.endswith("textured paper"):
        options = PrintOptions(grain=GRAIN, grain_correlation_mm=TEXTURE_MM)
    printer: Printer = PAPERS.get(name) or INKJETS[name.partition(",")[0]]
    if case.kind == "table":
        ways = [(name, intent) for name in tables() for intent in ("perceptual", "relative")]
        table, intent = ways[case.seed % len(ways)]
        name = f"{table}, {intent}"
        return Print(printer=IccPrinter(tables()[table], intent, name=name), damages=(), options=options, name=name)  # type: ignore[arg-type]
    if case.kind == "waves":
        rings = [e.id for tile in sheet.tiles for e in tile.elements if isinstance(e, Ring)]
        waves = [
            LightnessWave(str(name), WAVE_AMPLITUDES_L[i % 2], float(rng.uniform(*WAVE_PERIOD_MM)))
            for i, name in enumerate(rng.permutation(rings))
        ]
        return Print(printer=printer, damages=waves, options=options, name=name)
    if case.kind == "mixed":
        options = PrintOptions(
            grain=float(rng.uniform(0.005, 0.03)),
            grain_correlation_mm=float(rng.choice([0.0, TEXTURE_MM])),
            banding_l=float(rng.uniform(0.2, BANDING_L)),
            banding_period_mm=float(np.exp(rng.uniform(*np.log(BANDING_PERIOD_MM)))),
            banding_along=str(rng.choice(["x", "y"])),  # type: ignore[arg-type]
            banding_phase_deg=float(rng.uniform(0, 360)),
        )
    damages: list[Any] = []
    if case.kind in _DAMAGE:
        damages += draw_damage(rng, sheet, case.recipe, printer, _DAMAGE[case.kind])
    if case.kind == "faint":
        damaged = {damage.element for damage in damages}
        damages += [
            Step(e.id, float(rng.uniform(e.ramp_mm[0] + 1.5, e.ramp_mm[1] - 1.5)), HARD_STEP_DE00)
            for tile in sheet.tiles
            for e in tile.elements
            if isinstance(e, Ring) and e.id not in damaged
        ]
    return Print(printer=printer, damages=damages, options=options, name=name)


def scanned(case: Case, printed: Print, number: int, folder: Path) -> tuple[Truth, Score]:
    """Scan a print, for the nth time, and score it."""
    rng = np.random.default_rng([case.seed, KINDS.index(case.kind), number])
    options = scan_options(case.dpi[number], rng)
    if case.kind == "mixed":
        dirt = {"dust": int(rng.integers(0, 40)), "hairs": int(rng.integers(0, 4))}
        options = options.model_copy(update={**dirt, "blur_mm": float(rng.uniform(0.03, 0.08))})
    path = folder / "scan.tif"
    truth = rehearse(
        case.recipe, path, printer=printed.printer, damages=printed.damages, print_options=printed.options,
        scan_options=options, seed=case.seed,
    )  # fmt: skip
    return truth, score_scans([path], options=ScoreOptions(crops=False)).score


def run(case: Case) -> list[Result]:
    """Print and scan a sheet, score its scans and hold them against truth, and against each other."""
    sheet = build_key(case.recipe).sheets[0]
    rings = {e.id: e for tile in sheet.tiles for e in tile.elements if isinstance(e, Ring)}
    printed = draw(case, sheet)
    scores: list[Score] = []
    results: list[Result] = []
    for number, dpi in enumerate(case.dpi):
        with tempfile.TemporaryDirectory(prefix="inkstrain-bench-") as folder:
            truth, score = scanned(case, printed, number, Path(folder))
        scores.append(score)
        about: dict[str, Any] = {"kind": case.kind, "printer": printed.name, "seed": case.seed, "discs": len(rings)}
        if dpi not in case.dpi[:number]:
            records = _against_truth(case, printed, rings, truth, score)
            results.append(Result(dpi=dpi, second_dpi=None, records=records, **about))
        if number and case.kind != "waves":
            both = zip(scores[0].rings(), score.rings(), strict=True)
            records = [record for one, other in both for record in compare_rings(one, other)]
            results.append(Result(dpi=case.dpi[0], second_dpi=dpi, records=records, **about))
    return results


def _against_truth(case: Case, printed: Print, rings: Mapping[str, Ring], truth: Truth, score: Score) -> list[Record]:
    records: list[Record] = []
    wedges = {wedge.id: wedge for wedge in truth.wedges}
    for got in score.elements:
        its = [d for d in printed.damages if isinstance(d, RingDamage) and d.element == got.id]
        match got, case.kind:
            case RingScore(), "waves":
                records += ripple_records(its, got)
            case RingScore(), _:
                true, weak = truth_rings(rings[got.id], case.recipe, truth.ring(got.id), got, score.viewing)
                turns = [d.radius_mm for d in its if isinstance(d, HueShift)]
                records += compare_rings(true, got, weak, scan=(SCAN_SPACE, EXPOSURE), turns_mm=turns)
                records += [step_record(d, got) for d in its if case.kind == "faint" and isinstance(d, Step)]
            case NeutralWedgeScore(), _:
                records += wedge_records(wedges[got.id], got)
            case FlatFieldScore(), "mixed":
                records += banding_records(printed.options, got)
    return records
