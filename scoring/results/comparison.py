"""The comparison and all its parts: frozen values, written and read as JSON (``inkstrain/compare/2``)."""

from __future__ import annotations

from html import escape
from typing import Literal

from pydantic import Field

from inkstrain.targets.values import AliasedValue, Value

from .score import Conditions, MadeBy

__all__ = [
    "ColourRow",
    "ComparedPrint",
    "Comparison",
    "EndCounts",
    "FairnessPoint",
    "NoiseBasis",
    "Question",
    "Row",
    "Standing",
    "Verdict",
]

Verdict = Literal["first", "second", "no-difference-shown", "cannot-compare"]
Question = Literal["one-sheet", "two-sheets", "two-ways"]
Pair = tuple[int, int]


class FairnessPoint(Value):
    """One thing looked at, with a value for each print.

    ``condition`` is what may well be compared; ``fault`` spoils the comparison if unlike.
    """

    what: str
    values: tuple[str, ...]
    alike: bool
    kind: Literal["condition", "fault"]
    text: str | None = None


class EndCounts(Value):
    """What the fades to one end have, in the mean over scores: rings, the largest excess, stretches of merged tones."""

    rings: float = 0.0
    strongest_de00: float = 0.0
    merged_tones: float = 0.0


class ComparedPrint(Value):
    """One side of a comparison: ``scores`` scans of ``sheets`` prints.

    ``ids`` are those of the ledger, or the SHA-256 of its scans where it was not kept. ``merged_steps`` is how many
    neutral steps are not seen apart, in the mean over scores. Counts are for reading, and are not tested.
    """

    label: str
    ids: tuple[str, ...]
    scores: int = 1
    sheets: int = 1
    conditions: Conditions
    to_white: EndCounts = EndCounts()
    to_black: EndCounts = EndCounts()
    merged_steps: float | None = None


class Row(Value):
    """One measure of one element, or of the whole print, in two prints.

    ``pair`` says which prints, counted from 0. ``difference`` is second less first, ``uncertainty`` its standard
    uncertainty with ``freedom`` degrees of freedom (``None``: taken as known), ``chance`` that of a difference so large
    where there is none. ``smallest_showable`` is the smallest difference that would have been claimed; the two after
    it foretell it for one more scan of each print, or one more print of each side. ``verdict`` names the better
    print; ``better`` says which way that is. ``rests_on``: ``assumed`` noise, or that of repeated scans or prints.
    """

    pair: Pair = (0, 1)
    element: str
    element_name: str
    measure: str
    unit: str
    better: Literal["lower", "higher"]
    values: tuple[float | None, float | None]
    difference: float | None
    uncertainty: float | None
    freedom: float | None = None
    chance: float | None = None
    smallest_showable: float | None
    with_another_scan: float | None = None
    with_another_print: float | None = None
    rests_on: Literal["assumed", "scans", "prints"] | None = None
    verdict: Verdict
    reason: str | None = None


class ColourRow(Value):
    """How far the colours of an element are apart in two prints, which says nothing of better or worse.

    ``apart_de00`` is the root mean square ΔE00 over the element's zones, ``alike_de00`` what like prints stay under in
    95 % of cases, ``change_lab`` the mean change in L*, a*, b*, second less first.
    """

    pair: Pair = (0, 1)
    element: str
    element_name: str
    apart_de00: float
    alike_de00: float
    change_lab: tuple[float, float, float]


class Standing(Value):
    """Where one print stands in one total (``None``: in all together), by shown differences only.

    Prints are counted from 0. One is ahead of another if it is better somewhere and worse nowhere; ``mixed`` with
    those it beats here and loses to there. Its place lies between ``best_place`` and ``worst_place``.
    """

    measure: str | None
    print: int
    ahead_of: tuple[int, ...]
    behind: tuple[int, ...]
    mixed: tuple[int, ...]
    not_told_from: tuple[int, ...]
    best_place: int
    worst_place: int


class NoiseBasis(Value):
    """What the noise floor was learnt from: repeats on the sides themselves, and earlier ones from a ledger."""

    repeated_scans: int
    repeated_prints: int
    earlier_scores: int = 0
    text: str


class Comparison(AliasedValue):
    """Prints side by side: what is unlike in how they came about, totals, what they are made of, and plain sentences.

    ``question`` is which one is answered: of two scans of ``one-sheet``, of ``two-sheets`` made alike, or of
    ``two-ways`` of making. Rows that are nothing on both sides are left out.
    """

    schema_id: Literal["inkstrain/compare/2"] = Field(default="inkstrain/compare/2", alias="schema")
    made_by: MadeBy
    charts: tuple[str, ...]
    question: Question
    prints: tuple[ComparedPrint, ...] = Field(min_length=2)
    fairness: tuple[FairnessPoint, ...]
    totals: tuple[Row, ...]
    rows: tuple[Row, ...]
    colours: tuple[ColourRow, ...] = ()
    ranking: tuple[Standing, ...] = ()
    noise: NoiseBasis
    headline: str
    summary: tuple[str, ...]

    def to_rows(self) -> list[dict[str, object]]:
        """Return totals and rows as plain dictionaries, one a row: a data frame takes them as they are."""
        return [row.model_dump() for row in (*self.totals, *self.rows)]

    def _repr_html_(self) -> str:
        """Return what a notebook shows: the answer, and the sentences below it."""
        return f"<p><b>{escape(self.headline)}</b></p>" + "".join(f"<p>{escape(text)}</p>" for text in self.summary)
