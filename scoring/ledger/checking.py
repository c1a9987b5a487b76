"""Whether a ledger is sound: its file, its rows, and every document's hash."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from sqlalchemy import Connection, Engine, func, select
from sqlalchemy.exc import DatabaseError

from .content import unpacked
from .opening import begin
from .tables import crops, documents, entries, readings, scans

__all__ = ["problems"]

_ROWS_AT_ONCE: Final = 200
_TOLD: Final = 5  # more of the same kind say nothing new


def problems(engine: Engine) -> Iterator[str]:
    """Yield what is wrong, one sentence each."""
    with begin(engine) as connection:
        if connection.dialect.name == "sqlite":
            yield from _file_problems(connection)
        for table, what in ((documents, "score"), (scans, "scan"), (readings, "reading")):
            without = ~select(table.c.entry).where(table.c.entry == entries.c.number).exists()
            for id_ in connection.execute(select(entries.c.id).where(without).limit(_TOLD)).scalars():
                yield f"The entry {id_} has no {what}."
        for table in (documents, scans, readings, crops):
            belongs = select(entries.c.number).where(entries.c.number == table.c.entry).exists()
            lost = select(func.count()).select_from(table).where(~belongs)
            if count := connection.execute(lost).scalar_one():
                yield f"{count} rows of {table.name} belong to no entry."
    yield from _document_problems(engine)


def _file_problems(connection: Connection) -> Iterator[str]:
    try:
        for row in connection.exec_driver_sql("PRAGMA integrity_check(5)").scalars():
            if row != "ok":
                yield f"The file is damaged: {row}."
    except DatabaseError as error:
        yield f"The file is damaged: {error.orig}."


def _document_problems(engine: Engine) -> Iterator[str]:
    """Yield what is wrong with documents, a page at a time: an open reading would keep writers waiting."""
    statement = (
        select(entries.c.id, documents)
        .join_from(documents, entries, documents.c.entry == entries.c.number)
        .order_by(documents.c.entry)
        .limit(_ROWS_AT_ONCE)
    )
    last = -1
    while True:
        with begin(engine) as connection:
            rows = connection.execute(statement.where(documents.c.entry > last)).all()
        for row in rows:
            try:
                unpacked(row)
            except ValueError as error:
                yield f"The score {row.id} is damaged: {error}."
        if len(rows) < _ROWS_AT_ONCE:
            return
        last = rows[-1].entry
