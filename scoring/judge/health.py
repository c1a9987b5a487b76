"""Whether the printer was healthy: stripes and missing lines through the whole sheet, said before comparing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from ..measure.banding import stripes_of
from ..results.score import ElementScore, FlatFieldScore, HeadBanding, MissingLine

__all__ = ["ADVICE", "OBJECTIONABLE_L", "health_flags", "lines_missing"]

OBJECTIONABLE_L: Final = 0.2
"""Amplitude from which bands on prints can be objectionable (J. Electron. Imaging 19(1):011017, 2010)."""

_SAME_PERIOD: Final = 0.05
_SAME_LINE_MM: Final = 0.15
_NAMED_LINES: Final = 4
ADVICE: Final = (
    "this printer may not be healthy: follow its maker's instructions for checking nozzles before comparing"
)
"""Said with every sign of it."""


def lines_missing(elements: Sequence[ElementScore]) -> tuple[MissingLine, ...]:
    """Return the missing lines of a sheet, those that several fields show once, by direction and place."""
    seen = [line for element in elements if isinstance(element, FlatFieldScore) for line in element.missing_lines]
    kept: list[MissingLine] = []
    for line in sorted(seen, key=lambda one: -one.lift_l):
        if not any(line.direction == k.direction and abs(line.place_mm - k.place_mm) < _SAME_LINE_MM for k in kept):
            kept.append(line)
    return tuple(sorted(kept, key=lambda one: (one.direction, one.place_mm)))


def health_flags(elements: Sequence[ElementScore]) -> tuple[str, ...]:
    """Return what a score says of the printer's own state: stripes that may be seen, and lines without ink."""
    flags = []
    stripes = _agreed(elements)
    if stripes is not None:
        period, amplitude, direction, number = stripes
        flags.append(
            f"head-banding: stripes {direction} the sheet every {period:.2f} mm, ± {amplitude:.2f} L*, "
            f"in {number} of the figures; {ADVICE}"
        )
    lines = lines_missing(elements)
    if lines:
        places = ", ".join(
            f"{'y' if line.direction == 'across' else 'x'} {line.place_mm:.1f} mm" for line in lines[:_NAMED_LINES]
        )
        more = f" and {len(lines) - _NAMED_LINES} more" if len(lines) > _NAMED_LINES else ""
        flags.append(f"missing-lines: {len(lines)} without ink in the flat fields, at {places}{more}; {ADVICE}")
    return tuple(flags)


def _agreed(elements: Sequence[ElementScore]) -> tuple[float, float, str, int] | None:
    """Return period, amplitude, direction and number of the stripes that most elements share, if they may be seen."""
    found = stripes_of(elements)
    best: list[HeadBanding] = []
    for one in found:
        alike = [
            other
            for other in found
            if other.direction == one.direction and abs(other.period_mm / one.period_mm - 1) < _SAME_PERIOD
        ]
        best = max(best, alike, key=len)
    if not best:
        return None
    amplitude = float(np.median([one.amplitude_l for one in best]))
    if len(best) < 2 or amplitude < OBJECTIONABLE_L:
        return None
    return float(np.median([one.period_mm for one in best])), amplitude, str(best[0].direction), len(best)
