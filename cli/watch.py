"""``inkstrain watch``: score every scan that lands in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from . import conditions as stated
from .files import write_all
from .keeping import check_keeping, keep_score
from .talk import say

if TYPE_CHECKING:
    from inkstrain.scoring.jobs.scoring import ScoreOptions
    from inkstrain.scoring.judge.tolerances import Tolerances
    from inkstrain.scoring.report.watchpage import WatchedScan
    from inkstrain.scoring.results.score import Conditions

__all__ = ["watch"]


def watch(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the scanner's software saves.")],
    reports: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Where reports go; 'inkstrain-reports' within the folder if not given."),
    ] = None,
    still: Annotated[
        float, typer.Option(metavar="SECONDS", min=0.1, help="A file is complete if it has not changed for so long.")
    ] = 3.0,
    tolerances: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Judge by these tolerances (TOML).")
    ] = None,
    keep: Annotated[bool, typer.Option("--keep", help="File every score in the ledger.")] = False,
    ledger: stated.LedgerOption = None,
    label: Annotated[str | None, typer.Option(metavar="TEXT", help="With --keep: a name to find them by.")] = None,
    printer: stated.Printer = None,
    paper: stated.Paper = None,
    ink: stated.Ink = None,
    profile: stated.Profile = None,
    scanner_profile: stated.ScannerProfile = None,
    scanner_fit: stated.ScannerFit = None,
    blank: stated.Blank = None,
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
    """Score every scan that lands in a folder, write its report, and keep a list of the latest.

    Each scan is one print. Conditions hold for all of them. Ctrl-C ends it.
    """
    from inkstrain.scoring.eye.visibility import viewing_of
    from inkstrain.scoring.judge.tolerances import read_tolerances
    from inkstrain.scoring.results.score import Conditions
    from inkstrain.targets.errors import WrongUsageError

    if not folder.is_dir():
        raise WrongUsageError(f"{folder} is not a folder. Name the one that the scanner's software saves to.")
    check_keeping(keep, ledger, label)
    limits = read_tolerances(tolerances) if tolerances else None
    profiles = stated.Profiles(profile, tuple(other_profile or ()), intent, bpc, scanner_profile, scanner_fit, blank)
    options = stated.score_options(profiles, crops=True, viewing=viewing_of(distance, light))
    made = Conditions(
        printer=printer, paper=paper, ink=ink, intent=intent,
        black_point_compensation=bpc if options.profile is None else options.rendering.bpc,
        profile=options.profile.description if options.profile else None,
        media_setting=media, quality_setting=quality, date=date, note=note,
        print_name=print_name, drying_h=drying, scanner=scanner,
    )  # fmt: skip
    out = reports or folder / "inkstrain-reports"
    out.mkdir(parents=True, exist_ok=True)
    _run(_Watch(folder, out, still, limits, made, options, _Keeping(keep, ledger, label)))


class _Keeping(NamedTuple):
    """Whether and where scores are kept."""

    keep: bool
    ledger: str | None
    label: str | None


class _Watch(NamedTuple):
    """What goes for every scan."""

    folder: Path
    reports: Path
    still_s: float
    tolerances: Tolerances | None
    conditions: Conditions
    options: ScoreOptions
    keeping: _Keeping


def _run(job: _Watch) -> None:
    """Score what lands until Ctrl-C."""
    import time

    from inkstrain.scoring.jobs.watching import Arrivals, content_of, ticks
    from inkstrain.scoring.report.watchpage import watch_html

    arrivals, page = Arrivals(job.folder, job.still_s), job.reports / "index.html"
    scans: list[WatchedScan] = []
    seen: set[str] = set()
    write_all({page: watch_html(scans, folder=str(job.folder))})
    say(f"Watching {job.folder}. The list is {page}. Ctrl-C ends it.")
    try:
        for _ in ticks(job.folder, job.still_s / 2):
            for path in arrivals.complete(time.monotonic()):
                content = content_of(path)
                if content in seen or _kept_before(job, content):
                    continue
                seen.add(content)
                scans.append(_scored(path, content, job))
                write_all({page: watch_html(scans, folder=str(job.folder))})
    except KeyboardInterrupt:
        pass
    scored = sum(scan.report is not None for scan in scans)
    say(f"Stopped watching; {scored} {'scan was' if scored == 1 else 'scans were'} scored.")


def _kept_before(job: _Watch, content: str) -> bool:
    """Return whether one's own ledger holds a score of this scan, by this definition of the measures, already."""
    from inkstrain.scoring.ledger import open_ledger
    from inkstrain.targets.errors import LedgerError

    if not job.keeping.keep:
        return False
    try:
        with open_ledger(job.keeping.ledger) as ledger:
            return next(ledger.entries(scan=content, owner=None, measures=2), None) is not None
    except LedgerError:
        # keeping the score will say what is wrong
        return False


def _scored(path: Path, content: str, job: _Watch) -> WatchedScan:
    """Score one scan, write its report, keep it; a failure is said and does not end the watch."""
    from datetime import datetime

    from inkstrain.scoring.jobs.scoring import score_scans
    from inkstrain.scoring.judge.judge import judge
    from inkstrain.scoring.report import report_html
    from inkstrain.scoring.report.watchpage import WatchedScan
    from inkstrain.targets.errors import InkstrainError

    try:
        measured = score_scans([path], conditions=job.conditions, options=job.options)
        verdict = judge(measured.score, job.tolerances) if job.tolerances else None
        report = job.reports / f"{path.stem}-{content[:8]}.html"
        write_all({report: report_html(measured.score, measured.crops, verdict)})
    except (InkstrainError, OSError) as error:
        say(f"{error} It is tried again if the file changes.")
        return WatchedScan(scan=path.name, at=datetime.now(), outcome=str(error))
    say(f"Scored {path.name}: {report}.")
    kept = None
    if job.keeping.keep:
        try:
            kept = keep_score(measured, verdict, where=job.keeping.ledger, label=job.keeping.label, spare=path).id
        except InkstrainError as error:
            say(str(error))
    return WatchedScan(
        scan=path.name, at=datetime.now(), outcome=measured.score, report=report.name, kept=kept,
        within=None if verdict is None else verdict.within,
    )  # fmt: skip
