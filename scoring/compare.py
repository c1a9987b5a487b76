"""Comparing two prints of one chart, element by element (``inkstrain/compare/1``): a pure step over scores.

Every row is a test of "these two are the same". Holm's step-down rule (Scand. J. Statist. 6:65-70, 1979) keeps the
chance of even one false claim in the whole comparison at 5 %. One score each: the two-sided normal limit with the
larger of the within-scan standard error and an assumed floor, which for a single row is the repeatability limit
2.77 s of ISO 5725-6:1994. Several scores of a print: their means, and where they spread wider than the floor that
spread, pooled over elements, with Student's t.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from inkstrain.targets.errors import CannotMeasureError, WrongUsageError

from .comparable import MEASURES, PRINT, Measure, Reading, element_names, read_all
from .fairness import FairnessPoint, check_fairness
from .model import Conditions, MadeBy, Score

__all__ = [
    "ComparedPrint",
    "Comparison",
    "FairnessPoint",
    "Row",
    "compare",
    "label_prints",
    "read_comparison",
    "read_score",
]

ALPHA: Final = 0.05
_DETAIL_RATIO: Final = 1.5  # scan resolutions further apart than this blur edges unlike

Verdict = Literal["first", "second", "no-difference-shown", "cannot-compare"]


class _Value(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class ComparedPrint(_Value):
    """One side of a comparison. ``ids`` are the SHA-256 of its scans until a ledger gives it a shorter one."""

    label: str
    ids: tuple[str, ...]
    scores: int = 1
    conditions: Conditions


class Row(_Value):
    """One measure of one element.

    ``difference`` is second less first. ``uncertainty`` is its standard uncertainty, ``smallest_showable`` the
    smallest difference that would have been claimed. ``verdict`` names the better print; ``better`` says which
    way that is.
    """

    element: str
    element_name: str
    measure: str
    unit: str
    better: Literal["lower", "higher"]
    values: tuple[float | None, float | None]
    difference: float | None
    uncertainty: float | None
    smallest_showable: float | None
    verdict: Verdict
    reason: str | None = None


class Comparison(_Value):
    """Two prints side by side: what is unlike in how they came about, row by row, and in plain sentences."""

    schema_id: Literal["inkstrain/compare/1"] = Field(default="inkstrain/compare/1", alias="schema")
    made_by: MadeBy
    charts: tuple[str, ...]
    prints: tuple[ComparedPrint, ComparedPrint]
    fairness: tuple[FairnessPoint, ...]
    rows: tuple[Row, ...]
    rests_on: Literal["one scan each", "repeats"]
    summary: tuple[str, ...]

    model_config = ConfigDict(
        frozen=True, extra="ignore", allow_inf_nan=False, validate_by_name=True, validate_by_alias=True,
        serialize_by_alias=True,
    )  # fmt: skip


def compare(a: Sequence[Score], b: Sequence[Score], *, labels: tuple[str, str] | None = None) -> Comparison:
    """Compare two prints.

    Parameters
    ----------
    a, b : sequence of Score
        One score of each print, or several (scans of one print, or prints of one set of conditions).
    labels : pair of str, optional
        What to call them; by default what their conditions differ in.

    Raises
    ------
    WrongUsageError
        If a side holds no score, or scores of different charts.
    """
    from .comparewords import summarise_rows

    for side in (a, b):
        if not side:
            raise WrongUsageError("Nothing to compare: give at least one score for each print.")
        if len({score.chart for score in side}) > 1:
            raise WrongUsageError("The scores of one print are of different charts; compare like with like.")
    labels = labels or label_prints(a[0], b[0])
    prints = (_print(labels[0], a), _print(labels[1], b))
    fairness = check_fairness(a, b)
    repeats = len(a) + len(b) > 2
    rows = _rows(a, b)
    return Comparison(
        made_by=MadeBy(version=version("inkstrain")),
        charts=tuple(dict.fromkeys((a[0].chart, b[0].chart))),
        prints=prints,
        fairness=fairness,
        rows=rows,
        rests_on="repeats" if repeats else "one scan each",
        summary=summarise_rows(prints, fairness, rows, repeats=repeats),
    )


def label_prints(a: Score, b: Score, *, fallback: tuple[str, str] = ("first", "second")) -> tuple[str, str]:
    """Return what to call two prints: the conditions in which they differ, in the photographer's own words."""
    names = ("printer", "paper", "ink", "profile", "intent", "media_setting", "quality_setting", "date", "note")
    unlike = [name for name in names if getattr(a.conditions, name) != getattr(b.conditions, name)]
    first, second = (
        ", ".join(str(value) for name in unlike if (value := getattr(score.conditions, name)) is not None)
        for score in (a, b)
    )
    if not first or not second or first == second:
        first, second = fallback
    return (first, second) if first != second else ("first", "second")


