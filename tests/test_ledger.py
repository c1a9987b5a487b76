"""The ledger, on SQLite and on PostgreSQL: what goes in comes out, once, in order, and the same from both."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from ledger_samples import postgres_url, sample, sha
from sqlalchemy import text

from inkstrain.scoring.compare.comparable import read_all
from inkstrain.scoring.judge.judge import judge
from inkstrain.scoring.ledger import Ledger, open_ledger
from inkstrain.scoring.ledger.tables import CONDITIONS
from inkstrain.scoring.results.crops import Crop
from inkstrain.scoring.results.score import Conditions
from inkstrain.targets.errors import LedgerError, WrongUsageError


@pytest.fixture(params=["sqlite", "postgresql"])
def ledger(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Ledger]:
    if request.param == "sqlite":
        with open_ledger(tmp_path / "ledger.sqlite") as opened:
            yield opened
    else:
        with postgres_url() as url, open_ledger(url) as opened:
            yield opened


def test_a_kept_score_comes_back_whole(ledger: Ledger) -> None:
    score = sample(1, date="2026-03-04", black_point_compensation=True, drying_h=24.0)
    verdict = judge(score)
    kept = ledger.keep(score, verdict=verdict, label="first try")
    assert not kept.already_there
    (found,) = ledger.find(kept.id)
    assert (found.id, found.label, found.owner) == (kept.id, "first try", None)
    assert len(kept.id) == 8
    assert found.score == score
    assert found.verdict == verdict
    assert found.entry.conditions == score.conditions
    assert found.entry.within is verdict.within
    assert found.entry.measured_at == datetime(2026, 3, 4, tzinfo=UTC)
    assert ledger.check() == ()


def test_pictures_are_kept_small_and_stay_in_place(ledger: Ledger) -> None:
    pixels = np.tile(np.arange(240, dtype=np.uint8)[:, None, None], (1, 120, 3))
    crop = Crop(image=pixels, px_per_mm=12.0, origin_mm=(30.0, 40.0))
    kept = ledger.keep(sample(1), {"ring-to-white-blue": crop})
    (small,) = kept.crops().values()
    assert small.image.shape == (160, 80, 3)
    assert small.size_mm == pytest.approx(crop.size_mm)
    assert small.origin_mm == crop.origin_mm
    # a ramp averaged down is the same ramp
    assert np.abs(small.image[:, 0, 0] - (np.arange(160) + 0.5) * 1.5 + 0.5).max() <= 1.0


def test_the_same_scans_are_filed_once_and_another_way_of_measuring_again(ledger: Ledger) -> None:
    first = ledger.keep(sample(1))
    again = ledger.keep(sample(1, note="typed later"))
    assert again.already_there
    assert again.id == first.id
    assert again.score.conditions.note is None
    otherwise = sample(1).model_copy(update={"viewing": sample(1).viewing.model_copy(update={"distance_mm": 600.0})})
    other = ledger.keep(otherwise)
    assert not other.already_there
    assert other.id != first.id
    assert other.entry.scan_set == first.entry.scan_set
    assert len(list(ledger.entries())) == 2


def test_readings_of_an_instrument_have_no_scan_and_are_still_told_apart(ledger: Ledger) -> None:
    first, second = (sample(n).model_copy(update={"tiles": ()}) for n in (1, 2))
    kept = [ledger.keep(one) for one in (first, second, first)]
    assert [one.already_there for one in kept] == [False, False, True]
    assert kept[0].id == kept[2].id != kept[1].id
    assert ledger.check() == ()


def test_scores_are_found_by_id_label_scan_and_conditions(ledger: Ledger) -> None:
    a = ledger.keep(sample(1, paper="baryta, batch 2 (invented)"), label="pair")
    b = ledger.keep(sample(2, printer="Rowan (invented)", black_point_compensation=False), label="pair")
    assert [k.id for k in ledger.find(a.id[:5])] == [a.id]
    assert {k.id for k in ledger.find("pair")} == {a.id, b.id}
    assert [k.id for k in ledger.find(sha(2)[:12])] == [b.id]
    assert [k.id for k in ledger.find("paper=baryta, batch 2 (invented), printer=Alder (invented)")] == [a.id]
    assert [k.id for k in ledger.find("bpc=no")] == [b.id]
    assert {k.id for k in ledger.find("ink=")} == {a.id, b.id}
    assert ledger.find("never") == ()
    with pytest.raises(LedgerError, match=r"Near it.*Alder \(invented\) \(1\)"):
        ledger.find("printer=Alder")
    with pytest.raises(WrongUsageError, match="papper"):
        ledger.find("papper=x")


def test_the_start_of_several_ids_is_refused(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("inkstrain.scoring.ledger.content.long_id", lambda content, owner: "abc" + content[:40])
    ids = [ledger.keep(sample(n)).id for n in (1, 2)]
    with pytest.raises(LedgerError, match="start of 2 ids"):
        ledger.find("abc")
    with pytest.raises(LedgerError, match="start of 2 ids"):
        ledger.drop("abc")
    assert {e.id for e in ledger.entries()} == set(ids)


def test_ids_that_start_alike_grow_until_they_differ(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    ends = iter(["x", "y"])
    monkeypatch.setattr("inkstrain.scoring.ledger.content.long_id", lambda content, owner: "aaaaaaaaa" + next(ends))
    assert [ledger.keep(sample(n)).id for n in (1, 2)] == ["aaaaaaaa", "aaaaaaaaa"]


def test_entries_come_in_order_of_time_by_the_prints_date_where_it_is_one(ledger: Ledger) -> None:
    dates = ["2026-05", "2024", "last spring", "2025-12-31", "2026-05-02T10:00:00+02:00", "2026-13-01"]
    ids = [
        ledger.keep(sample(n, date=date), kept_at=datetime(2026, 6, 1, n, tzinfo=UTC)).id
        for n, date in enumerate(dates)
    ]
    assert [e.id for e in ledger.entries()] == [ids[n] for n in (1, 3, 0, 4, 2, 5)]


def test_readings_are_those_that_a_comparison_reads(ledger: Ledger) -> None:
    score = sample(1)
    kept = ledger.keep(score)
    ledger.keep(sample(2, printer="Rowan (invented)"))
    rows = ledger.readings(printer="Alder (invented)")
    expected = read_all(score)
    assert {(row.element, row.measure) for row in rows} == set(expected)
    for row in rows:
        reading = expected[row.element, row.measure]
        assert row.entry == kept.id
        assert row.value == (None if reading is None else reading.value)
        if reading is not None:
            assert (row.standard_error or 0.0, row.hidden_below) == (reading.standard_error, reading.hidden_below)
    (excess,) = ledger.readings("excess", "ring-to-white-blue", id=kept.id)
    assert (excess.value, excess.unit) == (1.51, "ΔE00")
    with pytest.raises(WrongUsageError, match="colour"):
        ledger.readings(colour="x")


def test_dropping_leaves_nothing_behind(ledger: Ledger) -> None:
    kept, other = ledger.keep(sample(1)), ledger.keep(sample(2))
    assert ledger.drop(kept.id).id == kept.id
    assert [e.id for e in ledger.entries()] == [other.id]
    assert ledger.find(sha(1)) == ()
    assert {row.entry for row in ledger.readings()} == {other.id}
    assert ledger.check() == ()
    with pytest.raises(LedgerError, match="nothing was dropped"):
        ledger.drop(kept.id)
    assert not ledger.keep(sample(1)).already_there


def test_known_values_of_a_condition_are_counted(ledger: Ledger) -> None:
    for n in range(3):
        ledger.keep(sample(n, paper="gloss 290 (invented)" if n else "matt 190 (invented)"))
    assert ledger.known("paper") == {"gloss 290 (invented)": 2, "matt 190 (invented)": 1}


def test_characters_that_no_database_holds_do_no_harm(ledger: Ledger) -> None:
    kept = ledger.keep(sample(1, printer="a\x00b", note="”ü𝛥\u202e"), label="x\x00y\udcff")
    assert kept.score.conditions.printer == "a\x00b"
    assert ledger.known("printer") == {"ab": 1}
    assert ledger.known("note") == {"”ü𝛥\u202e": 1}


def test_a_lists_reader_does_not_keep_a_writer_waiting(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("inkstrain.scoring.ledger.book._ROWS_AT_ONCE", 2)
    dates = [f"2026-01-{day:02d}" for day in (3, 1, 2, 5, 4)]
    for n, date in enumerate(dates):
        ledger.keep(sample(n, date=date))
    seen = []
    for number, entry in enumerate(ledger.entries()):
        seen.append(entry.conditions.date)
        if number == 0:
            ledger.keep(sample(99, date="2026-02-01"))
    assert seen == [*sorted(dates), "2026-02-01"]


def test_the_ledger_has_a_column_for_every_condition() -> None:
    assert list(CONDITIONS) == list(Conditions.model_fields), "a new condition needs a column and a migration"


def test_a_ledger_of_the_first_tables_says_that_its_scores_are_of_the_first_measures(ledger: Ledger) -> None:
    kept = ledger.keep(sample(1))
    assert kept.entry.measures == 2
    url = ledger._engine.url
    with ledger._engine.begin() as connection:
        connection.execute(text("ALTER TABLE inkstrain_entry DROP COLUMN measures"))
        connection.execute(text("UPDATE inkstrain_ledger SET version = 1"))
    with open_ledger(url.render_as_string(hide_password=False)) as again:
        assert [(entry.id, entry.measures) for entry in again.entries()] == [(kept.id, 1)]
        assert again.find("measures=2") == ()


def test_an_error_that_was_not_estimated_is_empty_in_older_ledgers_too(ledger: Ledger) -> None:
    kept = ledger.keep(sample(1))
    assert None in {row.standard_error for row in ledger.readings()}, "the sample has errors for everything"
    before = ledger.readings()
    with ledger._engine.begin() as connection:
        connection.execute(text("UPDATE inkstrain_reading SET standard_error = 0 WHERE standard_error IS NULL"))
        connection.execute(text("UPDATE inkstrain_ledger SET version = 2"))
    assert 0.0 in {row.standard_error for row in ledger.readings()}
    with open_ledger(ledger._engine.url.render_as_string(hide_password=False)) as again:
        assert again.readings(id=kept.id) == before
        assert again.check() == ()
