"""Who stands where among several prints, by shown differences only; where none is shown they tie, and that is said."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from ..results.comparison import Row, Standing

__all__ = ["rank"]


def rank(count: int, rows: Sequence[Row]) -> tuple[Standing, ...]:
    """Return the standing of every print in all totals together, then in each that any two differ in.

    "No difference shown" does not carry on from pair to pair: a may tie with b, and b with c, where a is ahead of c. So
    a print has no one place but the places that it may have.
    """
    tested = [row for row in rows if row.verdict != "cannot-compare"]
    differing = dict.fromkeys(row.measure for row in tested if row.verdict in ("first", "second"))
    standings = list(_standings(None, count, tested))
    for measure in differing:
        standings += _standings(measure, count, [row for row in tested if row.measure == measure])
    return tuple(standings)


def _standings(measure: str | None, count: int, rows: Sequence[Row]) -> Iterator[Standing]:
    wins: Counter[tuple[int, int]] = Counter()
    for row in rows:
        if row.verdict == "first":
            wins[row.pair] += 1
        elif row.verdict == "second":
            wins[row.pair[::-1]] += 1
    for this in range(count):
        others = [other for other in range(count) if other != this]
        ahead = tuple(o for o in others if wins[this, o] and not wins[o, this])
        behind = tuple(o for o in others if wins[o, this] and not wins[this, o])
        mixed = tuple(o for o in others if wins[o, this] and wins[this, o])
        yield Standing(
            measure=measure,
            print=this,
            ahead_of=ahead,
            behind=behind,
            mixed=mixed,
            not_told_from=tuple(o for o in others if not wins[o, this] and not wins[this, o]),
            best_place=1 + len(behind),
            worst_place=count - len(ahead),
        )
