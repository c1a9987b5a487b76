"""What can be compared between two prints: every measure, which way is better, and how far it can be trusted.

Each reading is a value with its standard error within the scan. A finding that is absent (no contour, no flat
band) is a zero whose true size may lie anywhere under the size from which scoring reports it; that size travels
with the reading, so that a difference is never claimed out of the gap.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from .model import Contour, HueSweepScore, NeutralWedgeScore, RingScore, Score, SweepRow

__all__ = ["MEASURES", "PRINT", "Measure", "Reading", "name_of", "read_all"]

PRINT: Final = "print"
"""The element name of what belongs to the whole print rather than to one figure."""

_RING_ID: Final = re.compile(r"ring-to-(white|black)-(.+)")

_CONTOUR_FROM_DE00: Final = 1.0  # the contrast from which scoring calls a change a contour
_CONTRAST_SPREAD: Final = 0.12  # a contour's ends move from scan to scan, and its contrast with them; see MEASURES
_TOUCHING_MM: Final = 0.3  # common practice, no source: what lies closer together is seen, and measured, as one
_COUNTED_ERROR_DE00: Final = 0.3  # how surely a contour is above the contrast from which it counts
_FLAT_FROM_DE00: Final = 2.0  # how far the file must move on before scoring calls a stretch flat


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One value of one measure.

    Attributes
    ----------
    value : float
        In the measure's unit.
    standard_error : float
        Within the scan; 0 where scoring gives none.
    hidden_below : float
        What is absent may be as large as this unseen; 0 where that cannot be.
    """

    value: float
    standard_error: float = 0.0
    hidden_below: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One measure and its rules.

    Attributes
    ----------
    name : str
        As rows of a comparison name it.
    words : str
        As a sentence names it.
    unit : str
        Of the value; empty for a count or a ratio.
    better : {"lower", "higher"}
        Which way is better, for a photographer who wants smooth ramps and the range that was asked for.
    floor : float
        Least standard deviation between two scans of one print, in the measure's unit; see `MEASURES`.
    needs_colour : bool
        Whether two colour bases of different kinds make it incomparable.
    needs_detail : bool
        Whether scan resolutions far apart make it incomparable.
    kind : {"value", "finding"}
        A steady value, or one of what is found on one scan and may be missed on the next.
    """

    name: str
    words: str
    unit: str
    better: Literal["lower", "higher"]
    floor: float
    needs_colour: bool = False
    needs_detail: bool = False
    kind: Literal["value", "finding"] = "value"


_COUNT_FLOOR: Final = 0.36  # 2.77 · 0.36 = 1: a single step or contour more is never a difference by itself

_RINGS: Final = (
    Measure(
        name="contours", words="number of contours", unit="", better="lower", floor=0.45, needs_colour=True,
        kind="finding",
    ),
    Measure(
        name="worst_contour", words="strongest contour", unit="ΔE00", better="lower", floor=1.0, needs_colour=True,
        kind="finding",
    ),
    Measure(
        name="widest_flat_band", words="widest flat band", unit="mm", better="lower", floor=0.3, needs_detail=True,
        kind="finding",
    ),
    Measure(name="evenness", words="evenness", unit="", better="higher", floor=0.015),
    Measure(name="reach", words="reach", unit="", better="higher", floor=0.03, needs_colour=True),
    Measure(name="core", words="core", unit="mm", better="lower", floor=0.1, needs_detail=True),
)  # fmt: skip
_WEDGE: Final = (
    Measure(
        name="not_climbing", words="steps that do not climb", unit="", better="lower", floor=_COUNT_FLOOR,
        kind="finding",
    ),
    Measure(
        name="first_from_black", words="first step told from black", unit="", better="lower", floor=_COUNT_FLOOR,
        kind="finding",
    ),
    Measure(name="mean_cast", words="mean cast", unit="C*", better="lower", floor=0.1, needs_colour=True),
    Measure(name="worst_cast", words="worst cast", unit="C*", better="lower", floor=0.2, needs_colour=True),
)  # fmt: skip
_SWEEP: Final = tuple(
    measure
    for level in ("full", "tint", "shade")
    for measure in (
        Measure(
            name=f"merged_{level}", words=f"merged hues ({level})", unit="°", better="lower", floor=1.5, kind="finding",
        ),
        Measure(
            name=f"chroma_{level}", words=f"mean chroma ({level})", unit="C*", better="higher", floor=0.3,
            needs_colour=True,
        ),
    )
)  # fmt: skip
_PRINT: Final = (
    Measure(name="black_l", words="lightness of black", unit="L*", better="lower", floor=0.1, needs_colour=True),
)

MEASURES: Final = {measure.name: measure for measure in (*_RINGS, *_WEDGE, *_SWEEP, *_PRINT)}
"""Every measure by name.

