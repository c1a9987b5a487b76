"""Comparing two prints: what is claimed, what is not, and in which words."""

from __future__ import annotations

import json
import math
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from scipy import stats
from score_samples import HUES, ring, score, wedge

from inkstrain import compare
from inkstrain.scoring.compare.comparable import MEASURES, TOTALS, read_all
from inkstrain.scoring.compare.compare import label_prints
from inkstrain.scoring.jobs.comparing import compare_prints
from inkstrain.scoring.results.comparison import Comparison, Row
from inkstrain.scoring.results.firstscore import read_score
from inkstrain.scoring.results.schema import schemas
from inkstrain.scoring.results.score import ColourBasis, Conditions, Flag, Score, Scored
from inkstrain.scoring.words.plaintext import comparison_text
from inkstrain.targets.errors import CannotMeasureError, WrongUsageError

NONE = "no-difference-shown"
BLUE = "ring-to-white-blue"
FIRST = Conditions(printer="Alder (invented)", intent="relative")
SECOND = Conditions(printer="Rowan (invented)", intent="relative")


def versus(a: Score, b: Score) -> Comparison:
    return compare([a], [b], labels=("A", "B"))


def other(*elements: object, **given: object) -> Score:
    return score(*elements, **{"sha256": "b" * 64, "conditions": SECOND, **given})  # type: ignore[arg-type]


def total_of(comparison: Comparison, measure: str) -> Row:
    (found,) = [row for row in comparison.totals if row.measure == measure]
    return found


def row_of(comparison: Comparison, measure: str, element: str = BLUE) -> Row:
    (found,) = [row for row in comparison.rows if (row.element, row.measure) == (element, measure)]
    return found


def ended(end: str, **figures: object) -> list:
    return [ring(hue, end, **figures) for hue in HUES]


WORSE = {
    "excess_to_white": [ring("blue", contours=[(6.0, 3.0)])],
    "excess_to_black": [ring("blue", "black", contours=[(6.0, 3.0), (9.0, 0.5)])],
    "missing_to_white": [ring("blue", flats=[(5.0, 7.5)])],
    "missing_to_black": [ring("blue", "black", flats=[(5.0, 7.5)])],
    "evenness": [r for end in ("white", "black") for r in ended(end, evenness=0.9)],
    "reach": [r for end in ("white", "black") for r in ended(end, reach=0.8)],
    "mean_cast": [wedge(cast=4.0)],
}


@pytest.mark.parametrize("measure", WORSE)
def test_the_better_print_is_named_for_every_total_and_nothing_else_is_claimed(measure: str) -> None:
    comparison = versus(score(conditions=FIRST), other(*WORSE[measure]))
    assert {row.measure: row.verdict for row in comparison.totals} == {t.name: NONE for t in TOTALS} | {
        measure: "first"
    }
    assert {row.measure for row in comparison.rows if row.verdict == "first"} <= {MEASURES[measure].parts}
    assert not [row for row in comparison.rows if row.verdict == "second"]
    assert total_of(versus(score(*WORSE[measure]), other()), measure).verdict == "second"


def test_swapping_the_prints_swaps_the_answer_and_nothing_else() -> None:
    a, b = score(*WORSE["excess_to_white"], wedge(cast=3.0)), other(*WORSE["missing_to_black"])
    swap = {"first": "second", "second": "first"}
    one, mirror = versus(a, b), versus(b, a)
    assert any(row.verdict in swap for row in one.rows)
    for row, mirrored in zip((*one.totals, *one.rows), (*mirror.totals, *mirror.rows), strict=True):
        assert mirrored.verdict == swap.get(row.verdict, row.verdict)
        assert mirrored.values == row.values[::-1]
        assert mirrored.difference == pytest.approx(-(row.difference or 0.0))
        assert mirrored.smallest_showable == row.smallest_showable


def test_a_ring_on_one_of_two_like_prints_is_shown_with_its_fade() -> None:
    # of 0.9 ± 0.1 ΔE00: six times what a ring that was not reported could be off by
    comparison = versus(score(ring("blue", contours=[(6.0, 0.9)]), conditions=FIRST), other())
    assert total_of(comparison, "excess_to_white").verdict == "second"
    assert row_of(comparison, "excess").verdict == "second"


@pytest.mark.parametrize("excess", [0.25, 0.3, 0.45])
def test_a_ring_that_is_just_reported_may_be_one_that_is_just_not(excess: float) -> None:
    # reported from 0.25 ΔE00 and three standard errors of 0.1 on: its like on the other print may not have been
    comparison = versus(score(ring("blue", contours=[(6.0, excess)]), conditions=FIRST), other())
    assert {row.verdict for row in (*comparison.totals, *comparison.rows)} == {NONE}


