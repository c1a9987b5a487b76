"""Whether a ledger is sound: its file, its rows, every document's hash, and digests over all else."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

from sqlalchemy import Connection, Engine, func, select
from sqlalchemy.exc import DatabaseError, SQLAlchemyError

from .content import unpacked
from .digests import PICTURE, digests_of
from .opening import begin
from .tables import crops, digests, documents, entries, readings, scans

__all__ = ["DOCUMENT", "Problem", "entry_problems", "problems"]

DOCUMENT: Final = "document"
"""The part of an entry that all else can be made from again: its score and verdict."""

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
        for table in (documents, scans, readings, crops, digests):
            belongs = select(entries.c.number).where(entries.c.number == table.c.entry).exists()
            lost = select(func.count()).select_from(table).where(~belongs)
            if count := connection.execute(lost).scalar_one():
                yield f"{count} rows of {table.name} belong to no entry."
        numbers = connection.execute(select(entries.c.number).order_by(entries.c.number)).scalars().all()
    for number in numbers:
        yield from (problem.text for problem in entry_problems(engine, number))


def _file_problems(connection: Connection) -> Iterator[str]:
    try:
        for row in connection.exec_driver_sql("PRAGMA integrity_check(5)").scalars():
            if row != "ok":
                yield f"The file is damaged: {row}."
    except DatabaseError as error:
        yield f"The file is damaged: {error.orig}."


class Problem(NamedTuple):
    """What is wrong with a part of an entry: `DOCUMENT`, or one of `inkstrain.scoring.ledger.digests`."""

    part: str
    text: str


def entry_problems(engine: Engine, number: int) -> list[Problem]:
    """Return what is wrong with the entry of a number: its document against its hash, all else against digests."""
    name = f"of number {number}"
    try:
        with begin(engine) as connection:
            rows = connection.execute(select(digests.c.part, digests.c.sha256).where(digests.c.entry == number))
            written = {row.part: row.sha256 for row in rows}
            name = str(connection.execute(select(entries.c.id).where(entries.c.number == number)).scalar_one())
            document = connection.execute(select(documents).where(documents.c.entry == number)).one_or_none()
            found = digests_of(connection, number)
    except (SQLAlchemyError, ValueError, TypeError) as error:
        return [Problem(DOCUMENT, f"The entry {name} cannot be read ({' '.join(str(error).split())[:120]}).")]
    problems = []
    try:
        if document is not None:
            unpacked(document)
    except ValueError as error:
        problems.append(Problem(DOCUMENT, f"The score {name} is damaged: {error}."))
    for part in sorted({*written, *found}):
        if written.get(part) != found.get(part):
            what = f"The {part.replace('entry', 'row')} of {name}" if not part.startswith(PICTURE) else (
                f"The picture of {part.removeprefix(PICTURE)} of {name}"
            )
            problems.append(Problem(part, f"{what} {'is' if part != 'readings' else 'are'} not as written."))
    return problems
