"""Whether a scan agrees with earlier ones of the same print in the ledger."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from ..results.score import Score
    from .book import Ledger

__all__ = ["repeats_told"]

_LOOKED_AT: Final = 3


def repeats_told(ledger: Ledger, score: Score) -> tuple[str, ...]:
    """Return a sentence if this scan and one of the newest kept ones of the same print disagree beyond noise."""
    from ..compare.repeats import SCANS_APART_DE00, WHAT_TO_CHANGE, scans_apart_de00
    from ..compare.sides import making

    name = score.conditions.print_name
    if not name:
        return ()
    found = ledger.entries(print_name=name, chart=score.chart, owner=None, measures=score.made_by.measures)
    alike = [entry.id for entry in found if making(entry.conditions) == making(score.conditions)]
    for kept in (kept for identifier in alike[-_LOOKED_AT:] for kept in ledger.find(identifier)):
        apart = scans_apart_de00(kept.score, score)
        if apart is not None and apart > SCANS_APART_DE00:
            return (
                f"This scan and {kept.id}, of the same print, are {apart:.1f} ΔE00 apart, more than a scanner's noise. "
                f"{WHAT_TO_CHANGE}",
            )
    return ()
