"""From what is typed to the sides of a comparison: score files, ids and labels of a ledger, groups by conditions."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeVar

from inkstrain.targets.errors import LedgerError, WrongUsageError

from ..compare.comparable import MEASURES, Reading
from ..compare.compare import History, label_prints
from ..compare.sides import Readings, by_print, making
from ..results.comparison import Comparison
from ..results.firstscore import read_score, refuse_first
from ..results.score import Score
from .comparing import compare_prints

if TYPE_CHECKING:
    from ..ledger import Entry, Kept, KeptReading, Ledger
    from ..results.crops import Crop

__all__ = [
    "NEWEST",
    "Wanted",
    "compare_wanted",
    "find_wanted",
    "history_of",
    "is_file",
    "own_first",
    "readings_by_entry",
]

NEWEST: Final = 12
"""How many scores of a group are compared, the newest: more would hardly narrow anything and take long to read."""

_EARLIER: Final = 60
_OWNER: Final = re.compile(r"(^|,)\s*owner\s*=", re.IGNORECASE)

_Owned = TypeVar("_Owned", "Kept", "Entry")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """One side as found.

    Attributes
    ----------
    hint : str
        What it may be called where its conditions give no name.
    scores : tuple of Score
        In order of time.
    kept : tuple of Kept
        The same in the ledger; empty for a file.
    is_group : bool
        Whether it was asked for by conditions.
    left_out : int
        Scores that fit but are older than the newest that were taken, of another chart, or of the same scans.
    """

    hint: str
    scores: tuple[Score, ...]
    kept: tuple[Kept, ...] = ()
    is_group: bool = False
    left_out: int = 0

    @property
    def shown(self) -> Score:
        """The score that stands for the side in pictures: its newest."""
        return self.scores[-1]

    def crops(self) -> Mapping[str, Crop]:
        """Return the pictures of the shown score, if they were kept."""
        return self.kept[-1].crops() if self.kept else {}


def is_file(what: str) -> bool:
    """Return whether something typed means a score file and not a name in the ledger."""
    path = Path(what)
    return path.is_file() or path.suffix.lower() == ".json" or len(path.parts) > 1


def find_wanted(whats: Sequence[str], ledger: Ledger | None, *, newest: int = NEWEST) -> tuple[Wanted, ...]:
    """Return what was asked for.

    Parameters
    ----------
    whats : sequence of str
        A score file each, or an id, a label or conditions (``printer=…,paper=…``).
    ledger : Ledger, optional
        Needed unless all are files.
    newest : int
        How many scores of a group to take, at most.

    Raises
    ------
    WrongUsageError, LedgerError, CannotMeasureError
        If something is found nowhere or cannot be read.
    """
    light: list[tuple[str, list[Kept], bool]] = []
    files: dict[int, Score] = {}
    for place, what in enumerate(whats):
        if is_file(what):
            files[place] = read_score(Path(what))
            light.append((Path(what).stem, [], False))
        elif ledger is None:
            raise WrongUsageError(f"'{what}' is no score file, and no ledger was opened.")
        else:
            light.append(_from_ledger(what, ledger))
    chart = _common_chart(files.values(), [kept for _, kept, _ in light])
    taken: dict[int, list[Kept]] = {}
    for place, (_, kept, is_group) in enumerate(light):
        fitting = _once([one for one in kept if one.entry.chart == chart] or kept)
        taken[place] = (own_first(whats[place], fitting) if is_group else fitting)[-newest:]
    if first := [one.id for fitting in taken.values() for one in fitting if one.entry.measures == 1]:
        refuse_first(first, mixed=any(is_group for _, _, is_group in light))
    return tuple(
        Wanted(
            hint=hint,
            scores=(files[place],) if place in files else tuple(one.score for one in taken[place]),
            kept=tuple(taken[place]),
            is_group=is_group,
            left_out=len(kept) - len(taken[place]),
        )
        for place, (hint, kept, is_group) in enumerate(light)
    )


def compare_wanted(found: Sequence[Wanted], ledger: Ledger | None) -> Comparison:
    """Compare sides as found, with what the ledger knows of repeats on the same chart and scanner."""
    hints = [one.hint for one in found]
    labels = hints if any(one.is_group for one in found) and len(set(hints)) == len(hints) else None
    comparison = compare_prints(
        [one.scores for one in found],
        labels=labels or label_prints(*(one.shown for one in found), fallback=hints),
        history=history_of(found, ledger) if ledger is not None else (),
        ids=[[kept.id for kept in one.kept] or [t.scan_sha256 for s in one.scores for t in s.tiles] for one in found],
    )
    left_out = [f"{one.hint}: {one.left_out}" for one in found if one.left_out]
    if not left_out:
        return comparison
    text = (
        "Left out of a group, being older than the newest that were taken, of another chart, not one's own or "
        f"of the same scans: {'; '.join(left_out)}."
    )
    return comparison.model_copy(update={"summary": (*comparison.summary, text)})


def history_of(found: Sequence[Wanted], ledger: Ledger) -> History:
    """Return earlier repeats of the same chart, scanner and kind of colour basis, by the printers of the sides.

    Only where printer and paper are stated: what is not stated may have been anything.
    """
    shown = [one.shown for one in found]
    own = {kept.entry.scan_set for one in found for kept in one.kept}
    printers = {score.conditions.printer for score in shown} - {None}
    if not printers or len({score.chart for score in shown}) > 1:
        return ()
    alike = [
        entry
        for entry in ledger.entries(chart=shown[0].chart, printer=sorted(map(str, printers)), measures=2)
        if entry.conditions.paper
        and entry.scan_set not in own
        and any((entry.conditions.scanner, entry.basis) == (s.conditions.scanner, s.colour_basis.kind) for s in shown)
    ]
    groups: dict[object, list[Entry]] = {}
    for entry in _newest_of_each_scan(alike)[-_EARLIER:]:
        groups.setdefault((making(entry.conditions), entry.owner), []).append(entry)
    repeated = [group for group in groups.values() if len(group) > 1]
    ids = [entry.id for group in repeated for entry in group]
    if not ids:
        return ()
    readings = readings_by_entry(ledger.readings(id=ids))
    return [
        [[readings[group[place].id] for place in places] for places in by_print([e.conditions for e in group])]
        for group in repeated
    ]


def own_first(what: str | None, kept: list[_Owned]) -> list[_Owned]:
    """Return one's own of what fits, if there is any and nobody else's was asked for: scanners are not alike."""
    if what is not None and _OWNER.search(what):
        return kept
    return [one for one in kept if one.owner is None] or kept


def readings_by_entry(rows: Iterable[KeptReading]) -> dict[str, Readings]:
    """Return the ledger's rows as `read_all` would give them, by entry; unknown measures are left out."""
    by_entry: dict[str, dict[tuple[str, str], Reading | None]] = {}
    for row in rows:
        held = by_entry.setdefault(row.entry, {})
        if row.measure in MEASURES:
            held[row.element, row.measure] = (
                None
                if row.value is None
                else Reading(value=row.value, standard_error=row.standard_error or 0.0, hidden_below=row.hidden_below)
            )
    return dict(by_entry)


