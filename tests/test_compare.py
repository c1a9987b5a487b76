"""Comparing two prints: what is claimed, what is not, and in which words."""

from __future__ import annotations

import json
import math
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from scipy import stats
from score_samples import HUES, ring, score, sweep, wedge

from inkstrain.scoring.comparable import MEASURES
from inkstrain.scoring.compare import (
    Comparison,
    Row,
    compare,
    label_prints,
    read_comparison,
    read_score,
)
from inkstrain.scoring.model import ColourBasis, Conditions, Score
from inkstrain.scoring.plaintext import comparison_text
from inkstrain.scoring.schema import schemas
from inkstrain.targets.errors import CannotMeasureError, WrongUsageError

NONE = "no-difference-shown"
BLUE = "ring-to-white-blue"
FIRST = Conditions(printer="Alder", intent="relative")
SECOND = Conditions(printer="Rowan", intent="relative")


def row_of(comparison: Comparison, measure: str, element: str = BLUE) -> Row:
    (found,) = [row for row in comparison.rows if (row.element, row.measure) == (element, measure)]
    return found


def versus(a: Score, b: Score) -> Comparison:
    return compare([a], [b], labels=("A", "B"))


def test_one_row_alone_has_the_repeatability_limit() -> None:
    # ISO 5725-6:1994: r = 2.8 s_r for two single results (2.77 before rounding)
    (row,) = versus(score(only=True), score(only=True, black_l=8.2)).rows
    floor = MEASURES["black_l"].floor
    assert row.smallest_showable == pytest.approx(2.77 * floor, abs=0.005 * floor)
    assert row.uncertainty == pytest.approx(math.sqrt(2) * floor)


@pytest.mark.parametrize(("black_l", "verdict"), [(8.27, "no-difference-shown"), (8.28, "first"), (7.72, "second")])
def test_a_difference_is_claimed_from_its_limit_on(black_l: float, verdict: str) -> None:
    (row,) = versus(score(only=True), score(only=True, black_l=black_l)).rows
    assert row.verdict == verdict
    assert row.difference == pytest.approx(black_l - 8.0)


WORSE = {
    "contours": ring("blue", contours=[(5.0, 3.0), (7.0, 3.0), (9.0, 3.0), (11.0, 3.0)]),
    "worst_contour": ring("blue", contours=[(5.0, 8.0)]),
    "widest_flat_band": ring("blue", flats=[(5.0, 7.5)]),
    "evenness": ring("blue", evenness=0.7),
    "reach": ring("blue", reach=0.7),
    "core": ring("blue", core_mm=2.0),
    "first_from_black": wedge(first_from_black=9),
    "mean_cast": wedge(cast=4.0),
    "worst_cast": wedge(cast=4.0),
    "merged_full": sweep(merged=[(200.0, 240.0)]),
    "chroma_full": sweep(chroma=40.0),
}


@pytest.mark.parametrize("measure", WORSE)
def test_the_better_print_is_named_for_every_measure(measure: str) -> None:
    worse = WORSE[measure]
    comparison = versus(score(), score(worse, sha256="b" * 64))
    assert row_of(comparison, measure, worse.id).verdict == "first"
    assert row_of(versus(score(worse), score(sha256="b" * 64)), measure, worse.id).verdict == "second"
    if measure in ("evenness", "reach", "core"):
        assert sum(row.verdict != "no-difference-shown" for row in comparison.rows) == 1


def test_swapping_the_prints_swaps_the_answer_and_nothing_else() -> None:
    a, b = score(WORSE["worst_contour"], wedge(cast=3.0)), score(WORSE["evenness"], sha256="b" * 64)
    swap = {"first": "second", "second": "first"}
    one, other = versus(a, b), versus(b, a)
    assert any(row.verdict in swap for row in one.rows)
    for row, mirrored in zip(one.rows, other.rows, strict=True):
        assert mirrored.verdict == swap.get(row.verdict, row.verdict)
        assert mirrored.values == row.values[::-1]
        assert mirrored.difference == pytest.approx(-(row.difference or 0.0))
        assert mirrored.smallest_showable == row.smallest_showable


