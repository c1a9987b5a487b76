"""The program as typed: what it prints, what it writes, how it fails."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest
from PIL import Image
from score_samples import ring, score

from inkstrain.cli.app import COMMANDS
from inkstrain.scoring.judge.tolerances import Tolerances, read_tolerances
from inkstrain.targets.chart import read_key
from inkstrain.targets.recipe import Recipe

TOP = Path(__file__).parents[1]
PROGRAM = [sys.executable, "-c", "import sys; from inkstrain.cli.app import main; sys.exit(main())"]
SMALL = Recipe(sheet="120x130", hues=1, only=("ring-to-white",))

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def keyed(run: Run, tmp_path: Path) -> Path:
    """Return the key of a small chart."""
    code, out, _ = run("make", "--sheet", SMALL.sheet, "--hues", 1, "--only", "ring-to-white", "--out", tmp_path / "c")
    assert code == 0
    return Path(out.splitlines()[-1])


def one_sentence(err: str) -> None:
    """Check that talk is one or two plain sentences of ours."""
    lines = err.strip().splitlines()
    assert len(lines) == 1, err
    assert lines[0].startswith("inkstrain: ")
    assert lines[0].endswith((".", "--help"))
    assert "Traceback" not in err


def files_in(folder: Path) -> set[str]:
    """Return every file below a folder."""
    return {str(path.relative_to(folder)) for path in folder.rglob("*")}


def test_the_help_fits_eighty_columns(run: Run) -> None:
    for words in (["--help"], *([name, "--help"] for name in COMMANDS)):
        assert max(map(len, run(*words)[1].splitlines())) <= 80


def test_version(run: Run) -> None:
    code, out, err = run("--version")
    assert (code, err) == (0, "")
    assert out.startswith("inkstrain 0.")


def test_make_prints_the_paths_it_wrote(run: Run, tmp_path: Path) -> None:
    code, out, err = run(
        "make", "--sheet", "120x130", "--hues", 1, "--only", "ring-to-white", "--out", tmp_path / "new" / "c"
    )
    assert code == 0
    paths = [Path(line) for line in out.splitlines()]
    assert [path.suffix for path in paths] == [".tif", ".json"]
    assert all(path.is_file() for path in paths)
    assert read_key(paths[-1]).chart == SMALL.chart_id
    assert "100 %" in err
    assert files_in(tmp_path / "new") == {"c", *(f"c/{path.name}" for path in paths)}


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (["--sheet", "b9"], "a4"),
        (["--space", "lab"], "adobe-rgb"),
        (["--only", "circle"], "ring-to-white"),
        (["--hues", "0"], "1 to 36"),
        (["--hues", "many"], "--hues"),
        (["--dpi", "9"], "150 to 1440"),
        (["--path", "crooked"], "even"),
        (["--bed", "wide"], "216x297"),
        (["--bed", "5x5"], "100 to 2000"),
        (["--colour"], "--colour"),
        (["stray"], "stray"),
    ],
)
def test_make_refuses_in_a_sentence(run: Run, tmp_path: Path, words: list[str], hint: str) -> None:
    code, out, err = run("make", "--out", tmp_path / "c", *words)
    assert (code, out) == (2, "")
    one_sentence(err)
    assert hint in err
    assert files_in(tmp_path) == set()


def test_make_refuses_a_file_for_a_folder(run: Run, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    code, _, err = run("make", "--out", tmp_path / "taken")
    assert code == 2
    one_sentence(err)


def test_a_mistyped_command_gets_a_hint(run: Run) -> None:
    code, _, err = run("scroe")
    assert code == 2
    one_sentence(err)
    assert "score" in err


def test_rehearse_writes_a_scan_and_its_truth(run: Run, keyed: Path, tmp_path: Path) -> None:
    target = tmp_path / "s.png"
    damage = "step ring-to-white-red radius_mm=8 contrast_de00=3"
    code, out, err = run("rehearse", keyed, "--out", target, "--dpi", 150, "--damage", damage, "--truth")
    assert code == 0
    one_sentence(err)
    assert out.splitlines() == [str(target), f"{target}.truth.json"]
    with Image.open(target) as picture:
        assert picture.format == "PNG"
    truth = json.loads(Path(f"{target}.truth.json").read_text(encoding="utf-8"))
    assert [damage["radius_mm"] for damage in truth["damages"]] == [8.0]
    fade = truth["rings"][0]
    steepest = max(range(1, len(fade["lab"])), key=lambda i: math.dist(fade["lab"][i], fade["lab"][i - 1]))
    assert fade["radius_mm"][steepest] == pytest.approx(8.0, abs=0.1)


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (["--damage", "step"], "--damage"),
        (["--damage", "step ring-to-white-red radius_mm"], "--damage"),
        (["--damage", "step ring-to-white-red radius_mm=8"], "contrast_de00"),
        (["--damage", "step ring-to-white-red radius_mm=far contrast_de00=3"], "radius_mm"),
        (["--damage", "step ring-to-white-mauve radius_mm=8 contrast_de00=3"], "ring-to-white-red"),
        (["--damage", "burn ring-to-white-red"], "burn"),
        (["--printer", "oak"], "alder"),
        (["--printer", "alder", "--profile", "p.icc"], "not both"),
        (["--intent", "relative"], "--printer"),
        (["--printer", "alder", "--intent", "nice"], "perceptual"),
        (["--dpi", "2"], "dpi"),
        (["--sheet", "7"], "sheet 7"),
        (["--tile", "7"], "tile 7"),
        (["--out", "s.bmp"], ".tif"),
        (["--out", "missing/s.tif"], "does not exist"),
    ],
)  # fmt: skip
def test_rehearse_refuses_in_a_sentence(
    run: Run, keyed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], hint: str
) -> None:
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    code, out, err = run("rehearse", keyed, "--out", "s.tif", *words)
    assert (code, out) == (2, "")
    one_sentence(err)
    assert hint in err
    assert files_in(work) == set()


def test_an_input_is_never_overwritten(run: Run, keyed: Path, scan: Path) -> None:
    before = keyed.read_bytes(), scan.read_bytes()
    for words in (
        ("rehearse", keyed, "--out", keyed),
        ("score", scan, "--json", scan),
        ("score", scan, "--report", scan),
    ):
        code, out, err = run(*words)
        assert (code, out) == (2, "")
        one_sentence(err)
    assert (keyed.read_bytes(), scan.read_bytes()) == before


BAD_SCANS = {
    "missing.tif": None,
    "empty.tif": b"",
    "words.png": b"not a picture",
    "half.tif": b"II*\0\x08\0\0\0",
}


@pytest.mark.parametrize("name", [*BAD_SCANS, "folder", "blank.png"])
def test_a_scan_that_cannot_be_measured_gets_a_sentence_and_writes_nothing(run: Run, tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    if name == "folder":
        path.mkdir()
    elif name == "blank.png":
        Image.new("RGB", (400, 500), "white").save(path)
    elif (content := BAD_SCANS[name]) is not None:
        path.write_bytes(content)
    before = files_in(tmp_path)
    code, out, err = run("score", path, "--json", tmp_path / "s.json", "--report", tmp_path / "s.html")
    assert (code, out) == (3, "")
    one_sentence(err)
    assert name in err
    assert files_in(tmp_path) == before


@pytest.mark.parametrize("option", ["--json", "--report"])
def test_a_target_that_cannot_be_written_is_refused_before_measuring(run: Run, tmp_path: Path, option: str) -> None:
    # the scan does not exist: only a refusal before measuring can speak of the folder
    for target in (tmp_path / "missing" / "s", tmp_path):
        code, _, err = run("score", tmp_path / "never.tif", option, target)
        assert code == 2
        one_sentence(err)
        assert "folder" in err
    code, _, err = run("score", tmp_path / "never.tif", "--json", tmp_path / "x", "--report", tmp_path / "x")
    assert code == 2
    one_sentence(err)


def test_bad_tolerances_are_refused_before_measuring(run: Run, tmp_path: Path) -> None:
    tolerances = tmp_path / "t.toml"
    tolerances.write_text("[ring]\nmax_fun = 1\n")
    code, _, err = run("score", tmp_path / "never.tif", "--tolerances", tolerances)
    assert code == 2
    one_sentence(err)
    assert "max_fun" in err


def test_score_prints_a_summary_or_data(run: Run, scan: Path, tmp_path: Path) -> None:
    code, out, err = run("score", scan, "--printer", "Alder")
    assert code == 0
    assert "red to white" in out
    assert "Alder" in out
    assert max(map(len, out.splitlines())) <= 80
    code, out, err = run("score", scan, "--json", "-", "--report", tmp_path / "r.html")
    assert code == 0
    assert json.loads(out)["schema"] == "inkstrain/score/2"
    assert "r.html" in err
    assert (tmp_path / "r.html").read_text(encoding="utf-8").startswith("<!")


def test_conditions_are_kept(run: Run, scan: Path) -> None:
    words = {
        "printer": "Alder", "paper": "gloss", "ink": "four", "intent": "relative", "media": "photo", "quality": "best",
        "date": "2025-03-01", "note": "Δ dry for a day",
    }  # fmt: skip
    _, out, _ = run("score", scan, "--json", "-", "--bpc", *(w for k, v in words.items() for w in (f"--{k}", v)))
    kept = json.loads(out)["conditions"]
    names = {"media": "media_setting", "quality": "quality_setting"}
    assert {names.get(k, k): v for k, v in words.items()}.items() <= kept.items()
    assert kept["black_point_compensation"] is True


def test_outside_tolerance_is_exit_one_and_says_where(run: Run, scan: Path, tmp_path: Path) -> None:
    strict, lax = tmp_path / "strict.toml", tmp_path / "lax.toml"
    strict.write_text("[ring]\nmin_evenness = 1.0\nmin_reach = 1.0\nmax_core_mm = 0.0\n")
    lax.write_text('[ring]\nmax_visible_rings = "off"\nmin_evenness = 0.0\nmax_merged_mm = "off"\n')
    code, out, _ = run("score", scan, "--tolerances", strict)
    assert code == 1
    assert "Outside tolerance" in out
    code, out, err = run("score", scan, "--tolerances", strict, "--json", tmp_path / "s.json")
    assert (code, out) == (1, "")
    assert "red to white" in err
    assert (tmp_path / "s.json").is_file()
    assert run("score", scan, "--tolerances", lax)[0] == 0


@pytest.fixture
def score_files(tmp_path: Path) -> tuple[Path, Path]:
    """Return two score files that differ in one ring."""
    paths = tmp_path / "a.json", tmp_path / "b.json"
    for path, value in zip(paths, (score(ring("blue", evenness=0.6)), score(sha256="b" * 64)), strict=True):
        path.write_text(value.model_dump_json(), encoding="utf-8")
    return paths


def test_compare_prints_a_summary_or_data(run: Run, score_files: tuple[Path, Path], tmp_path: Path) -> None:
    code, out, err = run("compare", *score_files)
    assert (code, err) == (0, "")
    assert out.startswith("a  against  b")
    assert "Evenness: b is better on blue to white (0.95 against 0.60)." in out
    code, out, _ = run("compare", *score_files, "--json", "-")
    assert json.loads(out)["schema"] == "inkstrain/compare/2"
    code, out, err = run("compare", *score_files, "--report", tmp_path / "c.html")
    assert (code, out) == (0, "")
    one_sentence(err)
    assert "blue to white" in (tmp_path / "c.html").read_text(encoding="utf-8")


def test_compare_refuses_what_is_no_score(run: Run, score_files: tuple[Path, Path], tmp_path: Path) -> None:
    junk = tmp_path / "junk.json"
    junk.write_text("{}")
    for other in (junk, tmp_path / "missing.json", tmp_path):
        code, out, err = run("compare", score_files[0], other, "--json", tmp_path / "c.json")
        assert (code, out) == (3, "")
        one_sentence(err)
        assert other.name in err
        assert not (tmp_path / "c.json").exists()


def test_what_should_never_happen_is_still_a_sentence(
    run: Run, monkeypatch: pytest.MonkeyPatch, score_files: tuple[Path, Path]
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("a bug")

    monkeypatch.setattr("inkstrain.scoring.jobs.wanted.compare_wanted", broken)
    code, _, err = run("compare", *score_files)
    assert code == 3
    one_sentence(err)
    assert "INKSTRAIN_DEBUG" in err
    monkeypatch.setenv("INKSTRAIN_DEBUG", "1")
    assert "Traceback" in run("compare", *score_files)[2]


def test_a_full_disk_leaves_nothing_half_written(
    run: Run, monkeypatch: pytest.MonkeyPatch, score_files: tuple[Path, Path], tmp_path: Path
) -> None:
    (tmp_path / "c.json").write_text("old")
    before = files_in(tmp_path)

    def full(self: Path, target: Path) -> Path:
        raise OSError(28, "No space left on device", str(target))

    monkeypatch.setattr(Path, "replace", full)
    code, _, err = run("compare", *score_files, "--json", tmp_path / "c.json")
    assert code == 3
    one_sentence(err)
    assert files_in(tmp_path) == before
    assert (tmp_path / "c.json").read_text() == "old"


def test_a_reader_that_leaves_early_is_no_error(score_files: tuple[Path, Path]) -> None:
    with subprocess.Popen(
        [*PROGRAM, "compare", *map(str, score_files), "--json", "-"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait() in (0, 141)


def test_data_is_utf8_whatever_the_terminal_speaks(score_files: tuple[Path, Path]) -> None:
    environment = {**os.environ, "PYTHONIOENCODING": "ascii", "LC_ALL": "C"}
    words = [*PROGRAM, "compare", *map(str, score_files)]
    run = subprocess.run([*words, "--json", "-"], env=environment, capture_output=True, check=True)
    assert any(row["unit"] == "ΔE00" for row in json.loads(run.stdout.decode("utf-8"))["rows"])
    never = [*PROGRAM, "compare", "Δ.json", "Δ.json"]
    assert subprocess.run(never, env=environment, capture_output=True, check=False).returncode == 3


def test_printed_tolerances_are_the_defaults_and_can_be_read_back(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "tolerances.toml"
    path.write_text(run("tolerances")[1], encoding="utf-8")
    assert len(path.read_text(encoding="utf-8")) > 100
    assert read_tolerances(path) == Tolerances()


def test_a_schema_is_printed_by_its_name(run: Run, keyed: Path) -> None:
    names = run("schema")[1].split()
    assert {"key", "score", "compare"} <= set(names)
    for name in names:
        jsonschema.Draft202012Validator.check_schema(json.loads(run("schema", name)[1]))
    jsonschema.validate(json.loads(keyed.read_text(encoding="utf-8")), json.loads(run("schema", "key")[1]))
    code, _, err = run("schema", "../score")
    assert code == 2
    one_sentence(err)
    assert "score" in err


def test_a_patch_sheet_comes_with_the_file_that_an_instruments_program_reads(run: Run, tmp_path: Path) -> None:
    words = ("make", "--sheet", "a4", "--dpi", 150, "--only")
    code, out, _ = run(*words, "patch-field", "--out", tmp_path / "p")
    assert code == 0
    *_, reference, key = map(Path, out.split())
    assert reference.name == key.name.replace(".key.json", ".reference.txt")
    patches = [p for e in read_key(key).sheets[0].tiles[0].elements for p in e.patches]
    assert f"NUMBER_OF_SETS {len(patches)}\n" in reference.read_text(encoding="utf-8")