def _from_ledger(what: str, ledger: Ledger) -> tuple[str, list[Kept], bool]:
    kept = list(ledger.find(what))
    if not kept:
        raise LedgerError(
            f"The ledger {ledger.name} holds nothing called '{what}', and there is no such score file. "
            "See: inkstrain ledger list"
        )
    if "=" in what:
        values = [part.partition("=")[2].strip() for part in what.split(",")]
        return ", ".join(value for value in values if value) or what, kept, True
    return kept[-1].label or kept[-1].id, kept, False


def _common_chart(files: Iterable[Score], kept: Iterable[Sequence[Kept]]) -> str | None:
    """Return the chart that most sides have, the newest of those if there are several."""
    sides = [{score.chart: ""} for score in files]
    sides += [{one.entry.chart: one.kept_at.isoformat() for one in side} for side in kept if side]
    charts = {chart for side in sides for chart in side}

    def worth(chart: str) -> tuple[int, str]:
        return sum(chart in side for side in sides), max(side.get(chart, "") for side in sides)

    return max(charts, key=worth, default=None)


def _once(kept: Sequence[Kept]) -> list[Kept]:
    """Return the newest of those that rest on the same scans."""
    return list({one.entry.scan_set: one for one in kept}.values())


def _newest_of_each_scan(entries: Sequence[Entry]) -> list[Entry]:
    return list({entry.scan_set: entry for entry in entries}.values())