@pytest.mark.parametrize("rings", [1, 3])
def test_a_difference_is_claimed_from_its_smallest_showable_on(rings: int) -> None:
    def against(size: float) -> Row:
        made = [ring(hue, contours=[(6.0, size)]) for hue in HUES[:rings]]
        return row_of(versus(score(*made, conditions=FIRST), other()), "excess", f"ring-to-white-{HUES[0]}")

    limit = against(3.0).smallest_showable
    assert limit is not None
    verdicts = [against(size).verdict for size in (0.5 * limit, 1.3 * limit)]
    assert verdicts == [NONE, "second"]


def test_a_ring_of_one_and_a_half_times_another_is_shown_where_both_have_one() -> None:
    a, b = score(ring("blue", contours=[(6.0, 2.0)]), conditions=FIRST), other(ring("blue", contours=[(6.0, 3.0)]))
    assert row_of(versus(a, b), "excess").verdict == "first"


def test_rings_in_unlike_places_are_shown_though_their_totals_are_alike() -> None:
    a = score(ring("blue", contours=[(6.0, 3.0)]), conditions=FIRST)
    comparison = versus(a, other(ring("cyan", contours=[(6.0, 3.0)])))
    assert total_of(comparison, "excess_to_white").verdict == NONE
    assert row_of(comparison, "excess").verdict == "second"
    assert row_of(comparison, "excess", "ring-to-white-cyan").verdict == "first"
    assert "neither is better in all, but single elements differ" in comparison.headline


def test_what_is_nothing_on_both_sides_is_left_out_and_costs_nothing() -> None:
    plain = versus(score(conditions=FIRST), other())
    assert not [row for row in plain.rows if row.measure in ("excess", "missing")]
    assert total_of(plain, "excess_to_white").chance is None
    counts = {row.measure: row.smallest_showable for row in plain.totals}
    with_ring = versus(score(*WORSE["excess_to_white"], conditions=FIRST), other(*WORSE["excess_to_white"]))
    assert all(total_of(with_ring, name).smallest_showable > counts[name] for name in ("black_l", "evenness"))


def test_readings_carry_the_errors_that_a_score_states() -> None:
    # root of the sum of squares (GUM, JCGM 100:2008, 5.1.2) of noise of 0.1 each
    readings = read_all(score(ring("blue", contours=[(5.0, 2.0), (8.0, 1.0)])))
    reading = readings[BLUE, "excess"]
    assert reading is not None
    assert (reading.value, reading.hidden_below) == (3.0, pytest.approx(0.6))
    # a score holds four decimals
    assert reading.standard_error == pytest.approx(0.1 * math.sqrt(2), abs=5e-5)
    total = readings["print", "excess_to_white"]
    assert total is not None
    assert (total.value, total.hidden_below) == (3.0, pytest.approx(0.6))
    assert readings["print", "reach"] is not None


def test_what_is_not_sure_enough_to_be_reported_is_not_missing() -> None:
    # one scan's error hides what the other reports: as much is there on both
    sure = ring("blue", flats=[(6.0, 7.1)], missing=Scored(value=2.2, noise=0.35, stretches=1))
    unsure = ring("blue", missing=Scored(value=2.2, noise=0.8, stretches=1))
    alike = versus(score(sure, conditions=FIRST), other(unsure))
    assert row_of(alike, "missing", BLUE).difference == 0.0
    # with nothing at all on the other side it is shown, as far as it is beyond the limit that stretches count from
    reading = read_all(score(sure))[BLUE, "missing"]
    assert reading is not None
    assert reading.hidden_below == pytest.approx(0.4)


def test_a_detour_is_no_gain() -> None:
    assert total_of(versus(score(*WORSE["reach"]), other()), "reach").verdict == "second"
    full, far = ([r for end in ("white", "black") for r in ended(end, reach=value)] for value in (1.0, 1.2))
    assert total_of(versus(score(*full), other(*far)), "reach").verdict == NONE


