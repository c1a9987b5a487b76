"""What can be compared between two prints: totals and what they are made of, which way is better, how far each errs.

A reading is a value with the error of its scan: jackknife noise and the scanner's repeatability. A stretch counts
from a limit on, so that a value made of stretches jumps by that limit when one comes or goes; how much of it does so
travels with the reading, and a difference is claimed only as far as it is larger.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from ..measure.fade import LEAST_EXCESS_DE00, LEAST_MISSING_DE00, SHOWN
from ..measure.totals import colours_of, reach_repeatability, totals_of
from ..results.score import Contour, ElementScore, Estimate, FlatBand, RingScore, Score, Scored

__all__ = [
    "MEASURES",
    "PRINT",
    "SHEET_DE00",
    "TOTALS",
    "Measure",
    "Reading",
    "name_of",
    "parts_of",
    "read_all",
    "total_of",
]

PRINT: Final = "print"
"""The element name of what belongs to the whole print rather than to one figure."""

_RING_ID: Final = re.compile(r"ring-to-(white|black)-(.+)")
SHEET_DE00: Final = 0.1
"""Assumed, no source: root mean square ΔE00 that a colour differs by from one sheet to the next, a tenth of what is
just seen."""

_LEAST: Final = {"excess": LEAST_EXCESS_DE00, "missing": LEAST_MISSING_DE00}


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
_ALONG_DE00: Final = SHEET_DE00 / math.sqrt(3.0)
_COLOUR: Final = (0.0, _ALONG_DE00)
_RATIO: Final = (0.0, _ALONG_DE00 * math.sqrt(2.0) / 45.0)
_BLACK: Final = (0.0, 1.6 * _ALONG_DE00)  # S_L of CIEDE2000 is 1.6 at L* 10

_ALL: Final = (
    *(
        Measure(
            name=f"{name}_to_{end}", words=f"{words} to {end}", unit="ΔE00", better="lower", sheet=_FINDING, least=1.0,
            parts=name, end=end, is_sum=True,
        )
        for name, words in (("excess", "rings"), ("missing", "merged tones"))
        for end in ("white", "black")
    ),
    Measure(name="black_l", words="depth of black", unit="L*", better="lower", sheet=_BLACK, least=0.5),
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
same screen make of it; of colours `SHEET_DE00`, alike along three axes, of which a depth, a cast or a distance from
what was asked has one: 0.058 ΔE00, 0.09 L* in black, 0.0018 in evenness and reach (both ends of a path of 45 ΔE00, a
short one).
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
    readings = {
        (element.id, name): reading for element in score.elements for name, reading in _read_element(element).items()
    }
    totals = totals_of(score.elements, score.black)
    for measure in TOTALS:
        if measure.is_sum:
            ends = [readings[r.id, measure.parts] for r in score.rings() if r.kind == f"ring-to-{measure.end}"]
            readings[PRINT, measure.name] = _added([part for part in ends if part is not None])
        else:
            readings[PRINT, measure.name] = _reading(measure, getattr(totals, measure.name))
    return readings


def name_of(element: str) -> str:
    """Return what a sentence calls an element, by its id alone."""
    if element == PRINT:
        return "the print"
    ring = _RING_ID.fullmatch(element)
    return f"{ring[2]} to {ring[1]}" if ring else element.replace("-", " ")


def _added(parts: Sequence[Reading]) -> Reading | None:
    if not parts:
        return None
    return Reading(
        value=sum(part.value for part in parts),
        standard_error=math.hypot(*(part.standard_error for part in parts)),
        hidden_below=sum(part.hidden_below for part in parts),
    )


def _reading(measure: Measure, estimate: Estimate | None, hidden: float = 0.0) -> Reading | None:
    if estimate is None:
        return None
    # a detour makes a path longer than what was asked for, and is no gain
    value = min(estimate.value, 1.0) if measure.name == "reach" else estimate.value
    error = math.hypot(estimate.noise or 0.0, estimate.repeatability or 0.0)
    return Reading(value=value, standard_error=error, hidden_below=hidden)


def _read_element(element: ElementScore) -> dict[str, Reading | None]:
    found = _read_ring(element) if isinstance(element, RingScore) else {}
    return found | {"colours": _reading(MEASURES["colours"], colours_of(element))}


def _read_ring(ring: RingScore) -> dict[str, Reading | None]:
    if ring.reach is None or ring.evenness is None:
        # nothing found in a fade that was not measured is no finding
        return dict.fromkeys(("excess", "missing", "evenness", "reach"))
    reach = Estimate(value=ring.reach, noise=ring.reach_noise, repeatability=reach_repeatability(ring.reach))
    return {
        "excess": _sum("excess", ring.excess, ring.contours),
        "missing": _sum("missing", ring.missing, ring.flat_bands),
        "evenness": Reading(value=ring.evenness, standard_error=ring.evenness_noise or 0.0),
        "reach": _reading(MEASURES["reach"], reach),
    }


def _sum(name: str, whole: Scored | None, found: Sequence[Contour | FlatBand]) -> Reading | None:
    """Return what a fade's stretches score in all; of scores that do not say, what the reported ones do."""
    least = _LEAST[name]
    if whole is not None:
        return _reading(MEASURES[name], whole, least * whole.stretches)
    sizes = [one.excess_de00 if isinstance(one, Contour) else one.missing_de00 for one in found]
    noises = [one.noise_de00 or 0.0 for one in found]
    moved = sum(one.repeatability_de00 or 0.0 for one in found)
    reported = Estimate(value=sum(sizes), noise=math.hypot(*noises), repeatability=moved)
    return _reading(MEASURES[name], reported, sum(max(least, SHOWN * noise) for noise in noises))
