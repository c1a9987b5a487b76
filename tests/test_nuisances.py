"""How a print lies on the glass and how its scan is stored change no answer."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from inkstrain.scoring.jobs.scoring import ScoreOptions, score_scans
from inkstrain.scoring.results.score import NeutralWedgeScore, RingScore, Score
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import HeldStretch, PrintOptions, ScanOptions, Step, rehearse, rehearse_array
from inkstrain.targets.spaces import icc_profile

RECIPE = Recipe(sheet="120x160", hues=1, only=("ring-to-white", "ring-to-black", "neutral-wedge"))
DAMAGES = [
    Step(element="ring-to-white-red", radius_mm=9.0, contrast_de00=3.0),
    HeldStretch(element="ring-to-black-red", inner_mm=8.0, outer_mm=9.5),
]
PRINT = PrintOptions(grain=0.02)
SCAN: dict[str, Any] = {"dpi": 300, "blur_mm": 0.06}
DPI = 300
SAME_PIXELS = {"share": 1e-3, "mm": 0.005, "de00": 0.02, "lightness": 0.01}
"""The same pixels in another order: marks are fitted again, nothing else changes."""
SAME_PRINT = {"share": 0.02, "mm": 0.05, "de00": 0.15, "lightness": 0.2}
"""The same print lying otherwise: DESIGN section 8, width, excess and neutral L*."""
DIRTY_GLASS = {**SAME_PRINT, "lightness": 0.4}
"""A hair along a narrow step darkens each of its blocks by too little to be told from the print's own grain."""


@dataclass(frozen=True)
class Answers:
    """What a person would read in a score."""

    shares: list[float]
    places_mm: list[float]
    scores_de00: list[float]
    lightness: list[float]
    counts: list[int]


def answers(score: Score) -> Answers:
    rings = [e for e in score.elements if isinstance(e, RingScore)]
    wedges = [e for e in score.elements if isinstance(e, NeutralWedgeScore)]
    places, scores, shares, counts = [], [], [], []
    for ring in rings:
        shares += [ring.evenness or 0.0, ring.reach or 0.0]
        counts += [len(ring.contours), len(ring.flat_bands), len(ring.reversals)]
        places += [c.radius_mm for c in ring.contours]
        places += [edge for band in ring.flat_bands for edge in (band.inner_mm, band.outer_mm)]
        scores += [c.excess_de00 for c in ring.contours] + [band.missing_de00 for band in ring.flat_bands]
    lightness = [step.lab[0] for wedge in wedges for step in wedge.steps]
    return Answers(shares, places, scores, lightness, counts)


def agree(a: Answers, b: Answers, limits: dict[str, float]) -> None:
    assert a.counts == b.counts
    assert a.shares == pytest.approx(b.shares, abs=limits["share"])
    assert a.places_mm == pytest.approx(b.places_mm, abs=limits["mm"])
    assert a.scores_de00 == pytest.approx(b.scores_de00, abs=limits["de00"])
    assert a.lightness == pytest.approx(b.lightness, abs=limits["lightness"])


def scored(*paths: Path) -> Score:
    return score_scans(paths, options=ScoreOptions(crops=False)).score


def saved(path: Path, pixels: np.ndarray, **how: Any) -> Path:
    tifffile.imwrite(
        path, pixels, photometric="rgb", resolution=(DPI, DPI), resolutionunit="INCH",
        iccprofile=icc_profile("adobe-rgb"), **how,
    )  # fmt: skip
    return path


@pytest.fixture(scope="module")
def upright() -> np.ndarray:
    pixels, _ = rehearse_array(RECIPE, damages=DAMAGES, print_options=PRINT, scan_options=ScanOptions(**SCAN), seed=3)
    pixels.setflags(write=False)
    return pixels


@pytest.fixture(scope="module")
def upright_answers(upright: np.ndarray, tmp_path_factory: pytest.TempPathFactory) -> Answers:
    return answers(scored(saved(tmp_path_factory.mktemp("upright") / "scan.tif", upright)))


def test_the_damage_is_there_to_be_found(upright_answers: Answers) -> None:
    # a step, and a held stretch followed by its step back
    assert upright_answers.counts == [1, 0, 0, 1, 1, 0]
    assert upright_answers.places_mm[0] == pytest.approx(9.0, abs=0.05)


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_quarter_turns_change_nothing(
    upright: np.ndarray, upright_answers: Answers, tmp_path: Path, turns: int
) -> None:
    score = scored(saved(tmp_path / "scan.tif", np.ascontiguousarray(np.rot90(upright, turns))))
    agree(answers(score), upright_answers, SAME_PIXELS)
    turned = score.tiles[0].rotation_deg % 360
    assert turned == pytest.approx(360 - 90 * turns, abs=0.1)


STORAGE: dict[str, Callable[[Path, np.ndarray], Path]] = {
    "lzw": lambda p, a: saved(p, a, compression="lzw", predictor=True),
    "deflate-tiles": lambda p, a: saved(p, a, compression="zlib", tile=(256, 256)),
    "planes": lambda p, a: saved(p, np.moveaxis(a, 2, 0), planarconfig="separate"),
    "big-endian-bigtiff": lambda p, a: saved(p, a, byteorder=">", bigtiff=True),
}


@pytest.mark.parametrize("how", STORAGE)
def test_how_the_file_is_stored_changes_no_bit(
    upright: np.ndarray, upright_answers: Answers, tmp_path: Path, how: str
) -> None:
    assert answers(scored(STORAGE[how](tmp_path / "scan.tif", upright))) == upright_answers


@pytest.mark.parametrize(
    "options",
    [
        {"rotation_deg": 1.5, "stretch": (0.003, -0.001), "wobble_mm": 0.05},
        {"rotation_deg": 37.0},
        {"rotation_deg": -90.7, "lid": "black", "bits": 8},
        {"space": "prophoto"},
        {"exposure": 0.8, "uneven": 0.01},
        {"dust": 60, "hairs": 4},
        {"dpi": 400, "compression": "lzw"},
    ],
    ids=lambda options: "-".join(options),
)
def test_another_scan_of_the_same_print_gives_the_same_answers(
    upright_answers: Answers, tmp_path: Path, options: dict[str, Any]
) -> None:
    path = tmp_path / "scan.tif"
    rehearse(
        RECIPE, path, damages=DAMAGES, print_options=PRINT, scan_options=ScanOptions(**{**SCAN, **options}), seed=3
    )
    before = path.read_bytes()
    agree(answers(scored(path)), upright_answers, DIRTY_GLASS if "hairs" in options else SAME_PRINT)
    assert path.read_bytes() == before


def test_scans_of_several_tiles_come_in_any_order(tmp_path: Path) -> None:
    recipe = Recipe(sheet="170x130", hues=1, only=("ring-to-white", "ring-to-black"), bed_mm=(100.0, 130.0))
    paths = []
    for tile, turn in ((1, 0.0), (2, 180.0)):
        paths.append(tmp_path / f"{tile}.tif")
        rehearse(recipe, paths[-1], scan_options=ScanOptions(dpi=200, tile=tile, rotation_deg=turn))
    score = scored(*paths)
    assert [tile.tile for tile in score.tiles] == [1, 2]
    assert [element.id for element in score.elements] == ["ring-to-white-red", "ring-to-black-red"]
    assert score.flags == ()
    assert json.loads(scored(*paths[::-1]).model_dump_json()) == json.loads(score.model_dump_json())