@pytest.mark.parametrize(("contrast", "verdict"), [(1.1, NONE), (5.9, NONE), (6.3, "second")])
def test_no_contour_may_be_one_just_under_the_smallest_that_is_reported(contrast: float, verdict: str) -> None:
    comparison = versus(score(ring("blue", contours=[(6.0, contrast)])), score(sha256="b" * 64))
    assert row_of(comparison, "worst_contour").verdict == verdict


def test_no_flat_band_may_be_one_too_short_to_report() -> None:
    # the file moves 4 ΔE00 a mm: a stretch under 0.5 mm moves less than 2 ΔE00 and is not reported
    least = 2.0 / 4.0
    limit = row_of(versus(score(), score(sha256="b" * 64)), "widest_flat_band").smallest_showable
    assert limit is not None
    assert limit > least
    for width, verdict in ((limit - 0.01, NONE), (limit + 0.01, "second")):
        comparison = versus(score(ring("blue", flats=[(5.0, 5.0 + width)])), score(sha256="b" * 64))
        assert row_of(comparison, "widest_flat_band").verdict == verdict


def noisy(seed: int, sha256: str, shift: float = 0.0) -> Score:
    """Return a scan of the same print: every reading off by a draw with the standard deviation that is assumed."""
    draw = np.random.default_rng(seed).normal

    def off(measure: str) -> float:
        return float(draw(0.0, MEASURES[measure].floor))

    rings = [
        ring(
            hue, end, evenness=0.9 + off("evenness") - (shift if (hue, end) == ("blue", "white") else 0.0),
            reach=0.8 + off("reach"), core_mm=1.0 + off("core"),
            contours=[(6.0, 4.0 + off("worst_contour"))], flats=[(9.0, 11.0 + off("widest_flat_band"))],
        )
        for end in ("white", "black") for hue in HUES
    ]  # fmt: skip
    chroma = sweep(chroma=60.0 + off("chroma_full"))
    return score(*rings, chroma, sha256=sha256, black_l=8.0 + off("black_l"))


def test_two_fits_are_said_to_stand_in_the_difference() -> None:
    def under(kind: str, note: str) -> Score:
        basis = ColourBasis.model_validate({"kind": kind, "note": note})
        return score(sha256=note * 64).model_copy(update={"colour_basis": basis})

    for kind, says in (("scanner-fit", "Two fits"), ("borrowed", "Borrow from one")):
        (point,) = (p for p in compare([under(kind, "a")], [under(kind, "b")]).fairness if p.what == "scanner fit")
        assert not point.alike
        assert says in str(point.text)
        assert not any(p.what == "scanner fit" for p in compare([under(kind, "a")], [under(kind, "a")]).fairness)


def test_two_scans_of_one_print_are_seldom_told_apart() -> None:
    runs = 100
    claims = sum(
        any(row.verdict != NONE for row in versus(noisy(2 * i, "a" * 64), noisy(2 * i + 1, "b" * 64)).rows)
        for i in range(runs)
    )  # fmt: skip
    # family-wise 5 %: no more than the 99.9 % quantile of as many fair draws
    assert claims <= stats.binom.ppf(0.999, runs, 0.05)


def test_one_and_a_half_times_the_limit_is_found_nine_times_in_ten() -> None:
    limit = row_of(versus(noisy(1, "a" * 64), noisy(2, "b" * 64)), "evenness").smallest_showable
    assert limit is not None
    runs = 40
    found = sum(
        row_of(versus(noisy(2 * i, "a" * 64), noisy(2 * i + 1, "b" * 64, 1.5 * limit)), "evenness").verdict == "first"
        for i in range(runs)
    )
    assert found >= 0.9 * runs


def test_repeats_narrow_what_can_be_shown() -> None:
    limits = [
        row_of(compare([score()] * n, [score(sha256="b" * 64)] * n), "evenness").smallest_showable or 0.0
        for n in (1, 2, 3, 5, 8)
    ]
    assert limits == sorted(limits, reverse=True)
    # no better than means do, though the repeats do not spread at all
    assert limits[-1] > limits[0] / 8


