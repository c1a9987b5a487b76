"""What was typed as one side: ``PROFILE.icc,INTENT[,nobpc]``, a score file, or an id in the ledger."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Final

from inkstrain.targets.errors import WrongUsageError
from inkstrain.targets.outputprofile import INTENTS, read_output_profile

from ..promise.rendering import Rendering
from .printermodel import ScoreSide, score_side
from .sides import ProfileSide, Side

__all__ = ["check_long_edge", "file_of", "read_side"]

_HOW: Final = "Give PROFILE.icc,INTENT (such as printer.icc,relative), a score file, or an id in the ledger."


def file_of(what: str) -> Path:
    """Return the file that a side's text names, whether it exists or not."""
    path = Path(what)
    return path if path.exists() else Path(what.split(",")[0])


def read_side(what: str, ledger: str | None = None) -> Side:
    """Return one side.

    Raises
    ------
    WrongUsageError
        If the text is none of the three, or names an unknown intent.
    CannotMeasureError
        If the profile or score cannot be read, or holds too little.
    """
    path = Path(what)
    if path.is_file():
        if _looks_like_profile(path):
            raise WrongUsageError(
                f"{what} is a profile: say the rendering intent too, such as {what},relative or {what},perceptual."
            )
        return _score_file(path)
    name, *rest = what.split(",")
    if rest and Path(name).is_file() and _looks_like_profile(Path(name)):
        return _profile(Path(name), [word.strip().lower() for word in rest])
    if rest and name.lower().endswith((".icc", ".icm")):
        return _profile(Path(name), [word.strip().lower() for word in rest])  # says that it cannot be read
    return _from_ledger(what, ledger)


def _looks_like_profile(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(40)[36:40] == b"acsp"


def _profile(path: Path, words: list[str]) -> ProfileSide:
    known = next((intent for intent in INTENTS if intent == words[0]), None)
    if known is None or words[1:] not in ([], ["nobpc"], ["bpc"]):
        raise WrongUsageError(
            f"{','.join(words)!r} is no way of printing: use {', '.join(INTENTS[:-1])} or {INTENTS[-1]}, "
            "and nobpc after it for printing without black point compensation."
        )
    # on for relative unless said otherwise; the other intents are taken as the profile has them
    bpc = known == "relative" if not words[1:] else words[1] == "bpc"
    return ProfileSide(
        read_output_profile(path), Rendering(known, bpc and known != "absolute"), typed=",".join([path.name, *words])
    )


def _score_file(path: Path) -> ScoreSide:
    from ..results.firstscore import read_score

    return score_side(read_score(path), path.name)


def _from_ledger(what: str, ledger: str | None) -> ScoreSide:
    if ("/" in what and "=" not in what) or Path(what).suffix.lower() in (".json", ".icc", ".icm"):
        raise WrongUsageError(f"{what} does not exist. {_HOW}")
    from ..ledger import open_ledger

    with open_ledger(ledger, create=False) as book:
        kept = book.find(what)
        if not kept:
            raise WrongUsageError(f"{what!r} is neither a file nor in the ledger {book.name}. {_HOW}")
        side = score_side(kept[-1].score, what)
    if len(kept) == 1:
        return side
    flag = f"newest: {len(kept)} kept scores are named {what}; the newest is used"
    view = side.view.model_copy(update={"flags": (*side.view.flags, flag)})
    return dataclasses.replace(side, view=view)


def check_long_edge(long_edge_mm: float) -> None:
    """Refuse a print's size that is none.

    Raises
    ------
    WrongUsageError
        Outside of 30 to 10000 mm.
    """
    if not 30.0 <= long_edge_mm <= 10_000.0:
        raise WrongUsageError(f"The longer side of the print is {long_edge_mm:g} mm: use 30 to 10000 mm.")
