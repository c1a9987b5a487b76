"""What can go wrong, as one or two plain sentences for the person at the keyboard."""

from __future__ import annotations

__all__ = ["CannotMeasureError", "InkstrainError", "LedgerError", "WrongUsageError"]


class InkstrainError(Exception):
    """A failure that has a plain sentence: what, where, and what to do next."""

    exit_code = 3


class WrongUsageError(InkstrainError):
    """The request itself cannot be carried out as asked (exit code 2)."""

    exit_code = 2


class CannotMeasureError(InkstrainError):
    """An input could not be read or measured (exit code 3)."""

    exit_code = 3


class LedgerError(InkstrainError):
    """The ledger or a pack could not be read or written (exit code 4)."""

    exit_code = 4
