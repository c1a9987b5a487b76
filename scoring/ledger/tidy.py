"""Everything as a tidy table: one row an element and measure, all conditions beside it."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any, Final

__all__ = ["csv_lines", "harmless"]

_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")
"""What makes a spreadsheet take a text for a formula (OWASP, "CSV Injection")."""


def harmless(value: object) -> object:
    """Return a text so that no spreadsheet runs it: with a quote before it. Numbers stay as they are."""
    return f"'{value}" if isinstance(value, str) and value.startswith(_STARTS) else value


def csv_lines(rows: Sequence[Mapping[str, Any]], *, columns: Sequence[str] = ()) -> str:
    """Return rows as CSV (RFC 4180); the first row's names head the columns if none are given."""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, columns or list(rows[0]) if rows else columns)
    writer.writeheader()
    writer.writerows({name: harmless(value) for name, value in row.items()} for row in rows)
    return stream.getvalue()
