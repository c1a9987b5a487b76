"""A chart holds no rings of its own: scoring the chart's own file finds nothing, in any space."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from inkstrain.scoring.jobs.scoring import ScoreOptions, score_scans
from inkstrain.scoring.results.score import FlatFieldScore, HueSweepScore, NeutralWedgeScore, PatchFieldScore, Score
from inkstrain.targets.chart import build_key, write_chart
from inkstrain.targets.recipe import SPACES, Recipe, parse_recipe

LEAST_EVENNESS = {"even": 0.98, "straight": 0.97}
REACH_TOLERANCE = 0.01
RING_DE00 = {"even": 0.05, "straight": 0.1}
"""Bins of up to 0.1 mm leave this much between a disc and what it was drawn from; `straight` is steep near black."""
PATCH_DE00 = 0.02
SWEEP_DE00 = 0.3
"""A sweep's bin averages over a stretch in which the hue moves on."""

RECIPES = {
    **{space: Recipe(space=space, dpi=250) for space in SPACES if space != Recipe().space},
    "default": Recipe(),
    "straight": Recipe(path="straight", space="prophoto", dpi=250),
    "twelve-hues-on-letter": Recipe(sheet="letter", hues=12, dpi=250),
}


@pytest.mark.parametrize("name", RECIPES)
def test_a_chart_holds_nothing_of_its_own(tmp_path: Path, name: str) -> None:
    *sheets, _key = write_chart(RECIPES[name], tmp_path)
    before = [path.read_bytes() for path in sheets]
    own = score_scans(sheets, options=ScoreOptions(crops=False)).score
    assert [path.read_bytes() for path in sheets] == before
    # one after another on the same score: measuring is what takes long
    nothing_is_found(own)
    all_of_the_range_evenly_spread(own)
    colours_are_those_that_the_key_asks_for(own)
    the_page_lies_straight_and_true_to_size(own)
    courses_cover_hub_ramp_and_rim(own)


def nothing_is_found(own: Score) -> None:
    assert own.totals.visible_rings == 0
    for ring in own.rings():
        found = (
            ring.contours, ring.flat_bands, ring.faint_rings, ring.hue_swings, ring.reversals, ring.ripples,
            ring.head_banding,
        )  # fmt: skip
        assert not any(found), (ring.id, found)


def all_of_the_range_evenly_spread(own: Score) -> None:
    assert len(own.rings()) in (16, 24)
    for ring in own.rings():
        assert ring.evenness is not None
        assert ring.evenness >= LEAST_EVENNESS[parse_recipe(own.recipe).path], ring.id
        assert ring.reach == pytest.approx(1.0, abs=REACH_TOLERANCE), ring.id


def colours_are_those_that_the_key_asks_for(own: Score) -> None:
    assert own.white.lab == pytest.approx((100.0, 0.0, 0.0), abs=0.01)
    for element in own.elements:
        match element:
            case HueSweepScore():
                assert [row.level for row in element.rows] == ["full", "tint", "shade"]
                for row in element.rows:
                    assert row.delta_e00.intended is not None
                    assert row.delta_e00.intended.max < SWEEP_DE00
                    assert (row.order_breaks, row.merged) == ((), ())
            case NeutralWedgeScore():
                assert element.monotonic
                assert element.breaks == ()
                assert element.cast.max_c < PATCH_DE00
                assert (element.first_from_black, element.first_from_white) == (2, len(element.steps) - 1)
                assert element.delta_e00.intended is not None
                assert element.delta_e00.intended.max < PATCH_DE00
            case PatchFieldScore() | FlatFieldScore():
                assert element.delta_e00.intended is not None
                assert element.delta_e00.intended.max < PATCH_DE00
            case _:
                assert element.delta_e00.intended is not None
                assert element.delta_e00.intended.max < RING_DE00[parse_recipe(own.recipe).path]


def the_page_lies_straight_and_true_to_size(own: Score) -> None:
    for tile in own.tiles:
        assert tile.rotation_deg == pytest.approx(0.0, abs=1e-3)
        assert tile.print_scale == pytest.approx((1.0, 1.0), abs=1e-4)
        assert tile.mark_residual_mm.rms < 0.002
        assert tile.marks_used == tile.marks_expected
        # file white and file black are full white and no light: a file is no scan, and that is what the flags say
        assert {flag.code for flag in tile.flags} <= {"paper-clipped", "black-clipped", "low-resolution"}


def courses_cover_hub_ramp_and_rim(own: Score) -> None:
    key = {e.id: e for sheet in build_key(parse_recipe(own.recipe)).sheets for t in sheet.tiles for e in t.elements}
    for ring in own.rings():
        radius, (inner, outer) = np.array(ring.course.radius_mm), key[ring.id].ramp_mm  # type: ignore[union-attr]
        assert np.diff(radius) == pytest.approx(0.05, abs=2e-4)  # kept to 0.1 µm
        assert radius[0] < inner - 0.9
        assert radius[-1] > outer + 0.9
        assert np.allclose(ring.course.lab, ring.course.intended_lab, atol=0.1)
