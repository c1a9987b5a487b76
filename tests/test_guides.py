"""README and guides: every command in them runs, in order; links, messages, words and the reference are as they say."""

from __future__ import annotations

import ast
import importlib.util
import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import spectral
import tifffile
from icc_samples import rgb_profile, scanner_profile
from PIL import Image

import inkstrain
from inkstrain.cli.app import COMMANDS
from inkstrain.scoring.colour.exchange import exchange_text
from inkstrain.targets.rehearsal import PrintOptions, ScanOptions, rehearse
from inkstrain.targets.rehearsal.inkjet import inkjet

TOP = Path(__file__).parents[1]
GUIDES = TOP / "examples" / "guide"
TOURS = (TOP / "README.md", *(GUIDES / f"{name}.md" for name in (
    "printing", "scanning", "instruments", "colour-basis", "comparing", "black-and-white", "pictures",
)))  # fmt: skip
"""Documents with commands, in the order in which a reader comes by them."""
CHART = inkstrain.Recipe(sheet="120x160", hues=2, only=("ring-to-white", "ring-to-black", "neutral-wedge"))
PATCHES = inkstrain.Recipe(only=("patch-field",), patch_mm=12.0)
COARSE = inkstrain.Recipe(only=("patch-field",), patch_mm=12.0, dpi=150)  # the same patches, for quicker scans
PATIENCE_S = 60.0
ELSEWHERE = ("pip", "pipx", "uv", "python3", "py")  # what README says of installing, which no test does
LIMITS = {"README.md": 7168, "DEVELOPERS.md": 8192}  # bytes

Run = Callable[..., tuple[int, str, str]]


def commands(path: Path) -> Iterator[list[str]]:
    """Yield the words of every command in a document's shell blocks."""
    for block in re.findall(r"^```sh\n(.*?)^```", path.read_text(encoding="utf-8"), re.M | re.S):
        for line in block.replace("\\\n", " ").splitlines():
            words = shlex.split(line, comments=True)
            if words and not (words[0].startswith(ELSEWHERE) or words[0].startswith((".venv", ".ci"))):
                yield words


