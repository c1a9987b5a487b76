"""Hue sweeps under head banding: hues that came out as one are found all the same, and none that did not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from inkstrain.scoring.jobs.scoring import ScoreOptions, score_scans
from inkstrain.scoring.results.score import HueSweepScore, NeutralWedgeScore, Score
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import IdentityPrinter, MergedHues, PrintOptions, ScanOptions, rehearse

RECIPE = Recipe(only=("hue-sweep", "neutral-wedge"), sheet="200x120")
MERGED = (250.0, 300.0)
STRIPES_MM = 3.1
BINS_DEG = 6.5  # two bins of a millimetre, one of which holds the end of the merged stretch
LEFT_L = 0.12


@pytest.fixture(scope="module")
def scores(tmp_path_factory: pytest.TempPathFactory) -> dict[float, Score]:
    """The same print with and without stripes along the sheet."""
    scored = {}
    for banding_l in (0.0, 0.8):
        scan = tmp_path_factory.mktemp("sweeps") / "scan.tif"
        rehearse(
            RECIPE, scan, printer=IdentityPrinter(), damages=[MergedHues("hue-sweep", *MERGED, level="tint")],
            print_options=PrintOptions(
                grain=0.02, banding_l=banding_l, banding_period_mm=STRIPES_MM, banding_along="x", banding_phase_deg=40.0
            ),
            scan_options=ScanOptions(dpi=300, rotation_deg=1.5, space="prophoto"), seed=3, sheet=1,
        )  # fmt: skip
        scored[banding_l] = score_scans([Path(scan)], options=ScoreOptions(crops=False)).score
    return scored


def sweep(score: Score) -> HueSweepScore:
    return next(e for e in score.elements if isinstance(e, HueSweepScore))


@pytest.mark.parametrize("banding_l", [0.0, 0.8])
def test_merged_hues_are_found_with_and_without_stripes(scores, banding_l):
    full, tint, shade = sweep(scores[banding_l]).rows
    (merged,) = tint.merged
    assert (merged.from_deg, merged.to_deg) == pytest.approx(MERGED, abs=BINS_DEG)
    assert (full.merged, shade.merged) == ((), ())


def test_stripes_are_taken_out_of_every_band_and_said(scores):
    clean, striped = (sweep(score) for score in scores.values())
    assert clean.flags == ()
    (said,) = striped.flags
    assert said.code == "stripes-taken-out"
    assert said.text.startswith("up to 0.")
    for before, after in zip(clean.rows, striped.rows, strict=True):
        away = np.array(after.lab)[:, 0] - np.array(before.lab)[:, 0]
        # 0.8 L* of stripes have an rms of 0.5 over bins of a millimetre; grain alone is the same in both
        assert np.sqrt(np.mean(away**2)) < LEFT_L
    wedge = next(e for e in scores[0.8].elements if isinstance(e, NeutralWedgeScore))
    assert wedge.head_banding is not None
    assert wedge.head_banding.period_mm == pytest.approx(STRIPES_MM, rel=0.005)
