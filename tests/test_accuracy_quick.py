"""A handful of the accuracy bench's rehearsals, held to the bench's own goals, so that neither can rot unseen."""

from __future__ import annotations

import numpy as np
import pytest
from bench.cases import Case, Result, run
from bench.definitions import Definitions
from bench.figures import percentile, share
from bench.matching import Error, False_, Found
from bench.placing import PlacingCase, place
from bench.table import (
    CORE_GOAL_MM,
    FLAT_WIDTH_GOAL_MM,
    HUE_GOAL_DEG,
    NEUTRAL_GOAL_L,
    RADIUS_GOAL_MM,
    RESIDUAL_GOAL_MM,
    RIPPLE_AMPLITUDE_GOAL,
    markdown,
    rows,
)

from inkstrain.targets.chart import build_key
from inkstrain.targets.key import Ring
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import HeldStretch, IdentityPrinter, ring_path

SMALL = Recipe(sheet="120x120", hues=4, only=("ring-to-white",))
SMALL_BLACK = Recipe(sheet="120x120", hues=4, only=("ring-to-black",))
CLOSE_MM = 0.003
RIPPLE_RESERVE = 0.01  # two waves only; the bench holds the goal itself


@pytest.fixture(scope="module")
def damaged() -> list[Result]:
    return [
        run(Case(kind="damaged", dpi=300, seed=1)),
        run(Case(kind="damaged", dpi=600, seed=1, recipe=SMALL)),
        run(Case(kind="damaged", dpi=600, seed=2, recipe=SMALL_BLACK)),
    ]


def _found(results: list[Result], measure: str, dpi: int | None = None) -> list[Found]:
    records = [record for result in results if dpi in (None, result.dpi) for record in result.records]
    return [r for r in records if isinstance(r, Found) and r.measure == measure and not r.own]


def _errors(found: list[Found], name: str) -> list[float]:
    return [record.errors[name] for record in found]


def test_every_contour_is_found_where_it_is_with_its_contrast(damaged: list[Result]) -> None:
    for dpi in (300, 600):
        contours = _found(damaged, "contour", dpi)
        assert len(contours) >= 3
        assert all(contour.found for contour in contours)
        assert percentile(_errors(contours, "radius_mm")).value <= RADIUS_GOAL_MM[dpi]
        assert percentile(_errors(contours, "contrast_part")).value <= 1


def test_no_contour_is_found_away_from_damage(damaged: list[Result]) -> None:
    false = [r for result in damaged for r in result.records if isinstance(r, False_) and r.measure == "contour"]
    assert not [r for r in false if r.status == "none" and not r.beside_true]


def test_every_flat_band_is_found_with_its_width(damaged: list[Result]) -> None:
    flats = _found(damaged, "flat")
    assert len(flats) >= 5
    assert all(flat.found for flat in flats)
    # a dozen bands have no 95th percentile to speak of: all but one within the goal, and that is for the bench to judge
    assert sum(abs(error) > FLAT_WIDTH_GOAL_MM for error in _errors(flats, "width_mm")) <= 1


def test_every_hue_swing_is_found_with_its_degrees(damaged: list[Result]) -> None:
    swings = _found(damaged, "hue")
    assert len(swings) >= 3
    assert sum(not swing.found for swing in swings) <= 1
    assert sum(abs(e) > HUE_GOAL_DEG for e in _errors([swing for swing in swings if swing.found], "degrees")) <= 1


def test_core_and_neutrals_are_as_printed(damaged: list[Result]) -> None:
    errors = [r for result in damaged for r in result.records if isinstance(r, Error)]
    assert max(abs(e.error) for e in errors if e.measure == "core") <= CORE_GOAL_MM
    assert percentile([e.error for e in errors if e.measure == "neutral"]).value <= NEUTRAL_GOAL_L


def test_clean_prints_show_nothing() -> None:
    results = [
        run(Case(kind="clean", dpi=300, seed=3, recipe=SMALL_BLACK)),
        run(Case(kind="clean", dpi=300, seed=4, recipe=SMALL)),
    ]
    assert sum(result.discs for result in results) == 8
    assert not [r for result in results for r in result.records if isinstance(r, False_)]


def test_ripples_are_found_with_their_amplitude() -> None:
    ripples = _found([run(Case(kind="waves", dpi=300, seed=1, recipe=SMALL))], "ripple")
    assert len(ripples) == 4
    assert all(ripple.found for ripple in ripples)
    large = [ripple for ripple in ripples if ripple.size >= 0.5]
    assert max(np.abs(_errors(large, "amplitude_part"))) <= RIPPLE_AMPLITUDE_GOAL + RIPPLE_RESERVE


def test_a_stretched_and_wobbling_scan_is_placed() -> None:
    placed = place(PlacingCase(kind="residual", dpi=300, seed=1))
    assert placed.placed
    assert placed.residual_rms_mm <= RESIDUAL_GOAL_MM
    assert placed.true_rms_mm <= RESIDUAL_GOAL_MM


def test_the_bench_judges_a_held_stretch_as_computed_by_hand() -> None:
    """On an even path every millimetre carries the same ΔE00, so a held stretch is a flat band of that many."""
    ring = next(e for e in build_key(SMALL).sheets[0].tiles[0].elements if isinstance(e, Ring))
    clean = ring_path(ring, SMALL, IdentityPrinter())
    assert not Definitions(clean).contours()
    assert not Definitions(clean).flats()
    judged = Definitions(ring_path(ring, SMALL, IdentityPrinter(), [HeldStretch(ring.id, 6.0, 7.5)]))
    (flat,), (contour,) = judged.flats(), judged.contours()
    # the box of 0.05 mm that speeds are averaged over moves a hard end by half of itself at most
    assert (flat.inner_mm, flat.outer_mm) == pytest.approx((6.0, 7.5), abs=0.03)
    assert (contour.inner_mm + contour.outer_mm) / 2 == pytest.approx(7.5, abs=CLOSE_MM)
    assert judged.contour_status(7.5, 7.5) == "clear"
    assert judged.contour_status(9.0, 9.0) == "none"


def test_intervals_are_the_published_ones() -> None:
    """Wilson's interval of 0 of 10 ends at z²/(n + z²): Wilson 1927, by its formula."""
    z = 1.959964
    figure = share(0, 10)
    assert (figure.low, figure.high) == pytest.approx((0.0, z * z / (10 + z * z)), abs=1e-6)
    # the largest of 59 is above the 95th percentile with a chance of 1 - 0.95⁵⁹ = 0.951: one-sided textbook case
    assert percentile(list(range(1, 21))).high == np.inf


def test_the_table_has_a_line_for_every_goal(damaged: list[Result]) -> None:
    text = markdown(rows(damaged, []))
    assert text.count("\n| contour: radius |") == 2
    assert "| flat band: width | 300 | ≤ 0.1 mm p95 |" in text
