"""Following a ledger over time: what is said to have moved, since when, and what is not."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from ledger_samples import sha
from score_samples import HUES, ring, score, wedge
from test_report import HOSTILE, outline, svgs

from inkstrain.cli.app import main
from inkstrain.scoring.jobs.tracking import track
from inkstrain.scoring.ledger import Ledger, open_ledger
from inkstrain.scoring.report import trend_html
from inkstrain.scoring.report.trendplot import _marks
from inkstrain.scoring.results.schema import schemas
from inkstrain.scoring.results.score import Conditions, Score
from inkstrain.scoring.results.trend import Selection, Series, Trend
from inkstrain.scoring.words.trendtext import trend_text
from inkstrain.targets.errors import LedgerError, WrongUsageError

FIRST = date(2026, 1, 5)
WEEKS, INK_FROM = 26, 14


def week(number: int, *, cast_step: float = 0.0, fade: float = 0.0, **given: object) -> Score:
    """Return the print of one week: a new ink set from the fifteenth, evenness that fades from the eighth."""
    draw = np.random.default_rng(number)
    evenness = 0.93 - fade * max(number - 8, 0)
    rings = [ring(h, e, evenness=float(evenness + draw.normal(0, 0.003)), reach=float(0.88 + draw.normal(0, 0.005)))
             for e in ("white", "black") for h in HUES]  # fmt: skip
    cast = 1.2 + (cast_step if number >= INK_FROM else 0.0) + float(draw.normal(0, 0.05))
    ink = "first set (invented)" if number < INK_FROM or not cast_step else "second set (invented)"
    stated = {
        "printer": "Alder (invented)", "paper": "gloss 290 (invented)", "ink": ink,
        "date": (FIRST + timedelta(days=7 * number)).isoformat(), **given,
    }  # fmt: skip
    return score(
        *rings, wedge(cast=cast), black_l=float(8.0 + draw.normal(0, 0.05)), sha256=sha(number),
        conditions=Conditions.model_validate(stated),
    )  # fmt: skip


def filled(path: Path, *weeks: Score) -> Path:
    with open_ledger(path) as ledger:
        for number, one in enumerate(weeks):
            ledger.keep(one, label=f"week {number + 1}")
    return path


@pytest.fixture(scope="module")
def where(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("trend")
    return filled(folder / "ledger.sqlite", *(week(n, cast_step=4.0, fade=0.002) for n in range(WEEKS)))


@pytest.fixture
def ledger(where: Path):
    with open_ledger(where) as opened:
        yield opened


@pytest.fixture(scope="module")
def everything(where: Path) -> Trend:
    with open_ledger(where) as opened:
        return track(opened, Selection())


def series_of(trend: Trend, measure: str, element: str) -> Series:
    (found,) = [one for one in trend.series if (one.measure, one.element) == (measure, element)]
    return found


def test_a_new_ink_set_is_named_as_what_changed(everything: Trend) -> None:
    cast = series_of(everything, "mean_cast", "print")
    (change,) = cast.changes
    assert change.what == "ink: first set (invented) to second set (invented)"
    assert change.at.startswith((FIRST + timedelta(days=7 * INK_FROM)).isoformat())
    assert change.points == (INK_FROM, WEEKS - INK_FROM)
    assert (change.before, change.after) == pytest.approx((0.6, 2.6), abs=0.03)
    assert change.shown
    assert cast.verdict == "moved"
    text = " ".join(everything.summary)
    assert "Neutral grey, the print: since 2026-04-13 (ink: first set (invented) to second set (invented))" in text
    assert "worse" in text


def test_a_drift_is_told_from_the_change_of_ink(everything: Trend) -> None:
    evenness = series_of(everything, "evenness", "print")
    assert evenness.drift is not None
    assert evenness.drift.shown
    # 0.002 a week from the ninth print on, 0 before: the median lies between
    assert -0.002 * 30 / 7 <= evenness.drift.per_30_days < -0.004
    assert any("the change need not be the cause" in sentence for sentence in everything.summary)


def test_what_holds_steady_is_said_to(everything: Trend) -> None:
    assert series_of(everything, "reach", "print").verdict == "steady"
    assert series_of(everything, "black_l", "print").verdict == "steady"
    assert any("no difference is shown in" in sentence for sentence in everything.summary)


def test_the_control_chart_sees_the_cast_at_once_and_stays_out(everything: Trend) -> None:
    cast = series_of(everything, "mean_cast", "print")
    alarms = [place for place, point in enumerate(cast.points) if point.alarm]
    assert alarms[0] in (INK_FROM, INK_FROM + 1)
    assert alarms == list(range(alarms[0], WEEKS))
    assert cast.baseline is not None
    assert cast.baseline.points == WEEKS // 2


def test_steady_ledgers_seldom_have_anything_found(tmp_path: Path) -> None:
    weeks = (week(100 + n, date=(FIRST + timedelta(days=n)).isoformat()) for n in range(20))
    with open_ledger(filled(tmp_path / "steady.sqlite", *weeks)) as opened:
        trend = track(opened, Selection())
    assert not any(one.step and one.step.shown for one in trend.series)
    assert not any(one.drift and one.drift.shown for one in trend.series)
    # the charts' own rate is stated: about 3 in 100 series
    assert sum(one.verdict == "moved" for one in trend.series) <= 0.1 * len(trend.series)


def test_one_measure_of_one_element_since_a_date_or_a_print(ledger: Ledger) -> None:
    kept = ledger.find("week 15")[0]
    trends = [
        track(ledger, Selection(measure="mean_cast", element="print", since=since))
        for since in ("2026-04-13", kept.id, "week 15")
    ]
    for trend in trends:
        (one,) = trend.series
        assert one.baseline is not None
        assert one.baseline.points == INK_FROM
        assert any("since 2026-04-13" in change.what for change in one.changes)


def test_nothing_is_said_to_move_by_less_than_the_size_of_interest(ledger: Ledger) -> None:
    moves = {}
    for least in (None, 0.0, 0.01, 0.2):
        (one,) = track(ledger, Selection(measure="evenness", element="print", least=least)).series
        moves[least] = (one.least, one.verdict)
        assert one.drift is not None
        assert one.drift.shown == (one.least < 0.03)
    # evenness falls by 0.034 in all; a fiftieth is the measure's own smallest size
    assert moves == {None: (0.02, "moved"), 0.0: (0.0, "moved"), 0.01: (0.01, "moved"), 0.2: (0.2, "steady")}
    with pytest.raises(WrongUsageError, match="--measure"):
        track(ledger, Selection(least=0.2))


def test_printers_are_followed_one_at_a_time(tmp_path: Path) -> None:
    weeks = [week(n, printer=("Alder (invented)", "Rowan (invented)")[n % 2]) for n in range(4)]
    with open_ledger(filled(tmp_path / "two.sqlite", *weeks)) as opened:
        series = track(opened, Selection(measure="reach", element="print")).series
        together = track(opened, Selection(measure="reach", element="print", by="paper")).series
    assert [(one.group.value if one.group else None, len(one.points)) for one in series] == [
        ("Alder (invented)", 2), ("Rowan (invented)", 2),
    ]  # fmt: skip
    assert [len(one.points) for one in together] == [4]


def test_series_are_told_apart_by_a_condition(ledger: Ledger) -> None:
    trend = track(ledger, Selection(measure="mean_cast", by="ink"))
    assert [one.group.value for one in trend.series if one.group] == ["first set (invented)", "second set (invented)"]
    assert [len(one.points) for one in trend.series] == [INK_FROM, WEEKS - INK_FROM]
    assert not any(one.changes for one in trend.series)


def test_scans_of_one_print_are_one_point(tmp_path: Path) -> None:
    twice = [week(n, print_name="the one") for n in (1, 2)]
    twice = [one.model_copy(update={"conditions": twice[0].conditions}) for one in twice]
    with open_ledger(filled(tmp_path / "l.sqlite", *twice, week(3))) as opened:
        trend = track(opened, Selection(measure="evenness", element="print"))
    (one,) = trend.series
    assert [len(point.ids) for point in one.points] == [2, 1]
    assert trend.prints == 2


def test_too_few_prints_say_how_many_are_needed(tmp_path: Path) -> None:
    with open_ledger(filled(tmp_path / "few.sqlite", *(week(n) for n in range(5)))) as opened:
        trend = track(opened, Selection(measure="evenness", element="print"))
    (one,) = trend.series
    assert one.verdict == "too-few"
    assert any("The control chart needs 9" in sentence and "11 if one series" in sentence for sentence in trend.summary)


def test_one_print_is_no_trend_and_no_failure(tmp_path: Path) -> None:
    with open_ledger(filled(tmp_path / "one.sqlite", week(0))) as opened:
        trend = track(opened, Selection())
    assert {one.verdict for one in trend.series} == {"too-few"}
    assert trend_text(trend)
    assert trend_html(trend)


def test_only_one_chart_is_followed_and_the_newest_so_many(where: Path, tmp_path: Path) -> None:
    with open_ledger(where) as opened:
        assert track(opened, Selection(measure="reach"), newest=10).left_out == WEEKS - 10
    other = week(40).model_copy(update={"chart": "OTHERBBB"})
    with open_ledger(filled(tmp_path / "two.sqlite", week(0), week(1), other)) as opened:
        trend = track(opened, Selection(measure="reach"))
    assert (trend.chart, trend.prints, trend.left_out) == ("OTHERBBB", 1, 2)


def test_the_document_follows_its_schema_and_comes_back(everything: Trend) -> None:
    text = everything.model_dump_json()
    jsonschema.Draft202012Validator(schemas()["trend"]).validate(json.loads(text))
    assert Trend.model_validate_json(text) == everything


@pytest.mark.parametrize("width", [40, 80, 120])
def test_the_text_keeps_to_its_width(everything: Trend, width: int) -> None:
    lines = trend_text(everything, width=width).splitlines()
    assert max(map(len, lines)) <= max(width, 70)
    assert any("█" in line for line in lines)


def test_dates_stand_where_their_days_begin() -> None:
    for low, high in ((100.4, 100.6), (100.0, 101.0), (100.5, 163.2), (0.0, 3000.0)):
        marks = list(_marks(low, high))
        assert len(marks) <= 5
        assert all(low <= day <= high and day == int(day) for day in marks)
        assert marks or high - low < 1.0


def test_the_rules_say_how_soon_a_shift_is_found(everything: Trend) -> None:
    assert any("by one standard deviation" in rule for rule in everything.rules)
    assert any("nothing is said to have moved by less than" in rule for rule in everything.rules)


def test_the_page_is_whole_and_runs_only_its_own_script(everything: Trend) -> None:
    page = trend_html(everything)
    parsed = outline(page)
    assert parsed.headings.count(1) == 1
    assert all(drawing[0].tag == "title" for drawing in svgs(page))
    policy = next(a["content"] for t, a in parsed.tags if a.get("http-equiv") == "Content-Security-Policy")
    assert "script-src 'sha256-" in policy
    assert [tag for tag, _ in parsed.tags].count("script") == 1
    assert page.count("<tr>") == len(everything.series) + 1
    assert trend_html(everything) == page


def test_hostile_words_stay_words(tmp_path: Path) -> None:
    weeks = [week(n, ink=HOSTILE if n > 5 else "plain", printer=HOSTILE) for n in range(12)]
    with open_ledger(filled(tmp_path / "h.sqlite", *weeks)) as opened:
        for by in (None, "ink"):
            page = trend_html(track(opened, Selection(by=by)), title=HOSTILE)
            assert "<img src=x" not in page
            assert [tag for tag, _ in outline(page).tags].count("script") == 1


def test_the_command_writes_and_prints(where: Path, tmp_path: Path, capsys) -> None:
    target, page = tmp_path / "t.json", tmp_path / "t.html"
    words = ["trend", "printer=Alder (invented)", "--by", "paper", "--ledger", str(where)]
    assert main([*words, "--json", str(target), "--report", str(page)]) == 0
    assert json.loads(target.read_text(encoding="utf-8"))["schema"] == "inkstrain/trend/1"
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert main(["trend", "--measure", "evenness", "--ledger", str(where)]) == 0
    assert "evenness, the print" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--measure", "shine"], 2, "'shine' is no measure. Known are excess_to_white"),
        (["--element", "ring-to-blue-white"], 2, "Known are"),
        (["--since", "last spring"], 2, "--since is a date"),
        (["printer=Birch"], 4, "holds nothing called"),
        (["--by", "moon"], 2, "moon"),
        (["colour=red"], 2, "is no condition"),
    ],
)
def test_bad_words_are_told_in_a_sentence(where: Path, capsys, words: list[str], code: int, said: str) -> None:
    assert main(["trend", *words, "--ledger", str(where)]) == code
    error = capsys.readouterr().err
    assert said in error
    assert "Traceback" not in error


def test_errors_are_of_the_right_kind(ledger: Ledger) -> None:
    with pytest.raises(WrongUsageError):
        track(ledger, Selection(measure="shine"))
    with pytest.raises(LedgerError):
        track(ledger, Selection(what="nothing"))
