"""What can be asked of a ledger: conditions as typed, and as a statement."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

from sqlalchemy import ColumnElement, false, or_, select

from inkstrain.targets.errors import WrongUsageError

from .tables import CONDITIONS, entries, scans

__all__ = ["ASKED", "SPOKEN", "clauses", "parse"]

SPOKEN: Final = {
    "bpc": "black_point_compensation",
    "media": "media_setting",
    "quality": "quality_setting",
    "print": "print_name",
    "drying": "drying_h",
    **{name: name for name in CONDITIONS},
}
"""Every name that a condition may be typed by; the shorter ones are the options of ``score``."""

ASKED: Final = {**{name: name for name in ("id", "label", "owner", "chart", "scan", "measures")}, **SPOKEN}

_PART: Final = re.compile(rf"\s*({'|'.join(sorted(ASKED, key=len, reverse=True))})\s*=", re.IGNORECASE)
_YES: Final = {"yes": True, "on": True, "true": True, "1": True, "no": False, "off": False, "false": False, "0": False}


def parse(wanted: str) -> dict[str, Any] | None:
    """Return the conditions of ``printer=…,paper=…``; ``None`` if the text is none. Values may hold commas.

    Raises
    ------
    WrongUsageError
        If a name is not known or a value is not of its kind.
    """
    if "=" not in wanted:
        return None
    if not _PART.match(wanted):
        raise WrongUsageError(
            f"'{wanted.split('=')[0].strip()}' is no condition. Known are {', '.join(sorted(ASKED))}."
        )
    # a comma only parts where a known name follows: papers are called "baryta, batch 2"
    parts = re.split(rf",(?={_PART.pattern})", wanted, flags=re.IGNORECASE)
    found: dict[str, Any] = {}
    for part in parts[::2]:
        name, value = part.split("=", 1)
        column = ASKED[name.strip().lower()]
        found[column] = _value(column, value.strip())
    return found


def clauses(conditions: Mapping[str, Any]) -> list[ColumnElement[bool]]:
    """Return what a row must meet; a value may be one, a sequence of them, or ``None`` for "not stated".

    Raises
    ------
    WrongUsageError
        If a name is not known.
    """
    return [_clause(name, value) for name, value in conditions.items()]


def _clause(name: str, value: Any) -> ColumnElement[bool]:
    column = ASKED.get(name, name)
    values = value if isinstance(value, Sequence) and not isinstance(value, str) else (value,)
    if column == "scan":
        starts = [scans.c.sha256.startswith(v, autoescape=True) for v in values if v]
        held = select(scans.c.entry).where(or_(false(), *starts))
        return entries.c.number.in_(held)
    if column == "owner":
        return entries.c.owner.in_([v or "" for v in values])
    if column not in ("id", "label", "chart", "scan_set", "measures", *CONDITIONS):
        raise WrongUsageError(f"'{name}' is no condition. Known are {', '.join(sorted(ASKED))}.")
    stated = [v for v in values if v is not None]
    options = [entries.c[column].in_(stated)] if stated else []
    if None in values:
        options.append(entries.c[column].is_(None))
    return or_(*options) if options else false()


def _value(column: str, value: str) -> Any:
    if column == "measures":
        if value not in ("1", "2"):
            raise WrongUsageError(f"measures is 1 or 2, which definition of the measures, not '{value}'.")
        return int(value)
    if not value:
        return None
    if column == "black_point_compensation":
        if value.lower() not in _YES:
            raise WrongUsageError(f"bpc is yes or no, not '{value}'.")
        return _YES[value.lower()]
    if column == "drying_h":
        try:
            hours = float(value)
        except ValueError:
            hours = math.nan
        if not math.isfinite(hours):
            raise WrongUsageError(f"drying is a number of hours, not '{value}'.")
        return hours
    return value
