"""The ledger's tables, as the newest version has them; older ones are brought here by ``migrations``.

Moments are ISO 8601 text in UTC, so that SQLite and PostgreSQL hold, sort and answer the same.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    UniqueConstraint,
    text,
)

__all__ = [
    "CONDITIONS",
    "IN_TIME",
    "VERSION",
    "about",
    "crops",
    "digests",
    "documents",
    "entries",
    "kinds",
    "metadata",
    "readings",
    "scans",
]

VERSION: Final = 4
"""Version of these tables. 2 added which definition of the measures a score is of; 3 has no standard error of 0.
4 added the digests."""

metadata: Final = MetaData()

about: Final = Table(
    "inkstrain_ledger",
    metadata,
    Column("only", Integer, CheckConstraint('"only" = 1'), primary_key=True),
    Column("version", Integer, nullable=False),
)
"""One row: which version the tables have."""

CONDITIONS: Final = {
    "printer": String,
    "paper": String,
    "ink": String,
    "profile": String,
    "intent": String,
    "black_point_compensation": Boolean,
    "media_setting": String,
    "quality_setting": String,
    "date": String,
    "note": String,
    "print_name": String,
    "drying_h": Float,
    "scanner": String,
}
"""The conditions as columns; a new one in `Conditions` needs a migration here."""

entries: Final = Table(
    "inkstrain_entry",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("id", String, nullable=False, unique=True),
    Column("content", String, nullable=False),
    # empty for one's own, since no two NULLs are equal in a unique constraint
    Column("owner", String, nullable=False),
    Column("label", String),
    Column("kept_at", String, nullable=False),
    Column("measured_at", String, nullable=False),
    Column("chart", String, nullable=False),
    Column("scan_set", String, nullable=False),
    Column("basis", String, nullable=False),
    Column("dpi", Float, nullable=False),
    Column("made_by", String, nullable=False),
    Column("flags", String, nullable=False),
    Column("within", Boolean),
    Column("contours", Integer, nullable=False),
    Column("evenness", Float),
    Column("reach", Float),
    *(Column(name, kind) for name, kind in CONDITIONS.items()),
    Column("measures", Integer, nullable=False, server_default=text("1")),
    UniqueConstraint("content", "owner", name="inkstrain_entry_once"),
)
"""One row a score: what a list, a search and a time axis need, without opening the score itself."""

IN_TIME: Final = (entries.c.measured_at, entries.c.kept_at, entries.c.id)
"""The order of every list."""

Index("inkstrain_entry_in_time", *IN_TIME)
for _name in ("label", "scan_set", "printer", "paper"):
    Index(f"inkstrain_entry_{_name}", entries.c[_name])

_ENTRY: Final = "inkstrain_entry.number"

scans: Final = Table(
    "inkstrain_scan",
    metadata,
    Column("sha256", String, primary_key=True),
    Column("entry", Integer, ForeignKey(_ENTRY, ondelete="CASCADE"), primary_key=True, index=True),
)

documents: Final = Table(
    "inkstrain_document",
    metadata,
    Column("entry", Integer, ForeignKey(_ENTRY, ondelete="CASCADE"), primary_key=True, autoincrement=False),
    Column("score", LargeBinary, nullable=False),
    Column("verdict", LargeBinary),
    Column("sha256", String, nullable=False),
)
"""The score and its verdict as packed JSON; the hash is that of both texts unpacked."""

crops: Final = Table(
    "inkstrain_crop",
    metadata,
    Column("entry", Integer, ForeignKey(_ENTRY, ondelete="CASCADE"), primary_key=True),
    Column("element", String, primary_key=True),
    Column("px_per_mm", Float, nullable=False),
    Column("x_mm", Float, nullable=False),
    Column("y_mm", Float, nullable=False),
    Column("png", LargeBinary, nullable=False),
)

digests: Final = Table(
    "inkstrain_digest",
    metadata,
    Column("entry", Integer, ForeignKey(_ENTRY, ondelete="CASCADE"), primary_key=True),
    Column("part", String, primary_key=True),
    Column("sha256", String, nullable=False),
)
"""SHA-256 of each part of an entry that is not its document; see `inkstrain.scoring.ledger.digests`."""

kinds: Final = Table(
    "inkstrain_kind",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("element", String, nullable=False),
    Column("measure", String, nullable=False),
    Column("unit", String, nullable=False),
    UniqueConstraint("element", "measure", "unit", name="inkstrain_kind_once"),
)
"""Element and measure of a reading, written once and not with each of a hundred readings a score."""

readings: Final = Table(
    "inkstrain_reading",
    metadata,
    Column("entry", Integer, ForeignKey(_ENTRY, ondelete="CASCADE"), primary_key=True),
    Column("kind", Integer, ForeignKey("inkstrain_kind.number"), primary_key=True),
    Column("value", Float),
    Column("standard_error", Float),
    Column("hidden_below", Float),
    # the readings of one score lie side by side: a printer's are read in few pages
    sqlite_with_rowid=False,
)
