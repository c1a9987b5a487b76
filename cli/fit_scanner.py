"""``inkstrain fit-scanner``: learn how a scanner sees one paper and ink set."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from . import conditions as told
from .files import check_target, say_written, write_all
from .talk import say

if TYPE_CHECKING:
    from inkstrain.scoring.jobs.fitting import ScannedPatches
    from inkstrain.scoring.results.fit import FitConditions, ScannerFit

__all__ = ["fit_scanner"]


def fit_scanner(
    scans: Annotated[
        list[Path], typer.Argument(metavar="SCAN", help="Scans of one print of a patch field: all its tiles.")
    ],
    out: Annotated[Path, typer.Option(metavar="FIT", help="Write the fit here (JSON); - for standard output.")],
    measured: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="The patches' measured colours, ISO 28178 (CGATS) text: Lab, XYZ or spectra."
        ),
    ] = None,
    condition: told.Condition = None,
    borrow_from: Annotated[
        Path | None,
        typer.Option(metavar="ICC", help="Without an instrument: take the printer profile's own prediction instead."),
    ] = None,
    intent: Annotated[
        str | None,
        typer.Option(
            metavar="TEXT",
            help="With --borrow-from, the intent the print was made with: perceptual, relative, saturation, absolute.",
        ),
    ] = None,
    bpc: Annotated[
        bool | None, typer.Option("--bpc/--no-bpc", help="With --borrow-from: black point compensation, or none.")
    ] = None,
    blank: told.Blank = None,
    printer: Annotated[str | None, typer.Option(metavar="TEXT", help="Printer, in your own words.")] = None,
    paper: Annotated[str | None, typer.Option(metavar="TEXT", help="Paper that the fit belongs to.")] = None,
    ink: Annotated[str | None, typer.Option(metavar="TEXT", help="Ink set that the fit belongs to.")] = None,
    scanner: Annotated[str | None, typer.Option(metavar="TEXT", help="Scanner and its settings.")] = None,
) -> None:
    """Fit a scanner to measured patches, so that its scans give colours that can be trusted.

    The fit belongs to its paper and ink set. Use it with: inkstrain score --scanner-fit FIT.
    A flatbed is no spectrophotometer: the fit says how wrong it is on colours that it was not made from.
    """
    check_target(out, inputs=(*scans, *filter(None, [measured, borrow_from, blank])))
    from inkstrain.scoring.colour.basis import scan_basis
    from inkstrain.scoring.colour.bedlight import read_blank
    from inkstrain.scoring.colour.exchange import read_exchange
    from inkstrain.scoring.jobs.fitting import fit_from_readings, scan_patches
    from inkstrain.scoring.results.fit import FitConditions
    from inkstrain.targets.errors import WrongUsageError

    if (measured is None) == (borrow_from is None):
        raise WrongUsageError("Give either --measured FILE, or --borrow-from ICC with --intent.")
    conditions = FitConditions(printer=printer, paper=paper, ink=ink, scanner=scanner)
    light = read_blank(blank, scan_basis) if blank else None
    if measured is not None:
        readings = read_exchange(measured, condition)  # the quicker of the two goes first, to fail early
        fit = fit_from_readings(scan_patches(scans, light), readings, measured, conditions)
    else:
        fit = _borrowed(scan_patches(scans, light), borrow_from or Path(), intent, bpc, conditions)
    write_all({out: fit.model_dump_json(indent=1) + "\n"})
    _tell(fit, out)


def _borrowed(
    scanned: ScannedPatches, borrow_from: Path, intent: str | None, bpc: bool | None, conditions: FitConditions
) -> ScannerFit:
    from inkstrain.scoring.jobs.fitting import borrow_fit
    from inkstrain.targets.outputprofile import read_output_profile

    rendering = told.rendering_of("--borrow-from", intent, bpc)
    return borrow_fit(scanned, read_output_profile(borrow_from), rendering, conditions)


def _tell(fit: ScannerFit, out: Path) -> None:
    residual = fit.residual_de00
    of = "what the profile says" if fit.kind == "borrowed" else "the truth"
    for note in fit.notes:
        say(note)
    for suspect in fit.suspects:
        say(f"Left out: {suspect.patch}, {suspect.de00:.1f} ΔE00 off, {suspect.text}.")
    say(
        f"Fitted {fit.patches} patches by {fit.method.name}, {fit.method.terms} terms. Of colours that the fit was not "
        f"made from, half are within {residual.median:.2f} ΔE00 of {of} and 95 % within {residual.p95:.2f}. Worst "
        f"patches: {', '.join(f'{worst.patch} ({worst.de00:.1f})' for worst in fit.worst)}."
    )
    if fit.kind == "borrowed":
        say("This basis is borrowed: it compares prints, it does not measure colours.")
    say_written([out])
