"""``inkstrain rehearse``: print and scan a chart without a printer or a scanner, with known truth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, cast

import typer

from .files import check_target, print_data
from .talk import progress, say

if TYPE_CHECKING:
    from inkstrain.targets.rehearsal import Damage, Printer
    from inkstrain.targets.rehearsal.printers import Intent

__all__ = ["rehearse"]


def rehearse(
    key: Annotated[Path, typer.Argument(metavar="KEY", help="Key of the chart, as 'make' wrote it.")],
    out: Annotated[Path, typer.Option(metavar="SCAN", help="Scan to write: .tif, .png or .jpg.")],
    printer: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Print on this imaginary printer: alder, rowan, sorrel (smooth colour), hazel or thistle (ink dots).",
        ),
    ] = None,
    profile: Annotated[Path | None, typer.Option(metavar="ICC", help="Print as this printer profile says.")] = None,
    intent: Annotated[
        str | None,
        typer.Option(help="Rendering intent: perceptual, relative (unless said otherwise), saturation or absolute."),
    ] = None,
    bpc: Annotated[
        bool | None,
        typer.Option("--bpc/--no-bpc", help="Black point compensation; on for relative unless said otherwise."),
    ] = None,
    damage: Annotated[
        list[str] | None,
        typer.Option(
            metavar="TEXT",
            help="What goes wrong; may be repeated: 'KIND ELEMENT name=value ...', "
            "such as 'step ring-to-white-blue radius_mm=8 contrast_de00=3'.",
        ),
    ] = None,
    seed: Annotated[int, typer.Option(help="The same seed gives the same scan.")] = 0,
    dpi: Annotated[float, typer.Option(help="Resolution of the scan.")] = 300.0,
    rotation: Annotated[float, typer.Option(metavar="DEG", help="How far the sheet lies turned, clockwise.")] = 0.0,
    grain: Annotated[
        float | None,
        typer.Option(
            help="Grain of the print: spread of reflectance from dot to dot; 0.02 unless said otherwise, "
            "0 where real dots are drawn."
        ),
    ] = None,
    texture: Annotated[float, typer.Option(metavar="MM", help="Width (sigma) of the grain's clumps, as of paper.")] = 0,
    sheet: Annotated[int, typer.Option(help="Which sheet of the chart.")] = 1,
    tile: Annotated[int | None, typer.Option(help="Only this tile of the sheet.")] = None,
    truth: Annotated[bool, typer.Option("--truth", help="Also write the truth, as JSON beside the scan.")] = False,
) -> None:
    """Rehearse: a print and a scan that never happened, with known damage, to try things out without ink.

    Prints the paths of the files it wrote.
    """
    from inkstrain.targets.chart import read_key
    from inkstrain.targets.rehearsal import PrintOptions, ScanOptions
    from inkstrain.targets.rehearsal import rehearse as rehearse_chart

    check_target(out, inputs=(key,))
    scan = _options(ScanOptions, dpi=dpi, rotation_deg=rotation, tile=tile)
    on = _printer(printer, profile, intent, bpc)
    smooth = getattr(on, "screen", None) is None
    print_ = _options(
        PrintOptions, grain=0.02 * smooth if grain is None else grain, grain_correlation_mm=texture
    )  # fmt: skip
    damages = [_damage(text) for text in damage or ()]
    with progress() as watch:
        rehearse_chart(
            read_key(key), out, printer=on, damages=damages, print_options=print_,
            scan_options=scan, seed=seed, sheet=sheet, truth_file=truth,
            progress=watch and (lambda done: watch(out.name, done)),
        )  # fmt: skip
    print_data(f"{out}\n" + (f"{out}.truth.json\n" if truth else ""))
    say("This is a rehearsal: no printer and no scanner took part.")


def _printer(name: str | None, profile: Path | None, intent: str | None, bpc: bool | None) -> Printer | None:
    """Return what prints: an imaginary printer, a profile, or nothing but the file itself."""
    from inkstrain.targets.errors import WrongUsageError
    from inkstrain.targets.rehearsal import IccPrinter
    from inkstrain.targets.rehearsal.inkjet import inkjet

    if name is not None and profile is not None:
        raise WrongUsageError("Give --printer or --profile, not both.")
    if name is None and profile is None:
        if intent is not None or bpc is not None:
            raise WrongUsageError("--intent and --bpc belong to a printer: give --printer or --profile as well.")
        return None
    intent_ = cast("Intent", intent or "relative")
    if profile is None:
        return inkjet(name or "", intent_, bpc=bpc)
    return IccPrinter(profile=profile.read_bytes(), intent=intent_, bpc=bpc, name=profile.name)


def _damage(text: str) -> Damage:
    """Read 'KIND ELEMENT name=value ...'."""
    from pydantic import TypeAdapter

    from inkstrain.targets.errors import WrongUsageError
    from inkstrain.targets.rehearsal import Damage

    kind, *words = text.split() or [""]
    if not words or not all("=" in word for word in words[1:]):
        raise WrongUsageError(f"--damage {text!r}: give 'KIND ELEMENT name=value ...', see 'rehearse --help'.")
    values = dict(word.split("=", 1) for word in words[1:])
    adapter: TypeAdapter[Any] = TypeAdapter(Damage)
    damage: Damage = _validated(
        f"--damage {text!r}", adapter.validate_python, {"kind": kind, "element": words[0], **values}
    )
    return damage


def _options(model: Any, **values: object) -> Any:
    return _validated("The rehearsal", model.model_validate, values)


def _validated(what: str, validate: Any, values: dict[str, Any]) -> Any:
    """Validate, and say the first complaint in a sentence."""
    from pydantic import ValidationError

    from inkstrain.targets.errors import WrongUsageError

    try:
        return validate(values)
    except ValidationError as error:
        problem = error.errors()[0]
        name = " ".join(str(part) for part in problem["loc"][-1:])
        message = problem["msg"].removeprefix("Value error, ").rstrip(".")
        raise WrongUsageError(f"{what}: {name + ': ' if name else ''}{message}.") from error
