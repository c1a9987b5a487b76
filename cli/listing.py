"""Entries of a ledger as a table for a terminal, as JSON and as CSV."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from .talk import visible

if TYPE_CHECKING:
    from inkstrain.scoring.ledger import Entry

__all__ = ["csv_text", "json_text", "table_text"]


def table_text(entries: Sequence[Entry], width: int) -> str:
    """Return a table that fits the width; long texts end in an ellipsis."""
    import io

    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    # columns that would be empty leave their room to the others
    texts = {
        heading: column
        for heading, column in {
            "label": [entry.label for entry in entries],
            "owner": [entry.owner for entry in entries],
            **{name: [getattr(entry.conditions, name) for entry in entries] for name in ("printer", "paper", "intent")},
        }.items()
        if any(column)
    }
    # only texts give way: a figure that is cut is another figure
    table = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), show_edge=False, expand=bool(texts))
    table.add_column("id", no_wrap=True)
    table.add_column("date", no_wrap=True)
    for heading, column in texts.items():
        longest = max(len(heading), *(len(text or "") for text in column))
        table.add_column(heading, no_wrap=True, overflow="ellipsis", ratio=longest)
    # figures of two definitions are not to be read side by side unawares
    mixed = any(entry.measures == 1 for entry in entries)
    for heading in ("rings", "evenness", *(("measures",) if mixed else ())):
        table.add_column(heading, justify="right", no_wrap=True)
    for number, entry in enumerate(entries):
        even = "–" if entry.evenness is None else f"{entry.evenness:.2f}"
        named = (column[number] or "" for column in texts.values())
        of = (str(entry.measures),) if mixed else ()
        cells = (entry.id, f"{entry.measured_at:%Y-%m-%d}", *named, str(entry.contours), even, *of)
        table.add_row(*(Text(visible(cell)) for cell in cells))
    stream = io.StringIO()
    Console(file=stream, width=width, color_system=None, legacy_windows=False).print(table)
    return "\n".join(line.rstrip() for line in stream.getvalue().splitlines()) + "\n"


def json_text(entries: Sequence[Entry]) -> str:
    """Return a list of objects, one an entry."""
    import json

    return json.dumps([_row(entry) for entry in entries], indent=1, ensure_ascii=False) + "\n"


def csv_text(entries: Sequence[Entry]) -> str:
    """Return one line an entry, conditions in columns; no text can start a formula in a spreadsheet."""
    from inkstrain.scoring.ledger.tidy import csv_lines

    rows = [{**_row(entry), "flags": " ".join(entry.flags)} for entry in entries]
    return csv_lines([{**row, **row.pop("conditions")} for row in rows])


def _row(entry: Entry) -> dict[str, Any]:
    import dataclasses

    row = dataclasses.asdict(entry)
    row["conditions"] = entry.conditions.model_dump(mode="json")
    row["kept_at"], row["measured_at"] = entry.kept_at.isoformat(), entry.measured_at.isoformat()
    return row
