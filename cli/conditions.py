"""The options by which conditions are told, the same for every command that scores; completed from what was used."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

if TYPE_CHECKING:
    from inkstrain.scoring.jobs.scoring import ScoreOptions
    from inkstrain.scoring.promise.rendering import Rendering
    from inkstrain.scoring.results.score import Viewing

__all__ = [
    "Blank",
    "Bpc",
    "Condition",
    "Date",
    "Distance",
    "Drying",
    "Ink",
    "Intent",
    "LedgerOption",
    "Light",
    "Media",
    "Note",
    "OtherProfiles",
    "Paper",
    "PrintName",
    "Printer",
    "Profile",
    "Profiles",
    "Quality",
    "Scanner",
    "ScannerFit",
    "ScannerProfile",
    "Tolerances",
    "rendering_of",
    "score_options",
]


def _used(condition: str) -> Callable[[typer.Context, str], list[str]]:
    """Return what completes a condition: the texts that the ledger knows for it."""

    def complete(ctx: typer.Context, incomplete: str) -> list[str]:
        from inkstrain.scoring.ledger import open_ledger
        from inkstrain.targets.errors import InkstrainError

        try:
            with open_ledger(ctx.params.get("ledger"), create=False) as ledger:
                return [text for text in ledger.known(condition) if text.lower().startswith(incomplete.lower())]
        except InkstrainError:
            return []

    return complete


def _finite(value: float | None) -> float | None:
    if value is not None and not abs(value) < float("inf"):
        raise typer.BadParameter(f"{value} is not a number of hours.")
    return value


LedgerOption = Annotated[
    str | None,
    typer.Option(
        "--ledger",
        metavar="PATH|URL",
        help="The ledger: a file, or postgresql://USER@HOST/DATABASE. If not given: INKSTRAIN_LEDGER, or a file in "
        "your data folder.",
    ),
]
Printer = Annotated[
    str | None,
    typer.Option(metavar="TEXT", help="Printer that made it, in your own words.", autocompletion=_used("printer")),
]
Paper = Annotated[
    str | None, typer.Option(metavar="TEXT", help="Paper it is on.", autocompletion=_used("paper"))
]
Ink = Annotated[str | None, typer.Option(metavar="TEXT", help="Ink set.", autocompletion=_used("ink"))]
Profile = Annotated[
    Path | None,
    typer.Option(metavar="ICC", help="Printer profile it was made with: tells whose faults are whose."),
]
ScannerProfile = Annotated[
    Path | None, typer.Option(metavar="ICC", help="The scanner's ICC input profile, instead of an embedded one.")
]
ScannerFit = Annotated[
    Path | None, typer.Option(metavar="FIT", help="How the scanner sees this paper and ink; see fit-scanner.")
]
Blank = Annotated[
    Path | None,
    typer.Option(
        metavar="SCAN",
        help="A scan of a blank sheet, same area, same place on the glass, same settings: evens out the light.",
    ),
]
Condition = Annotated[
    str | None,
    typer.Option(metavar="M0…M3", help="With --measured: which measurement condition (ISO 13655), if it has several."),
]
Measured = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE",
        help="No scan: an instrument's readings, ISO 28178 (CGATS) text. Give the chart's key in the scan's place.",
    ),
]
OtherProfiles = Annotated[
    list[Path] | None,
    typer.Option(metavar="ICC", help="Another profile it may have been made with by mistake; may be repeated."),
]
Intent = Annotated[
    str | None,
    typer.Option(
        metavar="TEXT",
        help="Rendering intent that the print was made with; with --profile one of perceptual, relative, "
        "saturation, absolute.",
        autocompletion=_used("intent"),
    ),
]
Bpc = Annotated[
    bool | None, typer.Option("--bpc/--no-bpc", help="Printed with black point compensation, or without.")
]
Media = Annotated[
    str | None,
    typer.Option(metavar="TEXT", help="Media setting in the driver.", autocompletion=_used("media")),
]
Quality = Annotated[
    str | None,
    typer.Option(metavar="TEXT", help="Quality setting in the driver.", autocompletion=_used("quality")),
]
Date = Annotated[
    str | None, typer.Option(metavar="TEXT", help="When the print was made, as 2026-03-01 if it is to count in time.")
]
Note = Annotated[str | None, typer.Option(metavar="TEXT", help="Anything else worth keeping.")]
PrintName = Annotated[
    str | None,
    typer.Option(
        "--print", metavar="TEXT", help="Which of several prints made the same way; scans of one print share it."
    ),
]
Drying = Annotated[
    float | None,
    typer.Option(metavar="HOURS", min=0.0, callback=_finite, help="How long it dried before it was scanned."),
]
Scanner = Annotated[
    str | None,
    typer.Option(
        metavar="TEXT", help="Scanner and its settings, in your own words.", autocompletion=_used("scanner")
    ),
]
Tolerances = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Judge by these tolerances (TOML); exit code 1 if outside.")
]
Distance = Annotated[float, typer.Option(metavar="MM", help="Viewing distance that visibility is stated for.")]
Light = Annotated[
    str, typer.Option(metavar="p1|p2|LUX", help="Light it is viewed in: ISO 3664 P1 or P2, or lux.")
]


class Profiles(NamedTuple):
    """What was said about profiles and the way of printing."""

    profile: Path | None
    others: tuple[Path, ...]
    intent: str | None
    bpc: bool | None
    scanner: Path | None
    fit: Path | None
    blank: Path | None = None


def rendering_of(option: str, intent: str | None, bpc: bool | None) -> Rendering:
    """Return the way of printing that an option needs to be told; black point compensation is on for relative.

    Raises
    ------
    WrongUsageError
        If the intent is missing or unknown.
    """
    from inkstrain.scoring.promise.rendering import Rendering
    from inkstrain.targets.errors import WrongUsageError
    from inkstrain.targets.outputprofile import INTENTS

    known = next((one for one in INTENTS if one == intent), None)
    if known is None:
        raise WrongUsageError(
            f"{option} needs the rendering intent of the print: --intent {', '.join(INTENTS[:-1])} or {INTENTS[-1]}."
        )
    return Rendering(known, known == "relative" if bpc is None else bpc)


def score_options(told: Profiles, *, crops: bool, viewing: Viewing) -> ScoreOptions:
    """Return what to measure with, the profile read and the way of printing made sure of.

    Raises
    ------
    WrongUsageError
        If other profiles or an unknown intent were named.
    """
    from inkstrain.scoring.colour.bedlight import read_blank
    from inkstrain.scoring.colour.choice import chosen_basis
    from inkstrain.scoring.jobs.scoring import ScoreOptions
    from inkstrain.targets.errors import WrongUsageError
    from inkstrain.targets.outputprofile import read_output_profile

    basis = chosen_basis(told.scanner, told.fit)
    blank = read_blank(told.blank, basis.of) if told.blank else None
    if told.profile is None:
        if told.others:
            raise WrongUsageError("--other-profile needs --profile: the one the print should have been made with.")
        return ScoreOptions(crops=crops, viewing=viewing, basis=basis, blank=blank)
    rendering = rendering_of("--profile", told.intent, told.bpc)
    return ScoreOptions(
        crops=crops,
        viewing=viewing,
        basis=basis,
        blank=blank,
        profile=read_output_profile(told.profile),
        rendering=rendering,
        other_profiles=tuple(read_output_profile(other) for other in told.others),
    )