def noisy(seed: int, **given: object) -> Score:
    """Return a print of a kind, scanned: every reading off by draws with the standard deviations that are assumed."""
    draw = np.random.default_rng(seed).normal

    def off(size: float) -> float:
        return float(draw(0.0, size))

    rings = [
        ring(
            hue, end, evenness=0.9 + off(0.0018), reach=0.8 + off(0.0018), evenness_noise=0.0, reach_noise=0.0,
            contours=[(6.0, 2.0 + off(math.hypot(0.1, 0.05, 0.06)))] + ([(9.0, ring_at)] if ring_at > 0.3 else []),
            flats=[(9.0, 10.5 + off(math.hypot(0.1, 0.05, 0.09)) / 2)],
        )
        # the second ring comes and goes: its true size is that from which one is reported
        for end in ("white", "black") for hue in HUES for ring_at in (0.3 + off(0.11),)
    ]  # fmt: skip
    made = score(*rings, wedge(cast=2.4 + 2 * off(math.hypot(0.058, 0.037))), black_l=8.0 + off(0.092), **given)  # type: ignore[arg-type]
    return made


def test_like_prints_are_seldom_told_apart() -> None:
    runs = 100
    claims = 0
    for n in range(runs):
        a, b = noisy(2 * n, conditions=FIRST), noisy(2 * n + 1, conditions=SECOND, sha256="b" * 64)
        comparison = versus(a, b)
        claims += any(row.verdict != NONE for row in (*comparison.totals, *comparison.rows))
    # 5 % in a whole comparison: no more than the 99.9 % quantile of as many fair draws
    assert claims <= stats.binom.ppf(0.999, runs, 0.05)


def test_the_question_that_is_answered_is_said() -> None:
    def named(name: str | None, sha256: str, **stated: object) -> Score:
        return score(conditions=FIRST.model_copy(update={"print_name": name, **stated}), sha256=sha256 * 64)

    questions = {
        "one-sheet": (named("1", "a"), named("1", "b")),
        "two-sheets": (named("1", "a"), named("2", "b")),
        "two-ways": (named("1", "a"), named("1", "b", printer="Rowan (invented)")),
    }
    limits = {}
    for question, (a, b) in questions.items():
        comparison = versus(a, b)
        assert comparison.question == question
        limits[question] = total_of(comparison, "black_l").smallest_showable
    assert limits["one-sheet"] < limits["two-sheets"] == limits["two-ways"]
    assert "says nothing of printers" in versus(*questions["one-sheet"]).noise.text
    assert "unlike its kind" in versus(*questions["two-sheets"]).noise.text
    assert "assumed, without a source" in versus(*questions["two-ways"]).noise.text
    # where nothing is stated nothing is known
    assert versus(score(), score(sha256="b" * 64)).question == "two-ways"
    assert versus(named(None, "a"), named(None, "b")).question == "two-sheets"


def test_repeats_narrow_what_can_be_shown_and_are_foretold() -> None:
    limits = []
    for n in (1, 2, 3, 5, 8):
        row = total_of(compare([score(conditions=FIRST)] * n, [other()] * n), "evenness")
        limits.append(row.smallest_showable or 0.0)
        assert row.with_another_print is not None
        assert row.with_another_print < limits[-1]
        assert row.rests_on == ("assumed" if n == 1 else "prints")
    assert limits == sorted(limits, reverse=True)


@pytest.mark.parametrize(
    ("second", "reason", "measures"),
    [
        (other(chart="OTHERBBB"), "the charts are different", set(MEASURES)),
        (
            other(basis="assumed"), "the colour bases are of different kinds",
            {"reach", "excess_to_white", "missing_to_black", "mean_cast", "black_l", "colours"},
        ),
        (other(ring("blue", evenness=None, reach=None)), "not the same elements were measured", {"excess_to_white"}),
        (other(*(ring(h, e) for e in ("white", "black") for h in HUES), only=True), "not", {"mean_cast", "black_l"}),
        (other(black_l=None), "not measured on the second print", {"black_l"}),
        (other(ring("blue", resolution_mm=0.13)), "one scan is less sharp", {"excess_to_white", "evenness"}),
    ],
)  # fmt: skip
def test_what_cannot_be_compared_says_why(second: Score, reason: str, measures: set[str]) -> None:
    comparison = versus(score(conditions=FIRST), second)
    rows = [row for row in (*comparison.totals, *comparison.rows) if row.verdict == "cannot-compare"]
    assert measures - {"excess", "missing"} <= {row.measure for row in rows if (row.reason or "").startswith(reason)}
    for row in rows:
        assert row.difference is row.uncertainty is row.smallest_showable is None
    assert "cannot be compared" in comparison.headline


def test_a_fade_that_one_print_lacks_leaves_the_others_compared() -> None:
    lacking = other(ring("blue", evenness=None, reach=None), ring("red", contours=[(6.0, 3.0)]))
    comparison = versus(score(conditions=FIRST), lacking)
    assert row_of(comparison, "excess", "ring-to-white-red").verdict == "first"


