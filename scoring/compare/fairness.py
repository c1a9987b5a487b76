"""What is unlike in how prints came about: said first, so that a difference is not put down to the wrong thing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from ..results.comparison import FairnessPoint
from ..results.score import Flag, Score
from .repeats import SCANS_APART_DE00, WHAT_TO_CHANGE, disagreement_de00

__all__ = ["check_fairness"]

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
_HEALTH: Final = {"head-banding": "stripes", "missing-lines": "lines without ink"}
_DRY_H: Final = 24.0  # common practice, no source: by then colours have settled
_DRYING_RATIO: Final = 1.5

Side = Sequence[Score]


def check_fairness(*sides: Side) -> tuple[FairnessPoint, ...]:
    """Return what prints were looked at for: charts, basis and scanning always, the rest where it is unlike."""
    points = [
        _point("chart", sides, lambda s: s.chart, "Different charts cannot be compared."),
        _point(
            "colour basis", sides, lambda s: s.colour_basis.kind,
            "Only evenness is compared: it rests least on colour.",
        ),
        *_fits(sides),
        _resolution(sides),
        _point(
            "bits a channel", sides, lambda s: _listed({str(t.bits_per_channel) for t in s.tiles}),
            "The coarser scan hides small steps.",
        ),
        _point("scanner", sides, lambda s: s.conditions.scanner or "not said", "Two scanners do not see alike."),
        _point(
            "print scale", sides, _scale,
            "A print was scaled by its driver, or the scanners stretch unlike: a scan cannot tell which.",
        ),
        _point("viewing", sides, _viewing, "How visible findings are is stated for unlike viewing."),
        *_repeats(sides),
        _drying(sides),
        _health(sides),
        _point("flags", sides, _other_flags, "What a flag names may be the scan's doing and not the print's."),
        _point("measured by", sides, lambda s: f"version {s.made_by.version}", "Score all scans with one version."),
    ]  # fmt: skip
    scans = [{tile.scan_sha256 for score in side for tile in score.tiles} for side in sides]
    if sum(map(len, scans)) > len(set().union(*scans)):
        points.append(
            FairnessPoint(
                what="scans", values=("the same file",) * len(sides), alike=False, kind="fault",
                text="More than one side holds the same scan: between those no difference can show.",
            )
        )  # fmt: skip
    points.extend(_conditions(sides))
    return tuple(points)


def _conditions(sides: Sequence[Side]) -> list[FairnessPoint]:
    points = []
    for field, words in _CONDITIONS.items():
        values = tuple(_said(side, field) for side in sides)
        if len(set(values)) > 1:
            points.append(FairnessPoint(what=words, values=values, alike=False, kind="condition"))
        elif field != "date" and ", " in values[0] and len({getattr(s.conditions, field) for s in sides[0]}) > 1:
            text = "Every side mixes these: what they do to a print is part of its noise here."
            points.append(FairnessPoint(what=words, values=values, alike=False, kind="fault", text=text))
    return points


def _said(side: Side, field: str) -> str:
    values = {getattr(score.conditions, field) for score in side}
    spoken = {True: "on", False: "off", None: "not said"}
    return _listed({spoken[value] if value is None or isinstance(value, bool) else value for value in values})


def _point(what: str, sides: Sequence[Side], read: Callable[[Score], str], text: str) -> FairnessPoint:
    values = tuple(_listed({read(score) for score in side}) for side in sides)
    alike = len(set(values)) == 1
    return FairnessPoint(what=what, values=values, alike=alike, kind="fault", text=None if alike else text)


def _resolution(sides: Sequence[Side]) -> FairnessPoint:
    spans = [[value for score in side for tile in score.tiles for value in tile.dpi] or [0.0] for side in sides]
    values = [value for span in spans for value in span]
    ratio = max(values) / min(values) if min(values) > 0 else 1.0
    text = None
    if ratio > _SHARPER:
        text = "The finer scan may see sharper edges; what is stated at unlike resolutions is not compared."
    elif ratio > _ALIKE_RATIO:
        text = "The finer scan sees slightly sharper edges."
    return FairnessPoint(
        what="scan resolution", values=tuple(map(_span, spans)), alike=text is None, kind="fault", text=text
    )


def _drying(sides: Sequence[Side]) -> FairnessPoint:
    """Drying times: noted, alike, and long enough. Inks move for hours."""
    noted = [[score.conditions.drying_h for score in side] for side in sides]
    known = [hours for side in noted for hours in side if hours is not None]
    missing = len(known) < sum(map(len, noted))
    text = None
    alike = True
    if not known:
        text = "Not noted. Colours move for hours while a print dries: --drying notes it."
    elif missing:
        alike = False
        text = "Noted for some only. Colours move while a print dries: scan all of them after the same time."
    elif min(known) < _DRY_H and max(known) > _DRYING_RATIO * min(known):
        alike = False
        text = "Colours move while a print dries: let all of them dry as long, and as the makers advise."
    values = tuple(_listed({"not noted" if hours is None else f"{hours:g} h" for hours in side}) for side in noted)
    return FairnessPoint(what="drying time", values=values, alike=alike, kind="fault", text=text)


def _fits(sides: Sequence[Side]) -> list[FairnessPoint]:
    """Fits of one kind that are not the same: what each got wrong stands in the difference, too."""
    kinds = {score.colour_basis.kind for side in sides for score in side}
    if len(kinds) > 1 or not kinds <= {"scanner-fit", "borrowed"}:
        return []
    text = "Two fits: a difference of colours holds what each of them got wrong, too."
    if "borrowed" in kinds:
        text = "Borrowed from two profiles: a difference of colours holds what each profile got wrong. Borrow from one."
    point = _point("scanner fit", sides, lambda s: s.colour_basis.note, text)
    return [] if point.alike else [point]


def _repeats(sides: Sequence[Side]) -> list[FairnessPoint]:
    """Scans of one print, on one side or on two, that disagree by more than a scanner's noise."""
    apart = disagreement_de00([score for side in sides for score in side])
    if apart is None or apart <= SCANS_APART_DE00:
        return []
    each = [disagreement_de00(side) for side in sides]
    values = tuple("not scanned twice" if own is None else f"{own:.1f} ΔE00 apart" for own in each)
    text = f"Scans of one print are {apart:.1f} ΔE00 apart, more than a scanner's noise. {WHAT_TO_CHANGE}"
    return [FairnessPoint(what="scans of one print", values=values, alike=False, kind="fault", text=text)]