def _print(path: Path, printer: str, seed: int, **options: float) -> None:
    rehearse(
        CHART, path, printer=inkjet(printer), print_options=PrintOptions(grain=0.02),
        scan_options=ScanOptions(dpi=200, **options), seed=seed,
    )  # fmt: skip


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a reader has by the time: a chart's key, scans, an instrument's readings, profiles, pictures."""
    studio = tmp_path_factory.mktemp("studio")
    inkstrain.make_chart(CHART, studio / "charts")
    _print(studio / "scan.tif", "alder", 1)
    _print(studio / "again.tif", "alder", 2, rotation_deg=1.0)
    _print(studio / "second.tif", "alder", 3)
    _print(studio / "other.tif", "rowan", 4)
    _print(studio / "cotton.tif", "rowan", 5)
    (studio / "scans").mkdir()
    _print(studio / "scans" / "new.tif", "alder", 6)
    shutil.copy(studio / "other.tif", studio / "mono.tif")
    shape = tifffile.imread(studio / "scan.tif").shape
    blank = np.random.default_rng(7).normal(60000, 100, shape).astype(np.uint16)
    spectral.spectral_scan(COARSE, studio / "patches.tif", spectral.FIRST, spectral.sensor())
    readings = spectral.measured_lab(spectral.patches_of(COARSE), spectral.FIRST)
    (studio / "readings.txt").write_text(exchange_text(readings, {}), encoding="utf-8")
    tifffile.imwrite(studio / "blank.tif", blank, photometric="rgb", resolution=(200, 200))
    (studio / "printer.icc").write_bytes(rgb_profile())
    (studio / "scanner.icc").write_bytes(scanner_profile(np.diag([0.9, 1.0, 0.8]), 2.2))
    (studio / "pictures").mkdir()
    for name in ("one", "two"):
        pixels = np.random.default_rng(len(name)).integers(0, 256, (60, 90, 3), np.uint8)
        Image.fromarray(pixels).save(studio / "pictures" / f"{name}.png")
    return studio


@pytest.mark.parametrize("path", TOURS, ids=lambda path: path.stem)
def test_every_command_runs_in_order(path: Path, studio: Path, run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(studio)
    monkeypatch.setenv("INKSTRAIN_LEDGER", str(studio / f"{path.stem}.sqlite"))
    words_for = {"CHART": CHART.chart_id, "PATCHES": PATCHES.chart_id}
    found = list(commands(path))
    assert found
    for words in found:
        assert words[0] == "inkstrain", words
        if "ID" in words and "ID" not in words_for:
            words_for["ID"] = run("ledger", "list", "--csv", "-")[1].splitlines()[1].split(",")[0]
        typed = [re.sub(r"\b(CHART|PATCHES|ID)\b", lambda name: words_for[name[1]], word) for word in words[1:]]
        if typed[0] == "watch":
            _watched(typed, studio)
            continue
        code, _, err = run(*typed)
        assert code == 0, f"{shlex.join(typed)}: {err}"


def _watched(words: list[str], studio: Path) -> None:
    """Run a watch until its page stands, then end it as a reader would."""
    program = "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); "
    program += "from inkstrain.cli.app import main; sys.exit(main())"
    with subprocess.Popen([sys.executable, "-c", program, *words], stderr=subprocess.PIPE, text=True) as process:
        page = studio / "scans" / "inkstrain-reports" / "index.html"
        end = time.monotonic() + PATIENCE_S
        while not (page.exists() and "new.tif" in page.read_text(encoding="utf-8")) and time.monotonic() < end:
            time.sleep(0.1)
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=PATIENCE_S)
    assert page.exists(), err


def test_every_command_is_in_readme_and_in_the_reference_with_its_help(run: Run) -> None:
    readme = (TOP / "README.md").read_text(encoding="utf-8")
    _, listed, _ = run("--help")
    for name, short in COMMANDS.items():
        assert f"inkstrain {name}" in readme
        assert f"  {name} " in listed
        assert short in listed
    spec = importlib.util.spec_from_file_location("reference", TOP / "examples" / "reference.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert module.FILE.read_text(encoding="utf-8") == module.reference(), "run: python examples/reference.py"


def test_the_notebook_runs_from_chart_to_verdict(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # a notebook is JSON (nbformat 4) and its cells are plain Python: exec runs them as a kernel would, without one
    notebook = json.loads((TOP / "examples" / "chart-to-verdict.ipynb").read_text(encoding="utf-8"))
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {"__name__": "__main__"}
    cells = ["".join(cell["source"]) for cell in notebook["cells"] if cell["cell_type"] == "code"]
    assert len(cells) >= 6
    for number, cell in enumerate(cells):
        exec(compile(cell, f"cell {number}", "exec"), names)
    assert names["verdict"].findings
    assert {"jumping.html", "compared.html"} <= {path.name for path in tmp_path.iterdir()}
    # what the printed prints are known to have: a step put in at 9 mm on one of them only (goal: 0.03 mm)
    assert [round(ring.radius_mm, 1) for ring in names["contours"]] == [9.0]


def test_links_lead_somewhere_and_documents_are_short() -> None:
    documents = [TOP / "README.md", TOP / "DEVELOPERS.md", TOP / "CHANGELOG.md", *GUIDES.glob("*.md")]
    assert len(documents) > 10
    for document in documents:
        text = document.read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)#]+)\)", text):
            assert (document.parent / target).exists(), f"{document.name}: {target}"
        assert len(text.encode()) <= LIMITS.get(document.name, 40_000), document.name


def test_every_message_of_troubleshooting_is_one_of_ours() -> None:
    said = "\n".join(
        node.value
        for room in ("targets", "scoring", "cli")
        for path in (TOP / room).rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    )
    messages = re.findall(r"^\| `([^`]+)` \|", (GUIDES / "troubleshooting.md").read_text(encoding="utf-8"), re.M)
    assert len(messages) > 15
    assert not [message for message in messages if message not in said]


def test_the_stages_of_a_number_are_printed_in_order(tmp_path: Path) -> None:
    words = [sys.executable, TOP / "examples" / "stages.py", tmp_path]
    run = subprocess.run(words, capture_output=True, text=True, check=True, env={**os.environ, "COLUMNS": "80"})
    stages = [line.split()[0] for line in run.stdout.splitlines()]
    assert stages == [
        "recipe", "key", "scan", "placement", "basis", "means", "course", "finding", "score", "verdict", "report",
    ]  # fmt: skip
    found = re.search(r"finding +([\d.]+) mm", run.stdout)
    assert found is not None
    assert float(found[1]) == pytest.approx(9.0, abs=0.03)  # where the step was put; goal of the design
