"""``inkstrain setups``: named conditions and files, typed once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

import typer

from .conditions import Config, Stated, score_options, takes_conditions
from .files import print_data
from .setupfile import CONFIG_NAME, KEYS, Setup, add_setup, find_config, find_setup, nearest, read_setups
from .talk import say

__all__ = ["check_setup", "setups", "values_of"]

setups: Final = typer.Typer(
    name="setups",
    help="List, add, show and check setups: printer, paper, ink, profile, scanner, typed once into inkstrain.toml. "
    "Example: inkstrain setups add gloss --printer 'my printer' --paper 'my gloss', "
    "then inkstrain score scan.tif --setup gloss.",
    rich_markup_mode=None,
    no_args_is_help=True,
)

Name = Annotated[str, typer.Argument(metavar="NAME", help="Its name.")]


@setups.command("list")
def list_(config: Config = None) -> None:
    """List setups and where they are written. Example: inkstrain setups list."""
    file = config or find_config()
    found = read_setups(file) if file else {}
    for setup in found.values():
        about = " · ".join(str(setup.values[key]) for key in ("printer", "paper", "ink") if key in setup.values)
        print_data(f"{setup.name}{': ' if about else ''}{about}\n")
    say(f"They are in {file}." if found else "There is none yet. Type one: inkstrain setups add NAME --printer TEXT.")


@setups.command()
@takes_conditions
def add(name: Name, *, made: Stated) -> None:
    """Write a new setup into inkstrain.toml, the nearest one or a new one here.

    Example: inkstrain setups add gloss --printer "my printer" --paper "my gloss" --profile gloss.icc --intent relative
    """
    file = made.config or find_config() or Path(CONFIG_NAME)
    setup = Setup(name=name, values=values_of(made), file=file)
    problems = check_setup(setup)
    add_setup(file, name, setup.values)
    say(f"Setup {name} is in {file}.")
    for problem in problems:
        say(problem)


@setups.command()
def show(name: Name, config: Config = None) -> None:
    """Print what a setup says. Example: inkstrain setups show gloss."""
    for key, value in find_setup(name, config).values.items():
        print_data(f"{key}: {value}\n")


@setups.command()
def check(
    names: Annotated[list[str] | None, typer.Argument(metavar="NAME", help="Their names; all if none.")] = None,
    config: Config = None,
) -> None:
    """Check setups: whether their files are there and can be read, and whether a fit is of their paper and ink.

    Example: inkstrain setups check. Exit code 3 if something is wrong with one.
    """
    file = config or find_config()
    chosen = [find_setup(name, config) for name in names or (read_setups(file) if file else ())]
    wrong = False
    for setup in chosen:
        problems = check_setup(setup)
        wrong = wrong or bool(problems)
        print_data("".join(f"{setup.name}: {problem}\n" for problem in problems or ["all is well."]))
    if not chosen:
        say("There is no setup to check.")
    if wrong:
        raise typer.Exit(3)


def values_of(made: Stated) -> dict[str, object]:
    """Return what was said, as far as a setup may hold it."""
    usual = Stated()
    said = {key: getattr(made, key.replace("-", "_")) for key in KEYS}
    return {key: value for key, value in said.items() if value != getattr(usual, key.replace("-", "_"))}


def check_setup(setup: Setup) -> list[str]:
    """Return sentences that say what is wrong with a setup, none if nothing is."""
    from inkstrain.scoring.colour.scannerfit import read_fit
    from inkstrain.scoring.judge.tolerances import read_tolerances
    from inkstrain.targets.errors import InkstrainError
    from inkstrain.targets.outputprofile import INTENTS

    made = Stated().using(setup)
    missing = [f"{path} is not there." for path in made.files if not path.is_file()]
    if missing:
        return missing
    problems = []
    if made.intent and made.intent not in INTENTS:
        problems.append(f"{made.intent!r} is no rendering intent.{nearest(made.intent, INTENTS)}")
    try:
        score_options(made, crops=False)
        if made.tolerances:
            read_tolerances(made.tolerances)
        if made.scanner_fit:
            conditions = read_fit(made.scanner_fit).conditions
            for what in ("paper", "ink"):
                theirs, ours = getattr(conditions, what), getattr(made, what)
                if theirs and ours and theirs.strip().casefold() != ours.strip().casefold():
                    problems.append(f"The scanner fit is of the {what} {theirs!r}, the setup says {ours!r}.")
    except InkstrainError as error:
        problems.append(str(error))
    return list(dict.fromkeys(problems))
