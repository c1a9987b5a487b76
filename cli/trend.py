"""``inkstrain trend``: follow what was kept over time."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from .conditions import LedgerOption
from .files import check_target, deliver
from .talk import terminal_width

__all__ = ["trend"]


class SplitBy(StrEnum):
    """What tells series apart."""

    printer = "printer"
    paper = "paper"
    ink = "ink"
    intent = "intent"


def trend(
    what: Annotated[
        str | None,
        typer.Argument(metavar="[WHAT]", help="A label, or conditions as printer=TEXT,paper=TEXT; all if none."),
    ] = None,
    measure: Annotated[str | None, typer.Option(metavar="M", help="One measure only, such as evenness.")] = None,
    element: Annotated[
        str | None, typer.Option(metavar="E", help="One element only, such as ring-to-white-blue, or print.")
    ] = None,
    by: Annotated[SplitBy | None, typer.Option(help="A series for each of these.")] = None,
    since: Annotated[
        str | None, typer.Option(metavar="ID|DATE", help="Compare before and after a score or a date (YYYY-MM-DD).")
    ] = None,
    least: Annotated[
        float | None, typer.Option(min=0.0, help="Smallest move to speak of, in the unit of --measure; 0 for any.")
    ] = None,
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the trend as JSON; - for standard output.")
    ] = None,
    report: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a report, one HTML file that works offline.")
    ] = None,
    newest: Annotated[int, typer.Option(min=1, help="Follow the newest so many scores.")] = 200,
    ledger: LedgerOption = None,
) -> None:
    """Follow kept scores over time: what drifted, what stepped, and what a change of ink or paper did.

    Without --json or --report a table is printed.
    """
    from inkstrain.scoring.jobs.tracking import track
    from inkstrain.scoring.ledger import open_ledger
    from inkstrain.scoring.results.trend import Selection
    from inkstrain.scoring.words.trendtext import trend_text

    check_target(json, report)
    selection = Selection(
        what=what, measure=measure, element=element, by=by.value if by else None, since=since, least=least
    )
    with open_ledger(ledger, create=False) as opened:
        followed = track(opened, selection, newest=newest)
    contents = {}
    if json is not None:
        contents[json] = followed.model_dump_json(indent=1) + "\n"
    if report is not None:
        from inkstrain.scoring.report import trend_html

        contents[report] = trend_html(followed)
    deliver(contents, lambda: trend_text(followed, width=terminal_width()))
