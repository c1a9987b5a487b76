"""The ledger itself: keep, find, list, drop and check."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from datetime import datetime
from types import TracebackType
from typing import TYPE_CHECKING, Any, Final, Self, TypeVar

from sqlalchemy import Engine, Row, delete, func, select, tuple_
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import IntegrityError

from inkstrain.targets.errors import LedgerError

from . import asking, content
from .checking import DOCUMENT, entry_problems, problems
from .digests import PICTURE
from .filing import file_score
from .opening import begin, told
from .tables import IN_TIME, digests, documents, entries, kinds, readings, scans
from .tables import crops as crop_table
from .values import AnyScore, AnyVerdict, Contents, Entry, Filing, Kept, KeptReading
from .variants import near_values

if TYPE_CHECKING:
    from ..results.crops import Crop

__all__ = ["Ledger"]

_Of = TypeVar("_Of")

_ID_LETTERS: Final = frozenset("abcdefghijklmnopqrstuvwxyz234567")
_LEAST_START: Final = 3
_LEAST_HASH: Final = 8
_ROWS_AT_ONCE: Final = 10_000
_TRIES: Final = 4
_MOST_OFFERED: Final = 6
_NAMED: Final = (
    "label", "printer", "paper", "ink", "profile", "intent", "media_setting", "quality_setting", "scanner",
    "print_name",
)  # fmt: skip


class Ledger:
    """An open ledger; `inkstrain.scoring.ledger.open_ledger` opens one. Every method may raise `LedgerError`.

    Parameters
    ----------
    engine : Engine
        With tables of this version.
    name : str
        What a sentence calls it; holds no password.
    """

    def __init__(self, engine: Engine, name: str) -> None:
        self._engine = engine
        self.name = name
        self._kinds: dict[tuple[str, str, str], int] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def keep(
        self,
        score: AnyScore,
        crops: Mapping[str, Crop] | None = None,
        verdict: AnyVerdict | None = None,
        *,
        label: str | None = None,
        owner: str | None = None,
        kept_at: datetime | None = None,
    ) -> Kept:
        """File a score, whole or not at all; the same scans measured the same way are filed once.

        Parameters
        ----------
        score : Score or FirstScore
            With its conditions.
        crops : mapping of element id to Crop, optional
            Pictures; kept smaller.
        verdict : Verdict, optional
            Kept beside the score.
        label : str, optional
            A name to find it by; several scores may share one.
        owner : str, optional
            Whose it is, if not one's own.
        kept_at : datetime, optional
            Now, if not given.
        """
        one = Filing(score=score, crops=crops or {}, verdict=verdict, label=label, owner=owner, kept_at=kept_at)
        return self.keep_all(lambda: (one,))[0]

    def keep_all(self, filings: Callable[[], Iterable[Filing]]) -> tuple[Kept, ...]:
        """File many scores, all of them or none.

        Parameters
        ----------
        filings : callable
            Gives what to file, the same each time: it is gone through more than once, so that only one score need be
            in memory, and nothing is written before all could be read.
        """
        wanted = {kind for one in filings() for kind in content.reading_rows(one.score)}
        with told(self.name):
            numbers = self._numbers(wanted)
            for _ in range(_TRIES):
                try:
                    with begin(self._engine, write=True) as connection:
                        filed = [file_score(connection, one, numbers) for one in filings()]
                except IntegrityError:
                    # someone else filed the same scans, or took the same id, at this very moment
                    continue
                return tuple(self._kept(row, already_there=there) for row, there in filed)
        raise LedgerError(f"The ledger {self.name} did not keep the score. Try again.")

    def find(self, wanted: str) -> tuple[Kept, ...]:
        """Return the scores that a text names, in order of time; none if nothing fits.

        Parameters
        ----------
        wanted : str
            A label, an id or its start, the start of a scan's hash, or conditions (``printer=…,paper=…``).

        Raises
        ------
        LedgerError
            If the start of an id fits several, or nothing fits but something near it was kept.
        WrongUsageError
            If a condition is not known.
        """
        wanted = wanted.strip()
        conditions = asking.parse(wanted)
        if conditions is not None:
            return self._all(conditions) or self._offered(conditions)
        if not wanted:
            return ()
        start = wanted.lower()
        # a label that came with a pack must not hide an id
        named = self._all({"id": start}) or self._all({"label": wanted})
        if named:
            return named
        if len(start) >= _LEAST_START and set(start) <= _ID_LETTERS:
            by_id = self._by_start(start)
            if by_id:
                return by_id
        if len(start) >= _LEAST_HASH and set(start) <= set("0123456789abcdef"):
            return self._all({"scan": start})
        return self._offered({"label": wanted})

    def _offered(self, conditions: Mapping[str, Any]) -> tuple[Kept, ...]:
        """Return nothing, or name what was kept that a text nobody kept may mean.

        Raises
        ------
        LedgerError
            If there is something near.
        """
        for name, text in conditions.items():
            known = self.known(name) if isinstance(text, str) and name in _NAMED else {}
            near = near_values(text, known) if known else []
            if near:
                listed = "; ".join(f"{one} ({known[one]})" for one in near[:_MOST_OFFERED])
                more = f" and {len(near) - _MOST_OFFERED} more" if len(near) > _MOST_OFFERED else ""
                what = name.replace("_", " ")
                raise LedgerError(
                    f"The ledger {self.name} knows no {what} '{text}'. Near it, with how many scores: {listed}{more}."
                )
        return ()

    def entries(self, **conditions: Any) -> Iterator[Entry]:
        """Yield light rows in order of time.

        Parameters
        ----------
        **conditions
            Any condition, ``id``, ``label``, ``owner``, ``chart``, ``scan``, ``scan_set`` or ``measures``: a value,
            several, or ``None`` for what was not stated (for ``owner``: one's own).
        """
        for row in self._rows(conditions):
            yield content.entry_of(row)

    def readings(self, measure: str | None = None, element: str | None = None, **conditions: Any) -> list[KeptReading]:
        """Return readings in order of time, then element and measure as first filed; conditions as in `entries`."""
        wanted = [*asking.clauses(conditions)]
        if measure is not None:
            wanted.append(kinds.c.measure == measure)
        if element is not None:
            wanted.append(kinds.c.element == element)
        statement = (
            select(
                entries.c.id, kinds.c.element, kinds.c.measure, kinds.c.unit, readings.c.value,
                readings.c.standard_error, func.coalesce(readings.c.hidden_below, 0.0),
            )
            .join_from(entries, readings, readings.c.entry == entries.c.number)
            .join(kinds, kinds.c.number == readings.c.kind)
            .where(*wanted)
            .order_by(*IN_TIME, kinds.c.element, kinds.c.measure)
        )  # fmt: skip
        with told(self.name), begin(self._engine) as connection:
            return [KeptReading(*row) for row in connection.execute(statement)]

    def known(self, condition: str) -> dict[str, int]:
        """Return how often each value of a condition was used, the most used first."""
        column = entries.c[asking.ASKED[condition]]
        times = func.count()
        statement = select(column, times).where(column.is_not(None)).group_by(column)
        with told(self.name), begin(self._engine) as connection:
            found = [(str(value), int(count)) for value, count in connection.execute(statement)]
        return dict(sorted(found, key=lambda pair: (-pair[1], pair[0])))

    def drop(self, wanted: str) -> Kept:
        """Remove one score and return its light row; its id, or an unambiguous start of it, names it.

        Raises
        ------
        LedgerError
            If there is none, or several fit.
        """
        found = self._by_start(wanted.strip().lower())
        if not found:
            raise LedgerError(f"The ledger {self.name} holds no score with the id '{wanted}'; nothing was dropped.")
        number = select(entries.c.number).where(entries.c.id == found[0].id).scalar_subquery()
        with told(self.name), begin(self._engine, write=True) as connection:
            for table in (readings, crop_table, documents, scans, digests):
                connection.execute(delete(table).where(table.c.entry == number))
            connection.execute(delete(entries).where(entries.c.id == found[0].id))
        return found[0]

    def count(self) -> int:
        """Return how many scores it holds."""
        with told(self.name), begin(self._engine) as connection:
            return int(connection.execute(select(func.count()).select_from(entries)).scalar_one())

    def check(self) -> tuple[str, ...]:
        """Return what is wrong with the ledger, one sentence each; nothing if it is sound."""
        with told(self.name):
            return tuple(problems(self._engine))

    def problems_of(self, id_: str) -> tuple[str, ...]:
        """Return what is wrong with one entry, one sentence each; nothing if it is whole."""
        with told(self.name), begin(self._engine) as connection:
            number = connection.execute(select(entries.c.number).where(entries.c.id == id_)).scalar_one()
        return tuple(problem.text for problem in entry_problems(self._engine, number))

    def whole(self, lost: Callable[[str], None]) -> Iterator[Filing]:
        """Yield all that is whole as it may be filed elsewhere; ``lost`` is called with a sentence for what is not."""
        with told(self.name), begin(self._engine) as connection:
            numbers = connection.execute(select(entries.c.number).order_by(entries.c.number)).scalars().all()
        for number in numbers:
            found = entry_problems(self._engine, number)
            for problem in found:
                lost(problem.text)
            if any(problem.part == DOCUMENT for problem in found):
                continue
            with told(self.name), begin(self._engine) as connection:
                row = connection.execute(select(entries).where(entries.c.number == number)).one()
            kept = self._kept(row)
            yield Filing(
                score=kept.any_score, verdict=kept.any_verdict, crops=kept.crops(), label=row.label,
                owner=row.owner or None, kept_at=kept.kept_at,
            )  # fmt: skip

    def _rows(self, conditions: Mapping[str, Any]) -> Iterator[Row[Any]]:
        """Yield light rows in order of time, a page at a time: an open reading would keep writers waiting."""
        statement = select(entries).where(*asking.clauses(conditions)).order_by(*IN_TIME).limit(_ROWS_AT_ONCE)
        page = statement
        while True:
            with told(self.name), begin(self._engine) as connection:
                rows = connection.execute(page).all()
            yield from rows
            if len(rows) < _ROWS_AT_ONCE:
                return
            last = rows[-1]
            page = statement.where(tuple_(*IN_TIME) > tuple_(last.measured_at, last.kept_at, last.id))

    def _all(self, conditions: Mapping[str, Any]) -> tuple[Kept, ...]:
        return tuple(self._kept(row) for row in self._rows(conditions))

    def _by_start(self, start: str) -> tuple[Kept, ...]:
        statement = select(entries).where(entries.c.id.startswith(start, autoescape=True)).order_by(*IN_TIME)
        with told(self.name), begin(self._engine) as connection:
            rows = connection.execute(statement).all()
        exact = [row for row in rows if row.id == start]
        if len(rows) > 1 and not exact:
            listed = ", ".join(row.id for row in rows[:4]) + (", …" if len(rows) > 4 else "")
            raise LedgerError(f"'{start}' is the start of {len(rows)} ids ({listed}). Give more of it.")
        return tuple(self._kept(row) for row in exact or rows)

    def _kept(self, row: Row[Any], *, already_there: bool = False) -> Kept:
        number: int = row.number
        return Kept(
            entry=content.entry_of(row),
            already_there=already_there,
            contents=Contents(
                score=lambda: self._read(content.score_of, number, row.id),
                verdict=lambda: self._read(lambda found: content.verdict_of(found, row.measures), number, row.id),
                crops=lambda: self._crops(number),
            ),
        )

    def _read(self, read: Callable[[Row[Any]], _Of], number: int, id_: str) -> _Of:
        try:
            return read(self._document(number, id_))
        except ValueError as error:
            raise LedgerError(
                f"The score {id_} in the ledger {self.name} is damaged. See: inkstrain ledger check"
            ) from error

    def _document(self, number: int, id_: str) -> Row[Any]:
        with told(self.name), begin(self._engine) as connection:
            row = connection.execute(select(documents).where(documents.c.entry == number)).one_or_none()
        if row is None:
            raise LedgerError(f"The score {id_} is no longer in the ledger {self.name}.")
        return row

    def _crops(self, number: int) -> dict[str, Crop]:
        """Return the pictures that are whole; `check` names others."""
        broken = {problem.part for problem in entry_problems(self._engine, number)}
        statement = select(crop_table).where(crop_table.c.entry == number)
        with told(self.name), begin(self._engine) as connection:
            rows = connection.execute(statement).all()
        return {row.element: content.crop_of(row) for row in rows if PICTURE + row.element not in broken}

    def _numbers(self, wanted: Collection[tuple[str, str, str]]) -> Mapping[tuple[str, str, str], int]:
        """Return the number of every kind of reading; new ones are entered first, in a transaction of their own."""
        new = sorted(set(wanted) - self._kinds.keys())
        if new:
            dialect = postgresql if self._engine.dialect.name == "postgresql" else sqlite
            statement = dialect.insert(kinds).on_conflict_do_nothing()
            rows = [{"element": element, "measure": measure, "unit": unit} for element, measure, unit in new]
            with begin(self._engine, write=True) as connection:
                connection.execute(statement, rows)
                for row in connection.execute(select(kinds)):
                    self._kinds[row.element, row.measure, row.unit] = row.number
        return self._kinds
