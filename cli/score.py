"""``inkstrain score``: measure the scans of one print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .conditions import Condition, LedgerOption, MeasuredFile, Stated, score_options, takes_conditions
from .files import STDOUT, check_target, deliver
from .keeping import check_keeping, keep_score, spared
from .talk import progress, say, terminal_width

if TYPE_CHECKING:
    from inkstrain.scoring.jobs.scoring import Measured
    from inkstrain.scoring.judge.judge import Verdict
    from inkstrain.targets.errors import LedgerError

__all__ = ["score"]


@takes_conditions
def score(
    scans: Annotated[
        list[Path], typer.Argument(metavar="SCAN", help="Scans of one print: all its tiles, in any order. See --each.")
    ],
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the score as JSON; - for standard output.")
    ] = None,
    report: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a report, one HTML file that works offline.")
    ] = None,
    keep: Annotated[bool, typer.Option("--keep", help="File the score in the ledger.")] = False,
    ledger: LedgerOption = None,
    label: Annotated[
        str | None, typer.Option(metavar="TEXT", help="With --keep: a name of your own to find it by.")
    ] = None,
    measured: MeasuredFile = None,
    condition: Condition = None,
    export_measured: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write patches and grey steps as ISO 28178 (CGATS) text, RGB with them."),
    ] = None,
    each: Annotated[
        bool, typer.Option("--each", help="Every scan is a print of its own; a folder stands for the scans in it.")
    ] = False,
    jobs: Annotated[int, typer.Option(metavar="N", min=1, help="With --each: so many at a time.")] = 1,
    *,
    made: Stated,
) -> None:
    """Score a print from its scans, and say in numbers what the print did to the chart.

    With --measured no scan is read: an instrument's readings of patches, grey steps and hue bands are scored.

    Without --json or --report a summary is printed. With --each, both name folders; a scan that cannot be measured is
    said and does not stop the rest, and Ctrl-C keeps what is done. Example:
    inkstrain score scans/gloss --each --jobs 2 --report reports --keep
    """
    check_keeping(keep, ledger, label)
    if each:
        from .each import Delivery, score_each

        if measured or export_measured:
            raise typer.BadParameter("--measured and --export-measured are for one print: leave out --each.")
        score_each(scans, made, Delivery(json, report, keep, ledger, label), jobs)
        return
    check_target(json, report, export_measured, inputs=(*scans, *filter(None, [measured]), *made.files))
    from inkstrain.scoring.jobs.scoring import score_scans
    from inkstrain.scoring.judge.judge import judge
    from inkstrain.scoring.judge.tolerances import read_tolerances

    limits = read_tolerances(made.tolerances) if made.tolerances else None
    options = score_options(made, crops=bool(report) or keep)
    conditions = made.conditions(options)
    if measured is not None:
        from inkstrain.scoring.jobs.direct import score_readings

        result = score_readings(measured, scans, conditions=conditions, options=options, under=condition)
    else:
        with progress() as watch:
            result = score_scans(scans, conditions=conditions, options=options, progress=watch)
    verdict = judge(result.score, limits) if limits else None
    # kept before anything is printed: whoever reads the output may leave early
    trouble = _kept(result, verdict, ledger, label, None if json not in (None, STDOUT) else scans[0]) if keep else None
    try:
        _deliver(result, verdict, json, report, export_measured)
    finally:
        if trouble is not None:
            raise trouble
    if verdict is not None and not verdict.within:
        raise typer.Exit(1)


def _kept(
    measured: Measured, verdict: Verdict | None, where: str | None, label: str | None, spare: Path | None
) -> LedgerError | None:
    """Keep a score; if that fails, return what to say: ``spare`` names a file for the score if nothing else has it."""
    from inkstrain.targets.errors import LedgerError

    try:
        keep_score(measured, verdict, where=where, label=label)
    except LedgerError as error:
        later = " 'inkstrain ledger import' takes the score's file later." if spare is None else spared(measured, spare)
        return LedgerError(f"{error}{later}")
    return None


def _deliver(
    measured: Measured, verdict: Verdict | None, json: Path | None, report: Path | None, export: Path | None
) -> None:
    from inkstrain.scoring.words.plaintext import score_text, verdict_lines

    contents = {}
    if json is not None:
        contents[json] = measured.score.model_dump_json(indent=1) + "\n"
    if report is not None:
        from inkstrain.scoring.report import report_html

        contents[report] = report_html(measured.score, measured.crops, verdict)
    if export is not None:
        from inkstrain.scoring.jobs.direct import export_text

        contents[export] = export_text(measured.score)
    deliver(contents, lambda: score_text(measured.score, verdict, width=terminal_width()))
    if contents and verdict:  # the text holds them, too
        for line in verdict_lines(verdict):
            say(line)
