"""Opening a ledger: where it is, whether it is one, and what goes wrong on the way as a plain sentence.

SQLite runs with its rollback journal, not with a write-ahead log: a log needs memory shared between processes and
is not for network folders, where a studio may well keep its ledger. ``synchronous = EXTRA`` makes a commit outlast
a power cut; a writer takes its lock at the start of a transaction (``BEGIN IMMEDIATE``), so that two can only wait
for each other and never deadlock.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import URL, Connection, Engine, create_engine, event, insert, inspect, make_url, select, text
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError

from inkstrain.targets.errors import LedgerError

from . import migrations, tables

if TYPE_CHECKING:
    from .book import Ledger

__all__ = ["begin", "default_ledger", "open_ledger", "told"]

_APPLICATION_ID: Final = 0x496E6B53  # "InkS", in the header of every SQLite file of ours
_BUSY_S: Final = 60.0
_CONNECT_S: Final = 10
_POSTGRES_LOCK: Final = 0x496E6B53  # one process makes or migrates the tables, the others wait


def default_ledger() -> str:
    """Return where the ledger is if nobody says: ``INKSTRAIN_LEDGER``, else a file in the user's data folder."""
    named = os.environ.get("INKSTRAIN_LEDGER", "").strip()
    if named:
        return named
    from platformdirs import user_data_path

    return str(user_data_path("inkstrain", appauthor=False) / "ledger.sqlite")


def open_ledger(where: str | Path | None = None, *, create: bool = True) -> Ledger:
    """Open a ledger, made if there is none yet; tables of an older version are brought to this one.

    Parameters
    ----------
    where : str or Path, optional
        A file, or a URL of SQLAlchemy's form (``postgresql://user@host/database``); see `default_ledger`.
    create : bool
        Whether to make a ledger where there is none.

    Raises
    ------
    LedgerError
        If it is not there, cannot be reached, is damaged, belongs to another program or to a newer inkstrain.
    """
    from .book import Ledger

    url = _url(default_ledger() if where is None else where)
    name = _shown(url)
    file = _file(url)
    if file is not None:
        _check_file(file, name, create)
    engine = _engine(url)
    try:
        with told(name):
            _prepare(engine, name, create)
    except BaseException:
        engine.dispose()
        raise
    return Ledger(engine, name)


@contextmanager
def begin(engine: Engine, *, write: bool = False) -> Iterator[Connection]:
    """Yield a connection within one transaction, committed if all goes well; a writer locks from the start."""
    with engine.connect() as plain:
        connection = plain.execution_options(inkstrain_write=write)
        with connection.begin():
            yield connection


@contextmanager
def told(name: str) -> Iterator[None]:
    """Turn what a database has to say into a sentence with the ledger's name."""
    try:
        yield
    except DBAPIError as error:
        raise LedgerError(_sentence(name, error)) from error
    except SQLAlchemyError as error:
        raise LedgerError(f"The ledger {name} cannot be used: {_one_line(error)}.") from error
    except (ValueError, TypeError, OverflowError) as error:  # what stands in a column is not of its kind
        raise LedgerError(f"The ledger {name} is damaged ({_one_line(error)}). See: inkstrain ledger check") from error


def _url(where: str | Path) -> URL:
    spoken = str(where)
    if "://" not in spoken:
        return URL.create("sqlite", database=str(Path(spoken).expanduser()))
    # the last @ parts user from host (RFC 3986, 3.2); one in a password, not written as %40, would show it as a host
    scheme, _, rest = spoken.partition("://")
    authority, slash, path = rest.partition("/")
    user, at, host = authority.rpartition("@")
    try:
        url = make_url(f"{scheme}://{user.replace('@', '%40')}{at}{host}{slash}{path}")
        if url.drivername in ("postgresql", "postgres"):
            url = url.set(drivername="postgresql+psycopg")
    except (ArgumentError, NoSuchModuleError, ValueError) as error:
        raise LedgerError(
            "The ledger's address is not a URL that can be read. Give a file, or postgresql://USER@HOST/DATABASE."
        ) from error
    if url.drivername not in ("sqlite", "postgresql+psycopg") or (url.drivername == "sqlite" and not url.database):
        raise LedgerError(
            f"A ledger cannot be kept in {url.drivername}. Give a file, or postgresql://USER@HOST/DATABASE."
        )
    return url


def _shown(url: URL) -> str:
    """Return the ledger's name for a sentence, without a password."""
    if url.get_backend_name() == "sqlite":
        return str(url.database)
    return url.set(drivername="postgresql", query={}).render_as_string(hide_password=True)


def _file(url: URL) -> Path | None:
    if url.get_backend_name() != "sqlite" or url.query or str(url.database).startswith((":", "file:")):
        return None
    return Path(str(url.database))


