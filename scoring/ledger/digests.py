"""Digests over what the ledger holds beside the score itself: a bit that flips on a disk must not go unseen.

A score and its verdict have a hash of their own. An entry's light row, its scans, its readings and each of its pictures
have theirs here, taken over their values and not their bytes in a file, so that both databases give the same.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any, Final

from sqlalchemy import Connection, insert, select

from .tables import crops, digests, entries, kinds, readings, scans

__all__ = ["PICTURE", "digests_of", "write_digests"]

PICTURE: Final = "picture "
"""What the part of a picture begins with; the element follows."""


def digests_of(connection: Connection, entry: int) -> dict[str, str]:
    """Return the digest of every part of an entry as it stands: ``entry``, ``scans``, ``readings``, pictures."""
    measured = (
        select(kinds.c.element, kinds.c.measure, kinds.c.unit, readings.c.value, readings.c.standard_error,
               readings.c.hidden_below)
        .join_from(readings, kinds, kinds.c.number == readings.c.kind).where(readings.c.entry == entry)
    )  # fmt: skip
    parts = {
        "entry": select(entries).where(entries.c.number == entry),
        "scans": select(scans.c.sha256).where(scans.c.entry == entry),
        "readings": measured,
    }
    found = {part: _digest([tuple(row) for row in connection.execute(wanted)]) for part, wanted in parts.items()}
    for row in connection.execute(select(crops).where(crops.c.entry == entry)):
        picture = (row.element, row.px_per_mm, row.x_mm, row.y_mm, hashlib.sha256(row.png).hexdigest())
        found[PICTURE + row.element] = _digest([picture])
    return found


def write_digests(connection: Connection, entry: int) -> None:
    """Write the digests of an entry that has none yet."""
    rows = [{"entry": entry, "part": part, "sha256": sha} for part, sha in digests_of(connection, entry).items()]
    connection.execute(insert(digests), rows)


def _digest(rows: list[tuple[Any, ...]]) -> str:
    # rows in an order of their own: two databases sort texts differently
    text = sorted(json.dumps(row, ensure_ascii=True) for row in rows)
    return hashlib.sha256("\n".join(text).encode("ascii")).hexdigest()
