"""The program ``inkstrain``: its commands, and the one place where failures become sentences."""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Callable, Sequence
from typing import Annotated, Any, Final

import typer

from .talk import say

__all__ = ["COMMANDS", "build_app", "main"]

COMMANDS: Final = {
    "make": "Make a chart to print.",
    "score": "Score a print from its scans.",
    "fit-scanner": "Fit a scanner to measured patches.",
    "forecast": "Tell from a printer profile alone what a chart will show.",
    "compare": "Compare scored prints.",
    "trend": "Follow kept scores over time.",
    "photos": "Tell whether a difference touches your own pictures.",
    "ledger": "List, show, share and check the scores you kept.",
    "setups": "Name conditions and files once, and use them everywhere.",
    "watch": "Score every scan that lands in a folder.",
    "desk": "Do it all in the browser, without typing.",
    "rehearse": "Print and scan a chart in imagination.",
    "schema": "Print the JSON Schema of a kind of file.",
    "tolerances": "Print a tolerances file to start from.",
    "demo": "Show the whole job on an invented studio.",
}
"""What each command does, by its name; the module of that name (_ for -) has its function or group of commands."""

_STOPPED = 130  # the shell's own convention: 128 + SIGINT
_PIPE_CLOSED = 141  # the shell's own convention: 128 + SIGPIPE
_UNREADABLE = 3


def build_app(wanted: str | None = None) -> typer.Typer:
    """Return the program with one command ready to run and the others by name only.

    Reading the options of all commands would take longer than the rest of ``--help``.
    """
    # rich's markup would double the time that --help takes
    app = typer.Typer(
        name="inkstrain",
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        no_args_is_help=True,
        # every option has a default in the environment, too: INKSTRAIN_SCORE_PAPER for score --paper
        context_settings={"help_option_names": ["-h", "--help"], "auto_envvar_prefix": "INKSTRAIN"},
    )
    app.callback()(_inkstrain)
    for name, short in COMMANDS.items():
        found: Callable[..., None] | typer.Typer = _unloaded
        if name == wanted:
            identifier = name.replace("-", "_")
            found = getattr(importlib.import_module(f".{identifier}", __package__), identifier)
        if isinstance(found, typer.Typer):
            app.add_typer(found, name=name, short_help=short)
        else:
            app.command(name, short_help=short)(found)
    return app


def _unloaded() -> None:
    raise AssertionError("only the command that was asked for can run")


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"inkstrain {version('inkstrain')}")
        raise typer.Exit


def _inkstrain(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Stress charts for photographic inkjet prints: make one, print it, scan it, score it.

    Data goes to standard output, talk to standard error.
    Every option can get another default from the environment: INKSTRAIN_SCORE_PAPER for score --paper.
    Exit codes: 0 done, 1 measured but outside tolerance, 2 wrong usage, 3 could not
    be measured, 4 ledger trouble.
    """


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program and return its exit code; a failure is told in a sentence, never as a traceback.

    Parameters
    ----------
    arguments : sequence of str, optional
        Words after the program's name; those of the process if not given.
    """
    for stream in (sys.stdout, sys.stderr):
        # a terminal that cannot show Δ shows ? instead
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    words = list(sys.argv[1:] if arguments is None else arguments)
    try:
        wanted = next((word for word in (*words, *_being_typed()) if not word.startswith("-")), None)
        command: Any = typer.main.get_command(build_app(wanted))
        _without_derived_names(command)
        code = command.main(args=words, prog_name="inkstrain", standalone_mode=False)
        if sys.stdout is not None:
            sys.stdout.flush()
    except BaseException as error:
        return _told(error)
    return code if isinstance(code, int) else 0


def _without_derived_names(command: Any) -> None:
    """Leave names of the environment that follow from an option's own out of the help: that says the rule once."""
    for parameter in command.params:
        if parameter.envvar is None:
            parameter.show_envvar = False
    for inner in getattr(command, "commands", {}).values():
        _without_derived_names(inner)


def _being_typed() -> list[str]:
    """Return the words after the program's name on the line that a shell asks to complete; none otherwise."""
    if "_INKSTRAIN_COMPLETE" not in os.environ:
        return []
    line = os.environ.get("COMP_WORDS") or os.environ.get("_TYPER_COMPLETE_ARGS", "")
    return line.split()[1:]


def _told(error: BaseException) -> int:
    """Say what went wrong and return the exit code."""
    from inkstrain.targets.errors import InkstrainError

    if os.environ.get("INKSTRAIN_DEBUG") == "1":
        import traceback

        traceback.print_exception(error)
    match error:
        case SystemExit():
            # typer turns a closed pipe into exit code 1, which means something else here
            return _told(error.__context__) if isinstance(error.__context__, BrokenPipeError) else int(error.code or 0)
        case InkstrainError():
            say(str(error))
            return error.exit_code
        case KeyboardInterrupt() | typer.Abort():
            say("Stopped. What was said to be written or kept is whole; nothing half-done was kept.")
            return _STOPPED
        case BrokenPipeError():
            # whoever read our output has left; without this Python complains once more at exit
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            return _PIPE_CLOSED
        case OSError():
            where = f"{error.filename}: " if error.filename else ""
            say(f"{where}{error.strerror or error}.")
            return _UNREADABLE
        case UnicodeEncodeError():
            around = error.object[max(0, error.start - 20) : error.end + 20]
            say(f"{around!r} holds bytes that are no text. Type it anew.")
            return 2
        case MemoryError():
            say("Not enough memory. Close other programs, or scan at a lower resolution.")
            return _UNREADABLE
    # typer 0.2x carries its own copy of click's exceptions: known by what they can do, not by their class
    if callable(getattr(error, "format_message", None)):
        return _told_usage(error)
    say(
        f"Something went wrong that should not have ({type(error).__name__}: {error}). "
        "Run it again with INKSTRAIN_DEBUG=1 to see where, and report that."
    )
    return _UNREADABLE


def _told_usage(error: Any) -> int:
    context = getattr(error, "ctx", None)
    if type(error).__name__ == "NoArgsIsHelpError":
        typer.echo(error.format_message(), err=True)
        return 2
    hint = f" See: {context.command_path} --help" if context else ""
    message = error.format_message().strip()
    say(f"{message}{'' if message.endswith(('.', '?', ')')) else '.'}{hint}")
    return 2
