"""``inkstrain score``: measure the scans of one print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from .files import STDOUT, check_target, print_data, write_all
from .talk import progress, say, terminal_width

if TYPE_CHECKING:
    from inkstrain.scoring.judge import Verdict
    from inkstrain.scoring.measure import Measured, ScoreOptions
    from inkstrain.scoring.model import Viewing

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
    profile: Annotated[
        Path | None,
        typer.Option(metavar="ICC", help="Printer profile it was made with: tells whose faults are whose."),
    ] = None,
    scanner_profile: Annotated[
        Path | None, typer.Option(metavar="ICC", help="The scanner's ICC input profile, instead of an embedded one.")
    ] = None,
    scanner_fit: Annotated[
        Path | None, typer.Option(metavar="FIT", help="How the scanner sees this paper and ink; see fit-scanner.")
    ] = None,
    other_profile: Annotated[
        list[Path] | None,
        typer.Option(metavar="ICC", help="Another profile it may have been made with by mistake; may be repeated."),
    ] = None,
    intent: Annotated[
        str | None,
        typer.Option(
            metavar="TEXT",
            help="Rendering intent that the print was made with; with --profile one of perceptual, relative, "
            "saturation, absolute.",
        ),
    ] = None,
    bpc: Annotated[
        bool | None, typer.Option("--bpc/--no-bpc", help="Printed with black point compensation, or without.")
    ] = None,
    media: Annotated[str | None, typer.Option(metavar="TEXT", help="Media setting in the driver.")] = None,
    quality: Annotated[str | None, typer.Option(metavar="TEXT", help="Quality setting in the driver.")] = None,
    date: Annotated[str | None, typer.Option(metavar="TEXT", help="When the print was made.")] = None,
    note: Annotated[str | None, typer.Option(metavar="TEXT", help="Anything else worth keeping.")] = None,
    distance: Annotated[
        float, typer.Option(metavar="MM", help="Viewing distance that visibility is stated for.")
    ] = 400.0,
    light: Annotated[
        str, typer.Option(metavar="p1|p2|LUX", help="Light it is viewed in: ISO 3664 P1 or P2, or lux.")
    ] = "p2",
) -> None:
    """Score a print from its scans, and say in numbers what the print did to the chart.

    Without --json or --report a summary is printed.
    """
    given = filter(None, [profile, scanner_profile, scanner_fit])
    check_target(json, report, inputs=(*scans, *given, *(other_profile or ())))
    from dataclasses import replace

    from inkstrain.scoring.choice import chosen_basis
    from inkstrain.scoring.judge import judge, read_tolerances
    from inkstrain.scoring.measure import score_scans
    from inkstrain.scoring.model import Conditions
    from inkstrain.scoring.visibility import viewing_of

    limits = read_tolerances(tolerances) if tolerances else None
    told = _Told(profile, tuple(other_profile or ()), intent, bpc)
    options = _options(told, crops=bool(report), viewing=viewing_of(distance, light))
    options = replace(options, basis=chosen_basis(scanner_profile, scanner_fit))
    if options.profile is not None:
        bpc = options.rendering.bpc
    conditions = Conditions(
        printer=printer, paper=paper, ink=ink, intent=intent, black_point_compensation=bpc,
        profile=options.profile.description if options.profile else None,
        media_setting=media, quality_setting=quality, date=date, note=note,
    )  # fmt: skip
    with progress() as watch:
        measured = score_scans(scans, conditions=conditions, options=options, progress=watch)
    verdict = judge(measured.score, limits) if limits else None
    _deliver(measured, verdict, json, report)
    if verdict is not None and not verdict.within:
        raise typer.Exit(1)


class _Told(NamedTuple):
    """What was said about the printer profile and the way of printing."""

    profile: Path | None
    others: tuple[Path, ...]
    intent: str | None
    bpc: bool | None


def _options(told: _Told, *, crops: bool, viewing: Viewing) -> ScoreOptions:
    """Return what to measure with, the profile read and the way of printing made sure of."""
    from inkstrain.scoring.measure import ScoreOptions
    from inkstrain.scoring.rendering import Rendering
    from inkstrain.targets.errors import WrongUsageError
    from inkstrain.targets.outputprofile import INTENTS, read_output_profile

    if told.profile is None:
        if told.others:
            raise WrongUsageError("--other-profile needs --profile: the one the print should have been made with.")
        return ScoreOptions(crops=crops, viewing=viewing)
    intent = next((known for known in INTENTS if known == told.intent), None)
    if intent is None:
        raise WrongUsageError(
            f"--profile needs the rendering intent of the print: --intent {', '.join(INTENTS[:-1])} or {INTENTS[-1]}."
        )
    return ScoreOptions(
        crops=crops,
        viewing=viewing,
        profile=read_output_profile(told.profile),
        rendering=Rendering(intent, intent == "relative" if told.bpc is None else told.bpc),
        other_profiles=tuple(read_output_profile(other) for other in told.others),
    )


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
