"""From a ledger to a trend: which scores, of which chart, before and after which moment."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from inkstrain.targets.errors import LedgerError, WrongUsageError

from ..compare.comparable import MEASURES
from ..results.firstscore import refuse_first
from ..results.trend import Selection, Trend
from ..trend.trend import TrendInput, build_trend
from ..words.trend import in_words
from .wanted import own_first, readings_by_entry

if TYPE_CHECKING:
    from ..ledger import Entry, Ledger

__all__ = ["NEWEST_TRACKED", "track"]

NEWEST_TRACKED: Final = 200
"""How many scores are followed, the newest."""


def track(ledger: Ledger, selection: Selection, *, newest: int = NEWEST_TRACKED) -> Trend:
    """Return the trend of what was asked for.

    Parameters
    ----------
    ledger : Ledger
        Open.
    selection : Selection
        ``what`` is a label or conditions; ``since`` a date (ISO 8601) or the id of a score.
    newest : int
        How many scores to follow, at most.

    Raises
    ------
    WrongUsageError
        If a measure or an element is not known, ``since`` is neither a date nor an id, or a score that fits is of the
        first definition of the measures.
    LedgerError
        If nothing fits.
    """
    if selection.measure is not None and selection.measure not in MEASURES:
        raise WrongUsageError(f"'{selection.measure}' is no measure. Known are {', '.join(MEASURES)}.")
    since = None if selection.since is None else _moment(ledger, selection.since)
    every = _fitting(ledger, selection.what)
    fitting = own_first(selection.what, every)
    if not fitting:
        what = f" called '{selection.what}'" if selection.what else ""
        raise LedgerError(f"The ledger {ledger.name} holds nothing{what}. See: inkstrain ledger list")
    chart = fitting[-1].chart
    scans = {entry.scan_set: entry for entry in fitting if entry.chart == chart}
    entries = list(scans.values())[-newest:]
    if first := [entry.id for entry in entries if entry.measures == 1]:
        refuse_first(first, mixed=True)
    if selection.least and selection.measure is None:
        raise WrongUsageError("--least is in the unit of a measure: name one with --measure.")
    rows = ledger.readings(selection.measure, selection.element, id=[entry.id for entry in entries])
    readings = readings_by_entry(rows)
    if not any(readings.values()):
        known = dict.fromkeys(row.element for row in ledger.readings(selection.measure, id=[entries[-1].id]))
        raise WrongUsageError(f"No score has the element '{selection.element}'. Known are {', '.join(known)}.")
    asked = selection.revised(since=None if since is None else since.isoformat())
    given = TrendInput(entries=entries, readings=readings, left_out=len(every) - len(entries))
    return in_words(build_trend(given, asked))


def _fitting(ledger: Ledger, what: str | None) -> list[Entry]:
    if what is None:
        return list(ledger.entries())
    return [kept.entry for kept in ledger.find(what)]


def _moment(ledger: Ledger, since: str) -> datetime:
    try:
        moment = datetime.fromisoformat(since)
    except ValueError:
        found = ledger.find(since)
        if not found:
            raise WrongUsageError(f"--since is a date (2026-03-31) or the id of a score, not '{since}'.") from None
        return found[0].entry.measured_at
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
