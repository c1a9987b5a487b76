"""What a score gets once all is measured: the profile's promise, the colour volume, and how far to trust it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import WHITE_D50, density, lab_to_xyz, xyz_to_lab
from inkstrain.targets.outputprofile import OutputProfile
from inkstrain.targets.recipe import Recipe

from ..colour.belonging import basis_check, belonging_flags
from ..colour.uncertainty import with_uncertainty
from ..measure.gamut import colour_volume
from ..promise.attain import with_attainable
from ..promise.hypotheses import printed_as
from ..promise.rendering import Press, Rendering
from ..results.fit import ScannerFit
from ..results.score import Black, Flag, Score, White, plain_lab

__all__ = ["Promise", "absolute_ends", "finish", "with_trust"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """The printer profile and the way of printing that were stated, and profiles that may have been used instead."""

    profile: OutputProfile
    rendering: Rendering
    others: tuple[OutputProfile, ...] = ()


def finish(score: Score, recipe: Recipe, promise: Promise | None) -> Score:
    """Return a score with the profile's promise beside it, if there is one, and with the colour volume."""
    if promise is not None:
        score = _promised(score, Press(recipe.space, promise.profile, promise.rendering), promise.others)
    return score.model_copy(update={"colour_volume": colour_volume(score.rings(), recipe)})


def _promised(score: Score, press: Press, others: Sequence[OutputProfile]) -> Score:
    """Put beside the score what the profile promised, and whether the print looks as stated."""
    answer = printed_as(score, press, others)
    otherwise = answer is not None and answer.verdict == "does-not-fit"
    score = with_attainable(score, press, causes=not otherwise)
    flags = score.flags
    if answer is not None and otherwise:
        flags = (*flags, Flag(code="not-as-stated", text=answer.text))
    return score.model_copy(update={"printed_as": answer, "flags": flags})


def with_trust(score: Score, paper_xyz: Array, fit: ScannerFit | None) -> Score:
    """Return a score that says how far to trust it: absolute ends, the fit's belonging, uncertainties."""
    if fit is None:
        return with_uncertainty(score)
    check = basis_check(fit, paper_xyz, score.elements)
    flags = belonging_flags(fit, check, score.conditions)
    basis, residual = score.colour_basis, score.colour_basis.residual_de00
    check = check.model_copy(update={"belongs": not flags, "fit_residual_de00": residual})
    white, black = absolute_ends(score.white, score.black, paper_xyz)
    update = {
        "colour_basis": basis.model_copy(update={"check": check, "residual_de00": None if flags else residual}),
        "flags": (*score.flags, *flags),
        "white": white,
        "black": black,
    }
    return with_uncertainty(score.model_copy(update=update))


def absolute_ends(white: White, black: Black | None, paper_xyz: Array) -> tuple[White, Black | None]:
    """Return white and black of a score with their absolute values, from the paper's absolute XYZ."""
    lab = xyz_to_lab(paper_xyz)
    white = white.revised(absolute_lab=plain_lab(lab), absolute_density=float(density(lab)))
    if black is not None:
        lab = xyz_to_lab(lab_to_xyz(black.lab) * (np.asarray(paper_xyz) / WHITE_D50))
        darkness = float(density(lab))
        black = black.revised(
            absolute_lab=plain_lab(lab), absolute_density=darkness if np.isfinite(darkness) else None
        )
    return white, black
