"""Writing one score's rows within a transaction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final

from sqlalchemy import Connection, Row, Table, func, insert, select

from . import content
from .digests import write_digests
from .tables import crops as crop_table
from .tables import documents, entries, readings, scans
from .values import Filing

__all__ = ["file_score"]

_ID_LENGTH: Final = 8


def file_score(
    connection: Connection, one: Filing, kinds: Mapping[tuple[str, str, str], int]
) -> tuple[Row[Any], bool]:
    """Write a score unless it is there, and return its row and whether it was there.

    Parameters
    ----------
    kinds : mapping
        The number of every kind of reading that the score has.

    Raises
    ------
    IntegrityError
        If another process filed the same score, or one with the same id, meanwhile.
    """
    row = content.entry_row(one.score, one.verdict, one.label, one.owner or "", one.kept_at or datetime.now(UTC))
    known = _same(connection, row)
    if known is not None:
        return known, True
    id_ = _free_id(connection, content.long_id(row["content"], row["owner"]))
    key = connection.execute(insert(entries).values({**row, "id": id_})).inserted_primary_key
    assert key is not None
    entry = int(key[0])
    connection.execute(insert(documents).values(entry=entry, **content.document_row(one.score, one.verdict)))
    measured = content.reading_rows(one.score)
    parts: tuple[tuple[Table, Sequence[Mapping[str, Any]]], ...] = (
        (scans, [{"sha256": sha} for sha in content.scan_hashes(one.score)]),
        (readings, [{"kind": kinds[kind], **values} for kind, values in measured.items()]),
        (crop_table, content.pictures(one.crops)),
    )
    for table, rows in parts:
        if rows:
            connection.execute(insert(table), [{"entry": entry, **part} for part in rows])
    write_digests(connection, entry)
    written = _same(connection, row)
    assert written is not None
    return written, False


def _same(connection: Connection, row: Mapping[str, Any]) -> Row[Any] | None:
    found = select(entries).where(entries.c.content == row["content"], entries.c.owner == row["owner"])
    return connection.execute(found).one_or_none()


def _free_id(connection: Connection, full: str) -> str:
    """Return the shortest start of the full id that no other score has."""
    for length in range(_ID_LENGTH, len(full)):
        taken = select(func.count()).select_from(entries).where(entries.c.id == full[:length])
        if not connection.execute(taken).scalar_one():
            return full[:length]
    return full
