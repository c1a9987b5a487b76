"""From what a scanner read and what an instrument measured to a fit: published polynomials, chosen by cross-validation.

First each channel is made linear on the neutral patches, then a polynomial in the three channels gives XYZ:
root-polynomials (Finlayson, Mackiewicz and Hurlbert 2015), polynomials (Cheung, Westland, Connah and Ripamonti 2004)
or Vandermonde's, with colour-science's terms. Errors count as they are seen: least squares are weighted by the slope
of CIELAB's cube root, and by how far a patch strays (Tukey's biweight), so that a wrong reading pulls little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inkstrain.targets.colorimetry import WHITE_D50, colour_science, delta_e00, lab_to_xyz, xyz_to_lab
from inkstrain.targets.errors import CannotMeasureError

from ..results.fit import Candidate, FitResidual, Linearisation, Method

__all__ = [
    "LEAST_PATCHES",
    "METHODS",
    "Chosen",
    "FitCorrection",
    "choose",
    "curves_of",
    "expand",
    "linearised",
    "train",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_PATCHES: Final = 24
"""Fewer patches cannot say how wrong the fit is."""

_NAMES: Final = (
    ("Finlayson 2015", 1, 3), ("Finlayson 2015", 2, 6), ("Finlayson 2015", 3, 13), ("Finlayson 2015", 4, 22),
    ("Cheung 2004", 5, 5), ("Cheung 2004", 10, 10), ("Cheung 2004", 11, 11), ("Cheung 2004", 20, 20),
    ("Vandermonde", 2, 7), ("Vandermonde", 3, 10),
)  # fmt: skip
METHODS: Final = tuple(
    Method(name=name, order=order, terms=terms, straight=straight)  # type: ignore[arg-type]
    for straight in (True, False)
    for name, order, terms in sorted(_NAMES, key=lambda item: item[2])
)
"""What is tried, the simplest first; ``straight`` takes the channels for linear and only fits their offset."""

_FOLDS: Final = 14
_SAMPLES: Final = 2000
_APART: Final = 1e-4
_NEUTRAL: Final = 1e-4
_REWEIGHTINGS: Final = 6
_PATCHES_PER_TERM: Final = 3
_AS_GOOD: Final = 1.03
_DARK: Final = 0.01
_TUKEY: Final = 4.685  # 95 % efficiency on normal errors
_LEAST_SPREAD_DE: Final = 0.3
_PLANE: Final = 0.03
_GREY: Final = 0.003
_LEAST_NEUTRALS: Final = 6
_FAR: Final = 6.0
_FAR_DE: Final = 3.0
_PAIR_DE00: Final = (1.0, 12.0)


@dataclass(frozen=True, slots=True)
class FitCorrection:
    """From averaged linear values to absolute XYZ by a fit."""

    method: Method
    linearisation: Linearisation
    matrix: Array

    def xyz(self, linear: ArrayLike) -> Array:
        """Return XYZ (..., 3), a perfect white at Y = 1."""
        return np.asarray(expand(self.method, linearised(self.linearisation, linear)) @ self.matrix.T)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chosen:
    """The fit that predicts unseen patches best.

    Attributes
    ----------
    errors
        Cross-validated ΔE00 of every patch, (n,), those left out too.
    predicted
        Cross-validated CIELAB, (n, 3).
    kept
        Patches that the fit is made from, (n,).
    """

    correction: FitCorrection
    residual: FitResidual
    candidates: tuple[Candidate, ...]
    errors: Array
    predicted: Array
    kept: Mask


def expand(method: Method, rgb: ArrayLike) -> Array:
    """Return the terms of a method, (..., terms), of linear values (..., 3); colour-science's own expansions."""
    correction = colour_science().characterisation.correction
    rgb = np.asarray(rgb, dtype=np.float64)
    if method.name == "Finlayson 2015":
        return np.asarray(correction.polynomial_expansion_Finlayson2015(rgb, method.order, True))
    if method.name == "Cheung 2004":
        return np.asarray(correction.matrix_augmented_Cheung2004(rgb, method.order))
    flat = np.asarray(correction.polynomial_expansion_Vandermonde(rgb.reshape(-1, 3), method.order))
    return flat.reshape(*rgb.shape[:-1], -1)


def linearised(curves: Linearisation, values: ArrayLike) -> Array:
    """Return the channels made linear, (..., 3), never negative: roots are taken of them."""
    lifted = np.maximum(np.asarray(values, dtype=np.float64) - np.array(curves.offset), 0.0) * np.array(curves.gain)
    return np.asarray(lifted ** np.array(curves.exponent))


