"""Scores of the first definition: listed, shown and passed on as they were kept, and never compared.

``data/first`` was written by the last program of measures/1 from a rehearsal of chart 2TFSJEAK: two scans of a print
with a step of 4 ΔE00 at 7.0 mm and tones merged from 9.5 to 11.5 mm in red to white.
"""

from __future__ import annotations

import csv
import io
import json
import shutil
import sqlite3
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from ledger_samples import sample

from inkstrain.scoring.ledger import import_file, open_ledger
from inkstrain.scoring.ledger.content import content_hash, long_id, scan_hashes
from inkstrain.scoring.results.firstscore import FirstScore, read_any_score, read_score
from inkstrain.scoring.results.score import Score
from inkstrain.targets.errors import CannotMeasureError, WrongUsageError
from inkstrain.targets.recipe import Recipe

Run = Callable[..., tuple[int, str, str]]
FIRST = Path(__file__).parent / "data" / "first"
IDS = ("lunpu7s4", "kugvwfgf")
RECIPE = Recipe(sheet="150x170", hues=2, only=("ring-to-white", "neutral-wedge"))
MINE = "printer=Alder (invented)"


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "ledger.sqlite"
    shutil.copy(FIRST / "ledger.sqlite", path)
    monkeypatch.setenv("INKSTRAIN_LEDGER", str(path))
    return path


@pytest.fixture
def mixed(book: Path) -> str:
    """Return the id of a score of the second definition and the same chart, kept beside the first ones."""
    with open_ledger(book) as ledger:
        return ledger.keep(
            sample(1, date="2026-06-01").model_copy(update={"chart": RECIPE.chart_id, "recipe": RECIPE.text})
        ).id


def _of_the_file(statement: str) -> list[tuple]:
    connection = sqlite3.connect(FIRST / "ledger.sqlite")
    try:
        return connection.execute(statement).fetchall()
    finally:
        connection.close()


def test_a_file_is_read_by_its_schema(tmp_path: Path) -> None:
    first = read_any_score(FIRST / "score.json")
    assert isinstance(first, FirstScore)
    ring = first.elements[0]
    # what was put into the print
    assert (ring.contours[0].radius_mm, ring.contours[0].contrast_de00) == pytest.approx((7.0, 4.0), abs=0.03)
    assert (ring.flat_bands[0].inner_mm, ring.flat_bands[0].outer_mm) == pytest.approx((9.5, 11.5), abs=0.03)
    assert isinstance(read_any_score(sample(1).model_dump_json().encode()), Score)
    with pytest.raises(WrongUsageError, match=r"score\.json: measured by the first definition"):
        read_score(FIRST / "score.json")
    for wrong in (b"", b"[]", b'{"schema": "inkstrain/score/1"}', b"[" * 100_000, b"\xff"):
        with pytest.raises(CannotMeasureError):
            read_any_score(wrong)


def test_what_is_new_in_a_first_score_is_ignored_and_kept() -> None:
    document = json.loads((FIRST / "score.json").read_text(encoding="utf-8")) | {"later": 1}
    score = FirstScore.of(json.dumps(document))
    assert json.loads(score.document)["later"] == 1


def test_a_first_ledger_opens_sound_and_its_scores_say_what_they_are(book: Path) -> None:
    with open_ledger(book) as ledger:
        assert [(entry.id, entry.measures) for entry in ledger.entries()] == [(id_, 1) for id_ in IDS]
        assert ledger.check() == ()
        assert list(ledger.entries(measures=2)) == []
        assert [kept.id for kept in ledger.find("measures=1,paper=matt 190 (invented)")] == [IDS[1]]
        with pytest.raises(WrongUsageError, match="1 or 2"):
            ledger.find("measures=3")
        kept = ledger.find("first try")[0]
        # indented by the program that wrote the file, not by the ledger
        assert json.loads(kept.any_score.document) == json.loads((FIRST / "score.json").read_text(encoding="utf-8"))
        assert kept.crops().keys() == {"ring-to-white-red"}


def test_the_same_scan_measured_again_is_another_score(book: Path) -> None:
    with open_ledger(book) as ledger:
        old = ledger.find(IDS[0])[0]
        tiles = tuple(
            tile.model_copy(update={"scan_sha256": scan_hashes(old.any_score)[0]}) for tile in sample(1).tiles
        )
        again = sample(1).model_copy(
            update={"tiles": tiles, "chart": old.entry.chart, "recipe": old.any_score.recipe,
                    "colour_basis": old.any_score.colour_basis, "viewing": old.any_score.viewing}
        )  # fmt: skip
        new = ledger.keep(again)
        assert not new.already_there
        assert new.entry.scan_set == old.entry.scan_set
        assert {entry.measures for entry in ledger.entries()} == {1, 2}


def test_the_list_says_which_measures_where_there_are_two(run: Run, mixed: str) -> None:
    out = run("ledger", "list")[1]
    assert max(map(len, out.splitlines())) <= 80
    rows = [line.split() for line in out.splitlines()]
    assert rows[0][-1] == "measures"
    assert {row[0]: row[-1] for row in rows[-3:]} == {IDS[0]: "1", IDS[1]: "1", mixed: "2"}
    assert "measures" not in run("ledger", "list", "measures=2")[1]
    listed = json.loads(run("ledger", "list", "--json", "-")[1])
    assert [row["measures"] for row in listed] == [1, 1, 2]


