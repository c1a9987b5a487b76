"""What can be compared between two prints: totals and what they are made of, which way is better, how far each errs.

A reading is a value with the error of its scan: jackknife noise and the scanner's repeatability. A finding is reported
from a limit on, so that a value made of findings jumps by that limit when one comes or goes; how much of it does so
travels with the reading, and a difference is claimed only as far as it is larger.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from ..colour.uncertainty import scanner_repeatability_l
from ..measure.fade import LEAST_EXCESS_DE00, LEAST_MISSING_DE00
from ..results.score import Contour, DeltaEPair, ElementScore, Estimate, FlatBand, RingScore, Score

__all__ = ["MEASURES", "PRINT", "TOTALS", "Measure", "Reading", "name_of", "parts_of", "read_all", "total_of"]

PRINT: Final = "print"
"""The element name of what belongs to the whole print rather than to one figure."""

_RING_ID: Final = re.compile(r"ring-to-(white|black)-(.+)")
_SURE: Final = 3.0  # standard errors that a finding must have to be reported (DESIGN §5.3, 5.4)
_PATH_DE00: Final = 45.0  # a short path from a hub to a rim, so that an error of an end is a large share of it
_WHITE_L: Final = 100.0  # where scanners repeat worst


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One value of one measure.

    Attributes
    ----------
    value : float
        In the measure's unit.
    standard_error : float
        Of one scan: its noise and the scanner's repeatability; 0 where scoring gives none.
    hidden_below : float
        How much of the value was under the limit that its findings are reported from: a like print may not show it.
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
        Of the value; empty for a ratio.
    better : {"lower", "higher"}
        Which way is better, for a photographer who wants smooth fades and the range that was asked for.
    sheet : (float, float)
        What one sheet differs from the next by (standard deviation): a share of the value, and in the unit. Assumed, no
        source, until repeats replace it; see `MEASURES`.
    least : float
        Smallest change that is of interest over time, in the unit.
    parts : str
        Name of the measure, on single elements, that a total is made of; empty if it has none.
    end : {"white", "black", ""}
        Which fades a total is over; empty for all.
    is_sum : bool
        Whether it is made of findings, which a print may have none of.
    """

    name: str
    words: str
    unit: str
    better: Literal["lower", "higher"]
    sheet: tuple[float, float]
    least: float
    parts: str = ""
    end: str = ""
    is_sum: bool = False

    def sheet_deviation(self, value: float, fades: int) -> float:
        """Return what one sheet differs from the next by; single fades of a sum wander apart from each other."""
        share, floor = self.sheet
        return math.hypot(share * value, floor * math.sqrt(fades if self.is_sum else 1))

    @property
    def needs_resolution(self) -> bool:
        """Whether it changes with the resolution that courses are stated at."""
        return self.is_sum or self.name == "evenness"

    @property
    def needs_colour(self) -> bool:
        """Whether two colour bases of different kinds make it incomparable."""
        return self.name != "evenness"


_FINDING: Final = (0.03, 0.05)
_COLOUR: Final = (0.0, 0.1)
_RATIO: Final = (0.0, 0.003)

_ALL: Final = (
    *(
        Measure(
            name=f"{name}_to_{end}", words=f"{words} to {end}", unit="ΔE00", better="lower", sheet=_FINDING, least=1.0,
            parts=name, end=end, is_sum=True,
        )
        for name, words in (("excess", "rings"), ("missing", "merged tones"))
        for end in ("white", "black")
    ),
    Measure(name="black_l", words="depth of black", unit="L*", better="lower", sheet=(0.0, 0.15), least=0.5),
    Measure(name="mean_cast", words="neutral grey", unit="C*", better="lower", sheet=_COLOUR, least=0.5),
    Measure(
        name="evenness", words="evenness", unit="", better="higher", sheet=_RATIO, least=0.02, parts="evenness",
    ),
    Measure(name="reach", words="reach", unit="", better="higher", sheet=_RATIO, least=0.02, parts="reach"),
    Measure(
        name="colours", words="colours as asked", unit="ΔE00", better="lower", sheet=_COLOUR, least=0.5,
        parts="colours",
    ),
    Measure(name="excess", words="rings", unit="ΔE00", better="lower", sheet=_FINDING, least=0.5, is_sum=True),
    Measure(name="missing", words="merged tones", unit="ΔE00", better="lower", sheet=_FINDING, least=0.5, is_sum=True),
)  # fmt: skip

MEASURES: Final = {measure.name: measure for measure in _ALL}
"""Every measure by name.

Sheet to sheet, standard deviations, all assumed, no source: 3 % of a ring or of merged tones (what they are made of
scales with the ink, and heads are driven to a few hundredths), and 0.05 ΔE00 in each fade, about what other dots of the
same screen make of it; 0.1 ΔE00 in colours and 0.1 C* in grey, a tenth of what is just seen; 0.15 L* in black, the same
where CIEDE2000 counts lightness least; 0.003 in evenness and reach, 0.1 ΔE00 at both ends of a path of 45.
The smallest changes of interest: half of what is just seen in one place, all of it in a sum over fades, and a fiftieth
of a fade; common practice, no source.
"""

