"""Damage as one typed word, such as ``held:ring-to-black-blue:8:9.2``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from ..errors import WrongUsageError
from .damage import (
    Bump,
    Cast,
    Damage,
    DropOff,
    EarlyHub,
    HeldStretch,
    HueShift,
    LightnessReversal,
    LightnessWave,
    LostStep,
    MergedHues,
    ReversedStep,
    Step,
)

__all__ = ["DAMAGE_HELP", "parse_damage"]


@dataclass(frozen=True, slots=True)
class _Spelling:
    """How a damage is typed: argument names, those in brackets may be left out; and what it is in a few words."""

    usage: str
    about: str
    example: str
    build: Callable[[str, list[str]], Damage]

    @property
    def counts(self) -> tuple[int, int]:
        """Least and most arguments after the element."""
        names = self.usage.split(":")[2:] if self.usage else []
        return sum(not name.startswith("[") for name in names), len(names)


def _numbers(words: list[str]) -> list[Any]:
    return [float(word) for word in words]


def _drop_off(element: str, words: list[str]) -> Damage:
    inner, outer = _numbers(words[:2])
    word = _choice(words, 3, "false")
    soft: Any = word == "soft" or word
    if words[2].lower().endswith("x"):
        return DropOff(element, inner, outer, times=float(words[2][:-1]), soft=soft)
    return DropOff(element, inner, outer, contrast_de00=float(words[2]), soft=soft)


def _choice(words: list[str], place: int, default: str) -> Any:
    return words[place].lower() if len(words) > place else default


_SPELLINGS: Final = {
    "held": _Spelling(
        "held:ELEMENT:INNER:OUTER:[inner|outer]",
        "colours between two radii (mm) held at the colour of one end",
        "held:ring-to-black-blue:8:9.2",
        lambda e, w: HeldStretch(e, float(w[0]), float(w[1]), _choice(w, 2, "inner")),
    ),
    "dropoff": _Spelling(
        "dropoff:ELEMENT:INNER:OUTER:HOW:[soft]",
        "a steep stretch; HOW is 4x (times as fast) or 6 (ΔE00 across it); soft: without kinks at its ends",
        "dropoff:ring-to-white-red:9:9.4:6",
        _drop_off,
    ),
    "step": _Spelling(
        "step:ELEMENT:RADIUS:DE00",
        "a hard jump at a radius (mm)",
        "step:ring-to-white-green:10:2.5",
        lambda e, w: Step(e, float(w[0]), float(w[1])),
    ),
    "hue": _Spelling(
        "hue:ELEMENT:RADIUS:WIDTH:DEGREES:[smooth|box]",
        "a local turn of hue (mm, mm, degrees in IPT)",
        "hue:ring-to-white-blue:9:2:12",
        lambda e, w: HueShift(e, float(w[0]), float(w[1]), float(w[2]), _choice(w, 3, "smooth")),
    ),
    "reversal": _Spelling(
        "reversal:ELEMENT:INNER:OUTER:DEPTH",
        "the path runs backwards between two radii (mm), by DEPTH L*",
        "reversal:ring-to-black-cyan:7:8:1.5",
        lambda e, w: LightnessReversal(e, float(w[0]), float(w[1]), float(w[2])),
    ),
    "earlyhub": _Spelling(
        "earlyhub:ELEMENT:TO:[step|spaced]",
        "black or white reached too early, out to a radius (mm)",
        "earlyhub:ring-to-black-magenta:4.5:step",
        lambda e, w: EarlyHub(e, float(w[0]), _choice(w, 1, "spaced")),
    ),
    "wave": _Spelling(
        "wave:ELEMENT:AMPLITUDE:PERIOD:[INNER]:[OUTER]",
        "a ring-shaped wave (L*, mm)",
        "wave:ring-to-white-cyan:0.5:2",
        lambda e, w: LightnessWave(e, float(w[0]), float(w[1]), *_numbers(w[2:])),
    ),
    "bump": _Spelling(
        "bump:ELEMENT:RADIUS:WIDTH:AMPLITUDE",
        "a faint ring: lightness off by AMPLITUDE at a radius, WIDTH (mm) wide at half height",
        "bump:ring-to-white-blue:9:1:0.6",
        lambda e, w: Bump(e, float(w[0]), float(w[1]), float(w[2])),
    ),
    "merged": _Spelling(
        "merged:ELEMENT:FROM:TO:[full|tint|shade]",
        "hues of a sweep printed alike (degrees)",
        "merged:hue-sweep:220:245",
        lambda e, w: MergedHues(e, float(w[0]), float(w[1]), _choice(w, 2, "full")),
    ),
    "lost": _Spelling(
        "lost:ELEMENT:STEP",
        "a wedge step printed like the one before it",
        "lost:neutral-wedge:5",
        lambda e, w: LostStep(e, int(w[0])),
    ),
    "reversed": _Spelling(
        "reversed:ELEMENT:STEP",
        "a wedge step and the one before it change places",
        "reversed:neutral-wedge:12",
        lambda e, w: ReversedStep(e, int(w[0])),
    ),
    "cast": _Spelling(
        "cast:ELEMENT:A:B",
        "a wedge shifted by a* and b*",
        "cast:neutral-wedge:2:-1.5",
        lambda e, w: Cast(e, float(w[0]), float(w[1])),
    ),
}

DAMAGE_HELP: Final = "\n".join(f"{s.usage}  {s.about}; e.g. {s.example}" for s in _SPELLINGS.values())
"""One line for each kind of damage."""


def parse_damage(text: str) -> Damage:
    """Return a damage from its typed form; element ids are those of the key.

    Raises
    ------
    WrongUsageError
        If the kind is unknown, an argument is missing, no number, or out of its range.

    Examples
    --------
    >>> parse_damage("step:ring-to-white-green:10:2.5").contrast_de00
    2.5
    """
    kind, *rest = text.strip().split(":")
    spelling = _SPELLINGS.get(kind.lower())
    if spelling is None:
        raise WrongUsageError(f"Unknown damage {kind!r}: use one of {', '.join(_SPELLINGS)}.")
    least, most = spelling.counts
    if not rest or not rest[0] or not least <= len(rest) - 1 <= most:
        raise WrongUsageError(f"{text!r} is not complete: type {spelling.usage}, such as {spelling.example}.")
    try:
        return spelling.build(rest[0], rest[1:])
    except ValueError as error:
        reason = _reason(error)
        raise WrongUsageError(f"{text!r}: {reason}. Type {spelling.usage}, such as {spelling.example}.") from error


def _reason(error: ValueError) -> str:
    from pydantic import ValidationError

    if isinstance(error, ValidationError):
        message = error.errors()[0]["msg"].removeprefix("Value error, ")
        return message[:1].lower() + message[1:]
    return "a number is not one"
