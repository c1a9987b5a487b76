"""Mistakes of a hand that measures a sheet: rows exchanged, a row read backwards, a patch read twice or left out.

Each is tried: the readings are put right as if it had happened, and a plain polynomial is fitted. A mistake is named
only if nearly everything fits once it is undone, and much did not before. Nothing is corrected; whoever measured
decides.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import xyz_to_lab

from ..results.fit import Linearisation, Method
from .fitting import train

__all__ = ["likely_mistake"]

Array = NDArray[np.float64]
Order = NDArray[np.intp]

_PLAIN: Final = Linearisation(offset=(0.0, 0.0, 0.0), gain=(1.0, 1.0, 1.0), exponent=(1.0, 1.0, 1.0))
_METHOD: Final = Method(name="Cheung 2004", order=11, terms=11, straight=True)
_MOST_DE: Final = 15.0  # one wild reading says no more than this
_FITS_DE: Final = 3.0
_BETTER: Final = 0.7


def likely_mistake(names: Sequence[str], values: Array, lab: Array) -> str | None:
    """Return what was probably done wrong while measuring, as the beginning of a sentence, or ``None``.

    Parameters
    ----------
    names
        The patches in the chart's order, row letters before column numbers.
    values
        Linear channel values, (n, 3).
    lab
        CIELAB as measured, (n, 3).
    """
    before = _misfit(values, lab)
    best, text = before, ""
    for told, order in _mistakes(names):
        seen = order >= 0
        misfit = _misfit(values[seen], lab[order[seen]])
        if misfit < best:
            best, text = misfit, told
    return text if best < _FITS_DE and best < _BETTER * before else None


def _misfit(values: Array, lab: Array) -> float:
    fit = train(_METHOD, _PLAIN, values, lab)
    away = np.linalg.norm(xyz_to_lab(fit.xyz(values)) - lab, axis=1)
    return float(np.minimum(away, _MOST_DE).mean())


def _mistakes(names: Sequence[str]) -> Iterator[tuple[str, Order]]:
    """Yield each mistake in words, with the reading that belongs to each patch if it was made; -1 is none."""
    count = len(names)
    same = np.arange(count)
    rows: dict[str, list[int]] = {}
    for place, name in enumerate(names):
        rows.setdefault(re.sub(r"\d+$", "", name), []).append(place)
    for (a, first), (b, second) in itertools.combinations(rows.items(), 2):
        order, wide = same.copy(), min(len(first), len(second))
        order[first[:wide]], order[second[:wide]] = second[:wide], first[:wide]
        yield f"rows {a} and {b} were measured in each other's place", order
    for a, row in rows.items():
        order = same.copy()
        order[row] = row[::-1]
        yield f"row {a} was measured backwards", order
    for place in range(1, count - 1):
        late = np.where(same < place, same, same + 1)
        yield (
            # either of two equal readings may be the one too many, so the place is one or the other
            f"{names[place - 1]} or its neighbour was read twice, so that all readings after it stand one patch late",
            np.where(late < count, late, -1),
        )
        early = np.where(same < place, same, same - 1)
        early[place] = -1
        yield f"{names[place]} was left out, so that all readings from it on stand one patch early", early