def test_a_print_against_itself_shows_nothing_and_says_why() -> None:
    comparison = versus(score(), score())
    assert {row.verdict for row in (*comparison.totals, *comparison.rows)} == {NONE}
    assert any("same scan" in sentence for sentence in comparison.summary)


def test_fairness_tells_what_is_compared_from_what_spoils_it() -> None:
    b = other(conditions=SECOND.model_copy(update={"paper": "cotton"}), basis="assumed")
    points = {point.what: point for point in versus(score(conditions=FIRST), b).fairness}
    assert (points["printer"].kind, points["printer"].values) == ("condition", ("Alder (invented)", "Rowan (invented)"))
    assert points["paper"].values == ("not said", "cotton")
    assert (points["colour basis"].kind, points["colour basis"].alike) == ("fault", False)
    assert points["chart"].alike
    assert "intent" not in points


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


def test_the_headline_says_who_is_better_in_what_and_the_summary_which_fades_decide_it() -> None:
    sizes = {"blue": 4.0, "cyan": 2.0, "red": 1.0, "green": 2.5}
    a = score(*(ring(hue, contours=[(6.1, size)]) for hue, size in sizes.items()), conditions=FIRST, black_l=9.5)
    b = other(ring("blue", contours=[(6.1, 1.0)]), ring("red", "black", flats=[(4.0, 6.0)]), wedge(cast=4.0))
    comparison = compare([a], [b])
    assert plain(comparison.headline) == (
        "Rowan (invented) has fewer and fainter rings, 1 against 4, the strongest 1.0 against 4.0, in the fades to "
        "white (in all 1.0 against 9.5 ΔE00). "
        "Alder (invented) merges no tones, against 1 stretch, in the fades to black (in all none against 4.0 "
        "ΔE00). "
        "Rowan (invented) has the deeper black (L* 8.0 against 9.5). "
        "Alder (invented) has the more neutral grey (C* 0.6 against 2.0). "
        "No difference is shown in rings to black, merged tones to white, evenness, reach or colours as asked."
    )
    text = plain(" ".join(comparison.summary))
    assert (
        "Rings to white: Rowan (invented) is better on blue to white (1.0 against 4.0 ΔE00); green to white (none "
        "against 2.5 ΔE00); cyan to white (none against 2.0 ΔE00), and 1 more." in text
    )
    assert "one more sheet on each side would bring them to about 0." in text
    assert "Smallest differences that would show: rings to white " in text


def test_nothing_shown_is_a_result_and_names_what_was_asked() -> None:
    headline = versus(score(conditions=FIRST), other()).headline
    assert headline.startswith("No difference is shown between A and B in rings to white, rings to black, merged tones")


def test_three_prints_are_ranked_by_totals_with_their_ties() -> None:
    a, b, c = score(black_l=8.0), score(black_l=8.3, sha256="b" * 64), score(black_l=9.5, sha256="c" * 64)
    comparison = compare_prints([[a], [b], [c]], labels=("A", "B", "C"))
    places = {s.print: s for s in comparison.ranking if s.measure == "black_l"}
    assert places[0].not_told_from == (1,)
    assert places[0].ahead_of == places[1].ahead_of == (2,)
    assert [(s.best_place, s.worst_place) for s in places.values()] == [(1, 2), (1, 2), (3, 3)]
    assert {row.pair for row in comparison.rows} == {(0, 1), (0, 2), (1, 2)}
    assert "Depth of black: place 1 to 2 A and B; place 3 C." in comparison.summary
    assert comparison.headline.startswith("Nothing here is shown to be better than A and B in anything.")


def test_more_pairs_need_larger_differences() -> None:
    two = compare([score()], [score(sha256="b" * 64)])
    three = compare_prints([[score()], [score(sha256="b" * 64)], [score(sha256="c" * 64)]])
    limits = [{r.measure: r.smallest_showable for r in c.totals if r.pair == (0, 1)} for c in (two, three)]
    assert all(limits[1][name] > limits[0][name] for name in ("black_l", "evenness", "colours"))


def test_names_of_prints_part_scans_from_sheets() -> None:
    def named(name: str, sha: str) -> Score:
        return score(sha256=sha * 64, conditions=Conditions(print_name=name))

    comparison = compare([named("1", "a"), named("1", "b")], [named("2", "c"), named("3", "d"), named("3", "e")])
    assert [(p.scores, p.sheets) for p in comparison.prints] == [(2, 1), (3, 2)]
    assert (comparison.noise.repeated_scans, comparison.noise.repeated_prints) == (2, 1)
    assert "learnt from repeats (2 scans of 1 sheet, 3 scans of 2 sheets)" in comparison.noise.text


