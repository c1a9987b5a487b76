"""``inkstrain watch``: score every scan that lands in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from .conditions import LedgerOption, Stated, score_options, takes_conditions
from .files import result_name, write_all
from .keeping import check_keeping, keep_score
from .talk import say

if TYPE_CHECKING:
    from inkstrain.scoring.jobs.scoring import ScoreOptions
    from inkstrain.scoring.judge.tolerances import Tolerances
    from inkstrain.scoring.report.watchpage import WatchedScan
    from inkstrain.scoring.results.score import Conditions

__all__ = ["watch"]


@takes_conditions
def watch(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the scanner's software saves.")],
    reports: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Where reports go; 'inkstrain-reports' within the folder if not given."),
    ] = None,
    still: Annotated[
        float, typer.Option(metavar="SECONDS", min=0.1, help="A file is complete if it has not changed for so long.")
    ] = 3.0,
    keep: Annotated[bool, typer.Option("--keep", help="File every score in the ledger.")] = False,
    ledger: LedgerOption = None,
    label: Annotated[str | None, typer.Option(metavar="TEXT", help="With --keep: a name to find them by.")] = None,
    *,
    made: Stated,
) -> None:
    """Score every scan that lands in a folder, write its report, and keep a list of the latest.

    Each scan is one print. Conditions hold for all of them. Ctrl-C ends it.
    """
    from inkstrain.scoring.judge.tolerances import read_tolerances
    from inkstrain.targets.errors import WrongUsageError

    if not folder.is_dir():
        raise WrongUsageError(f"{folder} is not a folder. Name the one that the scanner's software saves to.")
    check_keeping(keep, ledger, label)
    limits = read_tolerances(made.tolerances) if made.tolerances else None
    options = score_options(made, crops=True)
    out = reports or folder / "inkstrain-reports"
    out.mkdir(parents=True, exist_ok=True)
    _run(_Watch(folder, out, still, limits, made.conditions(options), options, _Keeping(keep, ledger, label)))


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
    """Score what lands until Ctrl-C; no failure ends it."""
    import time

    from inkstrain.scoring.jobs.watching import Arrivals, ticks
    from inkstrain.scoring.report.watchpage import watch_html

    arrivals, page = Arrivals(job.folder, job.still_s), job.reports / "index.html"
    rows: dict[str, WatchedScan] = {}
    done: set[str] = set()
    _say_if_not_written({page: watch_html([], folder=str(job.folder))})
    say(f"Watching {job.folder}. The list is {page}. Ctrl-C ends it.")
    away = False
    try:
        for _ in ticks(job.folder, job.still_s / 2):
            try:
                landed = arrivals.complete(time.monotonic())
            except OSError as error:
                if not away:
                    say(f"{job.folder} cannot be looked at ({error.strerror or error}); waiting for it to come back.")
                away = True
                continue
            away = False
            for path in landed:
                if _attended(path, job, rows, done):
                    arrivals.forget(path)
                else:
                    arrivals.again(path, time.monotonic())
                _say_if_not_written({page: watch_html([*rows.values()], folder=str(job.folder))})
    except KeyboardInterrupt:
        pass
    scored = sum(not isinstance(row.outcome, str) for row in rows.values())
    say(f"Stopped watching; {scored} {'scan was' if scored == 1 else 'scans were'} scored.")
    if arrivals.waiting:
        names = ", ".join(sorted(path.name for path in arrivals.waiting))
        say(f"Not finished: {names}. Watch the folder again, and they are taken up.")


def _attended(path: Path, job: _Watch, rows: dict[str, WatchedScan], done: set[str]) -> bool:
    """Score one scan, keep it, write its report; return ``False`` if it is worth trying again later."""
    from datetime import datetime

    from inkstrain.scoring.jobs.watching import content_of
    from inkstrain.scoring.report.watchpage import WatchedScan

    from .many import why_not

    again, name = str(path) in rows, str(path)
    try:
        content = content_of(path)
        if content in done or (content not in rows and _kept_before(job, content)):
            return True
        rows.pop(name, None)
        name, again = content, content in rows
        whole, row = _scored(path, content, job)
        rows.pop(name, None)
        rows[name] = row
        if whole:
            done.add(content)
        return whole
    except Exception as error:
        passing = isinstance(error, OSError | MemoryError) or isinstance(error.__cause__, OSError | MemoryError)
        why = f"{path}: not enough memory at the moment." if isinstance(error, MemoryError) else why_not(error, path)
        if not again:
            when = "in a while" if passing else "if the file changes"
            say(f"{why} It is tried again {when}.")
        rows[name] = WatchedScan(scan=_shown(path), at=datetime.now(), outcome=why)
        return not passing


def _shown(path: Path) -> str:
    from inkstrain.scoring.measure.tile import scan_name

    return scan_name(path)


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


def _scored(path: Path, content: str, job: _Watch) -> tuple[bool, WatchedScan]:
    """Score one scan, keep it, then write its report; also return whether both were done."""
    from datetime import datetime

    from inkstrain.scoring.jobs.scoring import score_scans
    from inkstrain.scoring.judge.judge import judge
    from inkstrain.scoring.report import report_html
    from inkstrain.scoring.report.watchpage import WatchedScan
    from inkstrain.targets.errors import LedgerError

    measured = score_scans([path], conditions=job.conditions, options=job.options)
    verdict = judge(measured.score, job.tolerances) if job.tolerances else None
    kept, whole = None, True
    if job.keeping.keep:
        try:
            kept = keep_score(measured, verdict, where=job.keeping.ledger, label=job.keeping.label).id
        except LedgerError as error:
            say(f"{error} It is tried again in a while.")
            whole = False
    report = job.reports / f"{result_name(path, content)}.html"
    written = _say_if_not_written({report: report_html(measured.score, measured.crops, verdict)})
    if written:
        say(f"Scored {path.name}: {report}.")
    return whole and written, WatchedScan(
        scan=_shown(path), at=datetime.now(), outcome=measured.score, report=report.name if written else None,
        kept=kept, within=None if verdict is None else verdict.within,
    )  # fmt: skip


def _say_if_not_written(contents: dict[Path, str]) -> bool:
    """Write files, and return whether that went well; a full disk, or one that is away, is said."""
    try:
        for path in contents:
            path.parent.mkdir(parents=True, exist_ok=True)
        write_all(contents)
    except OSError as error:
        say(f"{', '.join(map(str, contents))} could not be written ({error.strerror or error}).")
        return False
    return True
