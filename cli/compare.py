"""``inkstrain compare``: say where prints differ, and where no difference is shown."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import typer

from .conditions import LedgerOption
from .files import check_target, deliver
from .talk import terminal_width

__all__ = ["compare"]


def compare(
    what: Annotated[
        list[str],
        typer.Argument(
            metavar="WHAT...",
            help="Two prints or more: score files, ids or labels of the ledger, or groups as printer=TEXT,paper=TEXT.",
        ),
    ],
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the comparison as JSON; - for standard output.")
    ] = None,
    report: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a report, one HTML file that works offline.")
    ] = None,
    newest: Annotated[int, typer.Option(min=1, help="Of a group, the newest so many scores.")] = 12,
    ledger: LedgerOption = None,
) -> None:
    """Compare prints of the same chart: every one with every other.

    Without --json or --report a summary is printed. "No difference shown" is a result.
    """
    from inkstrain.scoring.jobs.wanted import compare_wanted, find_wanted, is_file
    from inkstrain.scoring.ledger import open_ledger
    from inkstrain.scoring.words.plaintext import comparison_text
    from inkstrain.targets.errors import WrongUsageError

    if len(what) < 2:
        raise WrongUsageError("Give two prints or more: score files, ids, labels, or groups such as printer=TEXT.")
    files = [Path(one) for one in what if is_file(one)]
    check_target(json, report, inputs=tuple(files))
    needed = ledger is not None or len(files) < len(what)
    contents = {}
    with open_ledger(ledger, create=False) if needed else nullcontext() as opened:
        found = find_wanted(what, opened, newest=newest)
        comparison = compare_wanted(found, opened)
        if json is not None:
            contents[json] = comparison.model_dump_json(indent=1) + "\n"
        if report is not None:
            from inkstrain.scoring.report import compare_html

            contents[report] = compare_html(comparison, [one.shown for one in found], [one.crops() for one in found])
    deliver(contents, lambda: comparison_text(comparison, width=terminal_width()))
