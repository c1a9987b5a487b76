"""What is unlike in how two prints came about: said first, so that a difference is not put down to the wrong thing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict

from .model import Score

__all__ = ["FairnessPoint", "check_fairness"]

_CONDITIONS: Final = {
    "printer": "printer",
    "paper": "paper",
    "ink": "ink",
    "profile": "profile",
    "intent": "intent",
    "black_point_compensation": "black point compensation",
    "media_setting": "media setting",
    "quality_setting": "quality setting",
    "date": "date of printing",
}
_ALIKE_RATIO: Final = 1.05  # two settings of a scanner's resolution differ by more than its own stretch
_SHARPER: Final = 1.5


class FairnessPoint(BaseModel):
    """One thing looked at. ``condition`` is what may well be compared; ``fault`` spoils the comparison if unlike."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    what: str
    values: tuple[str, str]
    alike: bool
    kind: Literal["condition", "fault"]
    text: str | None = None


def check_fairness(a: Sequence[Score], b: Sequence[Score]) -> tuple[FairnessPoint, ...]:
    """Return what two prints were looked at for: charts, basis and scanning always, the rest where it is unlike."""
    points = [
        _point("chart", a, b, lambda s: s.chart, "Different charts cannot be compared."),
        _point(
            "colour basis", a, b, lambda s: s.colour_basis.kind,
            "Measures that rest on colour are not compared; widths and evenness are.",
        ),
        _resolution(a, b),
        _point(
            "bits a channel", a, b, lambda s: _listed({str(t.bits_per_channel) for t in s.tiles}),
            "The coarser scan hides small steps.",
        ),
        _point("print scale", a, b, _scale, "One print was scaled by its driver: its ramps are steeper or flatter."),
        _point(
            "flags", a, b, lambda s: _listed({*s.flags, *(flag for t in s.tiles for flag in t.flags)}) or "none",
            "What a flag names may be the scan's doing and not the print's.",
        ),
        _point("measured by", a, b, lambda s: f"version {s.made_by.version}", "Score both scans with one version."),
    ]  # fmt: skip
    shared = {t.scan_sha256 for s in a for t in s.tiles} & {t.scan_sha256 for s in b for t in s.tiles}
    if shared:
        points.append(
            FairnessPoint(
                what="scans", values=("the same file", "the same file"), alike=False, kind="fault",
                text="Both sides hold the same scan: no difference can show.",
            )
        )  # fmt: skip
    points.extend(_conditions(a, b))
    return tuple(points)


def _conditions(a: Sequence[Score], b: Sequence[Score]) -> list[FairnessPoint]:
    points = []
    for field, words in _CONDITIONS.items():
        first, second = (_said(side, field) for side in (a, b))
        if first != second:
            points.append(FairnessPoint(what=words, values=(first, second), alike=False, kind="condition"))
    return points


def _said(side: Sequence[Score], field: str) -> str:
    values = {getattr(score.conditions, field) for score in side}
    spoken = {True: "on", False: "off", None: "not said"}
    return _listed({spoken[value] if value is None or isinstance(value, bool) else value for value in values})


def _point(what: str, a: Sequence[Score], b: Sequence[Score], read: Callable[[Score], str], text: str) -> FairnessPoint:
    first, second = (_listed({read(score) for score in side}) for side in (a, b))
    alike = first == second
    return FairnessPoint(what=what, values=(first, second), alike=alike, kind="fault", text=None if alike else text)


def _resolution(a: Sequence[Score], b: Sequence[Score]) -> FairnessPoint:
    sides = [[value for score in side for tile in score.tiles for value in tile.dpi] or [0.0] for side in (a, b)]
    values = [value for side in sides for value in side]
    ratio = max(values) / min(values) if min(values) > 0 else 1.0
    text = None
    if ratio > _SHARPER:
        text = "The finer scan sees sharper edges: widths are not compared."
    elif ratio > _ALIKE_RATIO:
        text = "The finer scan sees slightly sharper edges."
    return FairnessPoint(
        what="scan resolution", values=(_span(sides[0]), _span(sides[1])), alike=text is None, kind="fault", text=text
    )  # fmt: skip


def _span(values: Sequence[float]) -> str:
    low, high = round(min(values)), round(max(values))
    return f"{low} dpi" if high <= low * _ALIKE_RATIO else f"{low} to {high} dpi"


def _scale(score: Score) -> str:
    return _listed({f"{100 * value:.0f} %" for tile in score.tiles for value in tile.print_scale})


def _listed(words: set[str]) -> str:
    return ", ".join(sorted(words))
