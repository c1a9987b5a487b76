"""The tidy table: every reading with all conditions, no text that a spreadsheet runs, the same as CSV and Parquet."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pyarrow.parquet
import pytest
from ledger_samples import sample

from inkstrain.scoring.compare.comparable import read_all
from inkstrain.scoring.ledger import open_ledger
from inkstrain.scoring.ledger.tidy import COLUMNS, harmless
from inkstrain.scoring.results.score import Conditions

Run = Callable[..., tuple[int, str, str]]

# starts that OWASP's page "CSV Injection" names, from memory
FORMULAS = ("=1+1", "+1", "-1+1", "@SUM(1)", "\t=1", "\r=1", "\n=1", " =1", "＝1", "=HYPERLINK(\"x\",\"y\")")


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    monkeypatch.setenv("INKSTRAIN_LEDGER", str(tmp_path / "ledger.sqlite"))
    with open_ledger() as ledger:
        return [
            ledger.keep(
                sample(1, paper='gloss, "290"\nsecond line', note="=1+1", date="2026-02-03", drying_h=0.5,
                       black_point_compensation=False)
            ).id,
            ledger.keep(sample(2, printer="-Rowan"), label="+x").id,
        ]  # fmt: skip


def test_one_row_an_element_and_measure_with_all_conditions(run: Run, book: list[str]) -> None:
    code, out, _ = run("ledger", "table", "--out", "-")
    assert code == 0
    rows = list(csv.DictReader(io.StringIO(out)))
    assert list(rows[0]) == list(COLUMNS)
    assert set(Conditions.model_fields) < set(COLUMNS)
    expected = read_all(sample(1))
    mine = [row for row in rows if row["entry"] == book[0]]
    assert len(mine) == len(expected) == len(rows) // 2
    for row in mine:
        reading = expected[row["element"], row["measure"]]
        assert row["value"] == ("" if reading is None else repr(float(reading.value)))
        error = None if reading is None else reading.standard_error
        assert row["standard_error"] == (repr(float(error)) if error else "")
        assert row["paper"] == 'gloss, "290"\nsecond line'
        assert row["black_point_compensation"] == "false"
        assert (row["drying_h"], row["measured_at"]) == ("0.5", "2026-02-03T00:00:00+00:00")
    assert len({(row["element"], row["measure"]) for row in mine}) == len(mine)


def test_no_text_starts_a_formula_and_numbers_stay_numbers(run: Run, book: list[str]) -> None:
    rows = list(csv.DictReader(io.StringIO(run("ledger", "table", book[1], "--out", "-")[1])))
    assert {row["printer"] for row in rows} == {"'-Rowan"}
    assert {row["label"] for row in rows} == {"'+x"}
    for text in FORMULAS:
        assert harmless(text) == "'" + text
    for value in ("gloss 290", "", "a=b", -1.5, None, True):
        assert harmless(value) == value


def test_parquet_holds_the_same_with_its_types(run: Run, book: list[str], tmp_path: Path) -> None:
    assert run("ledger", "table", "--out", tmp_path / "t.parquet")[0] == 0
    assert run("ledger", "table", "--out", tmp_path / "t.csv")[0] == 0
    table = pyarrow.parquet.read_table(tmp_path / "t.parquet")
    with (tmp_path / "t.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert table.column_names == list(rows[0])
    kinds = {name: str(table.schema.field(name).type) for name in ("value", "within", "measured_at", "paper")}
    assert kinds == {"value": "double", "within": "bool", "measured_at": "timestamp[ms, tz=UTC]", "paper": "string"}
    for name in ("value", "standard_error", "hidden_below", "drying_h"):
        assert [float(row[name]) if row[name] else None for row in rows] == table[name].to_pylist()
    for name in ("kept_at", "measured_at"):
        # datetime.fromisoformat reads ISO 8601
        assert [datetime.fromisoformat(row[name]) for row in rows] == table[name].to_pylist()
    assert None in table["standard_error"].to_pylist()
    assert 0.0 not in table["standard_error"].to_pylist()
    # no spreadsheet reads this file: its texts are as they were typed
    assert table["note"][0].as_py() == "=1+1"
    assert table["measured_at"][0].as_py() == datetime(2026, 2, 3, tzinfo=UTC)


@pytest.mark.parametrize("name", ["t.xlsx", "t", "t.csv.gz"])
def test_no_other_kind_of_file_is_written_as_csv(run: Run, book: list[str], tmp_path: Path, name: str) -> None:
    code, _, err = run("ledger", "table", "--out", tmp_path / name)
    assert code == 2
    assert ".parquet" in err
    assert not (tmp_path / name).exists()


def test_without_pyarrow_parquet_says_what_to_install(
    run: Run, book: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    code, _, err = run("ledger", "table", "--out", tmp_path / "t.parquet")
    assert code == 2
    assert "inkstrain[parquet]" in err
    assert not list(tmp_path.glob("*parquet*"))
