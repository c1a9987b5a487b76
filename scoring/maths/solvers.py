"""SciPy's solvers in the shapes that are used here, loaded when they are first needed."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["fit_curve", "lowest_place", "monotone_crossing"]

Array = NDArray[np.float64]


def fit_curve(
    curve: Callable[[Array], Array],
    values: Array,
    start: Sequence[float],
    bounds: tuple[Sequence[float], Sequence[float]],
    weights: Array | float = 1.0,
    soft: float = 0.0,
) -> Array | None:
    """Return the parameters of least squares, (k,), or ``None`` if they do not settle.

    Parameters
    ----------
    curve
        From parameters (k,) to values (n,).
    values, weights
        Shape (n,); a residual counts times its weight.
    bounds
        Least and most of each parameter.
    soft
        If above 0, weighted residuals beyond it count less than their squares (SciPy's ``soft_l1``).
    """
    from scipy.optimize import least_squares

    how = {"loss": "soft_l1", "f_scale": soft} if soft > 0 else {}
    found = least_squares(lambda p: (curve(p) - values) * weights, start, bounds=bounds, **how)
    return np.asarray(found.x) if found.success else None


def lowest_place(function: Callable[[float], float], low: float, high: float, within: float) -> float:
    """Return where a function with one valley between two places is lowest, to within a distance."""
    from scipy.optimize import minimize_scalar

    return float(minimize_scalar(function, bounds=(low, high), method="bounded", options={"xatol": within}).x)


def monotone_crossing(radius: Array, above: Array, ends: tuple[float, float]) -> float:
    """Return where a rising fit of values (n,) passes 0, or an end if it does not (isotonic regression)."""
    from scipy.optimize import isotonic_regression

    rising = isotonic_regression(above).x
    beyond = int(np.searchsorted(rising, 0.0, side="right"))
    if beyond in (0, len(rising)):
        return ends[0] if beyond == 0 else ends[1]
    part = slice(beyond - 1, beyond + 1)
    return float(np.interp(0.0, rising[part], radius[part]))
