"""Numbers as people read them: rounded by their error, with a true minus, never parted from their unit."""

from __future__ import annotations

import math
from typing import Final

__all__ = [
    "COVERS",
    "NONE_SHOWN",
    "NOT_MEASURED",
    "brief",
    "fault_figure",
    "figure",
    "interval",
    "is_shown",
    "number",
    "place_of",
]

NOT_MEASURED: Final = "not measured"
NONE_SHOWN: Final = "none shown"
COVERS: Final = 1.96
"""Standard errors that a value lies within in 95 % of cases, if they are normal."""

# digits of a figure without an error
_DIGITS: Final = {"mm": 2, "ΔE00": 1, "L*": 1, "C*": 1, "°": 0, "": 2}
# and the most that one has whatever its error: two scans of one print differ in the second digit of colours
_MOST_DIGITS: Final = {"ΔE00": 2, "L*": 2, "C*": 2, "°": 1}


def number(value: float | None, digits: int = 1, unit: str = "") -> str:
    """Return a rounded number with a true minus and its unit, or say that it was not measured."""
    if value is None or not math.isfinite(value):
        return NOT_MEASURED
    rounded = f"{value:.{digits}f}"
    if float(rounded) == 0:
        rounded = rounded.lstrip("-")
    rounded = rounded.replace("-", "−")
    if not unit:
        return rounded
    return f"{rounded}{unit}" if unit == "°" else f"{rounded}\u00a0{unit}"


def figure(value: float | None, noise: float | None, unit: str = "", *, digits: int | None = None) -> str:
    """Return a value ± 1.96 standard errors, with no more digits than these allow.

    Both are rounded to the first digit of what stands after ±, or to two if that is a 1 (common practice, no source).
    Without an error the value has ``digits``, or those that are usual for its unit.
    """
    if value is None or not math.isfinite(value):
        return NOT_MEASURED
    if not noise or not math.isfinite(noise):
        return number(value, _DIGITS.get(unit, 1) if digits is None else digits, unit)
    error = COVERS * noise
    place = min(place_of(error), _MOST_DIGITS.get(unit, 3))
    return f"{number(round(value, place), max(place, 0))}\u00a0±\u00a0{number(_up(error, place), max(place, 0), unit)}"


def place_of(error: float) -> int:
    """Return the decimal place that a figure is rounded to: of its error's first digit, or of the second after a 1."""
    first, power = f"{error:.1e}".split("e")
    return -int(power) + first.startswith("1")


def brief(value: float, noise: float | None, unit: str = "") -> str:
    """Return a value for running text: without its error, with one digit after the point or as few as that allows."""
    place = min(place_of(COVERS * noise), 1) if noise else 1
    return number(round(value, place), max(place, 0), unit)


def _up(error: float, place: int) -> float:
    # none reads ± 0
    return max(round(error, place), 10.0**-place)


def is_shown(value: float, noise: float | None) -> bool:
    """Tell whether a value is beyond its own error (95 %)."""
    return abs(value) > COVERS * (noise or 0.0)


def fault_figure(value: float | None, noise: float | None, unit: str = "", *, digits: int | None = None) -> str:
    """Return the size of a fault as `figure` does, or that none is shown if it is within its own error."""
    if value is not None and not is_shown(value, noise):
        return NONE_SHOWN
    return figure(value, noise, unit, digits=digits)


def interval(low: float, high: float, digits: int = 1, unit: str = "mm") -> str:
    """Return ``low–high unit``, which no line break divides (U+2060 beside the dash)."""
    return f"{number(low, digits)}\u2060–\u2060{number(high, digits, unit)}"
