"""``import inkstrain``: its examples run in order as one story, it starts no process, and it is installed whole."""

from __future__ import annotations

import doctest
import inspect
import os
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import numpy as np
import pytest
import spectral
from icc_samples import rgb_profile
from PIL import Image

import inkstrain
from inkstrain.scoring.colour.exchange import exchange_text
from inkstrain.targets.errors import WrongUsageError

TOP = Path(__file__).parents[1]
SMALL = inkstrain.Recipe(sheet="120x130", hues=1, only=("ring-to-white",))
PATCHES = inkstrain.Recipe(sheet="200x200", only=("neutral-wedge", "patch-field"), dpi=200)


def test_the_examples_of_every_verb_run_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("printer.icc").write_bytes(rgb_profile())
    Image.fromarray(np.random.default_rng(1).integers(0, 256, (40, 60, 3), np.uint8)).save("holiday.png")
    spectral.spectral_scan(PATCHES, Path("patches.tif"), spectral.FIRST, spectral.sensor())
    readings = spectral.measured_lab(spectral.patches_of(PATCHES), spectral.FIRST)
    Path("readings.txt").write_text(exchange_text(readings, {}), encoding="utf-8")
    verbs = [getattr(inkstrain, name) for name in inkstrain.__all__ if name != "Recipe"]
    for verb in sorted(verbs, key=lambda verb: inspect.getsourcelines(verb)[1]):
        (test,) = doctest.DocTestFinder().find(verb, verb.__name__, inkstrain)
        assert test.examples
        heard: list[str] = []
        failed, _ = doctest.DocTestRunner(verbose=False).run(test, out=heard.append)
        assert not failed, "".join(heard)


def test_scoring_starts_no_process_and_needs_no_guard(tmp_path: Path) -> None:
    inkstrain.rehearse(SMALL, tmp_path / "scan.tif", dpi=200)
    script = tmp_path / "script.py"
    script.write_text(
        "import multiprocessing.process, os, subprocess\n"
        "def refuse(*_, **__):\n    raise AssertionError('a process was started')\n"
        "multiprocessing.process.BaseProcess.start = subprocess.Popen.__init__ = os.fork = refuse\n"
        "import inkstrain\nprint(len(inkstrain.score('scan.tif').score.elements))\n"
    )
    run = subprocess.run([sys.executable, script], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (run.stdout, run.returncode) == ("1\n", 0), run.stderr


def test_a_score_and_a_comparison_show_themselves_in_a_notebook(tmp_path: Path) -> None:
    inkstrain.rehearse(SMALL, tmp_path / "scan.tif", dpi=200)
    measured = inkstrain.score(tmp_path / "scan.tif", conditions={"printer": "<alder>"})
    assert "&lt;alder&gt;" in measured._repr_html_()
    compared = inkstrain.compare(measured, measured.score)
    assert compared.headline in compared._repr_html_()
    assert {row["element"] for row in measured.to_rows()} == {"print", "ring-to-white-red"}
    with pytest.raises(WrongUsageError):
        inkstrain.compare(measured)
    with pytest.raises(WrongUsageError):
        inkstrain.report(compared, tmp_path / "never.html")


def test_importing_it_loads_nothing_heavy() -> None:
    code = "import sys, inkstrain; dir(inkstrain); print({'numpy', 'pydantic', 'typer'} & set(sys.modules))"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "set()\n"


def test_wheel_and_source_archive_hold_the_whole_package(tmp_path: Path) -> None:
    pytest.importorskip("setuptools", minversion="77")
    source = tmp_path / "source"
    source.mkdir()
    for name in ("pyproject.toml", "README.md", "LICENSE", "verbs", "targets", "scoring", "cli"):
        subprocess.run(["cp", "-r", TOP / name, source], check=True)
    build = "from setuptools.build_meta import *; build_wheel('.'); build_sdist('.')"
    subprocess.run([sys.executable, "-c", build], cwd=source, capture_output=True, text=True, check=True)
    wheel, archive = _built(source)
    expected = {
        "/".join(["inkstrain", *path.relative_to(TOP).parts]).replace("inkstrain/verbs", "inkstrain")
        for room in ("verbs", "targets", "scoring", "cli")
        for path in (TOP / room).rglob("*")
        if path.is_file() and path.suffix in {".py", ".typed", ".json", ".html", ".css", ".js"}
    }
    with zipfile.ZipFile(source / wheel) as packed:
        assert {name for name in packed.namelist() if "dist-info" not in name} == expected
    unpacked = tmp_path / "unpacked"
    with tarfile.open(source / archive) as packed_source:
        packed_source.extractall(unpacked, filter="data")
        names = {name.partition("/")[2] for name in packed_source.getnames()}
    assert {"verbs/__init__.py", "verbs/py.typed", "scoring/report/page.css"} <= names
    with zipfile.ZipFile(source / wheel) as packed:
        packed.extractall(tmp_path / "installed")
    # from the top of the sources, whose folders must not stand in for the package
    environment = {**os.environ, "PYTHONPATH": str(tmp_path / "installed")}
    code = "import inkstrain; print(inkstrain.__file__, inkstrain.Recipe().chart_id)"
    words = [sys.executable, "-c", code]
    found = subprocess.run(words, cwd=TOP, env=environment, capture_output=True, text=True, check=True).stdout
    assert found.split() == [str(tmp_path / "installed" / "inkstrain" / "__init__.py"), inkstrain.Recipe().chart_id]


def _built(source: Path) -> tuple[str, str]:
    (wheel,), (archive,) = source.glob("*.whl"), source.glob("*.tar.gz")
    return wheel.name, archive.name
