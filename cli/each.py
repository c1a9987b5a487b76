"""``inkstrain score --each``: many prints in one go, each delivered as soon as it is measured."""

from __future__ import annotations

import signal
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import typer

from .conditions import Stated, score_options
from .files import STDOUT, print_data, result_name, write_all
from .keeping import keep_score, spared
from .many import measure_each, scans_in
from .talk import progress, say

if TYPE_CHECKING:
    from inkstrain.scoring.jobs.scoring import Measured
    from inkstrain.scoring.judge.judge import Verdict

__all__ = ["Delivery", "score_each"]

_STOPPED = 130  # the shell's own convention: 128 + SIGINT


class Delivery(NamedTuple):
    """Where the scores go: folders for JSON (or ``-``) and reports, and the ledger."""

    json: Path | None
    report: Path | None
    keep: bool
    ledger: str | None
    label: str | None


def score_each(places: Sequence[Path], made: Stated, to: Delivery, jobs: int) -> None:
    """Score every scan as a print of its own.

    Raises
    ------
    WrongUsageError, CannotMeasureError
        If there is nothing to score, or results have nowhere to go.
    typer.Exit
        With 130 if it was stopped, 3 if a scan could not be measured, 1 if one is outside tolerance.
    """
    from inkstrain.scoring.judge.judge import judge
    from inkstrain.scoring.judge.tolerances import read_tolerances
    from inkstrain.targets.errors import WrongUsageError

    scans = scans_in(places)
    limits = read_tolerances(made.tolerances) if made.tolerances else None
    score_options(made, crops=True)  # what is wrong with them is said once, not for every scan
    for folder in (to.json, to.report):
        if folder is not None and folder != STDOUT:
            if folder.exists() and not folder.is_dir():
                raise WrongUsageError(f"{folder} is a file. With --each, name a folder for the results.")
            folder.mkdir(parents=True, exist_ok=True)
    scored = failed = outside = 0
    with _stopping() as stopped, progress() as watch:
        for scan, result in measure_each(scans, made, jobs=jobs, stop=lambda: bool(stopped), progress=watch):
            if isinstance(result, str):
                failed += 1
                say(result)
                continue
            verdict = judge(result.score, limits) if limits else None
            if _delivered(scan, result, verdict, to):
                scored += 1
            else:
                failed += 1
            outside += verdict is not None and not verdict.within
    say(f"{scored} of {len(scans)} scored{f', {failed} not' if failed else ''}{', then stopped' if stopped else ''}.")
    if stopped or failed or outside:
        raise typer.Exit(_STOPPED if stopped else 3 if failed else 1)


@contextmanager
def _stopping() -> Iterator[list[int]]:
    """Yield a list that is filled by Ctrl-C, instead of the interrupt: what is done is delivered first."""
    stopped: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _: stopped.append(number))
    try:
        yield stopped
    finally:
        signal.signal(signal.SIGINT, before)


def _delivered(scan: Path, measured: Measured, verdict: Verdict | None, to: Delivery) -> bool:
    """Keep and write one score; say what could not be done, and return whether all was."""
    from inkstrain.scoring.report import report_html
    from inkstrain.scoring.words.score import summarise
    from inkstrain.targets.errors import LedgerError

    whole = True
    name = result_name(scan, measured.score.tiles[0].scan_sha256)
    if to.keep:
        try:
            keep_score(measured, verdict, where=to.ledger, label=to.label)
        except LedgerError as error:
            say(f"{error}{'' if to.json else spared(measured, scan)}")
            whole = False
    contents = {}
    if to.json is not None and to.json != STDOUT:
        contents[to.json / f"{name}.score.json"] = measured.score.model_dump_json(indent=1) + "\n"
    if to.report is not None:
        contents[to.report / f"{name}.html"] = report_html(measured.score, measured.crops, verdict)
    try:
        write_all(contents)
    except OSError as error:
        say(f"{error.filename or name}: {error.strerror or error}.")
        whole = False
    if to.json == STDOUT:
        print_data(measured.score.model_dump_json() + "\n")
    else:
        within = "" if verdict is None else f" · {'within' if verdict.within else 'outside'} tolerances"
        print_data(f"{scan}: {summarise(measured.score).headline}{within}\n")
    return whole
