"""Everything as a tidy table: one row an element and measure, all conditions beside it; as CSV or Parquet."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from inkstrain.targets.errors import WrongUsageError

from .tables import CONDITIONS
from .values import Entry

if TYPE_CHECKING:
    from .book import Ledger

__all__ = ["COLUMNS", "csv_lines", "csv_table", "harmless", "write_parquet"]

_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""What makes a spreadsheet take a text for a formula (OWASP, "CSV Injection")."""

_CONDITION_KINDS: Final = {"String": str, "Boolean": bool, "Float": float}

COLUMNS: Final[dict[str, type]] = {
    "entry": str,
    "label": str,
    "owner": str,
    "kept_at": datetime,
    "measured_at": datetime,
    "chart": str,
    **{name: _CONDITION_KINDS[kind.__name__] for name, kind in CONDITIONS.items()},
    "basis": str,
    "dpi": float,
    "made_by": str,
    "measures": int,
    "flags": str,
    "within": bool,
    "element": str,
    "measure": str,
    "unit": str,
    "value": float,
    "standard_error": float,
    "hidden_below": float,
}
"""The table's columns and what they hold; ``entry`` is the score's id, moments are UTC (ISO 8601 in CSV).

``standard_error`` is empty where none was estimated.
"""

_ENTRIES_AT_ONCE: Final = 200


def harmless(value: object) -> object:
    """Return a text so that no spreadsheet runs it: with a quote before it. Numbers stay as they are."""
    risky = isinstance(value, str) and (value.startswith(_STARTS) or value.lstrip().startswith(_STARTS))
    return f"'{value}" if risky else value


def csv_lines(rows: Sequence[Mapping[str, Any]]) -> str:
    """Return rows as CSV (RFC 4180) under the first row's names; nothing if there are none."""
    return _csv(rows, list(rows[0])) if rows else ""


def csv_table(ledger: Ledger, entries: Iterable[Entry]) -> Iterator[str]:
    """Yield the tidy table as CSV (RFC 4180), piece by piece, its heading first.

    Parameters
    ----------
    entries : iterable of Entry
        Which scores.
    """
    yield _csv([], list(COLUMNS))
    for rows in _batches(ledger, entries):
        yield _csv(rows, list(COLUMNS), heading=False)


def write_parquet(ledger: Ledger, entries: Iterable[Entry], path: Path) -> None:
    """Write the tidy table as a Parquet file, the same columns as `csv_table`, with their types.

    Raises
    ------
    WrongUsageError
        If pyarrow is not installed.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ModuleNotFoundError as error:
        raise WrongUsageError(
            "Parquet needs one more package: install it again as before (pip, pipx, uv), as 'inkstrain[parquet]'."
        ) from error
    kinds = {
        str: pa.string(), int: pa.int64(), float: pa.float64(), bool: pa.bool_(),
        datetime: pa.timestamp("ms", tz="UTC"),
    }  # fmt: skip
    schema = pa.schema([(name, kinds[kind]) for name, kind in COLUMNS.items()])
    with pq.ParquetWriter(path, schema) as writer:
        for rows in _batches(ledger, entries):
            writer.write_table(pa.Table.from_pylist(rows, schema=schema))


def _batches(ledger: Ledger, entries: Iterable[Entry]) -> Iterator[list[dict[str, Any]]]:
    """Yield rows of some hundred scores at a time, so that memory does not grow with the ledger."""
    left = iter(entries)
    while batch := {entry.id: _of_entry(entry) for entry in islice(left, _ENTRIES_AT_ONCE)}:
        yield [
            {
                **batch[reading.entry],
                "element": reading.element, "measure": reading.measure, "unit": reading.unit, "value": reading.value,
                "standard_error": reading.standard_error, "hidden_below": reading.hidden_below,
            }
            for reading in ledger.readings(id=list(batch))
        ]  # fmt: skip


def _of_entry(entry: Entry) -> dict[str, Any]:
    row = {name: getattr(entry, name) for name in COLUMNS if hasattr(entry, name)}
    conditions = {name: getattr(entry.conditions, name) for name in CONDITIONS}
    return {**row, **conditions, "entry": entry.id, "flags": " ".join(entry.flags)}


def _csv(rows: Sequence[Mapping[str, Any]], columns: Sequence[str], *, heading: bool = True) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream)
    if heading:
        writer.writerow(columns)
    writer.writerows([_cell(row[name]) for name in columns] for row in rows)
    return stream.getvalue()


def _cell(value: object) -> object:
    match value:
        case bool():
            return "true" if value else "false"
        case datetime():
            return value.isoformat()
    return harmless(value)
