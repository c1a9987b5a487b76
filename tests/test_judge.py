"""Judging: limits at their very edge, what is not judged, and TOML that is refused in plain words."""

from __future__ import annotations

import pytest
from report_samples import sample_print

from inkstrain.scoring.judge.judge import judge
from inkstrain.scoring.judge.tolerances import EXAMPLE_TOLERANCES, Tolerances, read_tolerances
from inkstrain.scoring.results.score import Score
from inkstrain.targets.errors import WrongUsageError

EVERYTHING_OFF = """
[ring]
max_excess_de00 = "off"
max_visible_rings = "off"
max_merged_mm = "off"
min_evenness = "off"
max_hue_swing_delta_h = "off"
max_reversal_l = "off"
max_ripple_l = "off"
max_banding_l = "off"
[hue_sweep]
max_order_breaks = "off"
max_merged_deg = "off"
[neutral_wedge]
runs_back = true
max_cast_c = "off"
[flat_field]
max_banding_l = "off"
"""


@pytest.fixture(scope="module")
def score() -> Score:
    return sample_print(basis="scanner-profile")[0]


@pytest.fixture
def tolerances_from(tmp_path):
    def read(text: str) -> Tolerances:
        path = tmp_path / "tolerances.toml"
        path.write_text(text, encoding="utf-8")
        return read_tolerances(path)

    return read


def only(tolerances_from, section: str, line: str) -> Tolerances:
    """Everything off but one limit."""
    name = line.split(" = ")[0]
    rest = "\n".join(text for text in EVERYTHING_OFF.splitlines() if not text.startswith(f"{name} = "))
    return tolerances_from(rest.replace(f"[{section}]", f"[{section}]\n{line}"))


def found(verdict, measure: str) -> set[str]:
    return {finding.element for finding in verdict.findings if finding.measure == measure}


def test_the_example_file_says_the_defaults(tolerances_from):
    assert tolerances_from(EXAMPLE_TOLERANCES) == Tolerances()
    assert tolerances_from("") == Tolerances()


def test_the_example_file_names_every_limit():
    for section, limits in Tolerances():
        assert f"[{section}]" in EXAMPLE_TOLERANCES
        for name in type(limits).model_fields:
            assert f"\n{name} = " in EXAMPLE_TOLERANCES


def test_nothing_asked_nothing_found(score, tolerances_from):
    verdict = judge(score, tolerances_from(EVERYTHING_OFF))
    assert verdict.within
    assert verdict.findings == ()
    assert verdict.not_judged == ()


@pytest.mark.parametrize(("limit", "expected"), [("1.7", 3), ("1.79", 0), ("1.8", 0)])
def test_merged_tones_as_wide_as_its_limit_is_within(score, tolerances_from, limit, expected):
    # the sample has three stretches of 1.80 ± 0.06 mm
    limits = only(tolerances_from, "ring", f"max_merged_mm = {limit}")
    assert len(found(judge(score, limits), "max_merged_mm")) == expected


@pytest.mark.parametrize(("limit", "expected"), [("0.70", 0), ("0.71", 0), ("0.715", 0), ("0.72", 1)])
def test_evenness_at_its_limit_or_below_it_within_its_error_is_within(score, tolerances_from, limit, expected):
    # the least even fade of the sample has 0.710 ± 0.008
    limits = only(tolerances_from, "ring", f"min_evenness = {limit}")
    assert len(found(judge(score, limits), "min_evenness")) == expected


def test_only_rings_of_one_threshold_or_more_count_as_visible(score, tolerances_from):
    limits = only(tolerances_from, "ring", "max_visible_rings = 0")
    # a faint ring counts; a ring of 0.6 thresholds does not
    assert found(judge(score, limits), "max_visible_rings") == {
        "ring-to-black-violet", "ring-to-black-blue", "ring-to-white-green",
    }  # fmt: skip


