"""A scanner fit: read from its file, and used as a colour basis."""

from __future__ import annotations

import dataclasses
import itertools
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.errors import CannotMeasureError
from inkstrain.targets.spaces import profile_description
from inkstrain.targets.values import read_value

from ..results.fit import (
    Decoding,
    ScannerFit,
)
from ..results.score import ColourBasis, Residual
from .basis import Basis, scan_basis
from .fitting import FitCorrection

__all__ = ["decoding_of", "fit_basis", "read_fit", "same_decoding"]

Array = NDArray[np.float64]

_SAME_DECODING: Final = 2e-3


def decoding_of(basis: Basis) -> Decoding:
    """Return how a basis turns codes into linear values, with colours that others can be checked by."""
    codes = np.array(list(itertools.product((8000, 30000, 65535), repeat=3)), dtype=np.uint16)
    values = basis.linear(codes[None])[0].astype(np.float64)
    xyz = (values @ basis.matrix.T).round(6)
    return Decoding(note=profile_description(basis.profile), check_xyz=tuple(tuple(row) for row in xyz.tolist()))


def same_decoding(a: Decoding, b: Decoding) -> bool:
    """Return whether two scans' codes mean the same."""
    return bool(np.abs(np.array(a.check_xyz) - np.array(b.check_xyz)).max() < _SAME_DECODING)


def read_fit(path: Path) -> ScannerFit:
    """Read a fit from its JSON file.

    Raises
    ------
    CannotMeasureError
        If the file cannot be read or is not a scanner fit.
    """
    return read_value(path, ScannerFit, "scanner fit", ". 'inkstrain fit-scanner' writes one.")


def fit_basis(fit: ScannerFit, icc: bytes | None, name: str) -> Basis:
    """Return a fit as the basis of a scan, given its embedded profile; the scan's name is for messages.

    Raises
    ------
    CannotMeasureError
        If the scan's codes mean something else than those the fit was made from.
    """
    plain = scan_basis(icc, name)
    if not same_decoding(decoding_of(plain), fit.decoding):
        raise CannotMeasureError(
            f"{name}: the scanner fit was made from scans with another colour profile or none. Scan with the settings "
            "of the fit, or make a fit with these."
        )
    described = ColourBasis(
        kind=fit.kind,
        residual_de00=Residual(
            median=fit.residual_de00.median,
            p95=fit.residual_de00.p95,
            rms=fit.residual_de00.rms,
            difference_share=fit.residual_de00.difference_rms_share,
        ),
        note=_note(fit),
    )
    correction = FitCorrection(fit.method, fit.linearisation, np.array(fit.matrix))
    return dataclasses.replace(plain, described=described, correction=correction)


def _note(fit: ScannerFit) -> str:
    things = [text for text in (fit.conditions.paper, fit.conditions.ink, fit.conditions.scanner) if text]
    belongs = f" for {', '.join(things)}" if things else ""
    if fit.borrowed_from is not None:
        return (
            f"The scanner was fitted to what the printer profile {fit.borrowed_from.profile} says of {fit.patches} "
            f"patches{belongs}, in an instrument's stead: borrowed. Good for widths, order and differences between "
            "prints; absolute colours are the profile's, not measured."
        )
    return f"The scanner was fitted to {fit.patches} measured patches{belongs}."
