"""A comparison, whole: numbers and sentences."""

from __future__ import annotations

from collections.abc import Sequence

from ..compare.compare import History, compare_numbers
from ..results.comparison import Comparison
from ..results.score import Score
from ..words.comparison import in_words

__all__ = ["compare_prints"]


def compare_prints(
    prints: Sequence[Sequence[Score]],
    *,
    labels: Sequence[str] | None = None,
    history: History = (),
    ids: Sequence[Sequence[str]] | None = None,
) -> Comparison:
    """Compare prints, each with every other, and say what it comes to; arguments and errors as of `compare_numbers`."""
    return in_words(compare_numbers(prints, labels=labels, history=history, ids=ids))
