"""Setups: typed once, found upwards, overridden by what is typed, and refused with the nearest right word."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import get_args, get_type_hints

import pytest

from inkstrain.cli.conditions import Stated
from inkstrain.cli.setupfile import KEYS, add_setup, find_config, read_setups
from inkstrain.targets.errors import WrongUsageError

Run = Callable[..., tuple[int, str, str]]

GLOSS = """\
[setups.gloss]
printer = "Alder (invented)"
paper = "gloss 290 (invented)"
bpc = false
distance = 300
tolerances = "limits.toml"
"""


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work two folders below an ``inkstrain.toml``."""
    (tmp_path / "inkstrain.toml").write_text(GLOSS, encoding="utf-8")
    (tmp_path / "limits.toml").touch()
    inner = tmp_path / "scans" / "gloss"
    inner.mkdir(parents=True)
    monkeypatch.chdir(inner)
    return tmp_path


def conditions(out: str) -> dict:
    return json.loads(out)["conditions"]


def test_every_key_is_an_option_of_its_kind() -> None:
    for key, kind in KEYS.items():
        hint = get_type_hints(Stated)[key.replace("-", "_")]
        assert hint is kind or kind in get_args(hint)


def test_a_setup_is_found_upwards_and_what_is_typed_goes_before(run: Run, scan: Path, home: Path) -> None:
    code, out, _ = run("score", scan, "--json", "-", "--setup", "gloss", "--printer", "Rowan (invented)")
    assert code in (0, 1)
    made = conditions(out)
    assert (made["printer"], made["paper"]) == ("Rowan (invented)", "gloss 290 (invented)")
    assert made["black_point_compensation"] is False
    assert json.loads(out)["viewing"]["distance_mm"] == 300


def test_the_environment_names_setups_and_goes_before_them(
    run: Run, scan: Path, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("INKSTRAIN_SETUP", "gloss")
    monkeypatch.setenv("INKSTRAIN_SCORE_PAPER", "matt 190 (invented)")
    made = conditions(run("score", scan, "--json", "-")[1])
    assert (made["printer"], made["paper"]) == ("Alder (invented)", "matt 190 (invented)")


def test_a_file_of_setups_can_be_named(run: Run, scan: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_text('[setups.a]\nink = "seven (invented)"\n', encoding="utf-8")
    assert conditions(run("score", scan, "--json", "-", "--setup", "a", "--config", other)[1])["ink"] == (
        "seven (invented)"
    )


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ('[setups.a]\npapper = "x"', "'paper'"),
        ('[setup.a]\npaper = "x"', "'setups'"),
        ("[setups.a]\npaper = 3", "should be text"),
        ('[setups.a]\nbpc = "yes"', "true or false"),
        ("[setups.a]\ndistance = true", "should be a number"),
        ("[setups.a\n", "not valid TOML"),
        ("setups = 3", "should be tables"),
    ],
)
def test_what_is_wrong_in_the_file_is_said_with_the_nearest(run: Run, tmp_path: Path, text: str, hint: str) -> None:
    config = tmp_path / "inkstrain.toml"
    config.write_text(text, encoding="utf-8")
    code, _, err = run("setups", "list", "--config", config)
    assert code == 2
    assert hint in err


def test_an_unknown_setup_is_refused_with_the_nearest(run: Run, scan: Path, home: Path) -> None:
    code, _, err = run("score", scan, "--setup", "glos")
    assert code == 2
    assert "'gloss'" in err


def test_without_a_file_one_learns_how_to_make_it(run: Run, scan: Path, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    if find_config() is not None:
        pytest.skip("there is an inkstrain.toml above the temporary folder")
    code, _, err = run("score", scan, "--setup", "gloss")
    assert code == 2
    assert "setups add gloss" in err


def test_setups_are_added_shown_and_listed(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "inkstrain.toml").write_text("# mine\n" + GLOSS, encoding="utf-8")
    (tmp_path / "p").mkdir()
    (tmp_path / "p" / "limits.toml").touch()
    odd = 'ra"g\n1'
    code, _, err = run("setups", "add", odd, "--paper", "ко\x7fton \\", "--tolerances", "p/limits.toml", "--no-bpc")
    assert code == 0, err
    text = (tmp_path / "inkstrain.toml").read_text(encoding="utf-8")
    assert text.startswith("# mine\n" + GLOSS)
    # Python's own reader of TOML is the outside check
    assert tomllib.loads(text)["setups"][odd] == {
        "paper": "ко\x7fton \\", "tolerances": "p/limits.toml", "bpc": False,
    }  # fmt: skip
    assert "gloss: Alder (invented) · gloss 290 (invented)" in run("setups", "list")[1]
    assert f"tolerances: {tmp_path / 'p' / 'limits.toml'}" in run("setups", "show", odd)[1]
    code, _, err = run("setups", "add", "gloss", "--paper", "x")
    assert code == 2
    assert "already" in err


def test_check_finds_missing_files_bad_profiles_and_wrong_intents(run: Run, tmp_path: Path) -> None:
    config = tmp_path / "inkstrain.toml"
    (tmp_path / "bad.icc").write_bytes(b"no profile")
    add_setup(config, "lost", {"profile": tmp_path / "gone.icc"})
    add_setup(config, "bad", {"profile": tmp_path / "bad.icc", "intent": "relative"})
    add_setup(config, "way", {"intent": "relativ"})
    add_setup(config, "fine", {"paper": "gloss"})
    code, out, _ = run("setups", "check", "--config", config)
    assert code == 3
    lines = dict(line.split(": ", 1) for line in out.splitlines())
    assert "gone.icc is not there" in lines["lost"]
    assert "bad.icc" in lines["bad"]
    assert "'relative'" in lines["way"]
    assert lines["fine"] == "all is well."
    assert run("setups", "check", "fine", "--config", config)[0] == 0


def test_a_broken_name_leaves_the_file_alone(tmp_path: Path) -> None:
    config = tmp_path / "inkstrain.toml"
    config.write_text(GLOSS, encoding="utf-8")
    with pytest.raises(WrongUsageError, match="needs a name"):
        add_setup(config, " ", {})
    assert list(read_setups(config)) == ["gloss"]
    assert config.read_text(encoding="utf-8") == GLOSS
