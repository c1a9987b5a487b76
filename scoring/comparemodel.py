"""The comparison and all its parts: frozen values, written and read as JSON (``inkstrain/compare/1``)."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from inkstrain.targets.values import AliasedValue, Value

from .fairness import FairnessPoint
from .model import Conditions, MadeBy

__all__ = ["ColourRow", "ComparedPrint", "Comparison", "NoiseBasis", "NoiseRow", "Row", "Standing", "Verdict"]

Verdict = Literal["first", "second", "no-difference-shown", "cannot-compare"]
Pair = tuple[int, int]


class ComparedPrint(Value):
    """One side of a comparison: ``scores`` scans of ``sheets`` prints.

    ``ids`` are those of the ledger, or the SHA-256 of its scans where it was not kept.
    """

    label: str
    ids: tuple[str, ...]
    scores: int = 1
    sheets: int = 1
    conditions: Conditions


class Row(Value):
    """One measure of one element, in two prints.

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
    """Whether the colours of an element moved between two prints, which says nothing of better or worse.

    ``moved_de00`` is the root mean square ΔE00 over the element's zones; ``by_chance_de00`` what two prints that are
    alike stay under in 95 % of cases; ``change_lab`` the mean change in L*, a*, b*, second less first.
    """

    pair: Pair = (0, 1)
    element: str
    element_name: str
    moved_de00: float | None
    by_chance_de00: float | None
    smallest_showable_de00: float | None
    change_lab: tuple[float, float, float] | None
    freedom: float | None = None
    chance: float | None = None
    rests_on: Literal["assumed", "scans", "prints"] | None = None
    verdict: Literal["moved", "no-difference-shown", "cannot-compare"]
    reason: str | None = None


class Standing(Value):
    """Where one print stands in one measure (``None``: in all together), by shown differences only.

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


class NoiseRow(Value):
    """Nested components of one measure of one element, in the words of ISO 5725, as measured.

    ``repeatability`` is the standard deviation from scan to scan of one print, ``between_prints`` what prints of one
    set of conditions add to it, each with the degrees of freedom of its mean square; the limits are what two single
    scans stay within in 95 % of cases, of one print and of two. ``None`` where nothing repeats. ``assumed`` is the
    standard deviation that stands where nothing is known.
    """

    element: str
    element_name: str
    measure: str
    unit: str
    assumed: float
    repeatability: float | None
    repeatability_freedom: int
    repeatability_limit: float | None
    between_prints: float | None
    between_prints_freedom: int
    print_limit: float | None


class NoiseBasis(Value):
    """What the noise floor was learnt from: repeats on the sides themselves, and earlier ones from a ledger."""

    repeated_scans: int
    repeated_prints: int
    earlier_scores: int = 0
    rows: tuple[NoiseRow, ...] = ()
    text: str


class Comparison(AliasedValue):
    """Prints side by side: what is unlike in how they came about, row by row, and in plain sentences."""

    schema_id: Literal["inkstrain/compare/1"] = Field(default="inkstrain/compare/1", alias="schema")
    made_by: MadeBy
    charts: tuple[str, ...]
    prints: tuple[ComparedPrint, ...] = Field(min_length=2)
    fairness: tuple[FairnessPoint, ...]
    rows: tuple[Row, ...]
    colours: tuple[ColourRow, ...] = ()
    ranking: tuple[Standing, ...] = ()
    noise: NoiseBasis | None = None
    rests_on: Literal["one scan each", "repeats"]
    summary: tuple[str, ...]