def read_score(path: Path) -> Score:
    """Read a score from its JSON file.

    Raises
    ------
    CannotMeasureError
        If the file cannot be read or is not a score.
    """
    try:
        return Score.model_validate_json(path.read_bytes())
    except OSError as error:
        raise CannotMeasureError(f"The score {path} cannot be read: {error.strerror or error}.") from error
    except ValidationError as error:
        raise CannotMeasureError(f"{path} is not a score. 'inkstrain score SCAN --json FILE' writes one.") from error


def read_comparison(path: Path) -> Comparison:
    """Read a comparison from its JSON file.

    Raises
    ------
    CannotMeasureError
        If the file cannot be read or is not a comparison.
    """
    try:
        return Comparison.model_validate_json(path.read_bytes())
    except OSError as error:
        raise CannotMeasureError(f"The comparison {path} cannot be read: {error.strerror or error}.") from error
    except ValidationError as error:
        raise CannotMeasureError(f"{path} is not a comparison.") from error


def _print(label: str, scores: Sequence[Score]) -> ComparedPrint:
    scans = tuple(tile.scan_sha256 for score in scores for tile in score.tiles)
    return ComparedPrint(
        label=label, ids=tuple(dict.fromkeys(scans)), scores=len(scores), conditions=scores[0].conditions
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    """One row on its way: both sides' readings, or why they cannot be compared."""

    element: str
    measure: Measure
    sides: tuple[tuple[Reading, ...], tuple[Reading, ...]]
    reason: str | None

    def mean(self, side: int) -> float | None:
        readings = self.sides[side]
        return sum(reading.value for reading in readings) / len(readings) if readings else None

    @property
    def gap(self) -> float:
        """Return the least size that the difference can have, given what may hide unseen on either side."""
        (low_a, high_a), (low_b, high_b) = (
            (
                sum(reading.value for reading in readings) / len(readings),
                sum(max(reading.value, reading.hidden_below) for reading in readings) / len(readings),
            )
            for readings in self.sides
        )
        return max(low_b - high_a, low_a - high_b, 0.0)

    @property
    def within_scan(self) -> float:
        """Return the root mean square of the readings' own standard errors."""
        errors = [reading.standard_error**2 for side in self.sides for reading in side]
        return math.sqrt(sum(errors) / len(errors))


def _rows(a: Sequence[Score], b: Sequence[Score]) -> tuple[Row, ...]:
    names = {**element_names(b[0]), **element_names(a[0])}
    pairs = list(_pairs(a, b))
    tested = [pair for pair in pairs if pair.reason is None]
    spread = _pooled_spread(tested)
    uncertainties = [_uncertainty(pair, spread) for pair in tested]
    freedom = [_freedom(pair, spread) for pair in tested]
    limits, shown = _holm([pair.gap for pair in tested], uncertainties, freedom)
    results = dict(zip(map(id, tested), zip(uncertainties, limits, shown, strict=True), strict=True))
    return tuple(_row(pair, names[pair.element], results.get(id(pair))) for pair in pairs)


def _row(pair: _Pair, name: str, result: tuple[float, float, bool] | None) -> Row:
    first, second = pair.mean(0), pair.mean(1)
    uncertainty, limit, shown = result or (None, None, False)
    verdict: Verdict = "cannot-compare" if result is None else "no-difference-shown"
    if shown and first is not None and second is not None:
        verdict = "first" if (first < second) == (pair.measure.better == "lower") else "second"
    return Row(
        element=pair.element,
        element_name=name,
        measure=pair.measure.name,
        unit=pair.measure.unit,
        better=pair.measure.better,
        values=(first, second),
        difference=None if result is None or first is None or second is None else second - first,
        uncertainty=uncertainty,
        smallest_showable=limit,
        verdict=verdict,
        reason=pair.reason,
    )


def _pairs(a: Sequence[Score], b: Sequence[Score]) -> Sequence[_Pair]:
    sides = [[read_all(score) for score in side] for side in (a, b)]
    keys = dict.fromkeys(key for side in sides for readings in side for key in readings)
    whole = None if a[0].chart == b[0].chart else "the charts are different"
    unlike_basis = len({score.colour_basis.kind for score in (*a, *b)}) > 1
    resolutions = [value for score in (*a, *b) for tile in score.tiles for value in tile.dpi]
    unlike_detail = bool(resolutions) and max(resolutions) > _DETAIL_RATIO * min(resolutions)
    pairs = []
    for element, name in keys:
        measure = MEASURES[name]
        found = tuple(
            tuple(r for readings in side if (r := readings.get((element, name))) is not None) for side in sides
        )
        reason = whole or _missing(element, name, sides, found)
        if reason is None and unlike_basis and measure.needs_colour:
            reason = "the colour bases are of different kinds"
        if reason is None and unlike_detail and measure.needs_detail:
            reason = "the scan resolutions are too far apart"
        pairs.append(_Pair(element=element, measure=measure, sides=(found[0], found[1]), reason=reason))
    return pairs


def _missing(
    element: str,
    name: str,
    sides: Sequence[Sequence[Mapping[tuple[str, str], Reading | None]]],
    found: tuple[tuple[Reading, ...], ...],
) -> str | None:
    for which, side, readings in zip(("first", "second"), sides, found, strict=True):
        if not readings:
            absent = element != PRINT and not any((element, name) in scored for scored in side)
            return f"not on the {which} print's scans" if absent else f"not measured on the {which} print"
    return None


def _pooled_spread(pairs: Sequence[_Pair]) -> dict[str, tuple[float, float]]:
    """Return for each measure the standard deviation between repeats, and its degrees of freedom."""
    squares: dict[str, float] = {}
    freedom: dict[str, int] = {}
    for pair in pairs:
        for readings in pair.sides:
            if len(readings) > 1:
                mean = sum(r.value for r in readings) / len(readings)
                name = pair.measure.name
                squares[name] = squares.get(name, 0.0) + sum((r.value - mean) ** 2 for r in readings)
                freedom[name] = freedom.get(name, 0) + len(readings) - 1
    return {name: (math.sqrt(squares[name] / freedom[name]), freedom[name]) for name in squares}


def _uncertainty(pair: _Pair, spread: Mapping[str, tuple[float, float]]) -> float:
    """Return the standard uncertainty of a row's difference."""
    name = pair.measure.name
    # pooled over elements, a few quiet ones would hide a restless one: repeats may raise the floor, never lower it
    between = max(spread[name][0] if name in spread else 0.0, pair.measure.floor)
    deviation = max(between, pair.within_scan)
    return deviation * math.sqrt(sum(1 / len(side) for side in pair.sides))


def _freedom(pair: _Pair, spread: Mapping[str, tuple[float, float]]) -> float:
    """Return the degrees of freedom behind a row's uncertainty; an assumed or stated one counts as known."""
    deviation, freedom = spread.get(pair.measure.name, (0.0, math.inf))
    return freedom if deviation > max(pair.measure.floor, pair.within_scan) else math.inf


def _holm(
    gaps: Sequence[float], uncertainties: Sequence[float], freedom: Sequence[float]
) -> tuple[list[float], list[bool]]:
    """Return for each row the smallest difference that would be shown, and whether its own is.

    A row's gap is shown while the smallest remaining p is at most `ALPHA` over the rows that remain. The limit
    given to a shown row is that of its own step; to a row not shown, that of the step where the rule stopped.
    """
    from scipy.special import stdtr, stdtrit

    count = len(gaps)
    chances = [float(2 * stdtr(df, -gap / scale)) for gap, scale, df in zip(gaps, uncertainties, freedom, strict=True)]
    shown, step_of = [False] * count, [count] * count
    order = sorted(range(count), key=lambda i: (chances[i], -gaps[i] / uncertainties[i]))
    passed = 0
    for index in order:
        if chances[index] > ALPHA / (count - passed):
            break
        shown[index], step_of[index] = True, count - passed
        passed += 1
    for index in order[passed:]:
        step_of[index] = count - passed
    limits = [
        float(-stdtrit(df, ALPHA / step / 2)) * scale
        for df, step, scale in zip(freedom, step_of, uncertainties, strict=True)
    ]
    return limits, shown
