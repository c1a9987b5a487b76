"""A little of the accuracy bench, held to its goals, so that neither can rot unseen."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from bench.cases import Case, Kind, Result, run
from bench.documents import DOCUMENT, document
from bench.figures import percentile, share
from bench.matching import Record
from bench.placing import PlacingCase, place
from bench.rows import EXCESS_DE00, EXCESS_PART, rows

from inkstrain.targets.recipe import Recipe

WHITE = Recipe(sheet="120x120", hues=4, only=("ring-to-white",))
BLACK = Recipe(sheet="120x120", hues=4, only=("ring-to-black",))


def scans(kind: Kind, seed: int, dpi: tuple[int, ...] = (300,)) -> list[Result]:
    return [result for recipe in (WHITE, BLACK) for result in run(Case(kind=kind, dpi=dpi, seed=seed, recipe=recipe))]


@pytest.fixture(scope="module")
def damaged() -> list[Result]:
    return scans("damaged", 1, (300, 600))


@pytest.fixture(scope="module")
def faint() -> list[Result]:
    return scans("faint", 1)


def of(results: Sequence[Result], measure: str, *, second: bool = False) -> list[Record]:
    return [
        record
        for result in results
        if (result.second_dpi is not None) == second
        for record in result.records
        if record.measure == measure
    ]


def test_every_contour_is_found_where_it_is_with_its_excess(damaged: list[Result]) -> None:
    contours = of(damaged, "contour")
    assert not [c for c in contours if c.added]
    sure = [c for c in contours if c.sure]
    assert len(sure) >= 10
    assert all(c.found for c in sure)
    assert max(abs(c.errors["radius_mm"]) for c in sure) <= 0.03
    assert max(abs(c.errors["excess_de00"]) / max(EXCESS_DE00, EXCESS_PART * c.size) for c in sure) <= 1
    assert max(abs(c.errors["width_mm"]) for c in sure) <= 0.05


def test_every_flat_band_is_found(damaged: list[Result]) -> None:
    bands = of(damaged, "flat")
    assert not [band for band in bands if band.added]
    sure = [band for band in bands if band.sure]
    assert len(sure) >= 5
    assert all(band.found for band in sure)
    # a few bands have no 95th percentile to speak of: all but one within the goal
    assert sum(abs(band.errors["missing_de00"]) > 0.15 for band in sure) <= 1


def test_the_same_is_found_at_both_resolutions(damaged: list[Result]) -> None:
    pairs = [record for measure in ("contour", "flat") for record in of(damaged, measure, second=True)]
    assert len(pairs) >= 10
    assert not [record for record in pairs if record.sure and (record.added or not record.found)]


def test_hue_core_and_neutrals_are_as_printed(damaged: list[Result]) -> None:
    for measure, name, goal in (("hue", "degrees", 1.0), ("core", "core", 0.10), ("neutral", "lab_l", 0.2)):
        errors = [record.errors[name] for record in of(damaged, measure) if name in record.errors]
        assert all(abs(error) <= goal for error in errors), measure


def test_faint_rings_are_found_with_their_visibility(faint: list[Result]) -> None:
    rings = of(faint, "faint")
    assert not [ring for ring in rings if ring.added]
    sure = [ring for ring in rings if ring.sure]
    assert len(sure) >= 3
    assert all(ring.found for ring in sure)
    z = [ring.errors["visibility"] / ring.noise["visibility"] for ring in rings if "visibility" in ring.noise]
    assert np.mean(np.abs(z) <= 1.96) >= 0.9


@pytest.fixture(scope="module")
def clean() -> list[Result]:
    return scans("clean", 8)


def test_clean_prints_show_nothing(clean: list[Result]) -> None:
    assert sum(result.discs for result in clean) == 8
    assert not [r for result in clean for r in result.records if r.added and r.measure != "hue"]


@pytest.mark.xfail(strict=True, reason="the course of hue is one of several polynomials, and noise decides which")
def test_clean_prints_show_no_hue_swing(clean: list[Result]) -> None:
    assert not [record for record in of(clean, "hue") if record.added]


def test_a_stretched_and_wobbling_scan_is_placed() -> None:
    placed = place(PlacingCase(kind="residual", dpi=300, seed=1))
    assert placed.placed
    assert placed.residual_rms_mm <= 0.03
    assert placed.true_rms_mm <= 0.03


def test_intervals_are_the_published_ones() -> None:
    """Wilson's interval of 0 of 10 ends at z²/(n + z²): Wilson 1927, by its formula."""
    z = 1.959964
    figure = share(0, 10)
    assert (figure.low, figure.high) == pytest.approx((0.0, z * z / (10 + z * z)), abs=1e-6)
    # the largest of 59 is above the 95th percentile with a chance of 1 - 0.95⁵⁹ = 0.951: one-sided textbook case
    assert percentile(list(range(1, 21))).high == np.inf


def test_a_lost_and_an_added_finding_count() -> None:
    found, lost = Record("contour", "a", 1.0, errors={"radius_mm": 0.01}), Record("contour", "a", 1.0, found=False)
    added = Record("contour", "a", 1.0, added=True)
    result = Result(
        kind="damaged", printer="gloss", dpi=300, second_dpi=None, seed=1, discs=16, records=[found, lost, added]
    )
    by_name = {row.what: row for row in rows([result], [])}
    assert (by_name["damaged: contour found"].value, by_name["damaged: contour found"].met) == (0.5, False)
    assert by_name["damaged: contour added"].value == 1
    assert by_name["damaged: contour: radius"].value == pytest.approx(0.01)


def test_the_document_of_results_is_that_of_the_kept_ones() -> None:
    assert DOCUMENT.read_text(encoding="utf-8") == document(), "run, in tests: python -m bench.documents"
