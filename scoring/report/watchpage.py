"""The page that ``watch`` keeps up to date: the latest scores, each with a link to its report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote

from ..results.figures import figure
from ..results.score import Estimate, Score
from ..words.phrases import print_name
from .page import rendered

__all__ = ["WatchedScan", "watch_html"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedScan:
    """One scan that landed in the folder.

    Attributes
    ----------
    scan : str
        Name of its file.
    at : datetime
        When it was scored, in local time.
    outcome : Score or str
        The score, or the sentence that says why there is none.
    report : str or None
        Name of its report, beside the page.
    within : bool or None
        Whether it was within the tolerances given; ``None`` if none were.
    kept : str or None
        Its id in the ledger.
    """

    scan: str
    at: datetime
    outcome: Score | str
    report: str | None = None
    within: bool | None = None
    kept: str | None = None


def watch_html(scans: Sequence[WatchedScan], *, folder: str) -> str:
    """Return the page, the latest scan first."""
    rows = [_row(scan) for scan in reversed(scans)]
    return rendered("watch.html", title="Scans as they land", folder=folder, rows=rows)


def _row(scan: WatchedScan) -> dict[str, str | None]:
    score = scan.outcome if isinstance(scan.outcome, Score) else None
    totals = score.totals if score else None
    return {
        "scan": scan.scan,
        "at": f"{scan.at:%Y-%m-%d %H:%M:%S}",
        "name": print_name(score.conditions) if score else None,
        "trouble": scan.outcome if isinstance(scan.outcome, str) else None,
        "report": None if scan.report is None else quote(scan.report),
        "rings": "–" if totals is None or totals.visible_rings is None else str(totals.visible_rings),
        "evenness": _share(totals.evenness if totals else None),
        "reach": _share(totals.reach if totals else None),
        "verdict": {True: "within", False: "outside", None: "–"}[scan.within],
        "kept": scan.kept or "–",
    }


def _share(estimate: Estimate | None) -> str:
    return "–" if estimate is None else figure(estimate.value, estimate.noise)
