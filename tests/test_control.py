"""Control charts, steps and drifts: constants from published tables, and false alarms counted."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from inkstrain.scoring.trend.control import (
    AHEAD,
    ALARMS_IN_AHEAD,
    BASELINE,
    EWMA_LIMIT,
    EWMA_WEIGHT,
    chance_within,
    control_chart,
    drift,
    fewest_for_step,
    limit_for,
    moving_range_deviation,
    run_length,
    step,
)

# Lucas and Saccucci, Technometrics 32:1-12, 1990: weight and limit at which an alarm comes once in 500 points on
# average where nothing moved, and how many points a shift of one standard deviation takes (table, from memory)
LUCAS_SACCUCCI = ((0.25, 2.998, 500.0, 11.1), (0.2, 2.962, 500.0, 10.5), (0.1, 2.814, 500.0, 10.3))


@pytest.mark.parametrize(("weight", "limit", "steady", "shifted"), LUCAS_SACCUCCI)
def test_run_lengths_of_the_published_table(weight: float, limit: float, steady: float, shifted: float) -> None:
    assert run_length(limit, 0.0, weight=weight) == pytest.approx(steady, rel=0.01)
    assert run_length(limit, 1.0, weight=weight) == pytest.approx(shifted, rel=0.02)


def test_the_chart_goes_by_the_published_row() -> None:
    assert (EWMA_WEIGHT, EWMA_LIMIT) in {(weight, limit) for weight, limit, *_ in LUCAS_SACCUCCI}


def test_the_constant_of_moving_ranges_is_shewharts_d2() -> None:
    # factors for control charts, two observations: d2 = 1.128 (published in every table of them; ISO 7870-2)
    assert moving_range_deviation([0.0, 1.0, 0.0]) == pytest.approx(1 / 1.128, abs=5e-4)


def alarmed(baseline: int, ahead: int, times: int, shift: float = 0.0) -> float:
    draw = np.random.default_rng(baseline)
    hits = 0
    for _ in range(times):
        values = draw.standard_normal(baseline + ahead)
        values[baseline:] += shift
        chart = control_chart(values.tolist(), baseline=baseline)
        assert chart is not None
        hits += bool(chart.alarms)
    return hits / times


@pytest.mark.parametrize("baseline", [8, 13, 20])
def test_steady_series_raise_no_more_alarms_than_stated(baseline: int) -> None:
    times = 1500
    # a row of the table serves longer baselines too, with fewer alarms
    assert alarmed(baseline, AHEAD, times) <= stats.binom.ppf(0.999, times, ALARMS_IN_AHEAD) / times


def test_with_many_first_prints_the_stated_rate_is_that_of_the_published_chart() -> None:
    times = 1500
    rate = alarmed(400, AHEAD, times)
    low, high = (stats.binom.ppf(q, times, ALARMS_IN_AHEAD) / times for q in (0.0005, 0.9995))
    # its limit is that of a hundred, slightly wide
    assert 0.2 * low <= rate <= high


def test_the_limit_narrows_with_the_baseline_towards_the_published_one() -> None:
    limits = [limit_for(count) for count in (8, 9, 10, 15, 40, 100, 1000)]
    assert limits == sorted(limits, reverse=True)
    assert limits[-1] > EWMA_LIMIT
    with pytest.raises(ValueError, match="7 points"):
        limit_for(BASELINE[0] - 1)


@pytest.mark.parametrize("count", [4, 7, 20, 33, 34, 120])
@pytest.mark.parametrize("ties", [False, True])
def test_rank_tests_are_those_of_scipy(count: int, ties: bool) -> None:
    draw = np.random.default_rng(count)
    for slope in (0.0, 0.05):
        times = np.cumsum(draw.integers(0 if ties else 1, 4, count)).astype(float)
        values = draw.normal(0.0, 1.0, count) + slope * times
        if ties:
            values = np.round(3.0 * values)
        found = drift(times.tolist(), values.tolist())
        assert found is not None
        assert found.chance == pytest.approx(stats.kendalltau(times, values).pvalue, rel=1e-9)
        assert found.slope == pytest.approx(stats.theilslopes(values, times)[0])
        ranks = stats.rankdata(values)
        scores = [abs(2 * ranks[:k].sum() - k * (count + 1)) for k in range(1, count)]
        parted = step(values.tolist())
        assert parted is not None
        assert scores[parted.at - 1] == max(scores)


@pytest.mark.parametrize(("shift", "prints"), [(0.0, 20), (1.0, 10), (2.0, 6)])
def test_how_likely_a_shift_is_found_as_simulated(shift: float, prints: int) -> None:
    draw, times = np.random.default_rng(8), 20_000
    average, out = np.zeros(times), np.zeros(times, dtype=bool)
    for _ in range(prints):
        average = EWMA_WEIGHT * draw.normal(shift, 1.0, times) + (1 - EWMA_WEIGHT) * average
        out |= np.abs(average) > EWMA_LIMIT * math.sqrt(EWMA_WEIGHT / (2 - EWMA_WEIGHT))
    found = chance_within(EWMA_LIMIT, shift, prints)
    assert found == pytest.approx(out.mean(), abs=4 * math.sqrt(found * (1 - found) / times))


def test_a_clear_shift_is_found() -> None:
    assert alarmed(20, 10, 200, shift=3.0) > 0.95


def test_too_few_prints_have_no_chart() -> None:
    assert control_chart([1.0] * BASELINE[0]) is None
    assert control_chart([]) is None
    assert control_chart([1.0, 2.0] * 10, baseline=3) is None


def test_equal_values_raise_no_alarm_and_need_a_least_deviation_to_stay_quiet() -> None:
    chart = control_chart([1.0] * 10 + [1.001] * 5, least_deviation=0.01)
    assert chart is not None
    assert chart.alarms == ()


def test_limits_are_no_nearer_than_what_is_of_interest() -> None:
    values = [0.0, 0.1] * 5 + [0.4] * 12
    near, far = control_chart(values), control_chart(values, least_shift=0.5)
    assert near is not None
    assert far is not None
    assert near.alarms
    assert far.upper == pytest.approx(far.mean + 0.5)
    assert far.alarms == ()


def test_the_nile_stepped_after_1898() -> None:
    # the flow at Aswan fell after 1898, the 28th year (Cobb, Biometrika 65:243-251, 1978); data as in statsmodels
    from statsmodels.datasets import nile

    data = nile.load_pandas().data
    found = step(data["volume"].tolist())
    assert found is not None
    assert int(data["year"][found.at]) == 1899
    assert found.chance < 1e-5
    assert found.after < found.before


@pytest.mark.parametrize("count", [12, 30])
def test_steps_are_seldom_found_where_there_are_none(count: int) -> None:
    draw = np.random.default_rng(count)
    times = 2000
    false = 0
    for _ in range(times):
        found = step(draw.standard_normal(count).tolist())
        false += found is not None and found.chance <= 0.05
    assert false <= stats.binom.ppf(0.999, times, 0.05)


def test_fewest_prints_for_a_step_is_where_a_clean_one_shows() -> None:
    for alpha in (0.05, 0.001):
        fewest = fewest_for_step(alpha)
        for count, shows in ((fewest, True), (fewest - 1, False)):
            found = step([1e-6 * i + (i >= count // 2) for i in range(count)])
            assert found is not None
            assert (found.chance <= alpha) == shows
            assert found.at == count // 2


def test_a_drift_has_the_median_slope() -> None:
    days = [0.0, 7.0, 14.0, 28.0, 35.0, 60.0]
    found = drift(days, [2.0 + 0.1 * day for day in days])
    assert found is not None
    assert found.slope == pytest.approx(0.1)
    # six prints in order: two of 6! orders (exact distribution of Kendall's tau)
    assert found.chance == pytest.approx(2 / math.factorial(6))
    assert drift([1.0] * 5, [1.0, 2.0, 3.0, 4.0, 5.0]) is None
    assert drift(days, [1.0] * 6) is None
    assert step([1.0, 2.0, 3.0]) is None
