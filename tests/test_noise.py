"""The noise floor: variance components, moderated variances, Holm's rule and colour noise against the outside."""

from __future__ import annotations

import math

import numpy as np
import pytest
from repeat_samples import claims, found
from scipy import stats
from score_samples import score

from inkstrain.scoring.colours import apart_de00, mean_square_de00
from inkstrain.scoring.compare import compare, compare_prints
from inkstrain.scoring.holm import holm
from inkstrain.scoring.nested import REPEATABILITY, Nested, Spread, combined, fit_prior, nested
from inkstrain.scoring.noise import RowRepeats, learn_noise

# Calcium in turnip leaves: four plants, three leaves of each, two determinations of each (Snedecor and Cochran,
# Statistical Methods, nested sampling; data and mean squares from memory): mean squares 0.3288 among leaves of a plant
# and 0.0067 among determinations, hence components 0.1610 and 0.0067.
TURNIP = [
    [[3.28, 3.09], [3.52, 3.48], [2.88, 2.80]],
    [[2.46, 2.44], [1.87, 1.92], [2.19, 2.19]],
    [[2.77, 2.66], [3.74, 3.44], [2.55, 2.55]],
    [[3.78, 3.87], [4.07, 4.12], [3.31, 3.31]],
]


def test_the_worked_example_of_nested_sampling() -> None:
    found_ = nested(TURNIP)
    assert (found_.scan.freedom, found_.between.freedom, found_.scans_per_print) == (12, 8, 2.0)
    assert found_.scan.variance == pytest.approx(0.0067, abs=5e-5)
    assert found_.between.variance == pytest.approx(0.3288, abs=5e-5)
    assert found_.print_deviation == pytest.approx(math.sqrt(0.1610), abs=1e-4)


def test_iso_5725_limits() -> None:
    # ISO 5725-6:1994: r = 2.8 s_r (2.77 before rounding); critical difference of two means of n: 2.8 s_r / sqrt(n)
    assert pytest.approx(2.77, abs=0.005) == REPEATABILITY
    found_ = nested(TURNIP)
    assert found_.repeatability_limit == pytest.approx(2.77 * math.sqrt(0.0067), rel=0.005)
    assert found_.print_limit == pytest.approx(2.77 * math.sqrt(0.0067 + 0.1610), rel=0.005)
    noise = learn_noise({"row": RowRepeats(repeats=nested([[[1.0]]]), assumed=1.0, kind="value")})["row"]
    assert 1.96 * math.sqrt(noise.of_difference([1] * 5, [1] * 5).variance) == pytest.approx(1.240, abs=0.001)


def test_a_balanced_design_agrees_with_a_mixed_model() -> None:
    import pandas as pd
    from statsmodels.regression.mixed_linear_model import MixedLM

    draw = np.random.default_rng(3)
    prints, scans = 12, 3
    values = 5.0 + draw.normal(0, 2.0, (prints, 1)) + draw.normal(0, 1.0, (prints, scans))
    frame = pd.DataFrame({"value": values.ravel(), "sheet": np.repeat(np.arange(prints), scans), "one": 1.0})
    fitted = MixedLM(frame["value"], frame[["one"]], groups=frame["sheet"]).fit(reml=True)
    found_ = nested([values.tolist()])
    # in balanced designs REML and analysis of variance agree where no component is negative
    assert found_.scan.variance == pytest.approx(float(fitted.scale), rel=1e-3)
    assert (found_.print_deviation or 0.0) ** 2 == pytest.approx(float(fitted.cov_re.iloc[0, 0]), rel=1e-3)


def test_an_unbalanced_design_is_unbiased() -> None:
    draw = np.random.default_rng(4)
    counts = ((1, 4, 2), (3, 1), (2,))
    scan, between = [], []
    for _ in range(4000):
        values = [[(p + draw.normal(0, 1.0, n)).tolist() for n, p in zip(c, draw.normal(0, 2.0, len(c)), strict=True)]
                  for c in counts]  # fmt: skip
        found_ = nested(values)
        scan.append(found_.scan.variance)
        between.append((found_.between.variance - found_.scan.variance) / found_.scans_per_print)
    assert np.mean(scan) == pytest.approx(1.0, abs=4 * np.std(scan) / math.sqrt(4000))
    assert np.mean(between) == pytest.approx(4.0, abs=4 * np.std(between) / math.sqrt(4000))


def test_one_scan_each_has_no_components() -> None:
    empty = nested([[[1.0]], [[2.0]]])
    assert (empty.scan.freedom, empty.between.freedom) == (0, 0)
    assert empty.scan_deviation is empty.print_deviation is empty.print_limit is empty.repeatability_limit is None
    assert nested([[[1.0], [2.0]]]).print_deviation is None


