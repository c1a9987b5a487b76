"""Maximal scoring segments against their definition by brute force, and the worked example of their paper."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inkstrain.scoring.maths.segments import maximal_segments, segments_again

SCORES = st.lists(st.integers(-20, 20).filter(bool), max_size=14)


def best(scores: list[int], start: int, stop: int) -> tuple[int, int, int] | None:
    """Return score, first and last of the best stretch, the shortest of equal ones."""
    found = [(sum(scores[i:j]), i, j) for i in range(start, stop) for j in range(i + 1, stop + 1)]
    return max((s for s in found if s[0] > 0), key=lambda s: (s[0], s[1] - s[2]), default=None)


def by_definition(scores: list[int], start: int, stop: int) -> list[tuple[int, int]]:
    """Return the maximal segments: the best, then those of what is left of it and right of it."""
    one = best(scores, start, stop)
    if one is None:
        return []
    _, first, last = one
    return [*by_definition(scores, start, first), (first, last), *by_definition(scores, last, stop)]


def test_the_papers_worked_example() -> None:
    # Ruzzo & Tompa, ISMB 1999, section 2.1 (the sequence from memory): 4, then 3, then seven steps that sum to 7
    scores = np.array([4, -5, 3, -3, 1, 2, -2, 2, -2, 1, 5], dtype=float)
    assert [(s.first, s.last, s.score) for s in maximal_segments(scores)] == [(0, 1, 4.0), (2, 3, 3.0), (4, 11, 7.0)]


@settings(max_examples=300, deadline=None)
@given(SCORES)
def test_the_same_as_by_definition(scores: list[int]) -> None:
    found = maximal_segments(np.array(scores, dtype=float))
    # of equal scores the paper leaves the choice open: sums are compared, and ends where no sum is equal
    slow = by_definition(scores, 0, len(scores))
    assert [s.score for s in found] == [sum(scores[first:last]) for first, last in slow]
    sums = [sum(scores[i:j]) for i in range(len(scores)) for j in range(i + 1, len(scores) + 1)]
    if len(set(sums)) == len(sums):
        assert [(s.first, s.last) for s in found] == slow


def test_nothing_scores_where_nothing_is_positive() -> None:
    assert maximal_segments(np.array([-1.0, 0.0, -2.0])) == ()
    assert maximal_segments(np.empty(0)) == ()


def test_a_segment_is_found_again_on_copies_of_its_line() -> None:
    rng = np.random.default_rng(1)
    line = np.array([-1.0, -1.0, 2.0, 3.0, 2.0, -1.0, -1.0])
    copies = line + rng.normal(0.0, 0.05, (20, 7))
    sums = np.concatenate([np.zeros((20, 1)), np.cumsum(copies, axis=1)], axis=1)
    first, last = segments_again(sums, 3, (0, 7))
    assert set(first) == {2}
    assert set(last) == {5}
    assert sums[np.arange(20), last] - sums[np.arange(20), first] == pytest.approx(copies[:, 2:5].sum(axis=1))
