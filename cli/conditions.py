"""The options by which conditions are told, the same for every command that scores; completed from what was used."""

from __future__ import annotations

import dataclasses
import inspect
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer

if TYPE_CHECKING:
    from inkstrain.scoring.jobs.scoring import ScoreOptions
    from inkstrain.scoring.promise.rendering import Rendering
    from inkstrain.scoring.results.score import Conditions

    from .setupfile import Setup

__all__ = [
    "Blank",
    "Condition",
    "LedgerOption",
    "MeasuredFile",
    "Stated",
    "rendering_of",
    "score_options",
    "takes_conditions",
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
MeasuredFile = Annotated[
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


def _setup_names(ctx: typer.Context, incomplete: str) -> list[str]:
    from inkstrain.targets.errors import InkstrainError

    from .setupfile import find_config, read_setups

    try:
        config = ctx.params.get("config") or find_config()
        return [name for name in read_setups(config) if name.startswith(incomplete)] if config else []
    except InkstrainError:
        return []


SetupName = Annotated[
    str | None,
    typer.Option(
        metavar="NAME",
        help="Conditions and files from this setup; what is typed here goes before. See setups.",
        envvar="INKSTRAIN_SETUP",
        autocompletion=_setup_names,
    ),
]
Config = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE",
        help="Where setups are; inkstrain.toml here or in a folder above if not given.",
        envvar="INKSTRAIN_CONFIG",
    ),
]


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What was said about how prints were made, scanned and are to be looked at: typed, or from a setup."""

    setup: SetupName = None
    config: Config = None
    tolerances: Tolerances = None
    printer: Printer = None
    paper: Paper = None
    ink: Ink = None
    profile: Profile = None
    scanner_profile: ScannerProfile = None
    scanner_fit: ScannerFit = None
    blank: Blank = None
    other_profile: OtherProfiles = None
    intent: Intent = None
    bpc: Bpc = None
    media: Media = None
    quality: Quality = None
    date: Date = None
    print_name: PrintName = None
    drying: Drying = None
    scanner: Scanner = None
    note: Note = None
    distance: Distance = 400.0
    light: Light = "p2"

    @property
    def files(self) -> tuple[Path, ...]:
        """The files it names: results must not overwrite them."""
        named = (self.profile, self.scanner_profile, self.scanner_fit, self.blank, self.tolerances)
        return (*(path for path in named if path is not None), *(self.other_profile or ()))

    def using(self, setup: Setup, typed: Callable[[str], bool] = lambda _: False) -> Stated:
        """Return it with what a setup says in the place of what was not typed."""
        values = {key.replace("-", "_"): value for key, value in setup.values.items()}
        # a fit takes the place of a scanner profile and the other way round, whichever was typed
        if typed("scanner_profile") or typed("scanner_fit"):
            values = {key: value for key, value in values.items() if key not in ("scanner_profile", "scanner_fit")}
        return dataclasses.replace(self, **{key: value for key, value in values.items() if not typed(key)})

    def conditions(self, options: ScoreOptions) -> Conditions:
        """Return the conditions of a print measured with these options."""
        from inkstrain.scoring.results.score import Conditions

        return Conditions(
            printer=self.printer, paper=self.paper, ink=self.ink, intent=self.intent,
            black_point_compensation=self.bpc if options.profile is None else options.rendering.bpc,
            profile=options.profile.description if options.profile else None,
            media_setting=self.media, quality_setting=self.quality, date=self.date, note=self.note,
            print_name=self.print_name, drying_h=self.drying, scanner=self.scanner,
        )  # fmt: skip


def takes_conditions(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options of `Stated`; it gets them as ``made``, completed from a setup.

    Without ``--setup``, a ``folder`` that the command was given says which one: by its ``setup.toml`` or its name.
    """
    hints = get_type_hints(Stated, include_extras=True)
    ours = [
        inspect.Parameter(one.name, inspect.Parameter.KEYWORD_ONLY, default=one.default, annotation=hints[one.name])
        for one in dataclasses.fields(Stated)
    ]
    theirs = [one for one in inspect.signature(command, eval_str=True).parameters.values() if one.name != "made"]

    def run(context: typer.Context, **values: Any) -> None:
        made = Stated(**{one.name: values.pop(one.name) for one in ours})

        def typed(name: str) -> bool:
            source = context.get_parameter_source(name)
            return source is not None and source.name != "DEFAULT"

        setup = _setup_of(made, values)
        command(**values, made=made.using(setup, typed) if setup else made)

    run.__name__, run.__doc__ = command.__name__, command.__doc__
    run.__annotations__ = {}
    first = inspect.Parameter("context", inspect.Parameter.POSITIONAL_OR_KEYWORD, annotation=typer.Context)
    theirs = [one.replace(kind=inspect.Parameter.KEYWORD_ONLY) for one in theirs]
    run.__signature__ = inspect.Signature([first, *theirs, *ours])  # type: ignore[attr-defined]
    return run


def _setup_of(made: Stated, values: dict[str, Any]) -> Setup | None:
    """Return the setup that was named, or that the one folder given has; the latter is said."""
    from .setupfile import find_setup, folder_setup
    from .talk import say

    if made.setup is not None:
        return find_setup(made.setup, made.config)
    places = [path for path in (values.get("folder"), *(values.get("scans") or ())) if path is not None]
    setup = folder_setup(places[0], made.config) if len(places) == 1 and places[0].is_dir() else None
    if setup is not None:
        say(f"Conditions are those of the setup {setup.name!r} in {setup.file}.")
    return setup


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


def score_options(made: Stated, *, crops: bool) -> ScoreOptions:
    """Return what to measure with, the profile read and the way of printing made sure of.

    Raises
    ------
    WrongUsageError
        If other profiles or an unknown intent were named.
    """
    from inkstrain.scoring.colour.bedlight import read_blank
    from inkstrain.scoring.colour.choice import chosen_basis
    from inkstrain.scoring.eye.visibility import viewing_of
    from inkstrain.scoring.jobs.scoring import ScoreOptions
    from inkstrain.targets.errors import WrongUsageError
    from inkstrain.targets.outputprofile import read_output_profile

    viewing = viewing_of(made.distance, made.light)
    basis = chosen_basis(made.scanner_profile, made.scanner_fit)
    blank = read_blank(made.blank, basis.of) if made.blank else None
    if made.profile is None:
        if made.other_profile:
            raise WrongUsageError("--other-profile needs --profile: the one the print should have been made with.")
        return ScoreOptions(crops=crops, viewing=viewing, basis=basis, blank=blank)
    rendering = rendering_of("--profile", made.intent, made.bpc)
    return ScoreOptions(
        crops=crops,
        viewing=viewing,
        basis=basis,
        blank=blank,
        profile=read_output_profile(made.profile),
        rendering=rendering,
        other_profiles=tuple(read_output_profile(other) for other in made.other_profile or ()),
    )
