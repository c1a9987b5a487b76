"""What a ledger gives back: frozen values, light ones first."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple, TypeAlias, Union

from ..results.entry import Entry
from ..results.firstscore import FirstScore, FirstVerdict, refuse_first
from ..results.score import Score

if TYPE_CHECKING:
    from ..judge.judge import Verdict
    from ..results.crops import Crop

__all__ = ["AnyScore", "AnyVerdict", "Contents", "Entry", "Filing", "Kept", "KeptReading"]

AnyScore: TypeAlias = Score | FirstScore
AnyVerdict: TypeAlias = Union["Verdict", FirstVerdict]


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
    """One reading of one entry; see `inkstrain.scoring.compare.comparable.Reading`. No value: the element has none; no
    standard error: none was estimated.
    """

    entry: str
    element: str
    measure: str
    unit: str
    value: float | None
    standard_error: float | None
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
