"""Scans of one print that disagree by more than a scanner's own noise: something corrects them on the way."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Final

import numpy as np

from ..results.score import Score
from .colours import COLOUR_FLOOR_DE00, apart_de00, read_zones
from .sides import by_print

__all__ = ["SCANS_APART_DE00", "WHAT_TO_CHANGE", "disagreement_de00", "scans_apart_de00"]

SCANS_APART_DE00: Final = 1.96 * 2**0.5 * COLOUR_FLOOR_DE00
"""The repeatability limit of ISO 5725 for one scanner whose lid was opened: two scans differ by more once in 20."""
WHAT_TO_CHANGE: Final = (
    "In the scanner's settings turn off automatic exposure, colour restoration and sharpening, let the lamp warm up, "
    "and scan again."
)


def scans_apart_de00(a: Score, b: Score) -> float | None:
    """Return how far two scans of one print are apart: paper white or root mean square of all colours, in ΔE00.

    ``None`` if they were not scanned and turned into colours alike, after the same time, or are the same scan.
    """
    kinds = {(s.chart, s.colour_basis.kind, s.conditions.scanner, s.conditions.drying_h) for s in (a, b)}
    scans = [{tile.scan_sha256 for tile in score.tiles} for score in (a, b)]
    if len(kinds) > 1 or not all(scans) or scans[0] & scans[1]:
        return None
    from inkstrain.targets.colorimetry import delta_e00

    first, second = read_zones(a), read_zones(b)
    shared = [name for name, zones in first.items() if name in second and zones.shape == second[name].shape]
    white = float(delta_e00(a.white.lab, b.white.lab))
    if not shared:
        return white
    return max(white, apart_de00(*(np.concatenate([zones[name] for name in shared]) for zones in (first, second))))


def disagreement_de00(scores: Sequence[Score]) -> float | None:
    """Return how far apart the scans of one print are at most; ``None`` if no print was scanned twice."""
    pairs = (
        scans_apart_de00(scores[i], scores[j])
        for places in by_print([score.conditions for score in scores])
        for i, j in itertools.combinations(places, 2)
    )
    return max((apart for apart in pairs if apart is not None), default=None)
