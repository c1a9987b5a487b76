"""Scans that are not what they should be: what a chart asks for twice gives them away; clean scans are left alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import tifffile

from inkstrain.scoring.jobs.scoring import ScoreOptions, score_scans
from inkstrain.scoring.results.score import NeutralWedgeScore, Score
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import ScanOptions, inkjet, rehearse_array

KINDS = ("ring-to-white", "hue-sweep", "neutral-wedge")


def test_a_torn_disc_and_mixed_channels_are_left_out_and_a_clean_scan_is_not(tmp_path: Path) -> None:
    recipe = Recipe(sheet="120x170", hues=2, only=KINDS)
    pixels, _ = rehearse_array(recipe, printer=inkjet("rowan"), scan_options=ScanOptions(dpi=150, bits=8), seed=9)

    def scored(changed: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> Score:
        path = tmp_path / "scan.tif"
        tifffile.imwrite(path, changed, photometric="rgb", resolution=(150, 150), resolutionunit=2)
        return score_scans([path], options=ScoreOptions(crops=False)).score

    clean = scored(pixels)
    assert not [flag for flag in clean.flags if flag.code == "left-out"]
    ring = clean.rings()[0]
    from inkstrain.targets.chart import build_key

    disc = next(e for e in build_key(recipe).sheets[0].tiles[0].elements if e.id == ring.id)
    scale, margin = 150 / 25.4, (pixels.shape[1] - 120 * 150 / 25.4) / 2
    x, y = (round(margin + value * scale) for value in disc.centre_mm)  # type: ignore[union-attr]
    r = round(disc.radius_mm * scale)  # type: ignore[union-attr]
    torn = pixels.copy()
    torn[y - r : y + r, x - r : x] = np.random.default_rng(1).integers(233, 236, (2 * r, r, 3))
    score = scored(torn)
    (lost,) = [one for one in score.rings() if one.id == ring.id]
    assert lost.reach is None
    assert {flag.where for flag in score.flags if flag.code == "left-out"} >= {ring.id}
    swapped = scored(np.ascontiguousarray(pixels[..., ::-1]))
    assert all(isinstance(element, NeutralWedgeScore) or element in swapped.rings() for element in swapped.elements)
    assert all(one.reach is None for one in swapped.rings())