def train(method: Method, curves: Linearisation, values: Array, lab: Array) -> FitCorrection:
    """Return the fit of one method after the channels' curves.

    Parameters
    ----------
    values
        Linear channel values, (n, 3).
    lab
        Absolute CIELAB, (n, 3).
    """
    terms = expand(method, linearised(curves, values))
    xyz = lab_to_xyz(lab)
    slope = (np.maximum(xyz / WHITE_D50, 0.0) + _DARK) ** (-2 / 3)
    scale = np.maximum(np.sqrt(np.mean(terms**2, axis=0)), 1e-12)
    weight = np.ones(len(values))
    matrix = np.zeros((3, terms.shape[1]))
    for _ in range(_REWEIGHTINGS):
        for axis in range(3):
            rows = (slope[:, axis] * weight)[:, None]
            matrix[axis] = np.linalg.lstsq(rows * terms / scale, rows[:, 0] * xyz[:, axis], rcond=1e-10)[0] / scale
        away = np.linalg.norm(xyz_to_lab(terms @ matrix.T) - lab, axis=1)
        spread = max(1.4826 * float(np.median(away)), _LEAST_SPREAD_DE)
        weight = np.clip(1 - (away / (_TUKEY * spread)) ** 2, 0.02, 1.0)
    return FitCorrection(method, curves, matrix)


def curves_of(values: Array, lab: Array, straight: bool) -> Linearisation:
    """Return the channels' curves: offset (stray light), gain and exponent that make neutral patches follow Y."""
    from scipy.optimize import least_squares

    y = np.cbrt(np.maximum(lab_to_xyz(lab)[:, 1], 0.0))
    found = []
    for channel in np.moveaxis(values, -1, 0):
        top = max(float(channel.max()), 1e-6)

        def apart(p: Array, channel: Array = channel, top: float = top) -> Array:
            lifted = np.maximum((channel - p[0]) / top * p[1], 0.0)
            return np.asarray(np.cbrt(lifted ** (1.0 if straight else p[2]) + 1e-6) - y)

        lower, upper = (-0.02, 0.3, 0.4), (min(0.02, float(channel.min()) + 1e-6), 3.0, 2.5)
        start = (min(0.0, upper[0] - 1e-6), 0.9, 1.0)
        best = least_squares(apart, start, bounds=(lower, upper), loss="soft_l1", f_scale=0.02).x
        found.append((float(best[0]), float(best[1]) / top, 1.0 if straight else float(best[2])))
    offset, gain, exponent = zip(*found, strict=True)
    return Linearisation(offset=offset, gain=gain, exponent=exponent)


def choose(values: Array, lab: Array, rgb: Array) -> Chosen:
    """Return the best fit: methods compared on patches that each fit had not seen, far strays left out.

    Residuals are stated for colours spread evenly through the file's RGB, not for the patches: most of these stand at
    the gamut's edge, where a fit that has not seen them must extrapolate. See `_everywhere`.

    Parameters
    ----------
    values
        Linear channel values, (n, 3).
    lab
        Absolute CIELAB, (n, 3).
    rgb
        Encoded RGB that the patches were asked for, (n, 3).

    Raises
    ------
    CannotMeasureError
        If there are too few patches, they lie along a line, or too many stray.
    """
    _check(values, lab)
    neutral = np.ptp(rgb, axis=1) < _NEUTRAL
    kept = np.ones(len(values), dtype=bool)
    methods = [m for m in METHODS if m.terms * _PATCHES_PER_TERM <= len(values)]
    for _ in range(3):
        guesses = _unseen(methods, values, lab, neutral, kept)
        errors_of = [np.asarray(delta_e00(guess, lab)) for guess in guesses]
        spread = _everywhere(rgb[kept], lab[kept], [guess[kept] for guess in guesses])
        rms = [float(np.sqrt(np.mean(errors**2))) for errors in spread]
        best = next(i for i, value in enumerate(rms) if value <= _AS_GOOD * min(rms))
        errors = errors_of[best]
        # a wrong reading is wrong by every method; a colour that one method bends wrongly is not
        least = np.min(errors_of, axis=0)
        stray = least > np.maximum(_FAR_DE, _FAR * np.median(errors[kept]))
        if np.array_equal(~stray, kept):
            break
        kept = ~stray
    if stray.mean() > 0.2 or np.median(errors) > 8.0:
        raise CannotMeasureError(
            f"The measured colours do not belong to this scan: {int(stray.sum())} of {len(values)} patches disagree "
            f"(half of all by more than {np.median(errors):.1f} ΔE00). Check that file and print belong together, and "
            "that no reading was missed, which would shift all that follow."
        )
    method = methods[best]
    chosen = _for_curves(neutral, kept)
    curves = curves_of(values[chosen], lab[chosen], method.straight)
    correction = train(method, curves, values[kept], lab[kept])
    # one left out at a time: dearer than folds, so of the chosen method only
    predicted = _unseen([method], values, lab, neutral, kept, folds=len(values))[0]
    errors = np.asarray(delta_e00(predicted, lab))
    beside = _beside(predicted, xyz_to_lab(correction.xyz(values)), lab)
    stated = _everywhere(rgb[kept], lab[kept], [beside[kept]])[0]
    return Chosen(
        correction=correction,
        residual=FitResidual(
            median=float(np.median(stated)),
            p95=float(np.percentile(stated, 95)),
            max=float(errors[kept].max()),
            rms=float(np.sqrt(np.mean(stated**2))),
            difference_rms_share=_difference_share(predicted[kept], lab[kept]),
        ),
        candidates=tuple(
            Candidate(method=method, rms_de00=value, p95_de00=float(np.percentile(errors, 95)))
            for method, value, errors in zip(methods, rms, spread, strict=True)
        ),
        errors=errors,
        predicted=predicted,
        kept=kept,
    )