def test_a_first_score_is_shown_in_words_and_as_it_was_kept(run: Run, book: Path) -> None:
    code, out, _ = run("ledger", "show", "first try")
    words = " ".join(out.split())
    assert code == 0
    assert "measures/1" in words
    assert "ring-to-white-red: rings 4.0 ΔE00 at 7.0 mm" in words
    assert "merged tones 9.5–11.5 mm" in words
    assert "It was outside tolerance: ring-to-white-red: visible contours 2, allowed at most 0" in words
    ((packed,),) = _of_the_file(
        "SELECT d.score FROM inkstrain_document d JOIN inkstrain_entry e ON e.number = d.entry "
        "WHERE e.label = 'first try'"
    )
    assert run("ledger", "show", IDS[0], "--json", "-")[1] == zlib.decompress(packed).decode() + "\n"
    code, _, err = run("ledger", "show", IDS[0], "--report", book.parent / "r.html")
    assert code == 2
    assert not (book.parent / "r.html").exists()
    assert err.startswith(f"inkstrain: {IDS[0]}: measured by the first definition")


def test_a_first_ledgers_figures_stand_in_the_table_as_they_were_kept(run: Run, mixed: str) -> None:
    rows = list(csv.DictReader(io.StringIO(run("ledger", "table", "--out", "-")[1])))
    kept = _of_the_file(
        "SELECT e.id, k.element, k.measure, r.value FROM inkstrain_reading r JOIN inkstrain_entry e ON "
        "e.number = r.entry JOIN inkstrain_kind k ON k.number = r.kind"
    )
    first = {(row["entry"], row["element"], row["measure"]): row["value"] for row in rows if row["measures"] == "1"}
    assert first == {tuple(row[:3]): "" if row[3] is None else repr(row[3]) for row in kept}
    assert {row["entry"] for row in rows if row["measures"] == "2"} == {mixed}


def test_a_pack_carries_both_and_takes_a_first_one_as_it_was(run: Run, mixed: str, tmp_path: Path) -> None:
    assert run("ledger", "export", "--out", tmp_path / "both.zip")[0] == 0
    with open_ledger(tmp_path / "theirs.sqlite") as theirs, open_ledger(tmp_path / "ledger.sqlite") as mine:
        filed = import_file(theirs, tmp_path / "both.zip", "Mira (invented)")
        assert sorted(kept.entry.measures for kept in filed) == [1, 1, 2]
        assert theirs.check() == ()
        assert all(kept.already_there for kept in import_file(theirs, FIRST / "pack.zip", "Mira (invented)"))
        for kept in filed:
            (own,) = mine.find(f"measures={kept.entry.measures},date={kept.entry.conditions.date}")
            assert json.loads(kept.any_score.model_dump_json()) == json.loads(own.any_score.model_dump_json())
            assert kept.any_verdict == own.any_verdict
            # what stands in the score itself is filed again, alike
            read, kept_read = (
                {(row.element, row.measure, row.unit, row.value) for row in ledger.readings(id=id_)}
                for ledger, id_ in ((theirs, kept.id), (mine, own.id))
            )
            assert read
            assert read <= kept_read
        # the old program's own id: the same scans measured the same way are filed once, whoever files them
        assert {long_id(content_hash(kept.any_score), "")[:8] for kept in filed if kept.entry.measures == 1} == set(IDS)


def test_a_first_score_file_is_filed_later(run: Run, book: Path) -> None:
    assert "0 scores; 1 kept before" in run("ledger", "import", FIRST / "score.json")[2]
    assert run("ledger", "drop", IDS[0])[0] == 0
    assert "Took in 1 score;" in run("ledger", "import", FIRST / "score.json")[2]
    assert run("ledger", "check")[0] == 0


@pytest.mark.parametrize(
    "change",
    [
        lambda d: d.pop("totals"),
        lambda d: d["totals"].update(evenness=float("nan")),
        lambda d: d["elements"][0]["profile"].update(lab=[float("inf")]),  # in what is only kept
    ],
)
def test_a_spoiled_first_score_is_refused(
    change: Callable[[dict[str, object]], object], run: Run, book: Path, tmp_path: Path
) -> None:
    document = json.loads((FIRST / "score.json").read_text(encoding="utf-8"))
    change(document)
    (tmp_path / "spoiled.json").write_text(json.dumps(document), encoding="utf-8")
    code, _, err = run("ledger", "import", tmp_path / "spoiled.json")
    assert code == 4
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (("compare", IDS[0], IDS[1]), IDS),
        (("compare", MINE, "{mixed}"), IDS),
        (("compare", FIRST / "score.json", "{mixed}"), ("score.json",)),
        (("trend",), IDS),
        (("trend", "first try"), IDS[:1]),
        (("photos", "{photo}", "--a", IDS[1]), IDS[1:]),
        (("photos", "{photo}", "--a", FIRST / "score.json"), ("score.json",)),
    ],
)
def test_first_scores_are_not_compared_followed_or_used(
    words: tuple[object, ...], names: tuple[str, ...], run: Run, mixed: str, tmp_path: Path
) -> None:
    from PIL import Image

    Image.new("RGB", (40, 30)).save(tmp_path / "photo.png")
    typed = [str(word).format(mixed=mixed, photo=tmp_path / "photo.png") for word in words]
    code, out, err = run(*typed)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    for name in names:
        assert name in err.partition(": measured by")[0]
    assert "Scan the print again" in err


def test_first_scores_are_left_out_where_that_is_asked_for(run: Run, mixed: str) -> None:
    code, _, err = run("trend", "measures=1")
    assert (code, "add measures=2" in err) == (2, True)
    code, out, _ = run("trend", "measures=2")
    assert code == 0
    assert out
    code, _, err = run("compare", f"{MINE},measures=2", f"{MINE},paper=gloss 290 (invented),measures=2")
    assert code == 0, err
