"""Comparing prints of one chart, element by element (``inkstrain/compare/1``): a pure step over scores.

Every row is a test of "these two are the same", against the noise floor of its measure and element (`noise`). Holm's
rule keeps the chance of even one false claim in the whole comparison at 5 % (`holm`). One scan each: the two-sided
normal limit with the larger of the within-scan standard error and an assumed floor, which for a single row is the
repeatability limit 2.77 s of ISO 5725-6:1994. Repeats: the means of prints, and moderated variances with Student's t.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Final

from inkstrain.targets.errors import WrongUsageError
from inkstrain.targets.values import read_value

from .colourrows import colour_tests
from .comparable import MEASURES, Measure, Reading, name_of
from .comparemodel import ColourRow, ComparedPrint, Comparison, NoiseBasis, NoiseRow, Row, Standing, Verdict
from .fairness import FairnessPoint, check_fairness
from .holm import ALPHA, Tested, holm, limit_at
from .model import MadeBy, Score
from .nested import Spread, nested
from .noise import RowNoise, RowRepeats, learn_noise
from .ranking import rank
from .sides import Key, Readings, Side, side_of

__all__ = [
    "ALPHA",
    "ColourRow",
    "ComparedPrint",
    "Comparison",
    "FairnessPoint",
    "History",
    "NoiseBasis",
    "NoiseRow",
    "Row",
    "Standing",
    "compare",
    "compare_prints",
    "label_prints",
    "read_comparison",
    "read_score",
    "tested_rows",
    "unlike_basis_or_detail",
]

_DETAIL_RATIO: Final = 1.5  # scan resolutions further apart than this blur edges unlike

History = Sequence[Sequence[Sequence[Readings]]]
"""Earlier repeats: conditions, prints of them, scans of each."""

Pair = tuple[int, int]


def compare(a: Sequence[Score], b: Sequence[Score], *, labels: Sequence[str] | None = None) -> Comparison:
    """Compare two prints; see `compare_prints`."""
    return compare_prints((a, b), labels=labels)


def compare_prints(
    given: Sequence[Sequence[Score]],
    *,
    labels: Sequence[str] | None = None,
    history: History = (),
    ids: Sequence[Sequence[str]] | None = None,
) -> Comparison:
    """Compare prints, each with every other.

    Parameters
    ----------
    given : sequences of Score
        For each side, one score or several (scans of one print, or prints of one set of conditions).
    labels : sequence of str, optional
        What to call them; by default what their conditions differ in.
    history : nested sequences, optional
        Readings of earlier repeats, on the same chart and scanner: they teach the noise floor.
    ids : sequences of str, optional
        What each side's scores are called in a ledger; the hashes of their scans if not given.

    Raises
    ------
    WrongUsageError
        If there are fewer than two sides, or one holds no score, or scores of different charts.
    """
    from .comparewords import noise_words, summarise_rows

    if len(given) < 2 or not all(given):
        raise WrongUsageError("Nothing to compare: give at least one score for each of two prints.")
    if any(len({score.chart for score in scores}) > 1 for scores in given):
        raise WrongUsageError("The scores of one print are of different charts; compare like with like.")
    sides = tuple(side_of(scores) for scores in given)
    labels = labels or label_prints(*(scores[0] for scores in given))
    prints = tuple(
        _print(label, side, ids[n] if ids else ()) for n, (label, side) in enumerate(zip(labels, sides, strict=True))
    )
    fairness = check_fairness(*given)
    rows, colours = tested_rows(sides, history)
    ranking = rank(len(sides), rows)
    noise = _noise_basis(sides, history)
    noise = noise.model_copy(update={"text": noise_words(noise, sides)})
    return Comparison(
        made_by=MadeBy(version=version("inkstrain")),
        charts=tuple(dict.fromkeys(scores[0].chart for scores in given)),
        prints=prints,
        fairness=fairness,
        rows=rows,
        colours=colours,
        ranking=ranking,
        noise=noise,
        rests_on="repeats" if any(len(scores) > 1 for scores in given) else "one scan each",
        summary=summarise_rows(prints, fairness, rows, colours, ranking, noise),
    )


def label_prints(*scores: Score, fallback: Sequence[str] = ()) -> tuple[str, ...]:
    """Return what to call prints: the conditions in which they differ, in the photographer's own words."""
    names = (
        "printer", "paper", "ink", "profile", "intent", "media_setting", "quality_setting", "date",
        "print_name", "note",
    )  # fmt: skip
    unlike = [name for name in names if len({getattr(score.conditions, name) for score in scores}) > 1]
    labels = tuple(
        " · ".join(str(value) for name in unlike if (value := getattr(score.conditions, name)) is not None)
        for score in scores
    )
    if not all(labels) or len(set(labels)) < len(labels):
        labels = tuple(fallback)
    numbers = ("first", "second", "third", "fourth", "fifth", "sixth")
    plain = tuple(numbers[n] if n < len(numbers) else f"number {n + 1}" for n in range(len(scores)))
    return labels if labels and len(set(labels)) == len(scores) else plain