def _beside(unseen: Array, seen: Array, lab: Array) -> Array:
    """Return how the whole fit would predict a new colour in each patch's place, CIELAB (n, 3).

    A patch of leverage h is missed by (1 - h) of what a fit without it misses it by. That fit's error has the variance
    s²/(1 - h), the whole fit's at a new colour of the same leverage s²(1 + h): at the gamut's corners much less (from
    the hat matrix of least squares, Hoaglin and Welsch 1978; weights and curves are taken to change little).
    """
    without, inside = (np.linalg.norm(guess - lab, axis=1) for guess in (unseen, seen))
    leverage = 1.0 - np.minimum(inside / np.maximum(without, 1e-9), 1.0)
    return np.asarray(lab + (unseen - lab) * np.sqrt(1.0 - leverage**2)[:, None])


def _everywhere(rgb: Array, lab: Array, guesses: Sequence[Array]) -> list[Array]:
    """Return the ΔE00 of each method's guesses at colours spread evenly through the file's RGB, (samples,) a method.

    Scanner and inks are smooth, so errors are, too, as vectors: they cross nought between patches that err in opposite
    ways. Errors in L*, a* and b* are carried through the cube by a polyharmonic spline (Duchon 1977, order 3 in three
    dimensions), and nowhere taken for larger than at the worst patch.
    """
    from scipy.interpolate import RBFInterpolator

    unlike = np.unique(np.rint(rgb / _APART), axis=0, return_index=True)[1]
    samples = np.random.default_rng(1).random((_SAMPLES, 3))
    spline = RBFInterpolator(rgb[unlike], np.eye(len(unlike)), kernel="cubic", degree=1)(samples)
    true = spline @ lab[unlike]
    found = []
    for guess in guesses:
        most = float(np.max(delta_e00(guess, lab)))
        found.append(np.minimum(delta_e00(true + spline @ (guess - lab)[unlike], true), most))
    return found


def _check(values: Array, lab: Array) -> None:
    if len(values) < LEAST_PATCHES:
        raise CannotMeasureError(
            f"{len(values)} patches are too few for a fit that can say how wrong it is: measure at least "
            f"{LEAST_PATCHES}, better all."
        )
    if _flatness(lab) < _PLANE:
        raise CannotMeasureError(
            "The patches nearly lie along a line or in a plane of colours, such as greys alone, so colours beside it "
            "would be guessed. Measure patches of all hues."
        )
    if _flatness(np.cbrt(np.maximum(values, 0.0))) < _GREY:
        raise CannotMeasureError("The scan tells no colours apart, as one made in grey. Scan the patches in colour.")


def _flatness(points: Array) -> float:
    """Return the extent of points (n, 3) along their shortest axis, relative to the longest."""
    size = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return float(size[2] / size[0])


def _unseen(
    methods: Sequence[Method], values: Array, lab: Array, neutral: Mask, kept: Mask, folds: int = _FOLDS
) -> list[Array]:
    """Return CIELAB of every patch by fits of each method that had not seen it, (n, 3) a method."""
    fold = np.random.default_rng(0).permutation(len(values)) % min(folds, len(values))
    guesses = [np.zeros_like(lab) for _ in methods]
    curves: dict[tuple[bytes, bool], Linearisation] = {}
    for number in range(fold.max() + 1):
        seen, held = (fold != number) & kept, fold == number
        for method, guess in zip(methods, guesses, strict=True):
            chosen = _for_curves(neutral, seen)  # most folds leave out none of these, and their curves are the same
            key = (chosen.tobytes(), method.straight)
            if key not in curves:
                curves[key] = curves_of(values[chosen], lab[chosen], method.straight)
            fit = train(method, curves[key], values[seen], lab[seen])
            guess[held] = xyz_to_lab(fit.xyz(values[held]))
    return guesses


def _for_curves(neutral: Mask, seen: Mask) -> Mask:
    """Return the patches that make channels linear: neutral ones, or all where these are few."""
    chosen = neutral & seen
    return chosen if chosen.sum() >= _LEAST_NEUTRALS else seen


def _difference_share(predicted: Array, lab: Array) -> float | None:
    """Return the rms error of differences between alike colours, 1 to 12 ΔE00 apart, relative to their size."""
    first, second = np.triu_indices(len(lab), 1)
    true = np.asarray(delta_e00(lab[first], lab[second]))
    near = (true >= _PAIR_DE00[0]) & (true <= _PAIR_DE00[1])
    if near.sum() < 10:
        return None
    got = np.asarray(delta_e00(predicted[first[near]], predicted[second[near]]))
    return float(np.sqrt(np.mean(((got - true[near]) / true[near]) ** 2)))