def test_colours_that_are_apart_are_stated_beside_what_like_prints_are() -> None:
    lighter = ring("blue").model_copy(
        update={
            "course": ring("blue").course.model_copy(update={"lab": tuple((light + 5, a, b) for light, a, b in COURSE)})
        }
    )
    rows = {row.element: row for row in versus(score(), other(lighter)).colours}
    assert rows[BLUE].apart_de00 > 3.0 > rows[BLUE].alike_de00
    assert rows[BLUE].change_lab == pytest.approx((5.0, 0.0, 0.0))
    assert rows["ring-to-white-red"].apart_de00 == 0.0


COURSE = ring("blue").course.lab


def test_two_unlike_conditions_are_not_told_apart() -> None:
    b = other(conditions=SECOND.model_copy(update={"intent": "perceptual"}))
    assert any(
        s.startswith("2 conditions differ (printer, intent)") for s in compare([score(conditions=FIRST)], [b]).summary
    )


def test_labels_are_what_differs() -> None:
    assert label_prints(score(conditions=FIRST), score(conditions=SECOND)) == ("Alder (invented)", "Rowan (invented)")
    same = (score(conditions=FIRST), score(conditions=FIRST))
    assert label_prints(*same) == ("first", "second")
    assert label_prints(*same, fallback=("monday", "friday")) == ("monday", "friday")
    assert label_prints(*same, fallback=("score", "score")) == ("first", "second")


def test_a_comparison_survives_json_and_its_schema(tmp_path: Path) -> None:
    comparison = versus(score(*WORSE["reach"]), other(black_l=None))
    path = tmp_path / "c.json"
    path.write_text(comparison.model_dump_json(), encoding="utf-8")
    assert Comparison.model_validate_json(path.read_text(encoding="utf-8")) == comparison
    document = json.loads(path.read_text(encoding="utf-8"))
    assert document["schema"] == "inkstrain/compare/2"
    jsonschema.Draft202012Validator(schemas()["compare"]).validate(document)


def test_two_fits_are_said_to_stand_in_the_difference() -> None:
    def under(kind: str, note: str) -> Score:
        basis = ColourBasis.model_validate({"kind": kind, "note": note})
        return score(sha256=note * 64).model_copy(update={"colour_basis": basis})

    for kind, says in (("scanner-fit", "Two fits"), ("borrowed", "Borrow from one")):
        (point,) = (p for p in compare([under(kind, "a")], [under(kind, "b")]).fairness if p.what == "scanner fit")
        assert not point.alike
        assert says in str(point.text)
        assert not any(p.what == "scanner fit" for p in compare([under(kind, "a")], [under(kind, "a")]).fairness)


@pytest.mark.parametrize("content", [None, "", "{}", "[1]", '{"schema": "inkstrain/key/1"}', "\x00\xff"])
def test_what_is_no_score_is_said_in_a_sentence(tmp_path: Path, content: str | None) -> None:
    path = tmp_path / "s.json"
    if content is not None:
        path.write_text(content, encoding="latin-1")
    with pytest.raises(CannotMeasureError, match=r"s\.json"):
        read_score(path)


def test_nothing_and_mixed_charts_are_refused() -> None:
    with pytest.raises(WrongUsageError):
        compare([], [score()])
    with pytest.raises(WrongUsageError):
        compare([score(), score(chart="OTHERBBB")], [score()])


@pytest.mark.parametrize("width", [40, 80, 120])
def test_the_text_keeps_to_its_width(width: int) -> None:
    comparison = compare([score(*WORSE["reach"], conditions=FIRST)], [score(conditions=SECOND)])
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
    flag = Flag(code="head-banding", text="stripes across the sheet every 5.40 mm")
    a, b = (score(sha256=s * 64).model_copy(update={"flags": (flag,)}) for s in "ab")
    comparison = compare([a], [b])
    (point,) = [point for point in comparison.fairness if point.what == "stripes and missing lines"]
    assert (point.alike, point.values) == (False, ("stripes", "stripes"))
    assert any("may not be healthy" in sentence for sentence in comparison.summary)


def test_unlike_scanners_are_said() -> None:
    a, b = (score(conditions=Conditions(scanner=name), sha256=s * 64) for name, s in (("flat", "a"), ("other", "b")))
    assert any("scanner differs (flat against other)" in sentence for sentence in compare([a], [b]).summary)
