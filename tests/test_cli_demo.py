"""The demo and the example script: what a stranger runs first."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

from inkstrain.scoring.jobs.demo import INVENTED, PRINTS
from inkstrain.scoring.results.schema import schemas
from inkstrain.scoring.results.score import Score

TOP = Path(__file__).parents[1]
PROGRAM = [sys.executable, "-c", "import sys; from inkstrain.cli.app import main; sys.exit(main())"]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Run the demo once; return its folder and what it printed."""
    work = tmp_path_factory.mktemp("demo")
    run = subprocess.run([*PROGRAM, "demo"], cwd=work, capture_output=True, text=True, check=True)
    assert run.stderr == ""
    return work / "inkstrain-demo", run.stdout


def test_the_demo_says_that_it_is_invented_and_where_its_reports_are(demo: tuple[Path, str]) -> None:
    folder, said = demo
    assert INVENTED in " ".join(said.split())
    named = [folder.parent / line.split()[-1] for line in said.splitlines() if line.endswith(".html")]
    assert set(named) == set(folder.rglob("*.html"))
    assert len(named) == 8
    assert [path.name for path in folder.parent.iterdir()] == ["inkstrain-demo"]


def test_the_demos_two_printers_differ(demo: tuple[Path, str]) -> None:
    folder, _ = demo
    comparison = json.loads((folder / "scores" / "alder-against-rowan.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schemas()["compare"]).validate(comparison)
    verdicts = {total["measure"]: total["verdict"] for total in comparison["totals"]}
    assert "cannot-compare" not in verdicts.values()
    assert "no-difference-shown" in verdicts.values()
    # the second has a coarse table and light inks that end abruptly; the first has neither
    assert verdicts["excess_to_black"] == "first"
    rings = [row["values"] for row in comparison["rows"] if row["measure"] == "excess"]
    assert sum(first for first, _ in rings) < sum(second for _, second in rings)


def test_the_demo_compares_all_four_and_says_ties(demo: tuple[Path, str]) -> None:
    folder, _ = demo
    comparison = json.loads((folder / "scores" / "all-four.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schemas()["compare"]).validate(comparison)
    assert len({tuple(row["pair"]) for row in comparison["rows"]}) == 6
    overall = [standing for standing in comparison["ranking"] if standing["measure"] is None]
    assert [standing["print"] for standing in overall] == [0, 1, 2, 3]
    assert any(standing["best_place"] < standing["worst_place"] for standing in overall)


def test_the_demos_scores_and_key_keep_to_their_schemas(demo: tuple[Path, str]) -> None:
    folder, _ = demo
    validator = jsonschema.Draft202012Validator(schemas()["score"])
    for entry in PRINTS:
        text = (folder / "scores" / f"{entry.slug}.json").read_text(encoding="utf-8")
        validator.validate(json.loads(text))
        value = Score.model_validate_json(text)
        assert value.conditions == entry.conditions
        assert Score.model_validate_json(value.model_dump_json()) == value
    (key,) = (folder / "chart").glob("*.key.json")
    jsonschema.Draft202012Validator(schemas()["key"]).validate(json.loads(key.read_text(encoding="utf-8")))


def test_the_example_script_runs(tmp_path: Path) -> None:
    folder = tmp_path / "bin"
    folder.mkdir()
    program = folder / "inkstrain"
    # the program of this very interpreter, installed or not
    program.write_text(f"#!{sys.executable}\nimport sys\nfrom inkstrain.cli.app import main\nsys.exit(main())\n")
    program.chmod(0o755)
    environment = {**os.environ, "PATH": f"{folder}{os.pathsep}{os.environ['PATH']}"}
    run = subprocess.run(
        [TOP / "examples" / "studio.sh"], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    assert "against" in run.stdout
    assert {path.name for path in (tmp_path / "studio").glob("*.html")} == {"alder.html", "rowan.html", "compared.html"}
