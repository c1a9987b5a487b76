"""Whether a scanner fit belongs to this print: its paper, its inks, and what was said of both."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import WHITE_D50, delta_e00, lab_to_xyz, xyz_to_lab

from ..results.fit import ScannerFit
from ..results.score import BasisCheck, Conditions, ElementScore, Flag, NeutralWedgeScore, PatchFieldScore
from .fitting import FitCorrection

__all__ = ["basis_check", "belonging_flags"]

Array = NDArray[np.float64]

_PAPER_DE00: Final = 1.0
"""Ten times what white differs by from scan to scan with the lid opened, 0.09 L* (see `LID_OPENED_REPEATABILITY`)."""
_BLACK_DE00: Final = 2.5
"""Black differs from print to print of one ink set, too (common practice, no source)."""


def basis_check(fit: ScannerFit, paper_xyz: Array, elements: tuple[ElementScore, ...]) -> BasisCheck:
    """Return how far this print's paper and black are from the fit's own, both as the fit sees them, in ΔE00."""
    correction = FitCorrection(fit.method, fit.linearisation, np.array(fit.matrix))
    white = xyz_to_lab(correction.xyz(fit.white.scan_linear))
    black = _black_lab(elements)
    black_de00 = None
    if black is not None:
        own = xyz_to_lab(correction.xyz(fit.black.scan_linear))
        printed = xyz_to_lab(lab_to_xyz(black) * (np.asarray(paper_xyz) / WHITE_D50))
        black_de00 = float(delta_e00(own, printed))
    return BasisCheck(paper_de00=float(delta_e00(white, xyz_to_lab(paper_xyz))), black_de00=black_de00)


def _black_lab(elements: tuple[ElementScore, ...]) -> Array | None:
    for element in elements:
        if isinstance(element, NeutralWedgeScore):
            return np.array(element.steps[0].lab)
    for element in elements:
        if isinstance(element, PatchFieldScore):
            return np.array(min(element.patches, key=lambda patch: patch.intended_lab[0]).lab)
    return None


def belonging_flags(fit: ScannerFit, check: BasisCheck, conditions: Conditions) -> tuple[Flag, ...]:
    """Return what speaks against using a fit for a print; its stated residual holds only if nothing does."""
    flags = []
    for name in ("paper", "ink"):
        own, said = getattr(fit.conditions, name), getattr(conditions, name)
        if own and said and own.strip().casefold() != said.strip().casefold():
            text = f"the scanner fit belongs to the {name} ‘{own}’, the print is said to have ‘{said}’"
            flags.append(Flag(code=f"fit-for-another-{name}", text=text))
    if check.paper_de00 > _PAPER_DE00:
        text = (
            f"this paper's white is {check.paper_de00:.1f} ΔE00 from that of the scanner fit; make a fit for this "
            "paper, or look for an automatic correction in the scanner's settings"
        )
        flags.append(Flag(code="paper-unlike-the-fit", text=text))
    if check.black_de00 is not None and check.black_de00 > _BLACK_DE00:
        text = (
            f"this print's black is {check.black_de00:.1f} ΔE00 from that of the scanner fit; if inks, paper or media "
            "setting are others, make a fit for these"
        )
        flags.append(Flag(code="black-unlike-the-fit", text=text))
    return tuple(flags)
