"""What a ledger gives back: frozen values, light ones first."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import NamedTuple, TypeAlias

from inkstrain.scoring.crops import Crop
from inkstrain.scoring.firstscore import FirstScore, FirstVerdict, refuse_first
from inkstrain.scoring.judge import Verdict
from inkstrain.scoring.model import Conditions, Score

__all__ = ["AnyScore", "AnyVerdict", "Contents", "Entry", "Filing", "Kept", "KeptReading"]

AnyScore: TypeAlias = Score | FirstScore
AnyVerdict: TypeAlias = Verdict | FirstVerdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of the ledger, without the score itself.

    Attributes
    ----------
    id : str
        Follows from the scans, the way of measuring and the owner: filed again they get the same id.
    label : str or None
        The user's own name; several entries may share one.
    kept_at : datetime
        When it was first kept, UTC.
    measured_at : datetime
        Its place on a time axis, UTC: the print's date if it was given as a date (ISO 8601), else ``kept_at``.
    chart : str
        Chart id.
    conditions : Conditions
        How the print was made.
    owner : str or None
        ``None`` for one's own, else the name given when its pack was imported.
    flags : tuple of str
        Flags of the score and of its tiles.
    scan_set : str
        Hash over the scans: entries that share it rest on the same scans, measured in different ways.
    basis : str
        Kind of colour basis.
    dpi : float
        Resolution of the coarsest scan.
    made_by : str
        Version of the program that measured.
    within : bool or None
        Whether it was within the tolerances that it was judged by; ``None`` if it was not judged.
    contours, evenness, reach : int, float or None, float or None
        How many rings all fades have, and their means.
    measures : int
        Which definition of the measures its figures are of; those of 1 are listed and shown, not compared.
    """

    id: str
    label: str | None
    kept_at: datetime
    measured_at: datetime
    chart: str
    conditions: Conditions
    owner: str | None
    flags: tuple[str, ...]
    scan_set: str
    basis: str
    dpi: float
    made_by: str
    within: bool | None
    contours: int
    evenness: float | None
    reach: float | None
    measures: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Filing:
    """What is to be filed: a score, and what goes with it; see `Ledger.keep`."""

    score: AnyScore
    crops: Mapping[str, Crop] = field(default_factory=dict)
    verdict: AnyVerdict | None = None
    label: str | None = None
    owner: str | None = None
    kept_at: datetime | None = None


class KeptReading(NamedTuple):
    """One reading of one entry; see `inkstrain.scoring.comparable.Reading`. No value: the element has none."""

    entry: str
    element: str
    measure: str
    unit: str
    value: float | None
    standard_error: float
    hidden_below: float


class Contents(NamedTuple):
    """How the heavy parts of an entry are fetched when they are asked for."""

    score: Callable[[], AnyScore]
    verdict: Callable[[], AnyVerdict | None]
    crops: Callable[[], Mapping[str, Crop]]


@dataclass(frozen=True, kw_only=True)
class Kept:
    """A kept score. Score, verdict and crops are read when they are asked for."""

    entry: Entry
    already_there: bool = False
    contents: Contents = field(repr=False, compare=False)

    @property
    def id(self) -> str:
        """Short, stable id."""
        return self.entry.id

    @property
    def label(self) -> str | None:
        """The user's own name for it."""
        return self.entry.label

    @property
    def kept_at(self) -> datetime:
        """When it was first kept, UTC."""
        return self.entry.kept_at

    @property
    def owner(self) -> str | None:
        """``None`` for one's own, else the name given when its pack was imported."""
        return self.entry.owner

    @property
    def score(self) -> Score:
        """The score, to be compared, judged or reported.

        Raises
        ------
        WrongUsageError
            If it is of the first definition of the measures.
        """
        if isinstance(self.any_score, FirstScore):
            refuse_first([self.id])
        return self.any_score

    @cached_property
    def any_score(self) -> AnyScore:
        """The score, to be shown or passed on."""
        return self.contents.score()

    @property
    def verdict(self) -> Verdict | None:
        """The verdict it was kept with; ``None`` if there is none or it is of the first definition."""
        return None if isinstance(self.any_verdict, FirstVerdict) else self.any_verdict

    @cached_property
    def any_verdict(self) -> AnyVerdict | None:
        """The verdict it was kept with, to be shown or passed on."""
        return self.contents.verdict()

    def crops(self) -> Mapping[str, Crop]:
        """Return the pictures of its elements by element id, read anew each time: they are large."""
        return self.contents.crops()
