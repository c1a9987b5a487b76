"""The page that ``watch`` keeps up to date: the latest scores, each with a link to its report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote

from ..results.score import Score
from ..words.phrases import print_name, ring_name, ring_state
from ..words.score import summarise
from .geometry import key_of, ring_place
from .page import rendered
from .pictures import picture_uri, redrawn_ring
from .ringview import severity

__all__ = ["WatchedScan", "watch_html"]

_THUMB_PX = 120


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
    thumb, worst = _worst_fade(score) if score else (None, None)
    return {
        "scan": scan.scan,
        "at": f"{scan.at:%Y-%m-%d %H:%M:%S}",
        "name": print_name(score.conditions) if score else None,
        "trouble": scan.outcome if isinstance(scan.outcome, str) else None,
        "report": None if scan.report is None else quote(scan.report),
        "found": summarise(score).headline if score else None,
        "thumb": thumb,
        "worst": worst,
        "verdict": {True: "within", False: "outside", None: "–"}[scan.within],
        "kept": scan.kept or "–",
    }


def _worst_fade(score: Score) -> tuple[str | None, str | None]:
    """Return the worst fade's picture, redrawn from its course, and its state in words."""
    ring = max(score.rings(), key=severity, default=None)
    if ring is None:
        return None, None
    outer_mm = ring_place(key_of(score), ring, None).limits.outer_mm
    crop = redrawn_ring(ring.course.radius_mm, ring.course.lab, (0.0, 0.0), outer_mm)
    return picture_uri(crop.image, _THUMB_PX), f"{ring_name(ring).capitalize()}: {ring_state(ring)[1]}"
