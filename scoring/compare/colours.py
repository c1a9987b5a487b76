"""Whether the colours of an element moved between prints: ΔE00 against what two scans of one print differ by.

A colour difference is never negative, so that of two noisy scans is never zero; it is compared with its distribution
where nothing moved. The statistic is the root mean square of ΔE00 over an element's zones. Of all noise of one
variance, that which moves all zones along one line (a denser ink, a brighter lamp) reaches furthest: its statistic
is |N(0, 1)| times the noise. That one is taken, so that the chance of a false claim is at most what is stated; noise
even in L*, a* and b* has a chi distribution with three degrees of freedom and stays below it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from ..colour.uncertainty import LID_OPENED_REPEATABILITY, scanner_repeatability_l
from ..results.score import FlatFieldScore, HueSweepScore, NeutralWedgeScore, PatchFieldScore, RingScore, Score

__all__ = ["COLOUR_FLOOR_DE00", "apart_de00", "mean_square_de00", "read_zones"]

Array = npt.NDArray[np.float64]

COLOUR_FLOOR_DE00: Final = 3**0.5 * scanner_repeatability_l(100.0, LID_OPENED_REPEATABILITY)
"""Root mean square ΔE00 of one scan about the mean of many, 0.16: as if a* and b* moved by as much as L* does at white,
where it moves most, on a flatbed whose lid was opened between scans."""

_RING_ZONES: Final = 8
_SWEEP_ZONES: Final = 12


def read_zones(score: Score) -> dict[str, Array]:
    """Return mean CIELAB colours (zones, 3) of every element by its id; what was not measured is left out."""
    zones = {}
    for element in score.elements:
        labs = np.array(list(_zones(element)), dtype=np.float64)
        if labs.size and np.isfinite(labs).all():
            zones[element.id] = labs
    return zones


def _zones(element: object) -> Iterator[Array]:
    match element:
        case RingScore() if element.reach is not None:
            yield from _parts(element.course.lab, _RING_ZONES)
        case HueSweepScore():
            for row in element.rows:
                yield from _parts(row.lab, _SWEEP_ZONES)
        case NeutralWedgeScore():
            yield from (np.asarray(step.lab) for step in element.steps)
        case PatchFieldScore():
            yield from (np.asarray(patch.lab) for patch in element.patches)
        case FlatFieldScore():
            yield np.asarray(element.lab)


def _parts(labs: Sequence[tuple[float, float, float]], count: int) -> Iterator[Array]:
    yield from (part.mean(axis=0) for part in np.array_split(np.asarray(labs), count) if len(part))


def mean_square_de00(a: Array, b: Array) -> Array:
    """Return the mean over zones of ΔE00 squared, (n,), of colours (n, zones, 3)."""
    from inkstrain.targets.colorimetry import delta_e00

    return np.asarray(np.mean(delta_e00(a, b) ** 2, axis=-1), dtype=np.float64)


def apart_de00(a: Array, b: Array) -> float:
    """Return the root mean square ΔE00 between the zones (zones, 3) of two elements."""
    return float(np.sqrt(mean_square_de00(a[None], b[None])[0]))
