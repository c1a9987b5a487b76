"""One line of a ledger, without the score itself."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from .score import Conditions

__all__ = ["Entry"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of the ledger, without the score itself.

    Attributes
    ----------
    id : str
        Follows from the scans, the way of measuring and the owner: filed again they get the same id.
    label : str or None
        The user's own name; several entries may share one.
    kept_at : datetime
        When it was first kept, UTC.
    measured_at : datetime
        Its place on a time axis, UTC: the print's date if it was given as a date (ISO 8601), else ``kept_at``.
    chart : str
        Chart id.
    conditions : Conditions
        How the print was made.
    owner : str or None
        ``None`` for one's own, else the name given when its pack was imported.
    flags : tuple of str
        Flags of the score and of its tiles.
    scan_set : str
        Hash over the scans: entries that share it rest on the same scans, measured in different ways.
    basis : str
        Kind of colour basis.
    dpi : float
        Resolution of the coarsest scan.
    made_by : str
        Version of the program that measured.
    within : bool or None
        Whether it was within the tolerances that it was judged by; ``None`` if it was not judged.
    contours, evenness, reach : int, float or None, float or None
        How many rings all fades have, and their means.
    measures : int
        Which definition of the measures its figures are of; those of 1 are listed and shown, not compared.
    """

    id: str
    label: str | None
    kept_at: datetime
    measured_at: datetime
    chart: str
    conditions: Conditions
    owner: str | None
    flags: tuple[str, ...]
    scan_set: str
    basis: str
    dpi: float
    made_by: str
    within: bool | None
    contours: int
    evenness: float | None
    reach: float | None
    measures: int
