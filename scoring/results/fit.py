"""A scanner fit, kept as JSON (``inkstrain/scanner-fit/1``): how one scanner sees one paper and ink set.

Colours are absolute CIELAB (D50, 2° observer; a perfect white has L* 100) unless a name says otherwise.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from inkstrain.targets.values import AliasedValue, Value

__all__ = [
    "BorrowedFrom",
    "Candidate",
    "Decoding",
    "FitConditions",
    "FitPoint",
    "FitResidual",
    "Linearisation",
    "Measurement",
    "Method",
    "ScannerFit",
    "SuspectPatch",
    "WorstPatch",
]

Triple = tuple[float, float, float]


class FitConditions(Value):
    """What the fit belongs to, in the photographer's own words."""

    printer: str | None = None
    paper: str | None = None
    ink: str | None = None
    scanner: str | None = None


class Measurement(Value):
    """Where the patches' true colours come from; ``stated`` are the file's own keywords on the measurement."""

    file: str
    sha256: str
    quantity: Literal["spectral", "xyz", "lab"]
    stated: dict[str, str] = Field(default={})


class BorrowedFrom(Value):
    """The printer profile whose prediction stood in for an instrument."""

    profile: str
    sha256: str
    intent: Literal["perceptual", "relative", "saturation", "absolute"]
    black_point_compensation: bool


class Decoding(Value):
    """How codes became linear light before the fit: XYZ of 27 codes, to know the same decoding again."""

    note: str
    check_xyz: tuple[Triple, ...]


class Linearisation(Value):
    """``(gain × (value − offset)) ^ exponent``, one a channel, from the neutral patches."""

    offset: Triple
    gain: Triple
    exponent: Triple


class Method(Value):
    """One of colour-science's published polynomials: its name, its source, and how many terms it has."""

    name: Literal["Finlayson 2015", "Cheung 2004", "Vandermonde"]
    order: int
    terms: int
    straight: bool


class FitResidual(Value):
    """Cross-validated ΔE00, every patch predicted by a fit that had not seen it.

    Median, p95 and rms are for colours spread evenly through the file's RGB, ``max`` is that of the worst patch.
    """

    median: float
    p95: float
    max: float
    rms: float
    difference_rms_share: float | None = None


class Candidate(Value):
    """A method that was tried, and its residual, cross-validated in folds."""

    method: Method
    rms_de00: float
    p95_de00: float


class WorstPatch(Value):
    """A patch that the fit predicts badly."""

    patch: str
    de00: float


class SuspectPatch(Value):
    """A patch that was left out of the fit, and why."""

    patch: str
    de00: float
    text: str


class FitPoint(Value):
    """White or black: its colour as measured or predicted, and what the scanner read there."""

    lab: Triple
    density: float | None = None
    scan_linear: Triple


class ScannerFit(AliasedValue):
    """The whole fit. XYZ (perfect white at Y = 1) is ``matrix`` times the method's terms of linearised values."""

    schema_id: Literal["inkstrain/scanner-fit/1"] = Field(default="inkstrain/scanner-fit/1", alias="schema")
    made_by: str
    kind: Literal["scanner-fit", "borrowed"]
    chart: str
    conditions: FitConditions
    measurement: Measurement | None = None
    borrowed_from: BorrowedFrom | None = None
    decoding: Decoding
    linearisation: Linearisation
    method: Method
    matrix: tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]
    patches: int
    residual_de00: FitResidual
    worst: tuple[WorstPatch, ...] = ()
    suspects: tuple[SuspectPatch, ...] = ()
    candidates: tuple[Candidate, ...] = ()
    white: FitPoint
    black: FitPoint
    notes: tuple[str, ...] = ()
