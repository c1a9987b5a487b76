"""``inkstrain score``: measure the scans of one print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .files import STDOUT, check_target, print_data, write_all
from .talk import progress, say, terminal_width

if TYPE_CHECKING:
    from inkstrain.scoring.judge import Verdict
    from inkstrain.scoring.measure import Measured

__all__ = ["score"]


def score(
    scans: Annotated[
        list[Path], typer.Argument(metavar="SCAN", help="Scans of one print: all its tiles, in any order.")
    ],
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the score as JSON; - for standard output.")
    ] = None,
    report: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a report, one HTML file that works offline.")
    ] = None,
    tolerances: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Judge by these tolerances (TOML); exit code 1 if outside."),
    ] = None,
    printer: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Printer that made it, in your own words.")
    ] = None,
    paper: Annotated[str | None, typer.Option(metavar="TEXT", help="Paper it is on.")] = None,
    ink: Annotated[str | None, typer.Option(metavar="TEXT", help="Ink set.")] = None,
    intent: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Rendering intent that the print was made with.")
    ] = None,
    bpc: Annotated[
        bool | None, typer.Option("--bpc/--no-bpc", help="Printed with black point compensation, or without.")
    ] = None,
    media: Annotated[str | None, typer.Option(metavar="TEXT", help="Media setting in the driver.")] = None,
    quality: Annotated[str | None, typer.Option(metavar="TEXT", help="Quality setting in the driver.")] = None,
    date: Annotated[str | None, typer.Option(metavar="TEXT", help="When the print was made.")] = None,
    note: Annotated[str | None, typer.Option(metavar="TEXT", help="Anything else worth keeping.")] = None,
) -> None:
    """Score a print from its scans, and say in numbers what the print did to the chart.

    Without --json or --report a summary is printed.
    """
    check_target(json, report, inputs=tuple(scans))
    from inkstrain.scoring.judge import judge, read_tolerances
    from inkstrain.scoring.measure import ScoreOptions, score_scans
    from inkstrain.scoring.model import Conditions

    limits = read_tolerances(tolerances) if tolerances else None
    conditions = Conditions(
        printer=printer, paper=paper, ink=ink, intent=intent, black_point_compensation=bpc,
        media_setting=media, quality_setting=quality, date=date, note=note,
    )  # fmt: skip
    with progress() as watch:
        measured = score_scans(scans, conditions=conditions, options=ScoreOptions(crops=bool(report)), progress=watch)
    verdict = judge(measured.score, limits) if limits else None
    _deliver(measured, verdict, json, report)
    if verdict is not None and not verdict.within:
        raise typer.Exit(1)


def _deliver(measured: Measured, verdict: Verdict | None, json: Path | None, report: Path | None) -> None:
    from inkstrain.scoring.plaintext import score_text, verdict_lines

    contents = {}
    if json is not None:
        contents[json] = measured.score.model_dump_json(indent=1) + "\n"
    if report is not None:
        from inkstrain.scoring.report import report_html

        contents[report] = report_html(measured.score, measured.crops, verdict)
    write_all(contents)
    if not contents:
        print_data(score_text(measured.score, verdict, width=terminal_width()) + "\n")
        return
    for path in contents.keys() - {STDOUT}:
        say(f"Wrote {path}.")
    for line in verdict_lines(verdict) if verdict else ():
        say(line)
