"""Texts that are probably meant to be the same: pointed out, never merged."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from ..results.score import Conditions
    from .book import Ledger

__all__ = ["near_values", "near_variant", "variants_told"]

_LOOKED_AT: Final = ("printer", "paper", "ink", "intent", "media_setting", "quality_setting", "scanner")
"""Conditions that name a thing again and again; a date, a note and a print's own name do not."""

_ALIKE: Final = 0.85  # one letter wrong in seven, or two swapped in a dozen; common practice, no source
_LEAST_LETTERS: Final = 5  # short names are easily alike: "matt" and "matte" is as near as it gets


def near_variant(text: str, known: Mapping[str, int]) -> str | None:
    """Return the known text that this one looks like, if it is not known itself.

    Parameters
    ----------
    text : str
        As typed.
    known : mapping of str to int
        How often each text was used; of several equally near ones the most used is returned.
    """
    if text in known:
        return None
    plain = _plain(text)
    best, nearest = 0.0, None
    for other in sorted(known, key=lambda name: (-known[name], name)):
        nearness = _nearness(plain, _plain(other))
        if nearness >= _ALIKE and nearness > best:
            best, nearest = nearness, other
    return nearest


def near_values(text: str, known: Mapping[str, int]) -> list[str]:
    """Return the known texts that this one may mean, the most used first; none if it is known itself.

    The same but for case, spaces and signs, what begins with it, or what `near_variant` finds.
    """
    if text in known:
        return []
    plain = _plain(text)
    like = near_variant(text, known)
    return [
        other
        for other in sorted(known, key=lambda name: (-known[name], name))
        if other == like or (plain and _plain(other).startswith(plain))
    ]


def variants_told(ledger: Ledger, conditions: Conditions) -> tuple[str, ...]:
    """Return a sentence for each condition whose text looks like another one in the ledger."""
    return tuple(_sentences(ledger, conditions))


def _sentences(ledger: Ledger, conditions: Conditions) -> Iterator[str]:
    for name in _LOOKED_AT:
        text = getattr(conditions, name)
        known = ledger.known(name) if text else {}
        near = near_variant(text, known) if text else None
        if near is not None:
            times = "once" if known[near] == 1 else f"{known[near]} times"
            yield f"‘{text}’ looks like ‘{near}’, used {times}; they are kept apart."


def _plain(text: str) -> str:
    """Return letters and digits only, without case and width."""
    folded = unicodedata.normalize("NFKC", text).casefold()
    return "".join(character for character in folded if character.isalnum())


def _nearness(a: str, b: str) -> float:
    if a == b:
        return 1.0
    # "gloss 290" and "gloss 300", "batch 1" and "batch 2" are meant to differ
    if re.findall(r"\d+", a) != re.findall(r"\d+", b) or min(len(a), len(b)) < _LEAST_LETTERS:
        return 0.0
    return difflib.SequenceMatcher(None, a, b, autojunk=False).ratio()