def read_score(path: Path) -> Score:
    """Read a score from its JSON file.

    Raises
    ------
    CannotMeasureError
        If the file cannot be read or is not a score.
    """
    return read_value(path, Score, "score", ". 'inkstrain score SCAN --json FILE' writes one.")


def read_comparison(path: Path) -> Comparison:
    """Read a comparison from its JSON file.

    Raises
    ------
    CannotMeasureError
        If the file cannot be read or is not a comparison.
    """
    return read_value(path, Comparison, "comparison")


def unlike_basis_or_detail(a: Sequence[Score], b: Sequence[Score], measure: Measure) -> str | None:
    """Return why a measure cannot be compared between scores, though both have it; ``None`` if it can."""
    if a[0].chart != b[0].chart:
        return "the charts are different"
    if measure.needs_colour and len({score.colour_basis.kind for score in (*a, *b)}) > 1:
        return "the colour bases are of different kinds"
    resolutions = [value for score in (*a, *b) for tile in score.tiles for value in tile.dpi]
    if measure.needs_detail and resolutions and max(resolutions) > _DETAIL_RATIO * min(resolutions):
        return "the scan resolutions are too far apart"
    return None


def _print(label: str, side: Side, ids: Sequence[str]) -> ComparedPrint:
    scans = ids or [tile.scan_sha256 for score in side.scores for tile in score.tiles]
    return ComparedPrint(
        label=label,
        ids=tuple(dict.fromkeys(scans)),
        scores=len(side.scores),
        sheets=len(side.prints),
        conditions=side.scores[0].conditions,
    )


def _noise_basis(sides: Sequence[Side], history: History) -> NoiseBasis:
    scans = sum(len(side.scores) - len(side.prints) for side in sides)
    prints = sum(len(side.prints) - 1 for side in sides)
    earlier = [len(scan) for conditions in history for scan in conditions]
    return NoiseBasis(
        repeated_scans=scans + sum(earlier) - len(earlier),
        repeated_prints=prints + len(earlier) - len(history),
        earlier_scores=sum(earlier),
        rows=_noise_rows(_repeats(sides, history)),
        text="",
    )


