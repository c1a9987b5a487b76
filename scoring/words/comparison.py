"""A comparison in plain sentences, for someone who wants to know which print to make and not how it was tested."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Final

from ..compare.comparable import MEASURES, TOTALS, Measure, total_of

if TYPE_CHECKING:
    from ..results.comparison import ComparedPrint, Comparison, EndCounts, FairnessPoint, Row, Standing

__all__ = ["amount", "headline_of", "in_words", "noise_words", "standing_words", "summarise_rows"]

_EXAMPLES: Final = 3
_DIGITS: Final = {"ΔE00": 1, "C*": 1, "L*": 1}
_BEFORE: Final = frozenset({"L*", "C*"})  # units that stand before their number
_LEAST_GAIN: Final = 0.03
_SPACE: Final = "\u00a0"  # a number and its unit stay on one line

Prints = Sequence["ComparedPrint"]


def in_words(comparison: Comparison) -> Comparison:
    """Return a comparison with its headline, its summary and where its noise comes from, in sentences."""
    comparison = comparison.revised(noise=comparison.noise.revised(text=noise_words(comparison)))
    return comparison.revised(headline=headline_of(comparison), summary=summarise_rows(comparison))


def amount(value: float, unit: str) -> str:
    """Return a value as a sentence would say it, with its unit."""
    number = f"{value:.{_DIGITS.get(unit, 2)}f}"
    return f"{unit}{_SPACE}{number}" if unit in _BEFORE else f"{number}{_SPACE}{unit}".rstrip()


def headline_of(comparison: Comparison) -> str:
    """Return which print is better in what, as a photographer asks, and in what no difference is shown."""
    if all(row.verdict == "cannot-compare" for row in comparison.totals):
        reason = next((row.reason for row in comparison.totals), "neither holds anything to compare")
        return f"These prints cannot be compared: {reason}."
    if len(comparison.prints) > 2:
        return " ".join(_order(comparison))
    return " ".join(_pair_words(comparison, (0, 1)))


def summarise_rows(comparison: Comparison) -> tuple[str, ...]:
    """Return what to take care of, what decides it, what would show, and what one more scan or sheet would buy."""
    several = len(comparison.prints) > 2
    pairs = list(dict.fromkeys(row.pair for row in comparison.totals))
    sentences = list(_faults(comparison.fairness))
    for pair in pairs:
        if several:
            first, second = (comparison.prints[n].label for n in pair)
            sentences.append(f"{first} against {second}: {' '.join(_pair_words(comparison, pair))}")
        sentences += _deciding(comparison, pair)
    if several:
        sentences += _places(comparison)
    sentences += _not_compared([*comparison.totals, *comparison.rows])
    if any(row.verdict != "cannot-compare" for row in comparison.totals):
        sentences += _colours(comparison)
        sentences += _conditions(comparison.fairness)
        sentences += [comparison.noise.text, *_would_show(comparison.totals)]
    return tuple(sentences)


def _pair_words(comparison: Comparison, pair: tuple[int, int]) -> Iterator[str]:
    both = (comparison.prints[pair[0]], comparison.prints[pair[1]])
    totals = {row.measure: row for row in comparison.totals if row.pair == pair}
    shown = [row for row in totals.values() if row.verdict in ("first", "second")]
    for measure, say in (("excess", _rings), ("missing", _merged)):
        for verdict in ("first", "second"):
            rows = [row for row in shown if row.verdict == verdict and MEASURES[row.measure].parts == measure]
            if rows:
                winner, loser = both if verdict == "first" else both[::-1]
                yield _findings(rows, winner, loser, say)
    for row in shown:
        if row.measure in _BETTER:
            better = 0 if row.verdict == "first" else 1
            yield f"{both[better].label} {_BETTER[row.measure]} ({_against(row, better)})."
    quiet = [name for name, row in totals.items() if row.verdict == "no-difference-shown"]
    mixed = [name for name in quiet if _parts_shown(comparison, pair, MEASURES[name])]
    plain = [MEASURES[name].words for name in quiet if name not in mixed]
    if mixed:
        words = _and([MEASURES[name].words for name in mixed])
        yield f"In {words} neither is better in all, but single elements differ."
    if plain:
        between = "" if shown else f" between {both[0].label} and {both[1].label}"
        yield f"No difference is shown{between} in {_or(plain)}."
    if any(row.verdict == "cannot-compare" for row in totals.values()):
        yield "The rest cannot be compared."


_BETTER: Final = {
    "black_l": "has the deeper black",
    "mean_cast": "has the more neutral grey",
    "evenness": "has the more even fades",
    "reach": "reaches more of the range asked for",
    "colours": "is closer to the colours asked for",
}


def _findings(
    rows: Sequence[Row],
    winner: ComparedPrint,
    loser: ComparedPrint,
    say: Callable[[Sequence[EndCounts], Sequence[EndCounts]], str],
) -> str:
    """Say which print is better in rings or merged tones, to one end or to both."""
    ends = [MEASURES[row.measure].end for row in rows]
    better, other = ([getattr(one, f"to_{end}") for end in ends] for one in (winner, loser))
    sizes = [_against(row, 0 if row.verdict == "first" else 1) for row in rows]
    if len(ends) > 1:
        sizes = [f"to {end} {size}" for end, size in zip(ends, sizes, strict=True)]
    where = f"in the fades {_and([f'to {end}' for end in ends])}"
    return f"{winner.label} {say(better, other)}, {where} (in all {', '.join(sizes)})."


def _rings(winner: Sequence[EndCounts], loser: Sequence[EndCounts]) -> str:
    count, more = sum(one.rings for one in winner), sum(one.rings for one in loser)
    strongest, stronger = max(one.strongest_de00 for one in winner), max(one.strongest_de00 for one in loser)
    if not count:
        return f"has no rings against {_count(more)} of up to {amount(stronger, 'ΔE00')}"
    words = [word for word, holds in (("fewer", count < more), ("fainter", strongest < stronger)) if holds]
    what = f"{_and(words)} rings" if words else "rings that jump less in all"
    return f"has {what}, {_count(count)} against {_count(more)}, the strongest {strongest:.1f} against {stronger:.1f}"


def _merged(winner: Sequence[EndCounts], loser: Sequence[EndCounts]) -> str:
    count, more = sum(one.merged_tones for one in winner), sum(one.merged_tones for one in loser)
    if not count:
        return f"merges no tones, against {_count(more)} {'stretch' if more == 1 else 'stretches'}"
    what = "fewer tones" if count < more else "tones less"
    return f"merges {what}, {_count(count)} {'stretch' if count == 1 else 'stretches'} against {_count(more)}"


def _count(number: float) -> str:
    return f"{number:.0f}" if number == round(number) else f"{number:.1f}"


def _against(row: Row, side: int) -> str:
    better, other = row.values[side] or 0.0, row.values[1 - side] or 0.0
    if better == 0.0 and MEASURES[row.measure].is_sum:
        return f"none against {amount(other, row.unit)}"
    first, second = (f"{value:.{_DIGITS.get(row.unit, 2)}f}" for value in (better, other))
    return (
        f"{row.unit}{_SPACE}{first} against {second}"
        if row.unit in _BEFORE
        else f"{first} against {amount(other, row.unit)}"
    )


def _deciding(comparison: Comparison, pair: tuple[int, int]) -> Iterator[str]:
    """Say which two or three fades, or other elements, decide a total; and which differ though the total does not."""
    for total in TOTALS:
        rows = _parts_shown(comparison, pair, total)
        for winner, verdict in enumerate(("first", "second")):
            better = sorted((r for r in rows if r.verdict == verdict), key=lambda row: -abs(row.difference or 0.0))
            if better:
                examples = "; ".join(f"{r.element_name} ({_against(r, winner)})" for r in better[:_EXAMPLES])
                more = f", and {len(better) - _EXAMPLES} more" if len(better) > _EXAMPLES else ""
                lead = f"{total.words[0].upper()}{total.words[1:]}"
                yield f"{lead}: {comparison.prints[pair[winner]].label} is better on {examples}{more}."
    steps = [(comparison.prints[n].merged_steps, comparison.prints[n].label) for n in pair]
    if any(steps[n][0] for n in (0, 1)) and None not in (steps[0][0], steps[1][0]):
        counts = _and([f"{_count(count or 0.0)} on {label}" for count, label in steps])
        yield f"Neutral steps that are not seen apart: {counts} (counted, not tested)."


def _parts_shown(comparison: Comparison, pair: tuple[int, int], total: Measure) -> list[Row]:
    """Return the rows that a total is made of and that differ."""
    return [
        row
        for row in comparison.rows
        if row.pair == pair and row.verdict in ("first", "second") and total_of(row.element, row.measure) is total
    ]


def _order(comparison: Comparison) -> Iterator[str]:
    """Say who is ahead in all totals together, and between whom no difference is shown."""
    prints = comparison.prints
    if all(row.verdict not in ("first", "second") for row in comparison.totals):
        yield f"No difference is shown between any two of {len(prints)} prints."
        return
    overall = [standing for standing in comparison.ranking if standing.measure is None]
    leaders = [s for s in overall if s.ahead_of and not s.behind and not s.mixed]
    if leaders:
        yield f"Nothing here is shown to be better than {_and([prints[s.print].label for s in leaders])} in anything."
    else:
        yield "No print is ahead in everything: each is better in some things, and worse or the same in others."
    yield f"In all: {_by_place(prints, overall)}."


def _places(comparison: Comparison) -> Iterator[str]:
    """Say for each total that in which any two differ which print may have which place."""
    for name in dict.fromkeys(standing.measure for standing in comparison.ranking if standing.measure is not None):
        lead = MEASURES[name].words
        standings = [standing for standing in comparison.ranking if standing.measure == name]
        yield f"{lead[0].upper()}{lead[1:]}: {_by_place(comparison.prints, standings)}."


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
        ("no difference shown to", standing.not_told_from),
    ):
        if others:
            parts.append(f"{lead} {_and([labels[n] for n in others])}")
    return "; ".join(parts)


def _faults(fairness: Sequence[FairnessPoint]) -> Iterator[str]:
    for point in fairness:
        if point.kind == "fault" and not point.alike:
            if len(set(point.values)) == 1:
                yield f"Take care: {point.what} ({point.values[0]}). {point.text}"
            else:
                yield f"Take care: {point.what} differs ({' against '.join(point.values)}). {point.text}"


def _colours(comparison: Comparison) -> Iterator[str]:
    """Say how far apart colours are: neither better nor worse, and no claim."""
    for pair in dict.fromkeys(row.pair for row in comparison.colours):
        rows = sorted((row for row in comparison.colours if row.pair == pair), key=lambda row: -row.apart_de00)
        middle = rows[len(rows) // 2].apart_de00
        names = "" if len(comparison.prints) == 2 else f" of {_and([comparison.prints[n].label for n in pair])}"
        yield (
            f"The colours{names} are {amount(middle, 'ΔE00')} apart in the median element, most in "
            f"{rows[0].element_name} ({amount(rows[0].apart_de00, 'ΔE00')}); like prints stay under "
            f"{amount(max(row.alike_de00 for row in rows), 'ΔE00')}."
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


_ANSWERS: Final = {
    "one-sheet": "Two scans of one sheet were compared: a difference is the scanner's doing, and says nothing of "
    "printers or papers.",
    "two-sheets": "Two sheets made alike were compared: a difference says that one of them came out unlike its kind.",
    "two-ways": "Two ways of making a print were compared.",
}


def noise_words(comparison: Comparison) -> str:
    """Return which question is answered, and what the noise floor rests on."""
    noise, prints = comparison.noise, comparison.prints
    answer = _ANSWERS[comparison.question]
    if comparison.question == "one-sheet":
        return f"{answer} The noise is that of the scans and of the scanner's repeatability."
    counts = ", ".join(f"{_times(p.scores, 'scan')} of {_times(p.sheets, 'sheet')}" for p in prints)
    earlier = f", and {_times(noise.earlier_scores, 'earlier score')} of the ledger" if noise.earlier_scores else ""
    if noise.repeated_prints:
        unnamed = any(p.scores > 1 and p.scores == p.sheets for p in prints)
        named = " Scores without a name of their print were taken for sheets of their own." if unnamed else ""
        return f"{answer} What sheets differ by is learnt from repeats ({counts}{earlier}).{named}"
    return (
        f"{answer} What one sheet differs from the next by was not measured but assumed, without a source: 3{_SPACE}% "
        f"of rings or merged tones and 0.05{_SPACE}ΔE00 a fade, 0.1{_SPACE}ΔE00 in colours ({counts}{earlier}). If "
        "sheets differ by more, a difference may belong to these very sheets."
    )


def _would_show(totals: Sequence[Row]) -> Iterator[str]:
    """Say what would have shown, and what another scan, or another sheet, would do to it."""
    rows = [row for row in totals if row.smallest_showable is not None]
    if not rows:
        return
    limits = [f"{MEASURES[row.measure].words} {amount(row.smallest_showable or 0.0, row.unit)}" for row in rows[:9]]
    yield f"Smallest differences that would show: {', '.join(limits)}."
    parts = []
    for of, where in (("scan", "of each sheet"), ("print", "on each side")):
        ratios = sorted((getattr(row, f"with_another_{of}") or 0.0) / (row.smallest_showable or 1.0) for row in rows)
        gain = ratios[len(ratios) // 2]
        thing = "sheet" if of == "print" else of
        would = f"bring them to about {gain:.2f} of that" if gain < 1.0 - _LEAST_GAIN else "hardly change them"
        parts.append(f"one more {thing} {where} would {would}")
    if all(row.rests_on != "prints" for row in rows):
        parts[1] += ", and measure what is assumed of sheets"
    yield f"{parts[0][0].upper()}{parts[0][1:]}; {parts[1]}."


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _or(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"


def _times(count: int, noun: str) -> str:
    return f"{count} {noun if count == 1 else noun + 's'}"
