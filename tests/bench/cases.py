"""What the bench rehearses: whole default sheets, printed and scanned under the conditions of the accuracy goals."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from inkstrain.scoring.measure import ScoreOptions, score_scans
from inkstrain.scoring.model import NeutralWedgeScore, Score
from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import lab_to_xyz
from inkstrain.targets.key import Ring, Sheet
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import (
    INKJETS,
    DamageRanges,
    HueShift,
    IdentityPrinter,
    LightnessWave,
    Printer,
    PrintOptions,
    RingPath,
    ScanOptions,
    draw_damage,
    rehearse,
    ring_path,
)
from inkstrain.targets.rehearsal.damage import RingDamage
from inkstrain.targets.rehearsal.truth import Truth
from inkstrain.targets.spaces import decode, xyz_to_rgb

from .definitions import Definitions
from .matching import False_, Record, banding_records, most_striped, ring_records, ripple_records, wedge_records

GRAIN = 0.02
SHOT_NOISE = 0.003
BLUR_MM = 0.06
SKEW_DEG = 1.5
STRETCH = 0.003
WOBBLE_MM = 0.05
WOBBLE_PERIOD_MM = (20.0, 100.0)
SCAN_SPACE = "prophoto"  # as wide as a scanner sees: turned hues of the purest colours would clip in a narrow one
EXPOSURE = 0.8  # hues turned on pale tones are bluer than paper, and would clip nearer to full scale
WAVE_PERIOD_MM = (0.5, 5.0)
WAVE_AMPLITUDES_L = (0.2, 1.0)

DEFAULT_CHART = Recipe()

CaseKind = Literal["damaged", "damaged-inkjet", "clean", "clean-inkjet", "waves", "mixed"]
KINDS: tuple[CaseKind, ...] = ("damaged", "damaged-inkjet", "clean", "clean-inkjet", "waves", "mixed")
_LEAST_LIGHT = 0.001  # three times the scanner's noise in the dark
_DAMAGE = DamageRanges(kinds=("held", "dropoff", "step", "hue", "reversal", "earlyhub"), clean=0.0)
# near hub and rim too, and shallow ones
_MIXED_DAMAGE = DamageRanges(
    kinds=("held", "dropoff", "step", "hue", "reversal", "earlyhub"),
    clean=0.0,
    clear_mm=0.4,
    per_ring=(1, 3),
    step_contrast_de00=(0.3, 5.0),
    drop_contrast_de00=(1.0, 8.0),
)
BANDING_L = 1.0
BANDING_PERIOD_MM = (0.5, 10.0)


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


PAPERS = (PaleBlack(3.0, "gloss, black L* 3"), PaleBlack(23.0, "matte, black L* 23"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One sheet to rehearse and score."""

    kind: CaseKind
    dpi: int
    seed: int
    recipe: Recipe = DEFAULT_CHART


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What one case gave."""

    kind: CaseKind
    dpi: int
    seed: int
    printer: str
    discs: int
    records: list[Record]


def conditions(dpi: float, rng: np.random.Generator) -> tuple[PrintOptions, ScanOptions]:
    """Draw the conditions of the goals: their sizes are fixed, signs and phases are drawn."""
    turn, x, y = rng.choice([-1.0, 1.0], 3)
    scan = ScanOptions(
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
    )
    return PrintOptions(grain=GRAIN), scan


def mixed_conditions(dpi: float, rng: np.random.Generator) -> tuple[PrintOptions, ScanOptions]:
    """Draw the conditions of mixed damage: head banding up to 1 L*, a textured paper, dust and hairs."""
    _, scan = conditions(dpi, rng)
    printed = PrintOptions(
        grain=float(rng.uniform(0.005, 0.03)),
        grain_correlation_mm=float(rng.choice([0.0, 0.06])),
        banding_l=float(rng.uniform(0.2, BANDING_L)),
        banding_period_mm=float(np.exp(rng.uniform(*np.log(BANDING_PERIOD_MM)))),
        banding_along=str(rng.choice(["x", "y"])),  # type: ignore[arg-type]
        banding_phase_deg=float(rng.uniform(0, 360)),
    )
    changed = {
        "dust": int(rng.integers(0, 40)),
        "hairs": int(rng.integers(0, 4)),
        "blur_mm": float(rng.uniform(0.03, 0.08)),
    }
    return printed, scan.model_copy(update=changed)


def draw(case: Case, rng: np.random.Generator, sheet: Sheet) -> tuple[Printer, Sequence[Any]]:
    """Draw printer and damage of a case."""
    printer: Printer = IdentityPrinter()
    if case.kind.endswith("inkjet"):
        printer = INKJETS[str(rng.choice(sorted(INKJETS)))]
    if case.kind == "waves":
        rings = [e for tile in sheet.tiles for e in tile.elements if isinstance(e, Ring)]
        return printer, [
            LightnessWave(ring.id, WAVE_AMPLITUDES_L[i % 2], float(rng.uniform(*WAVE_PERIOD_MM)))
            for i, ring in enumerate(rng.permutation(np.array(rings, dtype=object)))
        ]
    if case.kind.startswith("clean"):
        return printer, ()
    if case.kind == "mixed":
        paper = PAPERS[int(rng.integers(len(PAPERS)))]
        return paper, draw_damage(rng, sheet, case.recipe, paper, _MIXED_DAMAGE)
    return printer, draw_damage(rng, sheet, case.recipe, printer, _DAMAGE)


def scannable(path: RingPath, damages: Sequence[Any]) -> bool:
    """Tell whether a scan can hold the hues that damage turned: far out of a space, a channel is cut off at zero."""
    turned = np.zeros(len(path.radius_mm), dtype=bool)
    for damage in damages:
        if isinstance(damage, HueShift):
            turned |= np.abs(path.radius_mm - damage.radius_mm) < damage.width_mm
    light = decode(SCAN_SPACE, xyz_to_rgb(SCAN_SPACE, lab_to_xyz(path.lab[turned]) * EXPOSURE))
    return bool(light.min(initial=1.0) > _LEAST_LIGHT and light.max(initial=0.0) < 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsed:
    """A case's print and scan, with what is true of it and what was measured."""

    elements: dict[str, Any]
    printer: Printer
    damages: Sequence[Any]
    print_options: PrintOptions
    scan_options: ScanOptions
    truth: Truth
    score: Score

    def damages_of(self, ring: str) -> list[Any]:
        """Return a ring's damages."""
        return [d for d in self.damages if isinstance(d, RingDamage) and d.element == ring]


