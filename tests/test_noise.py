"""The noise floor: nested variance components, and what is assumed giving way to repeats, against the outside."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from inkstrain.scoring.compare.nested import Spread, combined, nested
from inkstrain.scoring.compare.noise import RowNoise

# Calcium in turnip leaves: four plants, three leaves of each, two determinations of each (Snedecor and Cochran,
# Statistical Methods, nested sampling; data and mean squares from memory): mean squares 0.3288 among leaves of a plant
# and 0.0067 among determinations.
TURNIP = [
    [[3.28, 3.09], [3.52, 3.48], [2.88, 2.80]],
    [[2.46, 2.44], [1.87, 1.92], [2.19, 2.19]],
    [[2.77, 2.66], [3.74, 3.44], [2.55, 2.55]],
    [[3.78, 3.87], [4.07, 4.12], [3.31, 3.31]],
]
NOTHING = nested([])


def test_the_worked_example_of_nested_sampling() -> None:
    found = nested(TURNIP)
    assert (found.scan.freedom, found.between.freedom, found.scans_per_print) == (12, 8, 2.0)
    assert found.scan.variance == pytest.approx(0.0067, abs=5e-5)
    assert found.between.variance == pytest.approx(0.3288, abs=5e-5)


def test_a_balanced_design_agrees_with_a_mixed_model() -> None:
    import pandas as pd
    from statsmodels.regression.mixed_linear_model import MixedLM

    draw = np.random.default_rng(3)
    prints, scans = 12, 3
    values = 5.0 + draw.normal(0, 2.0, (prints, 1)) + draw.normal(0, 1.0, (prints, scans))
    frame = pd.DataFrame({"value": values.ravel(), "sheet": np.repeat(np.arange(prints), scans), "one": 1.0})
    fitted = MixedLM(frame["value"], frame[["one"]], groups=frame["sheet"]).fit(reml=True)
    found = nested([values.tolist()])
    # in balanced designs REML and analysis of variance agree where no component is negative
    assert found.scan.variance == pytest.approx(float(fitted.scale), rel=1e-3)
    between = (found.between.variance - found.scan.variance) / found.scans_per_print
    assert between == pytest.approx(float(fitted.cov_re.iloc[0, 0]), rel=1e-3)


def test_an_unbalanced_design_is_unbiased() -> None:
    draw = np.random.default_rng(4)
    counts = ((1, 4, 2), (3, 1), (2,))
    scan, between = [], []
    for _ in range(2000):
        values = [[(p + draw.normal(0, 1.0, n)).tolist() for n, p in zip(c, draw.normal(0, 2.0, len(c)), strict=True)]
                  for c in counts]  # fmt: skip
        found = nested(values)
        scan.append(found.scan.variance)
        between.append((found.between.variance - found.scan.variance) / found.scans_per_print)
    assert np.mean(scan) == pytest.approx(1.0, abs=4 * np.std(scan) / math.sqrt(2000))
    assert np.mean(between) == pytest.approx(4.0, abs=4 * np.std(between) / math.sqrt(2000))


def test_one_scan_each_has_no_repeats() -> None:
    for readings in ([[[1.0]], [[2.0]]], [], [[], [[]]]):
        found = nested(readings)
        assert (found.scan.freedom, found.between.freedom) == (0, 0)


def test_satterthwaite_as_welch() -> None:
    # Welch's freedom of two variances over their numbers, by scipy
    a, b = [1.0, 2.0, 4.0, 7.0], [2.0, 2.5, 2.2]
    parts = [(1 / len(x), Spread(variance=float(np.var(x, ddof=1)), freedom=len(x) - 1)) for x in (a, b)]
    assert combined(*parts).freedom == pytest.approx(stats.ttest_ind(a, b, equal_var=False).df)


def test_without_repeats_both_assumed_parts_add_up() -> None:
    noise = RowNoise(repeats=NOTHING, scan=0.01, sheet=0.04)
    assert noise.rests_on == "assumed"
    one = noise.of_difference([1], [1])
    assert one.variance == pytest.approx(2 * (0.01 + 0.04))
    assert one.freedom == math.inf
    # many scans of one sheet say nothing of the next; many sheets do
    assert noise.of_difference([30], [30]).variance == pytest.approx(2 * (0.01 / 30 + 0.04))
    assert noise.of_difference([1] * 4, [2] * 4).variance == pytest.approx((0.01 + 0.04) / 4 + (0.005 + 0.04) / 4)


def test_the_critical_difference_of_two_means_is_that_of_iso_5725() -> None:
    # ISO 5725-6:1994: 2.8 s (2.77 before rounding) for two single results, over the root of n for means of n
    noise = RowNoise(repeats=NOTHING, scan=1.0, sheet=0.0)
    for count in (1, 5):
        limit = 1.96 * math.sqrt(noise.of_difference([count], [count]).variance)
        assert limit == pytest.approx(2.77 / math.sqrt(count), abs=0.005)


def test_many_repeats_take_over_from_what_is_assumed() -> None:
    draw = np.random.default_rng(5)
    values = (draw.normal(0, 2.0, (400, 1)) + draw.normal(0, 1.0, (400, 2))).tolist()
    noise = RowNoise(repeats=nested([values]), scan=10.0, sheet=40.0)
    assert noise.rests_on == "prints"
    assert noise.of_difference([1], [1]).variance == pytest.approx(2 * 5.0, rel=0.3)
    assert noise.of_difference([2] * 10, [2] * 10).variance == pytest.approx(2 * 4.5 / 10, rel=0.3)


def test_few_repeats_of_what_is_as_assumed_make_few_false_claims() -> None:
    draw = np.random.default_rng(6)
    for prints, scans in ((1, 2), (2, 1), (2, 2), (5, 1)):
        false = 0
        for _ in range(2000):
            sides = draw.normal(0, 2.0, (2, prints, 1)) + draw.normal(0, 1.0, (2, prints, scans))
            noise = RowNoise(repeats=nested(sides.tolist()), scan=1.0, sheet=4.0)
            spread = noise.of_difference([scans] * prints, [scans] * prints)
            false += (
                2 * stats.t.sf(abs(np.diff(sides.mean(axis=(1, 2)))[0]) / spread.variance**0.5, spread.freedom) < 0.05
            )
        assert false <= stats.binom.ppf(0.999, 2000, 0.05)


def test_another_sheet_brings_what_was_foretold_if_it_spreads_as_assumed() -> None:
    before = RowNoise(repeats=NOTHING, scan=1.0, sheet=4.0)
    foretold = before.of_difference([1], [1], foretold=[[1, 1], [1, 1]])
    pair = [-math.sqrt(2.5), math.sqrt(2.5)]  # mean square 5
    after = RowNoise(repeats=nested([[[v] for v in pair]] * 2), scan=1.0, sheet=4.0).of_difference([1, 1], [1, 1])
    assert foretold.variance == pytest.approx(after.variance)
    assert foretold.freedom == pytest.approx(after.freedom)