def test_satterthwaite_as_welch() -> None:
    # Welch's freedom of two variances over their numbers, by scipy
    a, b = [1.0, 2.0, 4.0, 7.0], [2.0, 2.5, 2.2]
    parts = [(1 / len(x), Spread(variance=float(np.var(x, ddof=1)), freedom=len(x) - 1)) for x in (a, b)]
    assert combined(*parts).freedom == pytest.approx(stats.ttest_ind(a, b, equal_var=False).df)


def test_the_prior_is_found_again() -> None:
    # variances drawn as Smyth 2004 models them: scaled inverse chi-square about 0.5 worth 6 degrees of freedom
    draw = np.random.default_rng(5)
    true = 0.5 * 6 / draw.chisquare(6, 20000)
    seen = true * draw.chisquare(3, 20000) / 3
    prior = fit_prior([Spread(variance=float(v), freedom=3) for v in seen])
    assert prior is not None
    assert prior.variance == pytest.approx(0.5, rel=0.05)
    assert prior.freedom == pytest.approx(6, rel=0.1)


def test_alike_variances_are_pooled_without_limit() -> None:
    draw = np.random.default_rng(6)
    prior = fit_prior([Spread(variance=float(v), freedom=5) for v in draw.chisquare(5, 2000) / 5])
    assert prior is not None
    assert prior.freedom > 50
    assert prior.variance == pytest.approx(1.0, rel=0.1)


def test_many_scans_of_one_sheet_say_nothing_of_the_next() -> None:
    steady = {
        n: RowRepeats(repeats=nested([[[1.0 + 1e-3 * i * (n + 1) for i in range(30)]]]), assumed=1.0, kind="value")
        for n in range(8)
    }
    noise = learn_noise(steady)[0]
    assert noise.of_difference([30], [30]).variance == pytest.approx(2.0, rel=0.2)
    assert noise.of_difference([30] * 4, [30] * 4).variance == pytest.approx(0.5, rel=0.2)


def test_holm_steps_down_as_in_the_worked_example() -> None:
    # worked example of the Holm-Bonferroni method, from memory: at 0.05 the first and the last are rejected, no other
    chances = [0.01, 0.04, 0.03, 0.005]
    known = Spread(variance=1.0, freedom=math.inf)
    results = holm([float(stats.norm.isf(p / 2)) for p in chances], [known] * 4)
    assert [r.shown for r in results] == [True, False, False, True]
    assert [r.chance for r in results] == pytest.approx(chances)
    assert [r.limit for r in results] == pytest.approx([stats.norm.isf(0.05 / 2 / k) for k in (3, 2, 2, 4)])


@pytest.mark.parametrize("seed", range(5))
def test_holm_agrees_with_statsmodels(seed: int) -> None:
    from statsmodels.stats.multitest import multipletests

    draw = np.random.default_rng(seed)
    gaps = np.abs(draw.normal(0, 2.0, 40))
    drawn = zip(draw.uniform(0.5, 2, 40), draw.uniform(3, 60, 40), strict=True)
    spreads = [Spread(variance=float(v), freedom=float(f)) for v, f in drawn]
    results = holm(gaps, spreads)
    chances = [2 * stats.t.sf(g / s.variance**0.5, s.freedom) for g, s in zip(gaps, spreads, strict=True)]
    assert [r.chance for r in results] == pytest.approx(chances)
    assert [r.shown for r in results] == multipletests(chances, 0.05, method="holm")[0].tolist()


def test_every_chance_of_a_comparison_is_what_holm_went_by() -> None:
    from statsmodels.stats.multitest import multipletests

    comparison = compare([score()], [score(black_l=8.6, sha256="b" * 64)])
    tested = [row for row in (*comparison.rows, *comparison.colours) if row.chance is not None]
    shown = [row.verdict not in ("no-difference-shown", "cannot-compare") for row in tested]
    assert any(shown)
    assert multipletests([row.chance for row in tested], 0.05, method="holm")[0].tolist() == shown


def test_two_noisy_colours_are_never_alike_and_seldom_told_apart() -> None:
    # mean ΔE76 of two readings with deviation s in L*, a*, b*: 2.2568 s, 95 % under 3.9534 s (chi with three degrees
    # of freedom; computed); near white on the L* axis ΔE00 counts less, hence a mid-grey, and s small
    s = 0.05
    draw = np.random.default_rng(7)
    a, b = (np.array([60.0, 40.0, 0.0]) + draw.normal(0, s, (40000, 3)) for _ in range(2))
    plain = np.linalg.norm(a - b, axis=1)
    assert plain.mean() == pytest.approx(2.2568 * s, rel=0.01)
    assert np.percentile(plain, 95) == pytest.approx(3.9534 * s, rel=0.01)
    # the same noise in ΔE00, each pair held against the variance that its repeats have
    squares = mean_square_de00(a[:, None, :], b[:, None, :])
    variance = squares.mean() / 2
    limit = 1.96 * math.sqrt(2 * variance)
    assert np.mean(np.sqrt(squares) > limit) < 0.05