def test_one_more_print_brings_what_was_foretold_if_it_spreads_as_assumed() -> None:
    row = row_of(compare([score()], [score(sha256="b" * 64)]), "evenness")
    floor = MEASURES["evenness"].floor
    a, b = ([score(ring("blue", evenness=0.95 + s * floor / math.sqrt(2)), sha256=h) for s in (-1, 1)] for h in "ab")
    after = row_of(compare(a, b), "evenness")
    assert row.with_another_print is not None
    assert after.rests_on == "prints"
    assert after.smallest_showable == pytest.approx(row.with_another_print, rel=0.02)


@pytest.mark.parametrize(
    ("other", "reason", "measures"),
    [
        (score(chart="OTHERBBB"), "the charts are different", None),
        (score(basis="assumed"), "the colour bases are of different kinds", {"reach", "worst_contour", "mean_cast"}),
        (score(dpi=600.0), "the scan resolutions are too far apart", {"core", "widest_flat_band"}),
        (score(ring("blue", evenness=None)), "not measured on the second print", None),
        (score(ring("blue"), only=True), "not on the second print's scans", None),
        (score(black_l=None), "not measured on the second print", {"black_l"}),
    ],
)  # fmt: skip
def test_what_cannot_be_compared_says_why(other: Score, reason: str, measures: set[str] | None) -> None:
    rows = [row for row in versus(score(), other).rows if row.verdict == "cannot-compare"]
    assert {row.reason for row in rows} == {reason}
    if measures is not None:
        assert measures <= {row.measure for row in rows}
    for row in rows:
        assert row.difference is None
        assert row.uncertainty is None
        assert row.smallest_showable is None


def test_a_resolution_half_as_fine_again_still_compares_widths() -> None:
    comparison = versus(score(dpi=400.0), score(dpi=600.0))
    assert not any(row.verdict == "cannot-compare" for row in comparison.rows)
    (point,) = [point for point in comparison.fairness if point.what == "scan resolution"]
    assert not point.alike


def test_a_print_against_itself_shows_nothing_and_says_why() -> None:
    comparison = versus(score(), score())
    assert {row.verdict for row in comparison.rows} == {"no-difference-shown"}
    assert any("same scan" in sentence for sentence in comparison.summary)


def test_fairness_tells_what_is_compared_from_what_spoils_it() -> None:
    a = score(conditions=FIRST)
    b = score(conditions=SECOND.model_copy(update={"paper": "cotton"}), basis="assumed", sha256="b" * 64)
    points = {point.what: point for point in compare([a], [b]).fairness}
    assert (points["printer"].kind, points["printer"].values) == ("condition", ("Alder", "Rowan"))
    assert points["paper"].values == ("not said", "cotton")
    assert (points["colour basis"].kind, points["colour basis"].alike) == ("fault", False)
    assert points["chart"].alike
    assert "intent" not in points


def test_the_summary_says_what_differs_where_by_how_much_and_what_does_not() -> None:
    a = score(ring("blue", contours=[(6.1, 7.9)]), conditions=FIRST)
    b = score(wedge(cast=4.0), conditions=SECOND, sha256="b" * 64)
    comparison = compare([a], [b])
    text = " ".join(comparison.summary)
    assert comparison.summary[0].startswith("Alder is better in 2 measures and Rowan is better in 1 measure; in ")
    assert "Strongest contour: Rowan is better on blue to white (none against 7.9 ΔE00)." in text
    assert "Worst cast: Alder is better on neutral wedge (1.2 against 4.0 C*)." in text
    assert "No difference is shown in" in text
    assert "evenness (0.07)" in text
    assert "one scan of each print" in text
    assert "one more print on each side would bring it to about 0." in text


def test_two_unlike_conditions_are_not_told_apart() -> None:
    a, b = score(conditions=FIRST), score(conditions=Conditions(printer="Rowan", intent="perceptual"))
    assert any(s.startswith("2 conditions differ (printer, intent)") for s in compare([a], [b]).summary)


