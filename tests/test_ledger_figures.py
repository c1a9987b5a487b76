"""Small versions of the ledger's figures (``bench_ledger.py`` has the full ones), migration, and equal answers."""

from __future__ import annotations

import random
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import bench_ledger
import pytest
from ledger_samples import postgres_url, sample
from sqlalchemy import Connection, text

from inkstrain.scoring.compare.comparable import read_all
from inkstrain.scoring.ledger import migrations, open_ledger, tables
from inkstrain.targets.errors import LedgerError

FIND_S = 1.0  # the project's own goal, for 100,000 scores
MEMORY_MIB = 300.0


def test_one_printer_of_many_answers_at_once_in_little_memory(tmp_path: Path) -> None:
    file = str(tmp_path / "many.sqlite")
    bench_ledger.fill(file, 400)
    asked = bench_ledger.done("ask", file)
    assert asked["scores"] == 400 // bench_ledger.PRINTERS
    assert asked["readings"] == len(read_all(sample(0))) * asked["scores"]
    assert asked["find s"] + asked["all readings s"] < FIND_S
    assert asked["MiB"] < MEMORY_MIB


@pytest.mark.parametrize("database", ["sqlite", "postgresql"])
def test_writers_at_once_lose_nothing_and_file_nothing_twice(database: str, tmp_path: Path) -> None:
    if database == "sqlite":
        outcome = bench_ledger.writers(str(tmp_path / "w.sqlite"), 3, 16)
    else:
        with postgres_url() as url:
            outcome = bench_ledger.writers(url, 3, 16)
    assert outcome["there"] == bench_ledger.SHARED + 3 * (16 - bench_ledger.SHARED)
    assert {outcome[name] for name in ("failed writers", "missing", "twice", "problems")} == {0}


def test_a_killed_writer_leaves_every_score_that_it_reported(tmp_path: Path) -> None:
    outcome = bench_ledger.done("killed", str(tmp_path), "15", str(random.randrange(10**6)))
    assert outcome["reported"] > 0
    assert (outcome["lost"], outcome["problems"], outcome["unopened"]) == (0, 0, 0)


def test_sqlite_and_postgresql_answer_alike(tmp_path: Path) -> None:
    draw = random.Random(7)
    scores = [
        sample(
            n, printer=draw.choice(["Alder (invented)", "rowan", "Ärmel", None]), paper=draw.choice(["a", "A", "b"]),
            date=draw.choice([None, "2025", "2026-02-03", "x"]), drying_h=draw.choice([None, 0.1, 24.0]),
            black_point_compensation=draw.choice([None, True, False]),
        )
        for n in range(40)
    ]  # fmt: skip
    with postgres_url() as url, open_ledger(url) as there, open_ledger(tmp_path / "here.sqlite") as here:
        for ledger in (here, there):
            for n, score in enumerate(scores):
                ledger.keep(score, label=f"l{n % 3}", kept_at=datetime(2026, 5, 1, tzinfo=UTC))
        asking = ({}, {"printer": "rowan"}, {"paper": ["a", "A"]}, {"drying_h": 0.1}, {"date": None}, {"label": "l1"})
        for asked in asking:
            assert list(here.entries(**asked)) == list(there.entries(**asked))
            assert here.readings(**asked) == there.readings(**asked)
        for words in ("l2", "printer=Ärmel", "paper=a,bpc=yes", "drying=24", "printer=", next(here.entries()).id[:4]):
            assert [kept.entry for kept in here.find(words)] == [kept.entry for kept in there.find(words)]
        assert here.known("paper") == there.known("paper")


@pytest.mark.parametrize("database", ["sqlite", "postgresql"])
def test_an_older_ledger_is_brought_forward_whole_or_not_at_all(
    database: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if database == "sqlite":
        _migrates(str(tmp_path / "old.sqlite"), monkeypatch)
    else:
        with postgres_url() as url:
            _migrates(url, monkeypatch)


def _migrates(where: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Bring a ledger over two injected migrations, the second of which fails at first."""
    with open_ledger(where) as ledger:
        kept = ledger.keep(sample(1), label="old")

    def add(connection: Connection) -> None:
        connection.execute(text("ALTER TABLE inkstrain_entry ADD COLUMN lamp VARCHAR"))

    def fill_in(connection: Connection) -> None:
        connection.execute(text("UPDATE inkstrain_entry SET lamp = 'unknown'"))

    def stumble(connection: Connection) -> None:
        connection.execute(text("UPDATE inkstrain_entry SET label = 'lost'"))
        connection.execute(text("SELECT * FROM no_such_table"))

    monkeypatch.setattr(tables, "VERSION", tables.VERSION + 2)
    first = tables.VERSION - 2
    monkeypatch.setattr(migrations, "MIGRATIONS", {first: add, first + 1: stumble})
    with pytest.raises(LedgerError):
        open_ledger(where)
    monkeypatch.setattr(migrations, "MIGRATIONS", {first: add, first + 1: fill_in})
    with open_ledger(where) as ledger, ledger._engine.connect() as connection:
        assert connection.execute(text("SELECT lamp FROM inkstrain_entry")).scalars().all() == ["unknown"]
        assert connection.execute(text("SELECT version FROM inkstrain_ledger")).scalar_one() == first + 2
        assert [one.id for one in ledger.find("old")] == [kept.id]
    monkeypatch.undo()
    with pytest.raises(LedgerError, match="newer inkstrain"):
        open_ledger(where)


def test_a_ledger_written_by_the_first_version_still_opens(tmp_path: Path) -> None:
    """The file has the tables of version 1 in plain SQL: a change of ours without a migration shows."""
    made = sqlite3.connect(tmp_path / "made.sqlite")
    made.executescript((Path(__file__).parent / "ledger_version_1.sql").read_text(encoding="utf-8"))
    made.close()
    with open_ledger(tmp_path / "made.sqlite") as ledger:
        kept = ledger.keep(sample(1))
        assert ledger.find(kept.id)[0].score == sample(1)
        assert ledger.check() == ()
    open_ledger(tmp_path / "fresh.sqlite").close()
    schemas = []
    for name in ("made", "fresh"):
        connection = sqlite3.connect(tmp_path / f"{name}.sqlite")
        found = connection.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY name").fetchall()
        schemas.append([(table, "".join(sql.split())) for table, sql in found])
        connection.close()
    assert schemas[0] == schemas[1], "the tables changed: raise VERSION and write a migration"
