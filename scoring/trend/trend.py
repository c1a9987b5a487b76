"""Measures over time (``inkstrain/trend/1``): a pure step over light rows and readings of a ledger.

Three questions of every series. Does it leave the limits of its control chart? Is there a step at an unknown place,
or a drift? And did it differ before and after something that is known to have changed? The last two are tests, over
all series together at 5 % by Holm's rule; the chart's own false-alarm rate is stated. Nothing is said to have moved by
less than the smallest size of interest.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from statistics import fmean
from typing import Final

from ..compare.comparable import MEASURES, PRINT, Reading, name_of, parts_of
from ..compare.holm import ALPHA, Family, Step, chance_of, limit_at, step_down
from ..compare.nested import Spread, nested
from ..compare.noise import RowNoise
from ..compare.sides import Key, Readings, by_print
from ..results.entry import Entry
from ..results.score import MadeBy
from ..results.trend import Baseline, By, Change, DriftFound, Group, Point, Selection, Series, StepFound, Trend
from . import control

__all__ = ["TrendInput", "build_trend"]

_SECONDS_A_DAY: Final = 86400.0
_MOST_CHANGES: Final = 4  # a condition that changes more often is not an event but a mixture
_CHANGING: Final = (
    "printer", "paper", "ink", "profile", "intent", "black_point_compensation", "media_setting", "quality_setting",
    "scanner",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendInput:
    """What a trend is built from.

    Attributes
    ----------
    entries : sequence of Entry
        Of one chart, in order of time, each resting on scans of its own.
    readings : mapping of entry id to Readings
        As filed.
    left_out : int
        How many fitting scores are not among them.
    """

    entries: Sequence[Entry]
    readings: Mapping[str, Readings]
    left_out: int = 0


def build_trend(kept: TrendInput, selection: Selection) -> Trend:
    """Return every series with what its rules say, in numbers; `words.trend.in_words` adds the sentences.

    Parameters
    ----------
    kept : TrendInput
        Entries and their readings.
    selection : Selection
        Its measure and element narrow what is looked at; ``by`` splits it. Several printers are followed one at a
        time in any case.
    """
    sheets = _sheets(kept)
    if selection.by is None and len({sheet.entries[0].conditions.printer for sheet in sheets}) > 1:
        selection = selection.model_copy(update={"by": "printer"})
    drafts = [
        draft
        for group in _groups(sheets, selection.by)
        for key in _keys(kept, selection)
        if (draft := _draft(group, key, sheets, selection)).points and not _is_nothing(draft)
    ]
    series = _tested(drafts)
    return Trend(
        made_by=MadeBy(version=version("inkstrain")),
        chart=kept.entries[-1].chart if kept.entries else "",
        selection=selection,
        prints=len(sheets),
        left_out=kept.left_out,
        series=series,
        rules=(),
        summary=(),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    """One print: its entries, and its readings scan by scan."""

    entries: tuple[Entry, ...]
    readings: tuple[Readings, ...]

    @property
    def at(self) -> datetime:
        return self.entries[0].measured_at

    def of(self, key: Key) -> list[Reading]:
        return [r for readings in self.readings if (r := readings.get(key)) is not None]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Draft:
    """A series on its way to being tested."""

    group: Group | None
    key: Key
    points: tuple[Point, ...]
    chart: control.Chart | None
    step: control.Step | None
    drift: control.Drift | None
    changes: tuple[tuple[int, str, int, int], ...]
    """Place of the first point after, what changed, and how many points before and after count."""

    noise: RowNoise
    least: float

    @property
    def values(self) -> list[float]:
        return [point.value for point in self.points]


def _is_nothing(draft: _Draft) -> bool:
    """Return whether an element never had a finding: it can show nothing, and is no test (as in `compare`)."""
    return draft.key[0] != PRINT and MEASURES[draft.key[1]].is_sum and not any(draft.values)


def _sheets(kept: TrendInput) -> list[_Sheet]:
    entries = list(kept.entries)
    found = [
        _Sheet(
            entries=tuple(entries[place] for place in places),
            readings=tuple(kept.readings.get(entries[place].id, {}) for place in places),
        )
        for places in by_print([entry.conditions for entry in entries])
    ]
    return sorted(found, key=lambda sheet: sheet.at)


def _groups(sheets: Sequence[_Sheet], by: By | None) -> list[Group | None]:
    if by is None:
        return [None]
    values = dict.fromkeys(getattr(sheet.entries[0].conditions, by) for sheet in sheets)
    return [Group(by=by, value=value) for value in values]


def _keys(kept: TrendInput, selection: Selection) -> list[Key]:
    keys = dict.fromkeys(key for readings in kept.readings.values() for key in readings)
    fitting = (k for k in keys if selection.measure in (None, k[1]) and selection.element in (None, k[0]))
    return sorted(fitting, key=lambda key: key[0] != PRINT)


def _draft(group: Group | None, key: Key, sheets: Sequence[_Sheet], selection: Selection) -> _Draft:
    fitting = [
        (sheet, found)
        for sheet in sheets
        if (group is None or getattr(sheet.entries[0].conditions, group.by) == group.value) and (found := sheet.of(key))
    ]
    values = [sum(reading.value for reading in found) / len(found) for _, found in fitting]
    errors = [(sum(reading.standard_error**2 for reading in found)) ** 0.5 / len(found) for _, found in fitting]
    measure = MEASURES[key[1]]
    scan = fmean(error**2 for error in errors) if errors else 0.0
    least = measure.least if selection.least is None else selection.least
    since = datetime.fromisoformat(selection.since) if selection.since else None
    baseline = None if since is None else sum(sheet.at < since for sheet, _ in fitting)
    chart = control.control_chart(values, baseline=baseline, least_deviation=scan**0.5, least_shift=least)
    alarms = chart.alarms if chart else ()
    points = tuple(
        Point(
            at=sheet.at.astimezone(UTC).isoformat(timespec="seconds"),
            ids=tuple(entry.id for entry in sheet.entries),
            label=sheet.entries[0].label,
            value=value,
            standard_error=error,
            average=chart.averages[place] if chart else None,
            alarm=place in alarms,
        )
        for place, ((sheet, _), value, error) in enumerate(zip(fitting, values, errors, strict=True))
    )
    days = [_days(point.at) for point in points]
    changes = _changes([sheet for sheet, _ in fitting], since)
    fades = max((len(parts_of(readings, measure)) for sheet, _ in fitting for readings in sheet.readings), default=1)
    return _Draft(
        group=group,
        key=key,
        points=points,
        chart=chart,
        step=control.step(values),
        drift=control.drift(days, values),
        changes=changes,
        noise=RowNoise(
            repeats=nested(_parts(values, changes)),
            scan=scan,
            sheet=fmean(measure.sheet_deviation(value, max(fades, 1)) ** 2 for value in values) if values else 0.0,
        ),
        least=least,
    )


def _changes(sheets: Sequence[_Sheet], since: datetime | None) -> tuple[tuple[int, str, int, int], ...]:
    """Return what is known to have changed along a series. Before and after reach to the changes beside it."""
    places: dict[int, list[str]] = {}
    for field in _CHANGING:
        said = [getattr(sheet.entries[0].conditions, field) for sheet in sheets]
        turns = [i for i in range(1, len(said)) if said[i] != said[i - 1]]
        if len(turns) <= _MOST_CHANGES:
            for i in turns:
                words = field.replace("_", " ")
                places.setdefault(i, []).append(f"{words}: {_said(said[i - 1])} to {_said(said[i])}")
    if since is not None:
        at = sum(sheet.at < since for sheet in sheets)
        if 0 < at < len(sheets):
            places.setdefault(at, []).append(f"since {since:%Y-%m-%d}")
    ordered = sorted(places)
    edges = [0, *ordered, len(sheets)]
    return tuple((at, "; ".join(places[at]), at - edges[n], edges[n + 2] - at) for n, at in enumerate(ordered))


def _said(value: object) -> str:
    if value is None:
        return "not said"
    if isinstance(value, bool):
        return "on" if value else "off"
    return str(value)


def _tested(drafts: Sequence[_Draft]) -> tuple[Series, ...]:
    """Return finished series: steps, drifts and changes of all of them are held against chance together."""
    spreads = {
        (n, place): draft.noise.of_difference([1] * before, [1] * after)
        for n, draft in enumerate(drafts)
        for place, (_, _, before, after) in enumerate(draft.changes)
    }
    chances: dict[tuple[int, str | int], float] = {}
    for n, draft in enumerate(drafts):
        if draft.step:
            chances[n, "step"] = draft.step.chance
        if draft.drift:
            chances[n, "drift"] = draft.drift.chance
        for place in range(len(draft.changes)):
            first, second = _means(draft, place)
            chances[n, place] = chance_of(abs(second - first), spreads[n, place])
    steps = (total for total, _ in step_down([Family(total=chance) for chance in chances.values()]))
    outcome = {key: found for key, found in zip(chances, steps, strict=True) if found is not None}
    return tuple(_finished(n, draft, chances, outcome, spreads) for n, draft in enumerate(drafts))


def _parts(values: Sequence[float], changes: Sequence[tuple[int, str, int, int]]) -> list[list[list[float]]]:
    """Return the prints between changes, which repeat each other."""
    edges = [0, *(at for at, *_ in changes), len(values)]
    return [[[value] for value in values[low:high]] for low, high in itertools.pairwise(edges)]


def _means(draft: _Draft, place: int) -> tuple[float, float]:
    at, _, before, after = draft.changes[place]
    values = draft.values
    return sum(values[at - before : at]) / before, sum(values[at : at + after]) / after


Outcome = Mapping[tuple[int, "str | int"], Step]


def _finished(
    n: int,
    draft: _Draft,
    chances: Mapping[tuple[int, str | int], float],
    outcome: Outcome,
    spreads: Mapping[tuple[int, int], Spread],
) -> Series:
    measure, chart, found, drifted = MEASURES[draft.key[1]], draft.chart, draft.step, draft.drift
    changes = []
    for place, (at, what, before, after) in enumerate(draft.changes):
        first, second = _means(draft, place)
        tested = outcome[n, place]
        changes.append(
            Change(
                at=draft.points[at].at, what=what, before=first, after=second, points=(before, after),
                chance=chances[n, place], smallest_showable=max(limit_at(spreads[n, place], tested.level), draft.least),
                shown=tested.shown and abs(second - first) >= draft.least,
            )
        )  # fmt: skip
    stepped = found is not None and outcome[n, "step"].shown and abs(found.after - found.before) >= draft.least
    days = _days(draft.points[-1].at) - _days(draft.points[0].at)
    drifts = drifted is not None and outcome[n, "drift"].shown and abs(drifted.slope) * days >= draft.least
    moved = bool(chart and chart.alarms) or stepped or drifts or any(change.shown for change in changes)
    enough = chart is not None or changes or len(draft.points) >= control.fewest_for_step(ALPHA)
    return Series(
        group=draft.group,
        element=draft.key[0],
        element_name=name_of(draft.key[0]),
        measure=measure.name,
        words=measure.words,
        unit=measure.unit,
        better=measure.better,
        least=draft.least,
        points=draft.points,
        baseline=None if chart is None else _baseline(chart),
        step=None if found is None else StepFound(
            at=draft.points[found.at].at, id=draft.points[found.at].ids[0], before=found.before, after=found.after,
            chance=found.chance, shown=stepped,
        ),
        drift=None if drifted is None else DriftFound(
            per_30_days=30.0 * drifted.slope, chance=drifted.chance, shown=drifts
        ),
        changes=tuple(changes),
        verdict="moved" if moved else "steady" if enough else "too-few",
    )  # fmt: skip


def _days(at: str) -> float:
    return datetime.fromisoformat(at).timestamp() / _SECONDS_A_DAY


def _baseline(chart: control.Chart) -> Baseline:
    return Baseline(
        points=chart.baseline, mean=chart.mean, deviation=chart.deviation, factor=chart.factor, lower=chart.lower,
        upper=chart.upper,
    )  # fmt: skip