def test_colour_noise_along_one_line_reaches_its_limit() -> None:
    # a denser ink moves every zone alike: the widest null distribution, |N(0, 1)| times the noise
    draw = np.random.default_rng(8)
    zones = np.array([[60.0, 30.0, 10.0], [40.0, 20.0, 5.0], [80.0, 10.0, 2.0]])
    along = np.array([-0.4, 0.2, 0.05])
    moved = [apart_de00(zones + along * x, zones + along * y) for x, y in draw.normal(size=(3000, 2))]
    scale = math.sqrt(np.mean(np.square(moved)))
    assert np.mean(np.array(moved) > 1.96 * scale) == pytest.approx(0.05, abs=0.012)


@pytest.mark.parametrize(("prints", "scans"), [(1, 1), (2, 1), (5, 1), (1, 2), (1, 5)])
def test_alike_prints_are_seldom_told_apart(prints: int, scans: int) -> None:
    draw = np.random.default_rng([prints, scans])
    times = 24
    false = sum(bool(claims(preset, prints, scans, draw)) for preset in ("alder", "rowan") for _ in range(times // 2))
    # bench_noise.py counts 500; here no more than the 99.9 % quantile of as many fair draws
    assert false <= stats.binom.ppf(0.999, times, 0.05)


@pytest.mark.parametrize(("prints", "scans"), [(1, 1), (2, 1), (5, 1)])
def test_one_and_a_half_times_what_can_be_shown_is_found(prints: int, scans: int) -> None:
    draw = np.random.default_rng([prints, scans])
    times = 12
    hits = sum(found(preset, prints, scans, draw)[1] for preset in ("alder", "rowan") for _ in range(times // 2))
    assert hits >= stats.binom.ppf(0.001, times, 0.9)


def test_three_prints_are_ranked_with_their_ties() -> None:
    a, b, c = score(black_l=8.0), score(black_l=8.3, sha256="b" * 64), score(black_l=9.5, sha256="c" * 64)
    comparison = compare_prints([[a], [b], [c]], labels=("A", "B", "C"))
    places = {s.print: s for s in comparison.ranking if s.measure == "black_l"}
    assert places[0].not_told_from == (1,)
    assert places[0].ahead_of == places[1].ahead_of == (2,)
    assert [(s.best_place, s.worst_place) for s in places.values()] == [(1, 2), (1, 2), (3, 3)]
    assert {row.pair for row in comparison.rows} == {(0, 1), (0, 2), (1, 2)}
    assert "Lightness of black: place 1 to 2 A and B; place 3 C." in comparison.summary


def test_more_pairs_need_larger_differences() -> None:
    two = compare([score()], [score(sha256="b" * 64)])
    three = compare_prints([[score()], [score(sha256="b" * 64)], [score(sha256="c" * 64)]])
    by = [{(r.element, r.measure): r.smallest_showable for r in c.rows if r.pair == (0, 1)} for c in (two, three)]
    assert all(by[1][key] > by[0][key] for key in by[0])


def test_names_of_prints_part_scans_from_prints() -> None:
    def named(name: str, sha: str):
        one = score(sha256=sha * 64)
        return one.model_copy(update={"conditions": one.conditions.model_copy(update={"print_name": name})})

    comparison = compare([named("1", "a"), named("1", "b")], [named("2", "c"), named("3", "d"), named("3", "e")])
    assert [(p.scores, p.sheets) for p in comparison.prints] == [(2, 1), (3, 2)]
    assert comparison.noise is not None
    assert (comparison.noise.repeated_scans, comparison.noise.repeated_prints) == (2, 1)
    (row,) = [r for r in comparison.noise.rows if r.measure == "black_l"]
    assert (row.repeatability_freedom, row.between_prints_freedom) == (2, 1)


def test_components_are_told_in_the_words_of_iso_5725() -> None:
    def named(name: str, value: float, sha: str):
        one = score(black_l=value, sha256=sha * 64)
        return one.model_copy(update={"conditions": one.conditions.model_copy(update={"print_name": name})})

    # the leaves of one plant of the worked example as prints, against those of another
    sides = [
        [named(str(n), value, "abcdef"[2 * n + i]) for n, leaf in enumerate(plant) for i, value in enumerate(leaf)]
        for plant in TURNIP[:2]
    ]
    comparison = compare(*sides)
    assert comparison.noise is not None
    (row,) = [r for r in comparison.noise.rows if r.measure == "black_l"]
    expected = nested(TURNIP[:2])
    assert row.repeatability == pytest.approx(expected.scan_deviation)
    assert row.between_prints == pytest.approx(expected.print_deviation)
    assert row.repeatability_limit == pytest.approx(2.77 * (expected.scan_deviation or 0.0), rel=0.005)


def test_inputs_come_out_unchanged() -> None:
    values = [[np.array([1.0, 2.0])]]
    nested(values)
    assert values[0][0].tolist() == [1.0, 2.0]
    assert isinstance(nested(values), Nested)
