"""Forward migrations: each brings a ledger from one version of its tables to the next, within one transaction."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from sqlalchemy import Connection, delete, select, text, update

from . import tables
from .digests import write_digests

__all__ = ["MIGRATIONS", "migrate"]


def _which_measures(connection: Connection) -> None:
    """Say of every score which definition of the measures it is of: until now there was one."""
    connection.execute(text("ALTER TABLE inkstrain_entry ADD COLUMN measures INTEGER DEFAULT 1 NOT NULL"))


def _no_error_of_nought(connection: Connection) -> None:
    """Empty the standard errors of 0: they said that none was estimated."""
    connection.execute(text("UPDATE inkstrain_reading SET standard_error = NULL WHERE standard_error = 0"))


def _digests(connection: Connection) -> None:
    """Take digests of what is there: from now on a change is seen."""
    tables.digests.create(connection, checkfirst=True)
    connection.execute(delete(tables.digests))
    for entry in connection.execute(select(tables.entries.c.number)).scalars().all():
        write_digests(connection, entry)


MIGRATIONS: Final[dict[int, Callable[[Connection], None]]] = {1: _which_measures, 2: _no_error_of_nought, 3: _digests}
"""By the version they start from: 1 brings a ledger from version 1 to 2. Statements must suit both databases."""


def migrate(connection: Connection, version: int) -> None:
    """Bring the tables of an older version to the newest; the caller's transaction makes it all or nothing."""
    for start in range(version, tables.VERSION):
        MIGRATIONS[start](connection)
    if version < tables.VERSION:
        connection.execute(update(tables.about).values(version=tables.VERSION))
