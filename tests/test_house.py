"""The house itself: who may import whom, schemas, typing markers, the README's lines, and a quick start."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import jsonschema
import pytest

from inkstrain.scoring.results.schema import SCHEMA_FOLDER, schema_text, schemas
from inkstrain.targets.chart import build_key
from inkstrain.targets.recipe import KINDS, Recipe

TOP = Path(__file__).parents[1]
FORBIDDEN = {"targets": {"scoring", "cli"}, "scoring": {"cli"}, "cli": set()}
START_UP_RATIO = 2.0  # the project's own goal: twice a bare import of typer


def _imports(path: Path) -> set[str]:
    """Return the dotted names that a module imports, relative ones made absolute."""
    room = ("inkstrain", *path.relative_to(TOP).with_suffix("").parts)
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(room[: -node.level]) if node.level else ""
            module = ".".join(part for part in (base, node.module or "") if part)
            names |= {module, *(f"{module}.{alias.name}" for alias in node.names)}
    return names


@pytest.mark.parametrize("room", FORBIDDEN)
def test_rooms_import_only_what_lies_below_them(room: str) -> None:
    modules = sorted((TOP / room).rglob("*.py"))
    assert len(modules) > 1
    for path in modules:
        for name in _imports(path):
            parts = name.split(".")
            assert parts[0] != "inkstrain" or len(parts) < 2 or parts[1] not in FORBIDDEN[room], f"{path}: {name}"


ROOMS = (
    "maths", "results", "read", "place", "colour", "eye", "measure", "promise", "judge", "compare", "trend", "words",
    "ledger", "photos", "report", "jobs",
)  # fmt: skip
"""The rooms of ``scoring``, in the order of a newcomer's afternoon: each imports from those before it only."""


def test_within_scoring_a_room_imports_from_earlier_rooms_only() -> None:
    folders = {path.parent.name for path in (TOP / "scoring").rglob("*.py")} - {"scoring"}
    assert folders == set(ROOMS)
    for path in sorted((TOP / "scoring").glob("*/*.py")):
        place = ROOMS.index(path.parent.name)
        for name in _imports(path):
            parts = name.split(".")
            if parts[:2] == ["inkstrain", "scoring"] and len(parts) > 2:
                assert ROOMS.index(parts[2]) <= place, f"{path}: {name}"


def test_the_import_rule_sees_relative_and_late_imports(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    module = tmp_path / "targets" / "sub" / "x.py"
    module.parent.mkdir(parents=True)
    module.write_text("def f():\n    from ...cli import app\n    import inkstrain.scoring.results.score\n")
    monkeypatch.setattr(sys.modules[__name__], "TOP", tmp_path)
    assert {"inkstrain.cli", "inkstrain.cli.app", "inkstrain.scoring.results.score"} <= _imports(module)


def test_every_package_folder_is_packaged() -> None:
    project = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))
    folders = {path.parent for room in FORBIDDEN for path in (TOP / room).rglob("*.py")}
    named = {"inkstrain." + ".".join(folder.relative_to(TOP).parts) for folder in folders}
    assert {"inkstrain", *named} == set(project["tool"]["setuptools"]["packages"])
    for room in ("verbs", *FORBIDDEN):
        assert (TOP / room / "py.typed").exists()


@pytest.mark.parametrize("name", schemas())
def test_published_schemas_are_those_of_the_models(name: str) -> None:
    schema = schemas()[name]
    jsonschema.Draft202012Validator.check_schema(schema)
    assert (SCHEMA_FOLDER / f"{name}.schema.json").read_text(encoding="utf-8") == schema_text(schema), (
        "run: python -m inkstrain.scoring.results.schema"
    )


@pytest.mark.parametrize("recipe", [Recipe(), Recipe(sheet="a3plus", only=KINDS[:2], hues=5)])
def test_keys_validate_against_their_schema(recipe: Recipe) -> None:
    document = json.loads(build_key(recipe).model_dump_json())
    validator = jsonschema.Draft202012Validator(schemas()["key"])
    validator.validate(document)
    for spoiled in ({**document, "schema": "inkstrain/key/2"}, {**document, "sheets": 1}, {**document, "dpi": "x"}):
        with pytest.raises(jsonschema.ValidationError):
            validator.validate(spoiled)
    del document["schema"]
    with pytest.raises(jsonschema.ValidationError):
        validator.validate(document)


def test_the_readmes_lines_can_be_taken_out_of_it() -> None:
    for name, words in {"test": "pytest", "demo": "inkstrain demo"}.items():
        taken = subprocess.run([TOP / ".ci" / "readme-block", name], capture_output=True, text=True, check=True)
        assert words in taken.stdout
        assert "```" not in taken.stdout
    missing = subprocess.run([TOP / ".ci" / "readme-block", "never"], capture_output=True, text=True, check=False)
    assert missing.returncode == 1
    assert "no block after" in missing.stderr


def _fastest(arguments: list[str], runs: int) -> float:
    """Return the shortest wall time of several runs: noise only ever adds."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        subprocess.run(arguments, check=True, stdout=subprocess.DEVNULL)
        times.append(time.perf_counter() - start)
    return min(times)


def test_help_starts_within_twice_a_bare_import_of_typer() -> None:
    help_line = [sys.executable, "-c", "from inkstrain.cli.app import main; raise SystemExit(main(['--help']))"]
    typer_line = [sys.executable, "-c", "import typer"]
    # compiled files first, and a second chance on a busy machine
    ratios = []
    for _ in range(3):
        ratios.append(_fastest(help_line, 6) / _fastest(typer_line, 6))
        if ratios[-1] <= START_UP_RATIO:
            break
    assert min(ratios) <= START_UP_RATIO


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys\nfrom inkstrain.cli.app import main\nmain(['--help'])\n"
        "print(sorted({n.split('.')[0] for n in sys.modules} & "
        "{'numpy', 'scipy', 'colour', 'pydantic', 'PIL', 'jinja2', 'tifffile', 'rich'}), file=sys.stderr)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stderr.strip() == "[]"