def _health(sides: Sequence[Side]) -> FairnessPoint:
    """Stripes and missing lines spoil a comparison even where both prints have them."""
    values = tuple(
        _listed({_HEALTH[flag.code] for score in side for flag in score.flags if flag.code in _HEALTH})
        or "none seen"
        for side in sides
    )
    sick = any(value != "none seen" for value in values)
    text = "A printer may not be healthy: follow its maker's instructions for checking nozzles, and print again."
    return FairnessPoint(
        what="stripes and missing lines", values=values, alike=not sick, kind="fault", text=text if sick else None
    )


def _other_flags(score: Score) -> str:
    flags: set[Flag] = {*score.flags, *(flag for tile in score.tiles for flag in tile.flags)}
    return _listed({flag.text for flag in flags if flag.code not in _HEALTH}) or "none"


def _viewing(score: Score) -> str:
    return f"{score.viewing.distance_mm:.0f} mm, {score.viewing.luminance_cd_m2:.0f} cd/m²"


def _span(values: Sequence[float]) -> str:
    low, high = round(min(values)), round(max(values))
    return f"{low} dpi" if high <= low * _ALIKE_RATIO else f"{low} to {high} dpi"


def _scale(score: Score) -> str:
    return _listed({f"{100 * value:.0f} %" for tile in score.tiles for value in tile.print_scale})


def _listed(words: set[str]) -> str:
    return ", ".join(sorted(words))
