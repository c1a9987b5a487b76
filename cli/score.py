"""``inkstrain score``: measure the scans of one print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from . import conditions as stated
from .files import STDOUT, check_target, deliver
from .keeping import check_keeping, keep_score, spared
from .talk import progress, say, terminal_width

if TYPE_CHECKING:
    from inkstrain.scoring.jobs.scoring import Measured
    from inkstrain.scoring.judge.judge import Verdict
    from inkstrain.targets.errors import LedgerError

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
    tolerances: stated.Tolerances = None,
    keep: Annotated[bool, typer.Option("--keep", help="File the score in the ledger.")] = False,
    ledger: stated.LedgerOption = None,
    label: Annotated[
        str | None, typer.Option(metavar="TEXT", help="With --keep: a name of your own to find it by.")
    ] = None,
    printer: stated.Printer = None,
    paper: stated.Paper = None,
    ink: stated.Ink = None,
    profile: stated.Profile = None,
    scanner_profile: stated.ScannerProfile = None,
    scanner_fit: stated.ScannerFit = None,
    blank: stated.Blank = None,
    measured: stated.Measured = None,
    condition: stated.Condition = None,
    export_measured: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write patches and grey steps as ISO 28178 (CGATS) text, RGB with them."),
    ] = None,
    other_profile: stated.OtherProfiles = None,
    intent: stated.Intent = None,
    bpc: stated.Bpc = None,
    media: stated.Media = None,
    quality: stated.Quality = None,
    date: stated.Date = None,
    print_name: stated.PrintName = None,
    drying: stated.Drying = None,
    scanner: stated.Scanner = None,
    note: stated.Note = None,
    distance: stated.Distance = 400.0,
    light: stated.Light = "p2",
) -> None:
    """Score a print from its scans, and say in numbers what the print did to the chart.

    With --measured no scan is read: an instrument's readings of patches, grey steps and hue bands are scored.

    Without --json or --report a summary is printed.
    """
    given = filter(None, [profile, scanner_profile, scanner_fit, blank, measured])
    check_target(json, report, export_measured, inputs=(*scans, *given, *(other_profile or ())))
    from inkstrain.scoring.eye.visibility import viewing_of
    from inkstrain.scoring.jobs.scoring import score_scans
    from inkstrain.scoring.judge.judge import judge
    from inkstrain.scoring.judge.tolerances import read_tolerances
    from inkstrain.scoring.results.score import Conditions

    check_keeping(keep, ledger, label)
    limits = read_tolerances(tolerances) if tolerances else None
    profiles = stated.Profiles(profile, tuple(other_profile or ()), intent, bpc, scanner_profile, scanner_fit, blank)
    options = stated.score_options(profiles, crops=bool(report) or keep, viewing=viewing_of(distance, light))
    if options.profile is not None:
        bpc = options.rendering.bpc
    conditions = Conditions(
        printer=printer, paper=paper, ink=ink, intent=intent, black_point_compensation=bpc,
        profile=options.profile.description if options.profile else None,
        media_setting=media, quality_setting=quality, date=date, note=note,
        print_name=print_name, drying_h=drying, scanner=scanner,
    )  # fmt: skip
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
