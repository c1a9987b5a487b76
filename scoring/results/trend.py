"""A trend and all its parts: frozen values, written and read as JSON (``inkstrain/trend/1``)."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from inkstrain.targets.values import AliasedValue, Value

from .score import MadeBy

__all__ = ["Baseline", "Change", "DriftFound", "Group", "Point", "Selection", "Series", "StepFound", "Trend"]

By = Literal["printer", "paper", "ink", "intent"]


class Selection(Value):
    """What was asked for. ``since`` is the moment, UTC, that parts before from after.

    ``least`` is the smallest move of interest, in the unit of the measure; each measure's own if not given.
    """

    what: str | None = None
    measure: str | None = None
    element: str | None = None
    by: By | None = None
    since: str | None = None
    least: float | None = Field(default=None, ge=0)


class Group(Value):
    """What all prints of a series share, if they were parted by something."""

    by: By
    value: str | None


class Point(Value):
    """One print: the mean of its scans. ``average`` is the moving average of the control chart there."""

    at: str
    ids: tuple[str, ...]
    label: str | None = None
    value: float
    standard_error: float
    average: float | None = None
    alarm: bool = False


class Baseline(Value):
    """What the control chart's limits rest on: the first ``points``, and the limit in deviations of the average."""

    points: int
    mean: float
    deviation: float
    factor: float
    lower: float
    upper: float


class StepFound(Value):
    """Where one step is most likely: the first point after it, medians on both sides, chance where nothing moved."""

    at: str
    id: str
    before: float
    after: float
    chance: float
    shown: bool


class DriftFound(Value):
    """Median slope in 30 days, and its chance where nothing moved."""

    per_30_days: float
    chance: float
    shown: bool


class Change(Value):
    """Before and after something that is known to have changed, or the moment given by ``since``.

    ``smallest_showable`` is the smallest difference of the means that would have been shown.
    """

    at: str
    what: str
    before: float
    after: float
    points: tuple[int, int]
    chance: float | None
    smallest_showable: float | None
    shown: bool


class Series(Value):
    """One measure of one element over time. ``verdict`` is ``too-few`` where no rule had points enough.

    ``least`` is the smallest move of interest: what is shown to have moved by less is not said to have.
    """

    group: Group | None
    element: str
    element_name: str
    measure: str
    words: str
    unit: str
    better: Literal["lower", "higher"]
    least: float
    points: tuple[Point, ...]
    baseline: Baseline | None
    step: StepFound | None
    drift: DriftFound | None
    changes: tuple[Change, ...] = ()
    verdict: Literal["steady", "moved", "too-few"]


class Trend(AliasedValue):
    """Measures over time: what moved, when, and by which rule. ``rules`` state the false-alarm rates."""

    schema_id: Literal["inkstrain/trend/1"] = Field(default="inkstrain/trend/1", alias="schema")
    made_by: MadeBy
    chart: str
    selection: Selection
    prints: int
    left_out: int = 0
    series: tuple[Series, ...]
    rules: tuple[str, ...]
    summary: tuple[str, ...]
