"""What is compared, by what was typed: files, ids, labels, groups; and what a ledger teaches of the noise floor."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from ledger_samples import sha
from score_samples import ring, score

from inkstrain.cli.app import main
from inkstrain.scoring.jobs.wanted import compare_wanted, find_wanted, history_of
from inkstrain.scoring.ledger import Ledger, open_ledger
from inkstrain.scoring.results.schema import schemas
from inkstrain.scoring.results.score import Conditions
from inkstrain.targets.errors import LedgerError, WrongUsageError

ALDER, ROWAN = "Alder (invented)", "Rowan (invented)"


def held(printer: str, number: int, **given: object):
    stated = {"printer": printer, "paper": "gloss 290 (invented)", **given}
    evenness = 0.9 + 0.002 * (number % 3) - (0.1 if printer == ROWAN else 0.0)
    return score(
        ring("blue", evenness=evenness), conditions=Conditions.model_validate(stated), sha256=sha(number)
    )  # fmt: skip


@pytest.fixture
def where(tmp_path: Path) -> Path:
    path = tmp_path / "ledger.sqlite"
    with open_ledger(path) as ledger:
        for number in range(6):
            ledger.keep(held((ALDER, ROWAN)[number % 2], number), label=f"sheet {number}")
    return path


@pytest.fixture
def ledger(where: Path):
    with open_ledger(where) as opened:
        yield opened


def test_groups_by_condition_are_compared_print_by_print(ledger: Ledger) -> None:
    found = find_wanted([f"printer={ALDER}", f"printer={ROWAN}"], ledger)
    assert [len(one.scores) for one in found] == [3, 3]
    comparison = compare_wanted(found, ledger)
    assert [p.label for p in comparison.prints] == [ALDER, ROWAN]
    assert [p.sheets for p in comparison.prints] == [3, 3]
    (row,) = [r for r in comparison.rows if (r.element, r.measure) == ("ring-to-white-blue", "evenness")]
    assert (row.verdict, row.rests_on) == ("first", "prints")
    assert comparison.prints[0].ids == tuple(kept.id for kept in found[0].kept)


def test_ids_labels_and_files_name_the_same_print(ledger: Ledger, tmp_path: Path) -> None:
    (kept,) = ledger.find("sheet 2")
    path = tmp_path / "two.json"
    path.write_text(kept.score.model_dump_json(), encoding="utf-8")
    found = find_wanted([kept.id[:5], "sheet 2", str(path)], ledger)
    assert found[0].scores == found[1].scores == found[2].scores


def test_only_the_newest_of_a_group_are_taken_and_it_is_said(ledger: Ledger) -> None:
    found = find_wanted([f"printer={ALDER}", f"printer={ROWAN}"], ledger, newest=2)
    assert [(len(one.scores), one.left_out) for one in found] == [(2, 1), (2, 1)]
    assert f"{ALDER}: 1" in compare_wanted(found, ledger).summary[-1]


def test_a_group_keeps_to_the_chart_of_the_other_side(ledger: Ledger) -> None:
    other = held(ALDER, 99).model_copy(update={"chart": "OTHERBBB"})
    ledger.keep(other)
    found = find_wanted([f"printer={ALDER}", "sheet 1"], ledger)
    assert {score.chart for score in found[0].scores} == {"CHARTAAA"}
    assert found[0].left_out == 1


def test_scores_of_others_are_left_out_of_groups_unless_asked_for(ledger: Ledger) -> None:
    ledger.keep(held(ALDER, 50), owner="Mara (invented)")
    (own, other) = find_wanted([f"printer={ALDER}", f"printer={ALDER},owner=Mara (invented)"], ledger)
    assert {kept.owner for kept in own.kept} == {None}
    assert own.left_out == 1
    assert [kept.owner for kept in other.kept] == ["Mara (invented)"]


def test_earlier_repeats_teach_the_noise_floor(ledger: Ledger) -> None:
    found = find_wanted(["sheet 4", "sheet 5"], ledger)
    history = history_of(found, ledger)
    # two earlier prints of each printer; the two that are compared are not among them
    assert [len(group) for group in history] == [2, 2]
    comparison = compare_wanted(found, ledger)
    assert comparison.noise is not None
    assert comparison.noise.earlier_scores == 4
    assert {row.rests_on for row in comparison.rows if row.chance is not None} == {"prints"}
    assert any("4 earlier scores of the ledger" in sentence for sentence in comparison.summary)


def test_another_scanner_or_an_unnamed_paper_teaches_nothing(ledger: Ledger) -> None:
    for number in range(20, 26):
        ledger.keep(held(ALDER, number, scanner="another (invented)"))
        ledger.keep(held(ALDER, number + 20, paper=None))
    assert [len(group) for group in history_of(find_wanted(["sheet 4", "sheet 5"], ledger), ledger)] == [2, 2]


def test_what_is_nowhere_is_told(ledger: Ledger) -> None:
    with pytest.raises(LedgerError, match="holds nothing called 'birch'"):
        find_wanted(["birch", "sheet 1"], ledger)
    with pytest.raises(WrongUsageError, match="no condition"):
        find_wanted(["colour=red", "sheet 1"], ledger)
    with pytest.raises(WrongUsageError, match="no score file"):
        find_wanted(["birch"], None)


def test_the_command_compares_three_and_writes_all(where: Path, tmp_path: Path, capsys) -> None:
    target, page = tmp_path / "c.json", tmp_path / "c.html"
    whats = ["sheet 0", "sheet 1", f"printer={ALDER}"]
    assert main(["compare", *whats, "--ledger", str(where), "--json", str(target), "--report", str(page)]) == 0
    document = json.loads(target.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schemas()["compare"]).validate(document)
    assert len(document["prints"]) == 3
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert main(["compare", "sheet 0", "sheet 1", "--ledger", str(where)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert f"{ALDER} has the more even fades" in said
    assert f"Evenness: {ALDER} is better on blue to white" in said


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["sheet 0"], 2, "two prints or more"),
        (["sheet 0", "birch"], 4, "holds nothing called 'birch'"),
        (["sheet 0", "nowhere.json"], 3, "nowhere.json"),
        (["sheet 0", "sheet 1", "--newest", "0"], 2, "newest"),
    ],
)  # fmt: skip
def test_bad_words_are_told_in_a_sentence(where: Path, capsys, words: list[str], code: int, said: str) -> None:
    assert main(["compare", *words, "--ledger", str(where)]) == code
    error = capsys.readouterr().err
    assert said in error
    assert "Traceback" not in error


def test_a_ledger_that_is_not_there_is_told(tmp_path: Path, capsys) -> None:
    assert main(["compare", "a", "b", "--ledger", str(tmp_path / "none.sqlite")]) == 4
    assert "none.sqlite" in capsys.readouterr().err




@pytest.mark.parametrize("typed", ["paper=gloss", "paper=Gloss 290 (Invented)", f"printer={ALDER}, paper=gloss290"])
@pytest.mark.parametrize("command", [["ledger", "list"], ["ledger", "export", "--out", "PACK"], ["trend"], ["compare"]])
def test_what_nobody_kept_is_answered_by_what_is_near(
    command: list[str], typed: str, where: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    words = [str(tmp_path / "pack.zip") if word == "PACK" else word for word in command]
    asked = [typed, f"printer={ROWAN}"] if command == ["compare"] else [typed]
    assert main([*words, *asked, "--ledger", str(where)]) == 4
    said = capfd.readouterr().err
    assert "knows no paper" in said
    assert "gloss 290 (invented) (6)" in said


def test_a_label_is_offered_too_and_nothing_near_is_nothing(ledger: Ledger) -> None:
    with pytest.raises(LedgerError, match=r"knows no label 'SHEET'.*sheet 0"):
        ledger.find("SHEET")
    assert ledger.find("paper=rag 310") == ()
    assert ledger.find(f"printer={ALDER},paper=gloss 290 (invented),intent=perceptual") == ()
