"""Comparing prints of one chart (``inkstrain/compare/2``): a pure step over scores.

Totals are asked first, and what a total is made of once it differs; the chance of even one false claim in the whole
comparison is 5 % at most (`holm`). A row's variance is its scan's own error, the scanner's repeatability and, unless
both sides are scans of one sheet, what one sheet differs from the next by (`noise`). Rows that are nothing on both
sides can show nothing, and are not counted (Tarone, Biometrics 46:515-522, 1990).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from statistics import fmean
from typing import Final

from inkstrain.targets.errors import WrongUsageError

from ..results.comparison import (
    ColourRow,
    ComparedPrint,
    Comparison,
    EndCounts,
    FairnessPoint,
    NoiseBasis,
    Question,
    Row,
    Standing,
    Verdict,
)
from ..results.score import MadeBy, NeutralWedgeScore, Score
from .colourrows import colour_rows
from .comparable import MEASURES, PRINT, TOTALS, Reading, name_of, parts_of, total_of
from .fairness import check_fairness
from .holm import ALPHA, Family, Step, chance_of, limit_at, step_down
from .nested import Spread, nested
from .noise import RowNoise
from .ranking import rank
from .sides import Key, Readings, Side, making, side_of

__all__ = [
    "ALPHA",
    "ColourRow",
    "ComparedPrint",
    "Comparison",
    "FairnessPoint",
    "History",
    "NoiseBasis",
    "Row",
    "Standing",
    "compare_numbers",
    "label_prints",
    "tested_rows",
]

_RESOLUTION_RATIO: Final = 1.05
"""Resolutions further apart than this are not compared: an excess of 5 ΔE00 changes by about its own noise."""

History = Sequence[Sequence[Sequence[Readings]]]
"""Earlier repeats: conditions, prints of them, scans of each."""

Pair = tuple[int, int]


def compare_numbers(
    prints: Sequence[Sequence[Score]],
    *,
    labels: Sequence[str] | None = None,
    history: History = (),
    ids: Sequence[Sequence[str]] | None = None,
) -> Comparison:
    """Compare prints, each with every other, in numbers; `words.comparison.in_words` adds the sentences.

    Parameters
    ----------
    prints : sequences of Score
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
    if len(prints) < 2 or not all(prints):
        raise WrongUsageError("Nothing to compare: give at least one score for each of two prints.")
    if any(len({score.chart for score in scores}) > 1 for scores in prints):
        raise WrongUsageError("The scores of one print are of different charts; compare like with like.")
    sides = tuple(side_of(scores) for scores in prints)
    labels = labels or label_prints(*(scores[0] for scores in prints))
    compared = tuple(
        _print(label, side, ids[n] if ids else ()) for n, (label, side) in enumerate(zip(labels, sides, strict=True))
    )
    totals, rows = tested_rows(sides, history)
    question = max((_question(*pair) for pair in itertools.combinations(sides, 2)), key=_QUESTIONS.index)
    return Comparison(
        made_by=MadeBy(version=version("inkstrain")),
        charts=tuple(dict.fromkeys(scores[0].chart for scores in prints)),
        question=question,
        prints=compared,
        fairness=check_fairness(*prints),
        totals=totals,
        rows=rows,
        colours=colour_rows(sides),
        ranking=rank(len(sides), totals),
        noise=_noise_basis(sides, history),
        headline="",
        summary=(),
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


_QUESTIONS: Final[tuple[Question, ...]] = ("one-sheet", "two-sheets", "two-ways")


def _question(first: Side, second: Side) -> Question:
    """Return which question a pair answers; where nothing is said of how prints were made, it may be any."""
    conditions = [score.conditions for side in (first, second) for score in side.scores]
    if len({making(one) for one in conditions}) > 1 or not any(making(conditions[0])):
        return "two-ways"
    names = {one.print_name for one in conditions}
    return "one-sheet" if len(names) == 1 and None not in names else "two-sheets"


def _print(label: str, side: Side, ids: Sequence[str]) -> ComparedPrint:
    scans = ids or [tile.scan_sha256 for score in side.scores for tile in score.tiles]
    merged = [len(e.merged) for score in side.scores for e in score.elements if isinstance(e, NeutralWedgeScore)]
    return ComparedPrint(
        label=label,
        ids=tuple(dict.fromkeys(scans)),
        scores=len(side.scores),
        sheets=len(side.prints),
        conditions=side.scores[0].conditions,
        to_white=_counts(side, "white"),
        to_black=_counts(side, "black"),
        merged_steps=fmean(merged) if merged else None,
    )


def _counts(side: Side, end: str) -> EndCounts:
    fades = [[ring for ring in score.rings() if ring.kind == f"ring-to-{end}"] for score in side.scores]
    excesses = [[contour.excess_de00 for ring in one for contour in ring.contours] for one in fades]
    return EndCounts(
        rings=fmean(map(len, excesses)),
        strongest_de00=fmean(max(one, default=0.0) for one in excesses),
        merged_tones=fmean(sum(len(ring.flat_bands) for ring in one) for one in fades),
    )


def _noise_basis(sides: Sequence[Side], history: History) -> NoiseBasis:
    scans = sum(len(side.scores) - len(side.prints) for side in sides)
    prints = sum(len(side.prints) - 1 for side in sides)
    earlier = [len(scan) for conditions in history for scan in conditions]
    return NoiseBasis(
        repeated_scans=scans + sum(earlier) - len(earlier),
        repeated_prints=prints + len(earlier) - len(history),
        earlier_scores=sum(earlier),
        text="",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    """One row on its way: both sides' readings print by print, their noise, or why they cannot be compared."""

    pair: Pair
    key: Key
    readings: tuple[tuple[tuple[Reading, ...], ...], ...]
    reason: str | None
    noise: RowNoise | None = None

    @property
    def counts(self) -> tuple[list[int], ...]:
        """For each side the number of scans of each print."""
        return tuple([len(scans) for scans in side] for side in self.readings)

    @property
    def values(self) -> tuple[float | None, float | None]:
        """Means of prints' means."""
        first, second = (fmean(fmean(r.value for r in scans) for scans in s) if s else None for s in self.readings)
        return first, second

    @property
    def gap(self) -> float:
        """The size of the difference, as far as it is not one of findings that are just reported or just not."""
        first, second = self.values
        if first is None or second is None:
            return 0.0
        raw = second - first
        hidden = [fmean(fmean(r.hidden_below for r in scans) for scans in side) for side in self.readings]
        clear = math.copysign(1.0, raw) * (raw - hidden[1] + hidden[0])
        return max(min(abs(raw), clear), 0.0)

    @property
    def is_nothing(self) -> bool:
        """Whether neither side has anything."""
        return MEASURES[self.key[1]].is_sum and self.values == (0.0, 0.0)

    @property
    def spread(self) -> Spread:
        """Variance of the difference."""
        assert self.noise is not None
        return self.noise.of_difference(*self.counts)


def tested_rows(sides: Sequence[Side], history: History) -> tuple[tuple[Row, ...], tuple[Row, ...]]:
    """Return the totals of all pairs and what they are made of, tested together."""
    pairs = list(itertools.combinations(range(len(sides)), 2))
    families: dict[tuple[Pair, str], list[_Candidate]] = {(pair, total.name): [] for pair in pairs for total in TOTALS}
    for pair in pairs:
        for candidate in _candidates(sides, pair, history):
            families[pair, total_of(*candidate.key).name].append(candidate)
    tested = []
    for family in families.values():
        total = next((c for c in family if c.key[0] == PRINT), None)
        parts = [c for c in family if c is not total and not c.is_nothing]
        tested.append((total, [c for c in parts if c.reason is None], [c for c in parts if c.reason is not None]))
    steps = step_down(
        [
            Family(
                total=None if total is None or total.reason or total.is_nothing else _chance(total),
                parts=tuple(map(_chance, parts)),
            )
            for total, parts, _ in tested
        ]
    )
    totals, rows = [], []
    for (total, parts, lost), (total_step, part_steps) in zip(tested, steps, strict=True):
        if total is not None:
            totals.append(_row(total, total_step))
        rows += [_row(c, step) for c, step in zip(parts, part_steps, strict=True)]
        rows += [_row(c, None) for c in lost]
    return tuple(totals), tuple(rows)


def _chance(candidate: _Candidate) -> float:
    return chance_of(candidate.gap, candidate.spread)


def _candidates(sides: Sequence[Side], pair: Pair, history: History) -> list[_Candidate]:
    both = [sides[n] for n in pair]
    keys = dict.fromkeys(key for side in both for readings in side.readings for key in readings)
    one_sheet = _question(both[0], both[1]) == "one-sheet"
    made = []
    for key in keys:
        candidate = _Candidate(
            pair=pair, key=key, readings=tuple(side.held(key) for side in both), reason=_reason(both, key)
        )
        if candidate.reason is None:
            candidate = replace(candidate, noise=_noise(sides, key, candidate, history, one_sheet=one_sheet))
        made.append(candidate)
    return made


def _reason(both: Sequence[Side], key: Key) -> str | None:
    """Return why a measure cannot be compared; ``None`` if it can."""
    scores = [score for side in both for score in side.scores]
    measure = MEASURES[key[1]]
    if len({score.chart for score in scores}) > 1:
        return "the charts are different"
    lacking = next((n for n, side in enumerate(both) if not side.held(key)), None)
    if lacking is not None:
        return "not " + both[lacking].lacks(key).format(("first", "second")[lacking])
    if measure.needs_colour and len({score.colour_basis.kind for score in scores}) > 1:
        return "the colour bases are of different kinds"
    if key[0] == PRINT and measure.parts:
        measured = {frozenset(parts_of(readings, measure)) for side in both for readings in side.readings}
        if len(measured) > 1:
            return "not the same elements were measured"
    if measure.needs_resolution:
        stated = [r.resolution_mm or score.resolution_mm for score in scores for r in score.rings()]
        if stated and max(stated) > _RESOLUTION_RATIO * min(stated):
            return "one scan is less sharp than the resolution that fades are stated at: scan both at 300 dpi or more"
    return None


def _noise(sides: Sequence[Side], key: Key, candidate: _Candidate, history: History, *, one_sheet: bool) -> RowNoise:
    """Return what is known of a row: the errors of its scans on both sides, and its repeats, also earlier ones."""
    groups = [side.held(key) for side in sides]
    earlier = [[[r for scan in scans if (r := scan.get(key)) is not None] for scans in prints] for prints in history]
    readings = [reading for side in candidate.readings for scans in side for reading in scans]
    measure = MEASURES[key[1]]
    fades = len(parts_of(sides[candidate.pair[0]].readings[0], measure)) if key[0] == PRINT else 1
    return RowNoise(
        repeats=nested([[[r.value for r in scans] for scans in prints] for prints in (*groups, *earlier)]),
        scan=fmean(reading.standard_error**2 for reading in readings),
        sheet=0.0 if one_sheet else fmean(measure.sheet_deviation(r.value, fades) ** 2 for r in readings),
    )


def _row(candidate: _Candidate, step: Step | None) -> Row:
    measure = MEASURES[candidate.key[1]]
    first, second = candidate.values
    known: Mapping[str, object] = {"difference": None, "uncertainty": None, "smallest_showable": None}
    verdict: Verdict = "cannot-compare"
    if candidate.reason is None and first is not None and second is not None:
        verdict = "no-difference-shown"
        if step is not None and step.shown:
            verdict = "first" if (first < second) == (measure.better == "lower") else "second"
        known = _tested(candidate, step, second - first)
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


def _tested(candidate: _Candidate, step: Step | None, difference: float) -> Mapping[str, object]:
    """Return what a test says of a difference; a total that is nothing on both sides was not tested."""
    assert candidate.noise is not None
    spread, hidden = candidate.spread, abs(difference) - candidate.gap
    known: dict[str, object] = {
        "difference": difference,
        "uncertainty": math.sqrt(spread.variance),
        "freedom": spread.freedom if math.isfinite(spread.freedom) else None,
        "rests_on": candidate.noise.rests_on,
        "smallest_showable": None,
    }
    if step is None:
        return known
    more = {
        "with_another_scan": [[count + 1 for count in side] for side in candidate.counts],
        "with_another_print": [[*side, max(side)] for side in candidate.counts],
    }
    return known | {
        "chance": chance_of(candidate.gap, spread),
        "smallest_showable": limit_at(spread, step.level) + hidden,
        **{
            name: limit_at(candidate.noise.of_difference(*candidate.counts, foretold=counts), step.level) + hidden
            for name, counts in more.items()
        },
    }