def test_labels_are_what_differs() -> None:
    assert label_prints(score(conditions=FIRST), score(conditions=SECOND)) == ("Alder", "Rowan")
    same = (score(conditions=FIRST), score(conditions=FIRST))
    assert label_prints(*same) == ("first", "second")
    assert label_prints(*same, fallback=("monday", "friday")) == ("monday", "friday")
    assert label_prints(*same, fallback=("score", "score")) == ("first", "second")


def test_a_comparison_survives_json_and_its_schema(tmp_path: Path) -> None:
    comparison = versus(score(WORSE["reach"]), score(black_l=None, sha256="b" * 64))
    path = tmp_path / "c.json"
    path.write_text(comparison.model_dump_json(), encoding="utf-8")
    assert read_comparison(path) == comparison
    jsonschema.Draft202012Validator(schemas()["compare"]).validate(json.loads(path.read_text(encoding="utf-8")))


def test_a_score_survives_json_and_its_schema(tmp_path: Path) -> None:
    original = score(WORSE["contours"], WORSE["merged_full"])
    path = tmp_path / "s.json"
    path.write_text(original.model_dump_json(), encoding="utf-8")
    assert read_score(path) == original
    document = json.loads(path.read_text(encoding="utf-8"))
    validator = jsonschema.Draft202012Validator(schemas()["score"])
    validator.validate(document)
    document["elements"][5]["contours"][0]["contrast_de00"] = "much"
    with pytest.raises(jsonschema.ValidationError):
        validator.validate(document)


@pytest.mark.parametrize("content", [None, "", "{}", "[1]", '{"schema": "inkstrain/key/1"}', "\x00\xff"])
def test_what_is_no_score_is_told_in_a_sentence(tmp_path: Path, content: str | None) -> None:
    path = tmp_path / "s.json"
    if content is not None:
        path.write_text(content, encoding="latin-1")
    for read in (read_score, read_comparison):
        with pytest.raises(CannotMeasureError, match=r"s\.json"):
            read(path)


def test_nothing_and_mixed_charts_are_refused() -> None:
    with pytest.raises(WrongUsageError):
        compare([], [score()])
    with pytest.raises(WrongUsageError):
        compare([score(), score(chart="OTHERBBB")], [score()])


@pytest.mark.parametrize("width", [40, 80, 120])
def test_the_text_keeps_to_its_width(width: int) -> None:
    comparison = compare([score(WORSE["reach"], conditions=FIRST)], [score(conditions=SECOND)])
    lines = comparison_text(comparison, width=width).splitlines()
    assert max(map(len, lines)) <= width
    assert lines[0].startswith("Alder")


@pytest.mark.parametrize(
    ("hours", "alike", "said"),
    [
        ((None, None), True, "Not noted"),
        ((24.0, None), False, "Noted for some only"),
        ((2.0, 24.0), False, "as the makers advise"),
        ((24.0, 72.0), True, None),
        ((3.0, 3.5), True, None),
    ],
)
def test_drying_times_are_looked_at(hours: tuple[float | None, ...], alike: bool, said: str | None) -> None:
    a, b = (score(conditions=Conditions(drying_h=h), sha256=s * 64) for h, s in zip(hours, "ab", strict=True))
    (point,) = [point for point in compare([a], [b]).fairness if point.what == "drying time"]
    assert point.alike == alike
    assert (point.text is None) == (said is None)
    assert (said or "") in (point.text or "")


def test_stripes_spoil_a_comparison_even_where_both_prints_have_them() -> None:
    flag = "head-banding: stripes across the sheet every 5.40 mm"
    a, b = (score(sha256=s * 64).model_copy(update={"flags": (flag,)}) for s in "ab")
    comparison = compare([a], [b])
    (point,) = [point for point in comparison.fairness if point.what == "stripes and missing lines"]
    assert (point.alike, point.values) == (False, ("stripes", "stripes"))
    assert any("may not be healthy" in sentence for sentence in comparison.summary)


def test_unlike_scanners_are_told() -> None:
    a, b = (score(conditions=Conditions(scanner=name), sha256=s * 64) for name, s in (("flat", "a"), ("other", "b")))
    assert any("scanner differs (flat against other)" in sentence for sentence in compare([a], [b]).summary)
