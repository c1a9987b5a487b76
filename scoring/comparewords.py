"""A comparison in plain sentences, for someone who wants to know which print to make and not how it was tested."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from .comparable import MEASURES

if TYPE_CHECKING:
    from .compare import ComparedPrint, Row
    from .fairness import FairnessPoint

__all__ = ["amount", "summarise_rows"]

_EXAMPLES: Final = 2
_DIGITS: Final = {"mm": 2, "ΔE00": 1, "°": 1, "C*": 1, "L*": 1}
_FINDINGS: Final = frozenset({"worst_contour", "widest_flat_band"})
_COUNTS: Final = frozenset({"contours", "not_climbing", "first_from_black"})


def amount(value: float, measure: str, unit: str) -> str:
    """Return a value of a measure as a sentence would say it, with its unit."""
    if measure in _COUNTS:
        return f"{value:.0f}" if value == round(value) else f"{value:.1f}"
    text = f"{value:.{_DIGITS.get(unit, 2)}f}"
    return f"{text}°" if unit == "°" else f"{text} {unit}".rstrip()


def summarise_rows(
    prints: tuple[ComparedPrint, ComparedPrint],
    fairness: Sequence[FairnessPoint],
    rows: Sequence[Row],
    *,
    repeats: bool,
) -> tuple[str, ...]:
    """Return what differs, where and by how much, what does not, and what one more scan or print would buy."""
    tested = [row for row in rows if row.verdict != "cannot-compare"]
    sentences = [_headline(prints, tested, rows)]
    sentences += _faults(fairness)
    sentences += _in_all(prints, tested)
    sentences += _differences(prints, tested)
    if tested:
        sentences += _no_differences(tested)
    sentences += _not_compared(rows)
    if tested:
        sentences += _conditions(fairness)
        sentences.append(_one_more(prints, repeats))
    return tuple(sentences)


def _headline(prints: tuple[ComparedPrint, ComparedPrint], tested: Sequence[Row], rows: Sequence[Row]) -> str:
    if not tested:
        reason = rows[0].reason if rows else "neither holds anything to compare"
        return f"These two prints cannot be compared: {reason}."
    wins = [sum(row.verdict == side for row in tested) for side in ("first", "second")]
    none = len(tested) - sum(wins)
    if not any(wins):
        return f"No difference is shown in any of {len(tested)} measures."
    parts = [
        f"{shown.label} is better in {_times(won, 'measure')}"
        for shown, won in sorted(zip(prints, wins, strict=True), key=lambda pair: -pair[1])
        if won
    ]
    return f"{' and '.join(parts)}; in {none} of {len(tested)} no difference is shown."


def _in_all(prints: tuple[ComparedPrint, ComparedPrint], tested: Sequence[Row]) -> Iterator[str]:
    """Say how many contours each print has on the rings that both have: what a photographer asks first."""
    counted = [row for row in tested if row.measure == "contours"]
    if not counted:
        return
    strongest = [row for row in tested if row.measure == "worst_contour"]
    parts = []
    for side, shown in enumerate(prints):
        count = sum(row.values[side] or 0.0 for row in counted)
        worst = max((row.values[side] or 0.0 for row in strongest), default=0.0)
        number = amount(count, "contours", "") if count else "no"
        noun = "contour" if count == 1 else "contours"
        parts.append(f"{shown.label} has {number} {noun}" + (f" (up to {worst:.1f} ΔE00)" if worst else ""))
    yield f"On {_times(len(counted), 'fade')} in all, {' and '.join(parts)}."


def _faults(fairness: Sequence[FairnessPoint]) -> Iterator[str]:
    for point in fairness:
        if point.kind == "fault" and not point.alike:
            if point.values[0] == point.values[1]:
                yield f"Take care: {point.text}"
            else:
                yield f"Take care: {point.what} differs ({point.values[0]} against {point.values[1]}). {point.text}"


def _differences(prints: tuple[ComparedPrint, ComparedPrint], tested: Sequence[Row]) -> Iterator[str]:
    for name, measure in MEASURES.items():
        for side, shown in zip(("first", "second"), prints, strict=True):
            found = [row for row in tested if row.measure == name and row.verdict == side]
            if not found:
                continue
            found.sort(key=lambda row: -abs(row.difference or 0.0))
            own = 0 if side == "first" else 1
            examples = [_example(row, own) for row in found[:_EXAMPLES]]
            more = len(found) - len(examples)
            tail = f", and {_times(more, 'more', plural='more')}" if more else ""
            lead = measure.words[0].upper() + measure.words[1:]
            yield f"{lead}: {shown.label} is better on {'; '.join(examples)}{tail}."


def _example(row: Row, own: int) -> str:
    better, other = (_value(row, side) for side in (own, 1 - own))
    # the unit once is enough
    better = better.removesuffix(f" {row.unit}") if row.unit else better
    return f"{row.element_name} ({better} against {other})"


def _value(row: Row, side: int) -> str:
    value = row.values[side] or 0.0
    return "none" if value == 0.0 and row.measure in _FINDINGS else amount(value, row.measure, row.unit)


def _no_differences(tested: Sequence[Row]) -> Iterator[str]:
    quiet = []
    for name, measure in MEASURES.items():
        rows = [row for row in tested if row.measure == name]
        if rows and all(row.verdict == "no-difference-shown" for row in rows):
            limits = sorted(row.smallest_showable for row in rows if row.smallest_showable is not None)
            limit = amount(limits[len(limits) // 2], "", measure.unit)
            quiet.append(f"{measure.words} ({limit})")
    if quiet:
        yield (
            "No difference is shown in the following (in brackets the difference that would have shown): "
            f"{', '.join(quiet)}."
        )


def _not_compared(rows: Sequence[Row]) -> Iterator[str]:
    by_reason: dict[str, list[str]] = {}
    for row in rows:
        if row.reason is not None:
            name = MEASURES[row.measure].words if "not on" not in row.reason else row.element_name
            by_reason.setdefault(row.reason, []).append(name)
    if len(by_reason) == 1 and all(row.reason for row in rows):
        return  # the headline has said it
    for reason, names in by_reason.items():
        yield f"Not compared, because {reason}: {', '.join(dict.fromkeys(names))}."


def _conditions(fairness: Sequence[FairnessPoint]) -> Iterator[str]:
    unlike = [point.what for point in fairness if point.kind == "condition"]
    if len(unlike) > 1:
        yield (
            f"{len(unlike)} conditions differ ({', '.join(unlike)}): "
            "what is shown cannot be put down to one of them alone."
        )
    elif not unlike:
        yield "The conditions given for both prints are the same: nothing says what would make a difference."


def _one_more(prints: tuple[ComparedPrint, ComparedPrint], repeats: bool) -> str:
    if repeats:
        counts = f"{_times(prints[0].scores, 'score')} and {_times(prints[1].scores, 'score')}"
        return f"This rests on {counts}, with the spread between them; one more of each narrows what can be shown."
    return (
        "This rests on one scan of each print, so its uncertainty is a lower bound: the scan's own noise, or an "
        "assumed repeatability of the scanner. A second scan of each would measure that repeatability and bring the "
        "smallest difference that can be shown to about 0.7 of what it is; a second print of each would tell whether "
        "a difference belongs to the conditions or only to these two sheets."
    )


def _times(count: int, noun: str, plural: str = "") -> str:
    return f"{count} {noun if count == 1 else plural or noun + 's'}"
