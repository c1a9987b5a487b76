"""A comparison in plain sentences, for someone who wants to know which print to make and not how it was tested."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from .comparable import MEASURES

if TYPE_CHECKING:
    from .comparemodel import ColourRow, ComparedPrint, NoiseBasis, Row, Standing
    from .fairness import FairnessPoint
    from .sides import Side

__all__ = ["amount", "noise_words", "standing_words", "summarise_rows"]

_EXAMPLES: Final = 2
_DIGITS: Final = {"mm": 2, "ΔE00": 1, "°": 1, "C*": 1, "L*": 1}
_FINDINGS: Final = frozenset({"worst_contour", "widest_flat_band"})
_COUNTS: Final = frozenset({"contours", "not_climbing", "first_from_black"})
_LEAST_GAIN: Final = 0.03

Prints = Sequence["ComparedPrint"]


def amount(value: float, measure: str, unit: str) -> str:
    """Return a value of a measure as a sentence would say it, with its unit."""
    if measure in _COUNTS:
        return f"{value:.0f}" if value == round(value) else f"{value:.1f}"
    text = f"{value:.{_DIGITS.get(unit, 2)}f}"
    return f"{text}°" if unit == "°" else f"{text} {unit}".rstrip()


def summarise_rows(
    prints: Prints,
    fairness: Sequence[FairnessPoint],
    rows: Sequence[Row],
    colours: Sequence[ColourRow],
    ranking: Sequence[Standing],
    noise: NoiseBasis,
) -> tuple[str, ...]:
    """Return what differs, where and by how much, what does not, and what one more scan or print would buy."""
    tested = [row for row in rows if row.verdict != "cannot-compare"]
    several = len(prints) > 2
    sentences = [*_order(prints, ranking, tested)] if several and tested else [_headline(prints, tested, rows)]
    sentences += _faults(fairness)
    sentences += _in_all(prints, tested)
    for pair in dict.fromkeys(row.pair for row in tested):
        own = [row for row in tested if row.pair == pair]
        both = [prints[n] for n in pair]
        if several:
            sentences.append(f"{both[0].label} against {both[1].label}: {_headline(both, own, own)}")
        else:
            sentences += _differences(both, own)
    if several:
        sentences += _places(prints, ranking)
    sentences += _colours(prints, colours)
    if tested:
        sentences += _no_differences(tested)
    sentences += _not_compared(rows)
    if tested:
        sentences += _conditions(fairness)
        sentences += [noise.text, *_one_more(tested)]
    return tuple(sentences)


def _headline(prints: Prints, tested: Sequence[Row], rows: Sequence[Row]) -> str:
    if not tested:
        reason = rows[0].reason if rows else "neither holds anything to compare"
        return f"These prints cannot be compared: {reason}."
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


def _order(prints: Prints, ranking: Sequence[Standing], tested: Sequence[Row]) -> Iterator[str]:
    """Say who is ahead in all measures together, and who is not told apart."""
    if all(row.verdict == "no-difference-shown" for row in tested):
        yield f"No difference is shown between any two of {len(prints)} prints, in any measure."
        return
    overall = [standing for standing in ranking if standing.measure is None]
    leaders = [s for s in overall if s.ahead_of and not s.behind and not s.mixed]
    if leaders:
        names = [prints[s.print].label for s in leaders]
        yield f"Nothing here is shown to be better than {_and(names)} in any measure."
    else:
        yield "No print is ahead in everything: each is better in some measures and worse in others, or not told apart."
    yield f"In all measures together: {_by_place(prints, overall)}."


def _places(prints: Prints, ranking: Sequence[Standing]) -> Iterator[str]:
    """Say for each measure that tells any two apart which print may have which place."""
    for name in dict.fromkeys(standing.measure for standing in ranking if standing.measure is not None):
        lead = MEASURES[name].words
        own = [standing for standing in ranking if standing.measure == name]
        yield f"{lead[0].upper()}{lead[1:]}: {_by_place(prints, own)}."


def _by_place(prints: Prints, standings: Sequence[Standing]) -> str:
    by_place: dict[tuple[int, int], list[str]] = {}
    for standing in standings:
        by_place.setdefault((standing.best_place, standing.worst_place), []).append(prints[standing.print].label)
    return "; ".join(
        f"place {low if low == high else f'{low} to {high}'} {_and(labels)}"
        for (low, high), labels in sorted(by_place.items(), key=lambda item: (sum(item[0]), item[0]))
    )


def standing_words(standing: Standing, labels: Sequence[str]) -> str:
    """Return a standing as words: its place or places, and against whom."""
    low, high = standing.best_place, standing.worst_place
    parts = [f"place {low}" if low == high else f"place {low} to {high}"]
    for lead, others in (
        ("ahead of", standing.ahead_of),
        ("behind", standing.behind),
        ("better here and worse there than", standing.mixed),
        ("not told apart from", standing.not_told_from),
    ):
        if others:
            parts.append(f"{lead} {_and([labels[n] for n in others])}")
    return "; ".join(parts)


def _in_all(prints: Prints, tested: Sequence[Row]) -> Iterator[str]:
    """Say how many contours each print has on the rings that all have: what a photographer asks first."""
    counted = {n: [row for row in tested if row.measure == "contours" and n in row.pair] for n in range(len(prints))}
    shared = set.intersection(*({row.element for row in rows} for rows in counted.values()))
    if not shared:
        return
    parts = []
    for n, shown in enumerate(prints):
        count = sum(_of(rows[0], n) for rows in _each(tested, "contours", n, shared))
        worst = max((_of(rows[0], n) for rows in _each(tested, "worst_contour", n, shared)), default=0.0)
        number = amount(count, "contours", "") if count else "no"
        noun = "contour" if count == 1 else "contours"
        parts.append(f"{shown.label} has {number} {noun}" + (f" (up to {worst:.1f} ΔE00)" if worst else ""))
    yield f"On {_times(len(shared), 'fade')} in all, {_and(parts)}."


def _each(tested: Sequence[Row], measure: str, n: int, elements: set[str]) -> Iterator[list[Row]]:
    """Yield for each element the rows of a measure in which a print takes part."""
    for element in sorted(elements):
        rows = [row for row in tested if (row.measure, row.element) == (measure, element) and n in row.pair]
        if rows:
            yield rows


def _of(row: Row, n: int) -> float:
    return row.values[row.pair.index(n)] or 0.0


def _faults(fairness: Sequence[FairnessPoint]) -> Iterator[str]:
    for point in fairness:
        if point.kind == "fault" and not point.alike:
            if len(set(point.values)) == 1:
                yield f"Take care: {point.what} ({point.values[0]}). {point.text}"
            else:
                yield f"Take care: {point.what} differs ({' against '.join(point.values)}). {point.text}"


def _differences(prints: Prints, tested: Sequence[Row]) -> Iterator[str]:
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


def _colours(prints: Prints, colours: Sequence[ColourRow]) -> Iterator[str]:
    for pair in dict.fromkeys(row.pair for row in colours):
        tested = [row for row in colours if row.pair == pair and row.verdict != "cannot-compare"]
        if not tested:
            continue
        moved = sorted((r for r in tested if r.verdict == "moved"), key=lambda row: -(row.moved_de00 or 0.0))
        lead = "Colours"
        if len(prints) > 2:
            lead = f"Colours, {prints[pair[0]].label} against {prints[pair[1]].label}"
        limits = sorted(row.smallest_showable_de00 or 0.0 for row in tested)
        limit = f"{limits[len(limits) // 2]:.1f} ΔE00 would show"
        if not moved and len(prints) > 2:
            continue  # a pair that is alike needs no sentence among many
        if not moved:
            yield f"{lead}: no element is shown to have moved ({limit})."
            continue
        examples = "; ".join(f"{row.element_name} by {row.moved_de00:.1f} ΔE00" for row in moved[:_EXAMPLES])
        colon = ":" if len(prints) > 2 else ""
        yield f"{lead}{colon} moved in {len(moved)} of {len(tested)} elements ({limit}), most in {examples}."


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
        yield "The conditions given for all prints are the same: nothing says what would make a difference."


def noise_words(noise: NoiseBasis, sides: Sequence[Side]) -> str:
    """Return what the noise floor rests on, and what it does not cover."""
    counts = ", ".join(f"{_times(len(side.scores), 'scan')} of {_times(len(side.prints), 'print')}" for side in sides)
    if not noise.repeated_scans and not noise.repeated_prints:
        return (
            "This rests on one scan of each print, so its uncertainty is a lower bound: the scan's own noise, or an "
            "assumed repeatability of the scanner. A difference may belong to these very sheets, or to this very scan."
        )
    earlier = f", and on {_times(noise.earlier_scores, 'earlier score')} of the ledger" if noise.earlier_scores else ""
    start = f"This rests on the spread between repeats: {counts}{earlier}."
    if not noise.repeated_prints:
        return f"{start} Only scans repeat: a difference may belong to these very sheets, not to how they were made."
    unnamed = any(len(side.scores) > 1 and not any(s.conditions.print_name for s in side.scores) for side in sides)
    told = " Each score was taken for a print of its own, since none gives a name of its print." if unnamed else ""
    return f"{start} It covers what prints of one kind differ by.{told}"


def _one_more(tested: Sequence[Row]) -> Iterator[str]:
    """Say what another scan, or another print, would do to the smallest difference that can be shown."""
    gains = {}
    for of in ("scan", "print"):
        ratios = sorted(
            getattr(row, f"with_another_{of}") / row.smallest_showable
            for row in tested
            if row.smallest_showable and getattr(row, f"with_another_{of}") is not None
        )
        gains[of] = ratios[len(ratios) // 2] if ratios else 1.0
    assumed = all(row.rests_on == "assumed" for row in tested)
    parts = []
    for of, where in (("scan", "of each print"), ("print", "on each side")):
        if gains[of] < 1.0 - _LEAST_GAIN:
            parts.append(f"one more {of} {where} would bring it to about {gains[of]:.2f} of what it is")
        else:
            parts.append(f"one more {of} {where} would hardly change it")
    if assumed:
        parts[1] += ", and tell whether a difference belongs to the conditions or only to these sheets"
    yield f"The smallest difference that can be shown: {'; '.join(parts)}."


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _times(count: int, noun: str, plural: str = "") -> str:
    return f"{count} {noun if count == 1 else plural or noun + 's'}"
