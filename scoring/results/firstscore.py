"""Scores of the first definition of the measures (``inkstrain/score/1``): read and shown as they were, never compared.

Its contours ended where speed crosses a limit, so its figures jump from scan to scan and are not those of measures/2.
A first score keeps the JSON that it was read from; the model names what is listed and told of it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, Literal, NoReturn

from pydantic import Field

from inkstrain.targets.errors import CannotMeasureError, WrongUsageError
from inkstrain.targets.values import AliasedValue, Value

from .score import ColourBasis, Conditions, Score, Viewing

__all__ = ["FIRST_SCHEMA", "FirstElement", "FirstScore", "FirstVerdict", "read_any_score", "read_score", "refuse_first"]

FIRST_SCHEMA: Final = "inkstrain/score/1"
_NAMED_AT_MOST: Final = 6  # a sentence, not a list
_NO_SCORE: Final = ". 'inkstrain score SCAN --json FILE' writes one."


class FirstContour(Value):
    """A ring, by the contrast of the colours at its ends."""

    radius_mm: float
    contrast_de00: float


class FirstFlatBand(Value):
    """Merged tones."""

    inner_mm: float
    outer_mm: float
    width_mm: float


class FirstCast(Value):
    """Chroma of the neutral steps."""

    max_c: float
    mean_c: float


class FirstElement(Value):
    """One element of any kind; what a kind has not is absent."""

    id: str
    kind: str
    evenness: float | None = None
    reach: float | None = None
    contours: tuple[FirstContour, ...] = ()
    flat_bands: tuple[FirstFlatBand, ...] = ()
    core_mm: float | None = None
    monotonic: bool | None = None
    first_from_black: int | None = None
    cast: FirstCast | None = None
    flags: tuple[str, ...] = ()


class FirstEnd(Value):
    """White or black, media-relative CIELAB (white: relative to the scanner's own)."""

    lab: tuple[float, float, float]


class FirstTile(Value):
    """A tile as found in a scan."""

    scan: str
    scan_sha256: str
    dpi: tuple[float, float]
    flags: tuple[str, ...] = ()


class FirstTotals(Value):
    """Totals over the rings."""

    contours: int
    evenness: float | None
    reach: float | None


class FirstMadeBy(Value):
    """The program that measured."""

    version: str


class _Kept(AliasedValue):
    """A value with the JSON that it was read from."""

    document: str = Field(exclude=True, repr=False)


class FirstVerdictFinding(Value):
    """One passed limit."""

    element: str
    text: str


class FirstVerdict(_Kept):
    """The verdict that a first score was kept with, by limits that no longer exist."""

    within: bool
    findings: tuple[FirstVerdictFinding, ...] = ()

    @classmethod
    def of(cls, text: str) -> FirstVerdict:
        """Read a verdict from its JSON.

        Raises
        ------
        ValueError
            If it is none.
        """
        return cls.model_validate({**_object(text), "document": text})


class FirstScore(_Kept):
    """A score of measures/1, ``document`` its JSON."""

    schema_id: Literal["inkstrain/score/1"] = Field(alias="schema")
    made_by: FirstMadeBy
    chart: str
    recipe: str
    conditions: Conditions
    colour_basis: ColourBasis
    viewing: Viewing
    white: FirstEnd
    black: FirstEnd | None
    tiles: tuple[FirstTile, ...]
    elements: tuple[FirstElement, ...]
    totals: FirstTotals
    flags: tuple[str, ...] = ()

    @classmethod
    def of(cls, text: str) -> FirstScore:
        """Read a score from its JSON.

        Raises
        ------
        ValueError
            If it is none.
        """
        return cls.model_validate({**_object(text), "document": text})


def read_any_score(source: Path | bytes) -> Score | FirstScore:
    """Read a score of either definition, told apart by its ``schema``.

    Raises
    ------
    CannotMeasureError
        If the file cannot be read, or is not a score that this program knows.
    """
    name = "The file" if isinstance(source, bytes) else str(source)
    try:
        data = source if isinstance(source, bytes) else source.read_bytes()
    except OSError as error:
        raise CannotMeasureError(f"The score {name} cannot be read: {error.strerror or error}.") from error
    try:
        text = data.decode("utf-8")
        return FirstScore.of(text) if _object(text).get("schema") == FIRST_SCHEMA else Score.model_validate_json(text)
    except (ValueError, RecursionError) as error:
        raise CannotMeasureError(f"{name} is not a score{_NO_SCORE}") from error


def read_score(path: Path) -> Score:
    """Read a score that can be compared and judged.

    Raises
    ------
    CannotMeasureError
        If the file cannot be read or is not a score.
    WrongUsageError
        If it is of the first definition.
    """
    score = read_any_score(path)
    if isinstance(score, FirstScore):
        refuse_first([str(path)])
    return score


def refuse_first(names: Sequence[str], *, mixed: bool = False) -> NoReturn:
    """Say that scores of the first definition are shown only.

    Parameters
    ----------
    names : sequence of str
        Files or ids.
    mixed : bool
        Whether they were selected in a ledger together with others, and can be left out.

    Raises
    ------
    WrongUsageError
        Always.
    """
    shown = ", ".join(names[:_NAMED_AT_MOST])
    if len(names) > _NAMED_AT_MOST:
        shown += f" and {len(names) - _NAMED_AT_MOST} more"
    one = len(names) == 1
    out = f" To leave {'it' if one else 'them'} out, add measures=2 to the conditions." if mixed else ""
    raise WrongUsageError(
        f"{shown}: measured by the first definition of the measures, which can be listed and shown but not compared, "
        f"followed or judged. Scan the print again, or score the kept scan {'file' if one else 'files'} again.{out}"
    )


def _object(text: str) -> dict[str, Any]:
    document = json.loads(text)
    if not isinstance(document, dict):
        raise ValueError("not an object")
    return document
