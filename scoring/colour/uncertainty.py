"""Standard uncertainties of colour differences, composed as in the GUM (JCGM 100:2008, 5.1.2): root of sum of squares.

Three parts: the colour basis (its cross-validated residual, one axis of three), the reading (the spread of a bin's
sectors or blocks: azimuthal error and scan noise), and the paper that all colours are relative to. A colour difference
changes by what errs along its own direction, so every part counts with a sensitivity of 1. The mean over an element
has readings that average out, and a basis and a paper that do not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeVar, overload

import numpy as np
from numpy.typing import NDArray

from ..results.score import (
    ColourBasis,
    ColourUncertainty,
    Contour,
    DeltaE,
    DeltaEPair,
    ElementScore,
    FlatBand,
    FlatFieldScore,
    HueSweepScore,
    NeutralWedgeScore,
    PatchFieldScore,
    PatchReading,
    RingScore,
    Score,
)
from .paper import paper_part_l

__all__ = [
    "LID_OPENED_REPEATABILITY",
    "REPEATABILITY",
    "basis_part_de00",
    "scanner_repeatability_l",
    "with_uncertainty",
]

Array = NDArray[np.float64]

REPEATABILITY: Final = 0.0017
"""Of a flatbed's response: standard deviation between scans (Med. Phys. 42, 2015, doi 10.1118/1.4929563)."""

LID_OPENED_REPEATABILITY: Final = 0.0027 * float(np.sqrt(np.pi)) / 2.0
"""The same with the lid opened between scans, 0.24 %: two scans differ by 0.27 % in the mean (same source), and two
draws from one normal distribution by 2/√π standard deviations."""

_Found = TypeVar("_Found", Contour, FlatBand)

_COVERAGE: Final = 2.0
_CHI3_P95: Final = 2.795  # 95 % point of the length of three equal normal errors
_FLAT_BLOCKS: Final = 100.0


def basis_part_de00(basis: ColourBasis) -> float | None:
    """Return what the basis adds: its rms residual shared out to three axes, or, without that, by its 95 % point."""
    residual = basis.residual_de00
    if residual is None:
        return None
    return residual.p95 / _CHI3_P95 if residual.rms is None else residual.rms / float(np.sqrt(3.0))


@overload
def scanner_repeatability_l(lightness: float, response_sd: float = REPEATABILITY) -> float: ...
@overload
def scanner_repeatability_l(lightness: Array, response_sd: float = REPEATABILITY) -> Array: ...
def scanner_repeatability_l(lightness: float | Array, response_sd: float = REPEATABILITY) -> float | Array:
    """Return by how much L* (any shape) differs between scans: standard deviation, 0.04 at L* 50.

    L* = 116 ∛(Y/Yn) - 16 (CIE 15:2018, 8.2.1), so a response that errs by a share of itself moves L* by (L* + 16)/3 of
    that share. So it is taken below L* 8, too, where L* is linear in Y: a dark response has an offset besides.
    """
    spread = response_sd * (np.maximum(lightness, 0.0) + 16.0) / 3.0
    return spread if isinstance(lightness, np.ndarray) else float(spread)


def with_uncertainty(score: Score) -> Score:
    """Return a score whose every ΔE00 has its standard uncertainty, and its findings what the colour basis adds."""
    basis = basis_part_de00(score.colour_basis)
    paper = score.white.standard_error_l or 0.0
    residual = score.colour_basis.residual_de00
    share = residual.difference_share if residual is not None else None
    whole = basis is not None and score.colour_basis.kind != "borrowed"
    parts = _Parts(float(np.hypot(basis or 0.0, paper)), share, not whole, paper)
    elements = tuple(_element(element, parts) for element in score.elements)
    made_of = ColourUncertainty(
        coverage_factor=_COVERAGE,
        basis_de00=basis,
        paper_l=paper,
        note=_note(score.colour_basis, basis),
    )
    ends = parts.common if whole else None
    white = score.white.revised(standard_uncertainty_l=ends)
    black = None if score.black is None else score.black.revised(standard_uncertainty_l=ends)
    return score.model_copy(update={"elements": elements, "uncertainty": made_of, "white": white, "black": black})


def _note(basis: ColourBasis, part: float | None) -> str:
    covers = f"Uncertainties are standard ones; {_COVERAGE:g} times that (the coverage factor) covers about 95 %."
    if basis.kind == "instrument":
        return f"{covers} The instrument's own is not in them: its maker states it."
    if part is None:
        return f"{covers} They hold readings and paper only: how wrong the colour basis is here, is not known."
    if basis.kind == "borrowed":
        return f"{covers} They do not hold how wrong the printer profile is that stood in for an instrument."
    return covers


@dataclass(frozen=True, slots=True)
class _Parts:
    """What all colours share: basis and paper in ΔE00, the basis' share of differences, what is missing, and paper."""

    common: float
    share: float | None
    lower_bound: bool
    paper_l: float


def _element(element: ElementScore, parts: _Parts) -> ElementScore:
    match element:
        case RingScore():
            found = {
                "contours": tuple(_with_basis(ring, ring.excess_de00, parts) for ring in element.contours),
                "flat_bands": tuple(_with_basis(band, band.missing_de00, parts) for band in element.flat_bands),
            }
            pair = _pair(element.delta_e00, element.course.standard_error_de00, parts)
            return element.model_copy(update={"delta_e00": pair, **found})
        case HueSweepScore():
            rows = tuple(
                row.model_copy(update={"delta_e00": _pair(row.delta_e00, row.standard_error_de00, parts)})
                for row in element.rows
            )
            return element.model_copy(update={"rows": rows})
        case NeutralWedgeScore():
            # white is in what all colours share, and in the steps' own errors too
            white = paper_part_l(np.array([step.lab[0] for step in element.steps]), parts.paper_l).tolist()
            errors = [
                float(np.sqrt(max(step.noise_l**2 - part**2, 0.0)))
                for step, part in zip(element.steps, white, strict=True)
            ]
        case PatchFieldScore():
            errors = [patch.standard_error_de00 for patch in element.patches]
            element = element.model_copy(update={"patches": tuple(_patch(patch, parts) for patch in element.patches)})
        case FlatFieldScore():
            errors = [element.unevenness_l / float(np.sqrt(_FLAT_BLOCKS))]
    return element.model_copy(update={"delta_e00": _pair(element.delta_e00, errors, parts)})


def _with_basis(found: _Found, size_de00: float, parts: _Parts) -> _Found:
    # a difference of alike colours errs by a share of itself
    return found if parts.share is None else found.revised(basis_de00=parts.share * size_de00)


def _patch(patch: PatchReading, parts: _Parts) -> PatchReading:
    whole = None if parts.lower_bound else float(np.hypot(parts.common, patch.standard_error_de00))
    return patch.model_copy(update={"standard_uncertainty_de00": whole})


def _pair(pair: DeltaEPair, errors: Sequence[float], parts: _Parts) -> DeltaEPair:
    square = float(np.mean(np.square(errors))) if len(errors) else 0.0
    update: dict[str, Any] = {
        "standard_uncertainty": float(np.sqrt(parts.common**2 + square / max(len(errors), 1))),
        "single_standard_uncertainty": float(np.sqrt(parts.common**2 + square)),
        "uncertainty_is_lower_bound": parts.lower_bound,
    }

    def revised(one: DeltaE | None) -> DeltaE | None:
        return None if one is None else one.revised(**update)

    return DeltaEPair(intended=revised(pair.intended), attainable=revised(pair.attainable))