def rehearsed(case: Case) -> Rehearsed:
    """Rehearse a sheet and score its scan."""
    rng = np.random.default_rng([case.seed, KINDS.index(case.kind)])
    sheet = build_key(case.recipe).sheets[0]
    printer, damages = draw(case, rng, sheet)
    print_options, scan_options = (mixed_conditions if case.kind == "mixed" else conditions)(case.dpi, rng)
    with tempfile.TemporaryDirectory(prefix="inkstrain-bench-") as folder:
        scan = Path(folder) / "scan.tif"
        truth = rehearse(
            case.recipe, scan, printer=printer, damages=damages, print_options=print_options,
            scan_options=scan_options, seed=case.seed, sheet=sheet.sheet,
        )  # fmt: skip
        score = score_scans([scan], options=ScoreOptions(crops=False)).score
    return Rehearsed(
        elements={element.id: element for tile in sheet.tiles for element in tile.elements},
        printer=printer,
        damages=damages,
        print_options=print_options,
        scan_options=scan_options,
        truth=truth,
        score=score,
    )


def run(case: Case) -> Result:
    """Rehearse a sheet, score its scan and match the two."""
    done = rehearsed(case)
    truth, score = done.truth, done.score
    records: list[Record] = []
    striped: dict[str, float] = {}
    for ring in score.rings():
        its = done.damages_of(ring.id)
        true = truth.ring(ring.id)
        if case.kind == "waves":
            records += ripple_records(true, ring)
            continue
        records += [False_("ripple", ring.id, "none", False, r.amplitude_l, r.inner_mm) for r in ring.ripples]
        path = ring_path(done.elements[ring.id], case.recipe, done.printer, its)
        striped[ring.id] = most_striped(path.lab)
        records += ring_records(
            true, ring, Definitions(path), any(d.kind == "earlyhub" for d in its), scannable(path, its)
        )
    wedges = {wedge.id: wedge for wedge in truth.wedges}
    if case.kind != "waves":
        for element in score.elements:
            if isinstance(element, NeutralWedgeScore):
                records += wedge_records(wedges[element.id], element)
    if case.kind == "mixed":
        records += banding_records(done.print_options, score, striped)
    return Result(
        kind=case.kind,
        dpi=case.dpi,
        seed=case.seed,
        printer=done.printer.name,
        discs=len(score.rings()),
        records=records,
    )