def _noise_rows(repeats: Mapping[Key, RowRepeats]) -> tuple[NoiseRow, ...]:
    return tuple(
        NoiseRow(
            element=element,
            element_name=name_of(element),
            measure=measure,
            unit=MEASURES[measure].unit,
            assumed=row.assumed,
            repeatability=row.repeats.scan_deviation,
            repeatability_freedom=int(row.repeats.scan.freedom),
            repeatability_limit=row.repeats.repeatability_limit,
            between_prints=row.repeats.print_deviation,
            between_prints_freedom=int(row.repeats.between.freedom),
            print_limit=row.repeats.print_limit,
        )
        for (element, measure), row in repeats.items()
        if row.repeats.scan.freedom or row.repeats.between.freedom
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    """One row on its way: both sides' readings print by print, or why they cannot be compared."""

    pair: Pair
    key: Key
    held: tuple[tuple[tuple[Reading, ...], ...], ...]
    reason: str | None

    @property
    def counts(self) -> tuple[list[int], ...]:
        """Return for each side the number of scans of each print."""
        return tuple([len(scans) for scans in side] for side in self.held)

    def mean(self, side: int, *, highest: bool = False) -> float | None:
        """Return the mean of prints' means; ``highest`` takes what may hide unseen as there."""
        means = [
            sum(max(r.value, r.hidden_below) if highest else r.value for r in scans) / len(scans)
            for scans in self.held[side]
        ]
        return sum(means) / len(means) if means else None

    @property
    def hidden(self) -> float:
        """Return how much of a difference may hide unseen, on the side where more may."""
        return max((self.mean(side, highest=True) or 0.0) - (self.mean(side) or 0.0) for side in (0, 1))

    @property
    def gap(self) -> float:
        """Return the least size that the difference can have, given what may hide unseen on either side."""
        low_a, low_b = self.mean(0) or 0.0, self.mean(1) or 0.0
        high_a, high_b = self.mean(0, highest=True) or 0.0, self.mean(1, highest=True) or 0.0
        return max(low_b - high_a, low_a - high_b, 0.0)


def tested_rows(sides: Sequence[Side], history: History) -> tuple[tuple[Row, ...], tuple[ColourRow, ...]]:
    """Return the rows of all pairs, tested together."""
    candidates = [c for pair in itertools.combinations(range(len(sides)), 2) for c in _candidates(sides, pair)]
    noise = learn_noise(_repeats(sides, history))
    colours = colour_tests(sides)
    tests = [candidate for candidate in candidates if candidate.reason is None]
    spreads = [noise[c.key].of_difference(*c.counts) for c in tests]
    looked_at = [colour for colour in colours if colour.spread is not None]
    results = holm(
        [*(c.gap for c in tests), *(colour.moved_de00 or 0.0 for colour in looked_at)],
        [*spreads, *(colour.spread for colour in looked_at if colour.spread is not None)],
    )
    by_row = dict(zip(map(id, tests), zip(spreads, results[: len(tests)], strict=True), strict=True))
    by_colour = dict(zip(map(id, looked_at), results[len(tests) :], strict=True))
    rows = tuple(_row(c, noise.get(c.key), by_row.get(id(c))) for c in candidates)
    return rows, tuple(colour.row(by_colour.get(id(colour))) for colour in colours)


def _candidates(sides: Sequence[Side], pair: Pair) -> list[_Candidate]:
    both = [sides[n] for n in pair]
    keys = dict.fromkeys(key for side in both for readings in side.readings for key in readings)
    made = []
    for key in keys:
        held = tuple(side.held(key) for side in both)
        reason = None
        if both[0].scores[0].chart == both[1].scores[0].chart:
            lacking = next((n for n, rows in enumerate(held) if not rows), None)
            if lacking is not None:
                reason = "not " + both[lacking].lacks(key).format(("first", "second")[lacking])
        reason = reason or unlike_basis_or_detail(both[0].scores, both[1].scores, MEASURES[key[1]])
        made.append(_Candidate(pair=pair, key=key, held=held, reason=reason))
    return made


def _repeats(sides: Sequence[Side], history: History) -> dict[Key, RowRepeats]:
    """Return what is known of every row: its repeats on all sides and earlier, and what is assumed."""
    keys = dict.fromkeys(key for side in sides for readings in side.readings for key in readings)
    repeats = {}
    for key in keys:
        groups = [side.held(key) for side in sides]
        errors = [reading.standard_error**2 for side in groups for scans in side for reading in scans]
        if not errors:
            continue
        earlier = [
            [[r for scan in scans if (r := scan.get(key)) is not None] for scans in prints] for prints in history
        ]
        values = [[[r.value for r in scans] for scans in prints] for prints in (*groups, *earlier)]
        measure = MEASURES[key[1]]
        repeats[key] = RowRepeats(
            repeats=nested(values),
            assumed=max(measure.floor, math.sqrt(sum(errors) / len(errors))),
            kind=measure.kind,
            family=measure.name,
        )
    return repeats


def _row(candidate: _Candidate, noise: RowNoise | None, result: tuple[Spread, Tested] | None) -> Row:
    measure = MEASURES[candidate.key[1]]
    first, second = candidate.mean(0), candidate.mean(1)
    known: dict[str, object] = {"difference": None, "uncertainty": None, "smallest_showable": None}
    verdict: Verdict = "cannot-compare"
    if result is not None and noise is not None and first is not None and second is not None:
        spread, tested = result
        verdict = "no-difference-shown"
        if tested.shown:
            verdict = "first" if (first < second) == (measure.better == "lower") else "second"
        more = {
            f"with_another_{of}": limit_at(noise.with_more(*candidate.counts, of=of), tested.alpha) + candidate.hidden
            for of in ("scan", "print")
        }
        known = {
            "difference": second - first,
            "uncertainty": math.sqrt(spread.variance),
            "freedom": spread.freedom if math.isfinite(spread.freedom) else None,
            "chance": tested.chance,
            "smallest_showable": tested.limit + candidate.hidden,
            "rests_on": noise.rests_on,
            **more,
        }
    return Row.model_validate(
        {
            "pair": candidate.pair,
            "element": candidate.key[0],
            "element_name": name_of(candidate.key[0]),
            "measure": measure.name,
            "unit": measure.unit,
            "better": measure.better,
            "values": (first, second),
            "verdict": verdict,
            "reason": candidate.reason,
            **known,
        }
    )
