"""Measures over time (``inkstrain/trend/1``): a pure step over light rows and readings of a ledger.

Three questions of every series. Does it leave the limits of its control chart? Is there a step at an unknown place,
or a drift? And did it differ before and after something that is known to have changed? The last two are tests, over
all series held together at 5 % by Holm's rule; the chart's own false-alarm rate is stated.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from typing import TYPE_CHECKING, Final, Literal

from . import control
from .comparable import MEASURES, Reading, name_of
from .holm import ALPHA, holm_levels, limit_at
from .model import MadeBy
from .nested import Spread, nested
from .noise import RowRepeats, learn_noise
from .sides import Key, Readings, by_print
from .trendmodel import Baseline, By, Change, DriftFound, Group, Point, Selection, Series, StepFound, Trend
from .trendwords import rules_of, summarise_trend

if TYPE_CHECKING:
    from .ledger import Entry

__all__ = ["ALL_RINGS", "TrendInput", "build_trend"]

ALL_RINGS: Final = "all-rings"
"""Element name of what is summed or averaged over all rings of a print."""

_SECONDS_A_DAY: Final = 86400.0
_MOST_CHANGES: Final = 4  # a condition that changes more often is not an event but a mixture
_QUIET_SHARE: Final = 0.1  # a series of equal values may move by this share of its floor before it is looked at
_TOTALS: Final[Mapping[str, Literal["sum", "mean"]]] = {"contours": "sum", "evenness": "mean", "reach": "mean"}
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


def build_trend(given: TrendInput, selection: Selection) -> Trend:
    """Return every series with what its rules say.

    Parameters
    ----------
    given : TrendInput
        Entries and their readings.
    selection : Selection
        Its measure and element narrow what is looked at; ``by`` splits it.
    """
    sheets = _sheets(given)
    drafts = [
        draft
        for group in _groups(sheets, selection.by)
        for key in _keys(given, selection)
        if len((draft := _draft(group, key, sheets, selection)).points) > 0
    ]
    series = _tested(drafts)
    return Trend(
        made_by=MadeBy(version=version("inkstrain")),
        chart=given.entries[-1].chart if given.entries else "",
        selection=selection,
        prints=len(sheets),
        left_out=given.left_out,
        series=series,
        rules=rules_of(series),
        summary=summarise_trend(series, selection),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    """One print: its entries, and its readings scan by scan."""

    entries: tuple[Entry, ...]
    readings: tuple[Readings, ...]

    @property
    def at(self) -> datetime:
        return self.entries[0].measured_at

    def held(self, key: Key) -> list[Reading]:
        if key[0] == ALL_RINGS:
            return [total for readings in self.readings if (total := _total(readings, key[1])) is not None]
        return [r for readings in self.readings if (r := readings.get(key)) is not None]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Draft:
    """A series on its way to being tested."""

    group: Group | None
    key: Key
    sheets: tuple[_Sheet, ...]
    points: tuple[Point, ...]
    chart: control.Chart | None
    step: control.Step | None
    drift: control.Drift | None
    changes: tuple[tuple[int, str, int, int], ...]
    """Place of the first point after, what changed, and how many points before and after count."""

    assumed: float

    @property
    def values(self) -> list[float]:
        return [point.value for point in self.points]


def _sheets(given: TrendInput) -> list[_Sheet]:
    entries = list(given.entries)
    found = [
        _Sheet(
            entries=tuple(entries[place] for place in places),
            readings=tuple(given.readings.get(entries[place].id, {}) for place in places),
        )
        for places in by_print([entry.conditions for entry in entries])
    ]
    return sorted(found, key=lambda sheet: sheet.at)


def _groups(sheets: Sequence[_Sheet], by: By | None) -> list[Group | None]:
    if by is None:
        return [None]
    values = dict.fromkeys(getattr(sheet.entries[0].conditions, by) for sheet in sheets)
    return [Group(by=by, value=value) for value in values]


def _keys(given: TrendInput, selection: Selection) -> list[Key]:
    keys = dict.fromkeys(key for readings in given.readings.values() for key in readings)
    totals = [(ALL_RINGS, measure) for measure in _TOTALS]
    return [
        key
        for key in (*totals, *keys)
        if selection.measure in (None, key[1]) and selection.element in (None, key[0])
    ]  # fmt: skip


def _total(readings: Readings, measure: str) -> Reading | None:
    held = [reading for (element, name), reading in readings.items() if name == measure and element.startswith("ring-")]
    values = [reading for reading in held if reading is not None]
    # a print of which one ring was not measured would seem to have fewer contours
    if not values or len(values) < len(held):
        return None
    share = 1.0 if _TOTALS[measure] == "sum" else 1.0 / len(values)
    error = sum(reading.standard_error**2 for reading in values) ** 0.5
    return Reading(value=share * sum(reading.value for reading in values), standard_error=share * error)


def _draft(group: Group | None, key: Key, sheets: Sequence[_Sheet], selection: Selection) -> _Draft:
    fitting = [
        (sheet, held)
        for sheet in sheets
        if (group is None or getattr(sheet.entries[0].conditions, group.by) == group.value)
        and (held := sheet.held(key))
    ]
    values = [sum(reading.value for reading in held) / len(held) for _, held in fitting]
    errors = [(sum(reading.standard_error**2 for reading in held)) ** 0.5 / len(held) for _, held in fitting]
    measure = MEASURES[key[1]]
    mean_error = (sum(error**2 for error in errors) / len(errors)) ** 0.5 if errors else 0.0
    since = datetime.fromisoformat(selection.since) if selection.since else None
    baseline = None if since is None else sum(sheet.at < since for sheet, _ in fitting)
    quiet = measure.floor if measure.kind == "finding" else _QUIET_SHARE * measure.floor
    chart = control.control_chart(values, baseline=baseline, least_deviation=max(quiet, mean_error))
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
    days = [sheet.at.timestamp() / _SECONDS_A_DAY for sheet, _ in fitting]
    return _Draft(
        group=group,
        key=key,
        sheets=tuple(sheet for sheet, _ in fitting),
        points=points,
        chart=chart,
        step=control.step(values),
        drift=control.drift(days, values),
        changes=_changes([sheet for sheet, _ in fitting], since),
        assumed=max(measure.floor, mean_error),
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
    noise = learn_noise(
        {
            n: RowRepeats(
                repeats=nested([_segments(draft)]) if not draft.changes else nested(_parts(draft)),
                assumed=draft.assumed,
                kind=MEASURES[draft.key[1]].kind,
                family=draft.key[1],
            )
            for n, draft in enumerate(drafts)
        }
    )
    spreads = {
        (n, place): noise[n].of_difference([1] * before, [1] * after)
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
            chances[n, place] = _chance(draft, place, spreads[n, place])
    shown, alphas = holm_levels([(chance,) for chance in chances.values()])
    outcome = dict(zip(chances, zip(shown, alphas, strict=True), strict=True))
    return tuple(_finished(n, draft, chances, outcome, spreads) for n, draft in enumerate(drafts))


def _segments(draft: _Draft) -> list[list[float]]:
    return [[value] for value in draft.values]


def _parts(draft: _Draft) -> list[list[list[float]]]:
    edges = [0, *(at for at, *_ in draft.changes), len(draft.points)]
    values = draft.values
    return [[[value] for value in values[low:high]] for low, high in itertools.pairwise(edges)]


def _means(draft: _Draft, place: int) -> tuple[float, float]:
    at, _, before, after = draft.changes[place]
    values = draft.values
    return sum(values[at - before : at]) / before, sum(values[at : at + after]) / after


def _chance(draft: _Draft, place: int, spread: Spread) -> float:
    from scipy.special import stdtr

    first, second = _means(draft, place)
    return float(2.0 * stdtr(spread.freedom, -abs(second - first) / spread.variance**0.5))


Outcome = Mapping[tuple[int, "str | int"], tuple[bool, float]]


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
        shown, alpha = outcome[n, place]
        changes.append(
            Change(
                at=draft.points[at].at, what=what, before=first, after=second, points=(before, after),
                chance=chances[n, place], smallest_showable=limit_at(spreads[n, place], alpha), shown=shown,
            )
        )  # fmt: skip
    moved = bool(chart and chart.alarms) or any(outcome[key][0] for key in outcome if key[0] == n)
    enough = chart is not None or changes or len(draft.points) >= control.fewest_for_step(ALPHA)
    return Series(
        group=draft.group,
        element=draft.key[0],
        element_name=name_of(draft.key[0]),
        measure=measure.name,
        words=measure.words,
        unit=measure.unit,
        better=measure.better,
        points=draft.points,
        baseline=None if chart is None else _baseline(chart),
        step=None if found is None else StepFound(
            at=draft.points[found.at].at, id=draft.points[found.at].ids[0], before=found.before, after=found.after,
            chance=found.chance, shown=outcome[n, "step"][0],
        ),
        drift=None if drifted is None else DriftFound(
            per_30_days=30.0 * drifted.slope, chance=drifted.chance, shown=outcome[n, "drift"][0]
        ),
        changes=tuple(changes),
        verdict="moved" if moved else "steady" if enough else "too-few",
    )  # fmt: skip


def _baseline(chart: control.Chart) -> Baseline:
    return Baseline(
        points=chart.baseline, mean=chart.mean, deviation=chart.deviation, factor=chart.factor, lower=chart.lower,
        upper=chart.upper,
    )  # fmt: skip
