"""``inkstrain desk``: the whole job in the browser, on this machine only."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ..conditions import LedgerOption
from ..talk import say

__all__ = ["desk", "start"]


def desk(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="FOLDER", help="For charts, scans, reports and setups; Inkstrain in your documents."),
    ] = None,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the page in the browser, or only print its address.")
    ] = True,
    ledger: LedgerOption = None,
) -> None:
    """Open the desk: drop scans, read reports, compare prints, without typing. Example: inkstrain desk prints.

    The page is for this machine and this user only. It ends with its button, with Ctrl-C, or a while after its last
    page was closed. It needs the extra inkstrain[desk].
    """
    from inkstrain.targets.errors import WrongUsageError

    try:
        from .serving import serve
    except ModuleNotFoundError as error:
        raise WrongUsageError(f"The desk needs {error.name}. Type: pip install 'inkstrain[desk]'.") from error
    if folder is None:
        from platformdirs import user_documents_path

        folder = user_documents_path() / "Inkstrain"
    if folder.exists() and not folder.is_dir():
        raise WrongUsageError(f"{folder} is a file. Name a folder.")
    serve(folder, ledger, browser=browser, say=say)


def start() -> int:
    """Start the desk from an icon."""
    from ..app import main

    return main(["desk"])