@pytest.mark.parametrize(("noise", "within"), [(0.1, False), (0.3, True)])
def test_a_ring_that_is_visible_only_within_its_error_does_not_count(score, tolerances_from, noise, within):
    ring = next(r for r in score.rings() if r.id == "ring-to-black-violet")
    one = ring.contours[0].model_copy(update={"visibility": 1.4, "visibility_noise": noise})
    alone = _with_element(score, ring.model_copy(update={"contours": (one,)}))
    verdict = judge(alone, only(tolerances_from, "ring", "max_visible_rings = 0"))
    assert (ring.id not in found(verdict, "max_visible_rings")) is within


@pytest.mark.parametrize(("noise", "outside"), [(0.1, True), (0.2, False), (None, True)])
def test_what_passes_its_limit_by_less_than_its_error_fails_nothing_and_is_listed(
    score, tolerances_from, noise, outside
):
    ring = next(r for r in score.rings() if r.id == "ring-to-black-violet")
    one = ring.contours[0].model_copy(update={"excess_de00": 1.0, "noise_de00": noise})
    alone = score.model_copy(update={"elements": (ring.model_copy(update={"contours": (one,)}),)})
    verdict = judge(alone, only(tolerances_from, "ring", "max_excess_de00 = 0.7"))
    assert (verdict.within, len(verdict.findings), len(verdict.within_error)) == (not outside, outside, not outside)


def test_the_ring_that_surely_passes_a_limit_is_named_and_not_the_one_of_the_largest_value(score, tolerances_from):
    ring = next(r for r in score.rings() if r.id == "ring-to-black-violet")
    unsure = ring.contours[0].model_copy(update={"excess_de00": 2.0, "noise_de00": 1.0})
    sure = ring.contours[0].model_copy(update={"excess_de00": 1.0, "noise_de00": 0.05})
    both = _with_element(score, ring.model_copy(update={"contours": (unsure, sure)}))
    verdict = judge(both, only(tolerances_from, "ring", "max_excess_de00 = 0.7"))
    assert [one.value for one in verdict.findings if one.element == ring.id] == [1.0]


def test_a_ring_of_unknown_visibility_is_not_judged_unless_the_known_ones_already_pass(score, tolerances_from):
    ring = next(r for r in score.rings() if r.id == "ring-to-black-violet")
    unknown = ring.contours[0].model_copy(update={"visibility": None})
    limits = only(tolerances_from, "ring", "max_visible_rings = 0")
    alone = _with_element(score, ring.model_copy(update={"contours": (unknown,)}))
    verdict = judge(alone, limits)
    assert ring.id not in found(verdict, "max_visible_rings")
    assert ring.id in {item.element for item in verdict.not_judged}
    both = _with_element(score, ring.model_copy(update={"contours": (unknown, ring.contours[0])}))
    assert ring.id in found(judge(both, limits), "max_visible_rings")


def test_what_was_not_measured_is_said_and_is_no_finding(score, tolerances_from):
    ring = score.rings()[0].model_copy(update={"evenness": None})
    verdict = judge(_with_element(score, ring), only(tolerances_from, "ring", "min_evenness = 0.5"))
    assert verdict.within
    assert [(item.element, item.text) for item in verdict.not_judged] == [(ring.id, "not measured")]


def test_colour_is_not_judged_where_it_is_only_assumed(score):
    everything = Tolerances.model_validate(
        {"ring": {"max_mean_de00": 0.0}, "patch_field": {"max_p95_de00": 0.0}, "neutral_wedge": {"max_cast_c": 0.0}}
    )
    assumed = sample_print(basis="assumed")[0]
    colour = {"max_mean_de00", "max_p95_de00", "max_cast_c", "max_hue_swing_delta_h", "max_excess_de00"}
    trusted, doubted = judge(score, everything), judge(assumed, everything)
    assert colour <= {finding.measure for finding in trusted.findings}
    assert not colour & {finding.measure for finding in doubted.findings}
    assert colour <= {item.measure for item in doubted.not_judged}
    # what rests on widths, order and evenness is judged the same
    rest = [finding for finding in trusted.findings if finding.measure not in colour]
    assert rest == list(doubted.findings)


