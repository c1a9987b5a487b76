"""Families of tests: Holm's rule against the outside, and false claims counted where some claims are true."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from inkstrain.scoring.compare.holm import ALPHA, Family, chance_of, limit_at, step_down
from inkstrain.scoring.compare.nested import Spread

# as a comparison has them: rings and merged tones to white and to black, evenness, reach, colours; black; grey
PARTS = (8, 8, 8, 8, 16, 16, 18, 0, 0)


def alone(chances: list[float]) -> list[bool]:
    return [step.shown for step, _ in step_down([Family(total=p) for p in chances]) if step is not None]


def test_families_without_parts_step_down_as_in_the_worked_example_of_holm() -> None:
    # worked example of the Holm-Bonferroni method, from memory: at 0.05 the first and the last are rejected, no other
    assert alone([0.01, 0.04, 0.03, 0.005]) == [True, False, False, True]


@pytest.mark.parametrize("seed", range(5))
def test_families_without_parts_agree_with_statsmodels(seed: int) -> None:
    from statsmodels.stats.multitest import multipletests

    chances = (np.random.default_rng(seed).uniform(0, 1, 40) ** 4).tolist()
    assert alone(chances) == multipletests(chances, ALPHA, method="holm")[0].tolist()


@pytest.mark.parametrize("seed", range(5))
def test_the_parts_of_one_family_whose_total_is_shown_are_holms(seed: int) -> None:
    from statsmodels.stats.multitest import multipletests

    chances = (np.random.default_rng(seed).uniform(0, 1, 20) ** 4).tolist()
    for total in (0.0, None):
        ((_, steps),) = step_down([Family(total=total, parts=tuple(chances))])
        assert [step.shown for step in steps] == multipletests(chances, ALPHA, method="holm")[0].tolist()


def test_levels_go_down_the_tree_and_on_from_what_is_shown() -> None:
    # Meinshausen 2008: a cluster's level is split among its members; Goeman and Finos 2012: it is inherited
    first, second = Family(total=1e-6, parts=(1e-6, 0.9)), Family(total=0.5)
    (_, (shown, other)), (step, _) = step_down([first, second])
    assert shown.shown
    assert other.level == pytest.approx(ALPHA / 2)  # alone in its family, which shares with another
    assert step is not None
    assert step.level == pytest.approx(ALPHA / 2)
    (_, _), (step, _) = step_down([Family(total=1e-6, parts=(1e-6, 1e-6)), second])
    assert step is not None
    assert step.level == pytest.approx(ALPHA)


def test_parts_that_cancel_in_their_total_are_shown_all_the_same() -> None:
    ((total, parts),) = step_down([Family(total=0.8, parts=(1e-5, 1e-5, 0.5))])
    assert total is not None
    assert not total.shown
    assert [step.shown for step in parts] == [True, True, False]


def drawn(draw: np.random.Generator, shifts: np.ndarray, together: float) -> list[Family]:
    """Return families whose parts have these true shifts, in standard deviations; each total is a sum."""
    families, start = [], 0
    for count in PARTS:
        common = draw.standard_normal()
        parts = shifts[start : start + count] + math.sqrt(1 - together) * draw.standard_normal(count)
        parts = parts + math.sqrt(together) * common
        scale = math.sqrt(count * (1 - together) + count**2 * together) if count else 1.0
        total = parts.sum() / scale if count else common
        families.append(
            Family(total=2 * stats.norm.sf(abs(total)), parts=tuple(2 * stats.norm.sf(np.abs(parts))))
        )  # fmt: skip
        start += count
    return families


@pytest.mark.parametrize("together", [0.0, 0.5])
@pytest.mark.parametrize("truth", ["nothing", "one fade", "one family", "two that cancel", "some of each"])
def test_false_claims_stay_at_five_per_cent(truth: str, together: float) -> None:
    draw = np.random.default_rng([len(truth), round(10 * together)])
    shifts = np.zeros(sum(PARTS))
    if truth == "one fade":
        shifts[3] = 6.0
    elif truth == "one family":
        shifts[:8] = 3.0
    elif truth == "two that cancel":
        shifts[2], shifts[3] = 5.0, -5.0
    elif truth == "some of each":
        shifts[::5] = 4.0
    times, false = 1000, 0
    starts = np.cumsum((0, *PARTS[:-1]))
    for _ in range(times):
        wrong = False
        for (total, parts), start, count in zip(step_down(drawn(draw, shifts, together)), starts, PARTS, strict=True):
            true = shifts[start : start + count]
            wrong |= total is not None and total.shown and not true.sum()
            wrong |= any(step.shown and not shift for step, shift in zip(parts, true, strict=True))
        false += bool(wrong)
    # no more than the 99.9 % quantile of as many fair draws
    assert false <= stats.binom.ppf(0.999, times, ALPHA)


def test_chances_and_limits_are_students() -> None:
    spread = Spread(variance=4.0, freedom=7.0)
    assert chance_of(3.0, spread) == pytest.approx(2 * stats.t.sf(1.5, 7))
    assert chance_of(limit_at(spread, 0.01), spread) == pytest.approx(0.01)
    known = Spread(variance=0.5, freedom=math.inf)
    assert limit_at(known, 0.05) == pytest.approx(stats.norm.isf(0.025) * math.sqrt(0.5))
    nothing = Spread(variance=0.0, freedom=math.inf)
    assert (chance_of(0.0, nothing), chance_of(1.0, nothing)) == (1.0, 0.0)