The floors are assumptions until repeats are given. Nothing is below what scanners repeat by: the response of one
flatbed repeats to 0.17 %, and 0.27 % where the lid was opened between scans (Med. Phys. 42, 2015, doi
10.1118/1.4929563: transmission film, the same kind of instrument), which is 0.1 L* at mid-grey. Contours,
flat bands, evenness and reach: set so that the widest spread of any ring among twenty rehearsed prints and 300 dpi
scans of each of two virtual printers stays within what is not claimed between single scans (simulation, not real
prints): where a stretch hangs between "contour" and "no contour", or the dark hub's grain is fitted one way or another,
two scans of one print differ by far more than their noise. Core: as sure as the hub's own noise lets it be. Counts of
steps and merged hues: common practice, no source. Hue swings are not compared: on those rehearsals one that barely
shows was found on some scans of a printer and not on others.
"""


def read_all(score: Score) -> dict[tuple[str, str], Reading | None]:
    """Return every reading of a score by (element, measure); ``None`` where the element has no value for it."""
    readings: dict[tuple[str, str], Reading | None] = {}
    for element in score.elements:
        match element:
            case RingScore():
                found = _read_ring(element)
            case NeutralWedgeScore():
                found = _read_wedge(element)
            case HueSweepScore():
                found = dict(pair for row in element.rows for pair in _read_row(row))
            case _:
                continue
        readings.update({(element.id, name): reading for name, reading in found.items()})
    black = score.black
    readings[PRINT, "black_l"] = Reading(value=black.lab[0]) if black else None
    return readings


def name_of(element: str) -> str:
    """Return what a sentence calls an element, by its id alone."""
    if element == PRINT:
        return "the print"
    ring = _RING_ID.fullmatch(element)
    return f"{ring[2]} to {ring[1]}" if ring else element.replace("-", " ")


def _read_ring(ring: RingScore) -> dict[str, Reading | None]:
    if ring.reach is None or ring.evenness is None:
        # nothing found in a ring that was not measured is no finding
        return {measure.name: None for measure in _RINGS}
    intended_de00 = _intended_path_de00(ring)
    contours = _fused(ring.contours)
    strongest = max(contours, key=lambda c: c.contrast_de00, default=None)
    widest = max((band.width_mm for band in ring.flat_bands), default=None)
    return {
        "contours": Reading(value=len(contours), standard_error=_count_error(contours)),
        "worst_contour": Reading(value=0.0, hidden_below=_CONTOUR_FROM_DE00)
        if strongest is None
        else Reading(
            value=strongest.contrast_de00,
            standard_error=max(
                strongest.contrast_standard_error_de00 or 0.0, _CONTRAST_SPREAD * strongest.contrast_de00
            ),
        ),
        "widest_flat_band": Reading(value=0.0, hidden_below=_least_flat_mm(ring, intended_de00))
        if widest is None
        else Reading(value=widest),
        "evenness": Reading(value=ring.evenness),
        # more range than the file asks for is no gain
        "reach": Reading(value=min(ring.reach, 1.0), standard_error=_reach_error(ring, intended_de00)),
        "core": None
        if ring.core_mm is None
        else Reading(value=ring.core_mm, standard_error=ring.core_mm * _hub_error_de00(ring)),
    }


def _fused(contours: Sequence[Contour]) -> tuple[Contour, ...]:
    """Return contours with those that touch made one: a wide one is one on this scan and two on the next."""
    fused: list[Contour] = []
    for contour in sorted(contours, key=lambda c: c.inner_mm):
        if fused and contour.inner_mm - fused[-1].outer_mm <= _TOUCHING_MM:
            before = fused.pop()
            errors = (before.contrast_standard_error_de00 or 0.0, contour.contrast_standard_error_de00 or 0.0)
            contour = contour.model_copy(
                update={
                    "inner_mm": before.inner_mm,
                    # along a fade that does not turn back the two add up
                    "contrast_de00": before.contrast_de00 + contour.contrast_de00,
                    "contrast_standard_error_de00": math.hypot(*errors),
                }
            )
        fused.append(contour)
    return tuple(fused)


def _count_error(contours: Sequence[Contour]) -> float:
    """Return the standard error of a contour count: each is a coin that its own contrast loads."""
    variance = 0.0
    for contour in contours:
        error = max(contour.contrast_standard_error_de00 or 0.0, _COUNTED_ERROR_DE00)
        above = (contour.contrast_de00 - _CONTOUR_FROM_DE00) / error
        chance = 0.5 * math.erfc(-above / math.sqrt(2.0))
        variance += chance * (1.0 - chance)
    return math.sqrt(variance)


def _intended_path_de00(ring: RingScore) -> float:
    """Return the length of the intended path; 0 if the profile does not hold its speed."""
    radius, speed = ring.profile.radius_mm, ring.profile.intended_speed_de00_per_mm
    if len(radius) != len(speed):
        return 0.0
    return sum((speed[i] + speed[i + 1]) / 2 * (radius[i + 1] - radius[i]) for i in range(len(radius) - 1))


def _least_flat_mm(ring: RingScore, path_de00: float) -> float:
    radius = ring.profile.radius_mm
    return _FLAT_FROM_DE00 / path_de00 * (radius[-1] - radius[0]) if path_de00 > 0 else 0.0


def _reach_error(ring: RingScore, path_de00: float) -> float:
    # along a path that does not turn back, only its two ends count
    errors = ring.profile.standard_error_de00
    return math.hypot(errors[0], errors[-1]) / path_de00 if errors and path_de00 > 0 else 0.0


def _hub_error_de00(ring: RingScore) -> float:
    """Return the noise of one bin at the hub: where the core ends, 1 ΔE00 was reached in the core's own length."""
    end = math.inf if ring.fall_off_mm is None else ring.fall_off_mm.p10
    errors = [
        error
        for radius, error in zip(ring.profile.radius_mm, ring.profile.standard_error_de00, strict=False)
        if radius <= end
    ]
    return sorted(errors)[len(errors) // 2] if errors else 0.0


def _read_wedge(wedge: NeutralWedgeScore) -> dict[str, Reading | None]:
    first = wedge.first_from_black
    return {
        "not_climbing": Reading(value=max(len(wedge.breaks), int(not wedge.monotonic))),
        "first_from_black": None if first is None else Reading(value=first),
        "mean_cast": Reading(value=wedge.cast.mean_c),
        "worst_cast": Reading(value=wedge.cast.max_c),
    }


def _read_row(row: SweepRow) -> Iterator[tuple[str, Reading | None]]:
    # a stretch across 360 degrees ends at a smaller angle than it starts
    merged = sum((stretch.to_deg - stretch.from_deg) % 360 for stretch in row.merged)
    pitch = 360.0 / len(row.hue_deg) if row.hue_deg else 0.0
    yield f"merged_{row.level}", Reading(value=merged, standard_error=pitch)
    chroma = sum(row.chroma) / len(row.chroma) if row.chroma else None
    yield f"chroma_{row.level}", None if chroma is None else Reading(value=chroma)