def test_merged_hues_across_360_degrees_are_measured_the_short_way(score, tolerances_from):
    sweep = next(e for e in score.elements if e.kind == "hue-sweep")
    row = sweep.rows[0]
    wrapped = row.model_copy(update={"merged": (row.merged[0].model_copy(update={"from_deg": 350.0, "to_deg": 10.0}),)})
    changed = _with_element(score, sweep.model_copy(update={"rows": (wrapped,)}))
    limits = only(tolerances_from, "hue_sweep", "max_merged_deg = 20.0")
    assert judge(changed, limits).within
    stricter = only(tolerances_from, "hue_sweep", "max_merged_deg = 19.9")
    assert not judge(changed, stricter).within


def test_steps_that_run_back_or_merge_are_counted(score, tolerances_from):
    limits = only(tolerances_from, "neutral_wedge", "runs_back = false")
    assert found(judge(score, limits), "runs_back") == {"neutral-wedge"}
    for limit, expected in ((1, {"neutral-wedge"}), (2, set())):
        limits = only(tolerances_from, "neutral_wedge", f"max_merged_steps = {limit}")
        assert found(judge(score, limits), "max_merged_steps") == expected


def test_a_kept_score_is_judged_again_with_the_same_outcome(score):
    kept = Score.model_validate_json(score.model_dump_json(by_alias=True))
    assert judge(kept) == judge(score)
    assert judge(kept, Tolerances.model_validate({"ring": {"max_merged_mm": 5.0}})) != judge(score)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[ring]\nmax_merged = 1.0\n", ["ring.max_merged", "max_merged_mm"]),
        ("[ring]\nmax_flat_band_mm = 1.0\n", ["ring.max_flat_band_mm", "earlier", "max_merged_mm"]),
        ("[ring]\nmax_contours = 1\n", ["ring.max_contours", "max_visible_rings"]),
        ("[ring]\nmax_hue_swing_deg = 6\n", ["ring.max_hue_swing_deg", "max_hue_swing_delta_h"]),
        ("[neutral_wedge]\nmonotonic = true\n", ["neutral_wedge.monotonic", "runs_back"]),
        ("[rings]\n", ["rings", "neutral_wedge"]),
        ('[ring]\nmax_merged_mm = "wide"\n', ["ring.max_merged_mm", "number", "'wide'"]),
        ("[ring]\nmax_visible_rings = 1.5\n", ["ring.max_visible_rings", "integer", "1.5"]),
        ("[ring]\nmax_merged_mm = true\n", ["ring.max_merged_mm", "number"]),
        ("[ring]\nmax_merged_mm = nan\n", ["ring.max_merged_mm", "finite"]),
        ("[ring]\nmin_evenness = 1.2\n", ["ring.min_evenness", "less than or equal to 1"]),
        ("[ring]\nmax_visible_rings = -1\n", ["ring.max_visible_rings", "greater than or equal to 0"]),
        ("ring = 3\n", ["[ring]", "table"]),
        ("[ring\n", ["not valid TOML"]),
    ],
)
def test_a_wrong_file_is_refused_in_a_sentence_that_names_the_place(tolerances_from, text, words):
    with pytest.raises(WrongUsageError) as caught:
        tolerances_from(text)
    message = str(caught.value)
    assert "tolerances.toml" in message
    assert "\n" not in message
    for word in words:
        assert word in message


def test_a_missing_file_is_refused_in_a_sentence(tmp_path):
    with pytest.raises(WrongUsageError, match="cannot be read"):
        read_tolerances(tmp_path / "absent.toml")


def _with_element(score: Score, element) -> Score:
    elements = tuple(element if e.id == element.id else e for e in score.elements)
    return score.model_copy(update={"elements": elements})