def _check_file(file: Path, name: str, create: bool) -> None:
    if file.is_dir():
        raise LedgerError(f"{name} is a folder. Give the name of a file for the ledger.")
    if not create and (not file.exists() or not file.stat().st_size):
        raise LedgerError(
            f"There is no ledger at {name} yet. 'inkstrain score --keep' makes one, --ledger names another."
        )
    if create and not file.exists():
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise LedgerError(
                f"The folder {file.parent} for the ledger cannot be made ({error.strerror}). "
                "Name another place with --ledger."
            ) from error


def _engine(url: URL) -> Engine:
    if url.get_backend_name() == "sqlite":
        engine = create_engine(url, connect_args={"timeout": _BUSY_S})
        event.listen(engine, "connect", _set_up_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine
    try:
        query = {"connect_timeout": str(_CONNECT_S), "application_name": "inkstrain", **url.query}
        engine = create_engine(url.set(query=query), pool_pre_ping=True)
    except ModuleNotFoundError as error:
        raise LedgerError(
            "A ledger in PostgreSQL needs one more package: install inkstrain again as before (pip, pipx, uv), "
            "as 'inkstrain[postgres]'."
        ) from error
    return engine


def _set_up_sqlite(connection: Any, _: object) -> None:
    # the driver's own idea of when a transaction begins is too late for a lock; see _begin_sqlite
    connection.isolation_level = None
    for pragma in ("foreign_keys = ON", "synchronous = EXTRA", "trusted_schema = OFF"):
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    write = connection.get_execution_options().get("inkstrain_write", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


def _prepare(engine: Engine, name: str, create: bool) -> None:
    """Make, check or migrate the tables, so that they are this program's."""
    with begin(engine) as connection:
        version = _version(connection, name)
    if version == tables.VERSION:
        return
    if version is None and not create:
        raise LedgerError(f"There is no ledger at {name} yet. 'inkstrain score --keep' makes one.")
    with begin(engine, write=True) as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _POSTGRES_LOCK})
        # another process may have been faster
        version = _version(connection, name)
        if version is None:
            tables.metadata.create_all(connection)
            connection.execute(insert(tables.about).values(only=1, version=tables.VERSION))
            if engine.dialect.name == "sqlite":
                connection.exec_driver_sql(f"PRAGMA application_id = {_APPLICATION_ID}")
        else:
            migrations.migrate(connection, version)


def _version(connection: Connection, name: str) -> int | None:
    """Return the version of the tables, ``None`` if there are none; refuse what is not ours or is newer."""
    if connection.dialect.name == "sqlite":
        marked = connection.exec_driver_sql("PRAGMA application_id").scalar_one()
        held = connection.exec_driver_sql("SELECT count(*) FROM sqlite_master").scalar_one()
        if marked != _APPLICATION_ID and (held or marked):
            raise LedgerError(
                f"{name} belongs to another program, and was left alone. Name another file with --ledger."
            )
    if not inspect(connection).has_table(tables.about.name):
        return None
    version = connection.execute(select(tables.about.c.version)).scalar_one_or_none()
    if not isinstance(version, int) or version < 1:
        raise LedgerError(f"The ledger {name} is damaged: it does not say what version it is. Restore a copy of it.")
    if version > tables.VERSION:
        raise LedgerError(
            f"The ledger {name} was written by a newer inkstrain (its version {version}, this program knows up to "
            f"{tables.VERSION}). Update inkstrain; nothing was changed."
        )
    return int(version)


def _sentence(name: str, error: DBAPIError) -> str:
    cause = error.orig
    said = _one_line(cause or error)
    if not isinstance(cause, sqlite3.Error):
        if error.connection_invalidated or type(cause).__name__ == "OperationalError":
            return f"The ledger {name} cannot be reached or does not answer ({said}). Check its address and server."
        return f"The ledger {name} could not be used ({said})."
    code = getattr(cause, "sqlite_errorname", "") or ""
    words = {
        "SQLITE_BUSY": f"another program has held it for {_BUSY_S:.0f} s. Close that program, and try again",
        "SQLITE_LOCKED": "another program holds it. Close that program, and try again",
        "SQLITE_FULL": "its disk is full. Make room, and try again; what was kept before is still there",
        "SQLITE_READONLY": "it can only be read, not written. Change its permissions, or name another with --ledger",
        "SQLITE_CANTOPEN": "it cannot be opened. Check its folder and permissions, or name another with --ledger",
        "SQLITE_NOTADB": "it is not a ledger, or a damaged one. Restore a copy of it, or name another with --ledger",
        "SQLITE_CORRUPT": "it is damaged or cut short. Restore a copy of it, or name another with --ledger",
        "SQLITE_IOERR": "its disk cannot be read or written. Check the disk, and try again",
    }
    for start, sentence in words.items():
        if code.startswith(start):
            return f"The ledger {name} cannot be used: {sentence}."
    return f"The ledger {name} cannot be used: {said}."


def _one_line(error: BaseException) -> str:
    return " ".join(str(error).split()).rstrip(".")[:300]