TOTALS: Final = tuple(measure for measure in _ALL if measure.parts or measure.name in ("black_l", "mean_cast"))
"""What a comparison asks first, in the order in which a photographer would."""


def total_of(element: str, measure: str) -> Measure:
    """Return the total that a measure of an element is a part of, or the total itself."""
    if element == PRINT:
        return MEASURES[measure]
    ring = _RING_ID.fullmatch(element)
    return next(t for t in TOTALS if t.parts == measure and t.end in ("", ring[1] if ring else ""))


def parts_of(readings: Mapping[tuple[str, str], Reading | None], total: Measure) -> list[str]:
    """Return the elements whose readings a total is made of."""
    return [
        element
        for (element, name), reading in readings.items()
        if reading is not None and element != PRINT and name == total.parts and total_of(element, name) is total
    ]


def read_all(score: Score) -> dict[tuple[str, str], Reading | None]:
    """Return every reading of a score by (element, measure); ``None`` where the element has no value for it."""
    readings = {(element.id, name): reading for element in score.elements for name, reading in _read_element(element)}
    for measure in TOTALS:
        estimate: Estimate | None = getattr(score.totals, measure.name)
        rings = [r for r in score.rings() if r.kind == f"ring-to-{measure.end}"] if measure.is_sum else []
        hidden = sum(part.hidden_below for r in rings if (part := readings[r.id, measure.parts]) is not None)
        readings[PRINT, measure.name] = _total(measure, estimate, hidden)
    return readings


def name_of(element: str) -> str:
    """Return what a sentence calls an element, by its id alone."""
    if element == PRINT:
        return "the print"
    ring = _RING_ID.fullmatch(element)
    return f"{ring[2]} to {ring[1]}" if ring else element.replace("-", " ")


def _total(measure: Measure, estimate: Estimate | None, hidden: float) -> Reading | None:
    if estimate is None:
        return None
    repeatability = estimate.repeatability
    if repeatability is None:
        repeatability = _REPEATABILITY.get(measure.name, 0.0)
    value = min(estimate.value, 1.0) if measure.name == "reach" else estimate.value
    return Reading(value=value, standard_error=math.hypot(estimate.noise or 0.0, repeatability), hidden_below=hidden)


_REPEATABILITY: Final[Mapping[str, float]] = {
    "evenness": scanner_repeatability_l(_WHITE_L) / _PATH_DE00,
    "reach": scanner_repeatability_l(_WHITE_L) / _PATH_DE00,
    "colours": scanner_repeatability_l(_WHITE_L),
    "mean_cast": scanner_repeatability_l(_WHITE_L),
}
"""Of the scanner, where a score states none: at white, where it is largest."""


def _read_element(element: ElementScore) -> Iterator[tuple[str, Reading | None]]:
    if isinstance(element, RingScore):
        yield from _read_ring(element).items()
    pairs: Sequence[DeltaEPair] = (
        [row.delta_e00 for row in element.rows] if element.kind == "hue-sweep" else [element.delta_e00]
    )
    means = [pair.intended.mean for pair in pairs if pair.intended is not None]
    measured = means and not (isinstance(element, RingScore) and element.reach is None)
    yield (
        "colours",
        Reading(value=sum(means) / len(means), standard_error=_REPEATABILITY["colours"]) if measured else None,
    )


def _read_ring(ring: RingScore) -> dict[str, Reading | None]:
    if ring.reach is None or ring.evenness is None:
        # nothing found in a fade that was not measured is no finding
        return dict.fromkeys(("excess", "missing", "evenness", "reach"))
    ratio = _REPEATABILITY["evenness"]
    return {
        "excess": _sum(ring.contours, [one.excess_de00 for one in ring.contours], LEAST_EXCESS_DE00),
        "missing": _sum(ring.flat_bands, [one.missing_de00 for one in ring.flat_bands], LEAST_MISSING_DE00),
        "evenness": Reading(value=ring.evenness, standard_error=math.hypot(ring.evenness_noise or 0.0, ratio)),
        # a detour makes a path longer than what was asked for, and is no gain
        "reach": Reading(value=min(ring.reach, 1.0), standard_error=math.hypot(ring.reach_noise or 0.0, ratio)),
    }


def _sum(found: Sequence[Contour | FlatBand], sizes: Sequence[float], least: float) -> Reading:
    noises = [one.noise_de00 or 0.0 for one in found]
    repeatability = sum(one.repeatability_de00 or 0.0 for one in found)
    return Reading(
        value=sum(sizes),
        standard_error=math.hypot(*noises, repeatability),
        hidden_below=sum(max(least, _SURE * noise) for noise in noises),
    )
