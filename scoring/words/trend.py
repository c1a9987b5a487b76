"""A trend in plain sentences: what moved, since when, and how far to trust it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from ..compare.holm import ALPHA
from ..trend.control import AHEAD, ALARMS_IN_AHEAD, BASELINE, EWMA_WEIGHT, chance_within, fewest_for_step
from .comparison import amount

if TYPE_CHECKING:
    from ..results.trend import Change, Selection, Series, Trend

__all__ = ["finding_words", "in_words", "rules_of", "series_name", "summarise_trend", "way"]

_MOST: Final = 8


def in_words(trend: Trend) -> Trend:
    """Return a trend with its rules and what it comes to, in sentences."""
    return trend.revised(rules=rules_of(trend.series), summary=summarise_trend(trend.series, trend.selection))


def series_name(series: Series) -> str:
    """Return what a sentence calls a series."""
    group = "" if series.group is None else f", {series.group.value or f'{series.group.by} not said'}"
    return f"{series.words}, {series.element_name}{group}"


def way(series: Series, before: float, after: float) -> str:
    """Return ``better``, ``worse`` or ``unchanged``."""
    if before == after:
        return "unchanged"
    return "better" if (after < before) == (series.better == "lower") else "worse"


def finding_words(series: Series) -> str:
    """Return what the rules found in one series; empty if nothing."""
    return "; ".join(_findings(series))


def _findings(series: Series) -> Iterator[str]:
    step = series.step if series.step is not None and series.step.shown else None
    drift = series.drift if series.drift is not None and series.drift.shown else None
    shown = [change for change in series.changes if change.shown]
    for change in shown:
        yield f"{_change(series, change)}, {way(series, change.before, change.after)}"
        if drift is not None and drift.chance < (change.chance or 0.0):
            yield "but it drifts all along, so that the change need not be the cause"
    # a step makes a drift and a drift makes a step: the likelier one is named
    if step is not None and not shown and (drift is None or step.chance <= drift.chance):
        before, after = (amount(value, series.unit) for value in (step.before, step.after))
        yield f"a step from {before} to {after} at {step.at[:10]}, {way(series, step.before, step.after)}"
    elif drift is not None and not shown:
        slope = amount(abs(drift.per_30_days), series.unit)
        direction = "rising" if drift.per_30_days > 0 else "falling"
        yield f"a drift, {direction} by about {slope} in 30 days, {way(series, 0.0, drift.per_30_days)}"
    alarms = [point for point in series.points if point.alarm]
    if alarms:
        still = "and still is" if series.points[-1].alarm else "and came back"
        yield f"its average left its limits at {alarms[0].at[:10]} {still}"


def _change(series: Series, change: Change) -> str:
    before, after = (amount(value, series.unit) for value in (change.before, change.after))
    return f"since {change.at[:10]} ({change.what}) {after} after {before}"


def summarise_trend(series: Sequence[Series], selection: Selection) -> tuple[str, ...]:
    """Return what moved and what did not, most telling first."""
    if not series:
        return ("No reading fits what was asked for.",)
    moved = [one for one in series if one.verdict == "moved"]
    steady = sum(one.verdict == "steady" for one in series)
    few = [one for one in series if one.verdict == "too-few"]
    sentences = []
    if moved:
        sentences.append(f"{_times(len(moved), 'series', 'series')} of {len(series)} moved; {steady} held steady.")
    elif steady:
        sentences.append(f"Nothing is shown to have moved in {_times(steady, 'series', 'series')}.")
    sentences += _by_measure(series, moved)
    sentences += _known_changes(series)
    if few:
        most = max(len(one.points) for one in few)
        tests = max(sum(len(_chances(one)) for one in series), 1)
        sentences.append(
            f"{_times(len(few), 'series', 'series')} with {_times(most, 'print')} at most: too few for a rule. "
            f"The control chart needs {BASELINE[0] + 1}; a step at an unknown place {fewest_for_step(ALPHA)} if one "
            f"series alone is looked at, {fewest_for_step(ALPHA / tests)} if all {len(series)} of these are."
        )
    elif len(series) > 1 and not moved:
        fewest = fewest_for_step(ALPHA / max(sum(len(_chances(one)) for one in series), 1))
        sentences.append(
            f"A step at an unknown place shows from {fewest} prints on where so much is looked at; "
            "--measure and --element narrow it."
        )
    sentences.append(
        "What moved may be the printer, its ink, the paper, or the scanner: scan an older print again to tell them "
        "apart, before anything is adjusted or bought."
    )
    return tuple(sentences)


def _by_measure(series: Sequence[Series], moved: Sequence[Series]) -> Iterator[str]:
    """Say of each measure that moved what its most telling series did, and how many others moved."""
    ranked = sorted(moved, key=lambda one: (min(_chances(one), default=1.0), one.element))
    for measure in list(dict.fromkeys(one.measure for one in ranked))[:_MOST]:
        alike = [one for one in ranked if one.measure == measure]
        name = series_name(alike[0])
        yield f"{name[0].upper()}{name[1:]}: {finding_words(alike[0])}."
        if len(alike) > 1:
            of = sum(one.measure == measure for one in series)
            others = ", ".join(one.element_name for one in alike[1:4])
            more = f" and {len(alike) - 4} more" if len(alike) > 4 else ""
            yield f"So did {others}{more}: {len(alike)} of {of} series of {alike[0].words} moved."


def _known_changes(series: Sequence[Series]) -> Iterator[str]:
    """Say of each known change what did not show, with what would have."""
    quiet: dict[str, list[tuple[Series, Change]]] = {}
    loud = {f"{change.at[:10]} ({change.what})" for one in series for change in one.changes if change.shown}
    for one in series:
        for change in one.changes:
            if not change.shown:
                quiet.setdefault(f"{change.at[:10]} ({change.what})", []).append((one, change))
    for when, alike in quiet.items():
        others = "other " if when in loud else ""
        if len(alike) == 1:
            one, change = alike[0]
            limit = amount(change.smallest_showable or 0.0, one.unit)
            yield f"Since {when} no difference is shown in {series_name(one)} ({limit} would have shown)."
        else:
            yield f"Since {when} no difference is shown in {len(alike)} {others}series."


def _chances(series: Series) -> list[float]:
    found = [change.chance for change in series.changes if change.chance is not None]
    return found + [one.chance for one in (series.step, series.drift) if one is not None]


def rules_of(series: Sequence[Series]) -> tuple[str, ...]:
    """Return the rules and their false-alarm rates, as sentences."""
    charted = sum(one.baseline is not None for one in series)
    expected = charted * ALARMS_IN_AHEAD
    chance = f"{100 * ALARMS_IN_AHEAD:.0f} in 100 steady series raise an alarm within {AHEAD} prints"
    many = f" Of the {charted} here about {expected:.0f} would do so by chance: look, and wait for the next print."
    return (
        f"Control chart: a moving average in which the newest print counts {EWMA_WEIGHT:g}; its limits come from the "
        f"first prints ({BASELINE[0]} to {BASELINE[1]}, or those before --since). About {chance}."
        f"{many if expected >= 0.5 else ''}{_power(series)}",
        "Step: where ranks part best (Pettitt 1979). Drift: ranks against time (Mann 1945), median slope. Before and "
        "after a known change: means, against the spread of the prints between changes. The chance of even one false "
        f"claim among all of these together is at most {100 * ALPHA:.0f} %.",
        f"Size: nothing is said to have moved by less than {_sizes(series)} (--least states another size).",
    )


def _power(series: Sequence[Series]) -> str:
    """Say how likely shifts of one and two standard deviations are found with so many prints, in the longest series."""
    charted = [(len(one.points) - one.baseline.points, one.baseline.factor) for one in series if one.baseline]
    if not charted:
        return ""
    after, factor = max(charted)
    one, two = (100 * chance_within(factor, shift, after) for shift in (1.0, 2.0))
    prints = _times(after, "print")
    return (
        f" With {prints} after the first ones, a lasting shift since then by one standard deviation of prints is found "
        f"in {one:.0f} of 100 cases, by two in {two:.0f}."
    )


def _sizes(series: Sequence[Series]) -> str:
    """Return the smallest moves of interest, with what each is for."""
    sizes: dict[str, list[str]] = {}
    for one in series:
        words = sizes.setdefault(amount(one.least, one.unit), [])
        if one.words not in words:
            words.append(one.words)
    return "; ".join(f"{size} in {', '.join(words)}" for size, words in sizes.items())


def _times(count: int, noun: str, plural: str = "") -> str:
    return f"{count} {noun if count == 1 else plural or noun + 's'}"
