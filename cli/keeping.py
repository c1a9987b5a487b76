"""Filing a measured score, and what is said about it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from .files import write_all
from .talk import say

if TYPE_CHECKING:
    from inkstrain.scoring.jobs.scoring import Measured
    from inkstrain.scoring.judge.judge import Verdict
    from inkstrain.scoring.ledger import Kept

__all__ = ["check_keeping", "keep_score", "spared"]


def check_keeping(keep: bool, ledger: str | None, label: str | None) -> None:
    """Refuse to be told how a score is kept if it is not to be kept at all.

    Raises
    ------
    WrongUsageError
        The sentence says what to add.
    """
    from inkstrain.targets.errors import WrongUsageError

    if not keep and (ledger or label):
        raise WrongUsageError("--ledger and --label say how a score is kept: add --keep.")


def keep_score(measured: Measured, verdict: Verdict | None, *, where: str | None, label: str | None) -> Kept:
    """File a score and say so: its id, whether it was there, and texts that look like others used before.

    Raises
    ------
    LedgerError
        If it could not be kept.
    """
    from inkstrain.scoring.ledger import open_ledger
    from inkstrain.scoring.ledger.repeating import repeats_told
    from inkstrain.scoring.ledger.variants import variants_told
    from inkstrain.targets.errors import LedgerError

    try:
        with open_ledger(where) as ledger:
            alike = (*variants_told(ledger, measured.score.conditions), *repeats_told(ledger, measured.score))
            kept = ledger.keep(measured.score, measured.crops, verdict, label=label)
    except LedgerError as error:
        raise LedgerError(f"{error} The score was not kept.") from error
    if kept.already_there:
        say(f"These scans were kept before, as {kept.id}; nothing was added.")
        if kept.entry.conditions != measured.score.conditions:
            say(f"It stands there with other conditions. To file it anew: inkstrain ledger drop {kept.id}, then again.")
        return kept
    for sentence in alike:
        say(sentence)
    say(f"Kept as {kept.id}.")
    return kept


def spared(measured: Measured, scan: Path) -> str:
    """Write a score that could not be kept into a file here, named after its scan, and return what to say of it."""
    stem = scan.stem[:50]  # letters of up to 4 bytes: with its ending less than the 255 bytes that a name may have
    names = (f"{stem}{end}.score.json" for end in ("", *(f"-{number}" for number in range(2, 1000))))
    target = next(path for path in map(Path, names) if not path.exists())
    try:
        write_all({target: measured.score.model_dump_json(indent=1) + "\n"})
    except OSError:
        return ""
    return f" It is in {target}: inkstrain ledger import {target} files it later."
