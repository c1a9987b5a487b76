"""What several test modules share: the program as typed, and one small scan."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from inkstrain.cli.app import main
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import ScanOptions, rehearse

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capfdbinary: pytest.CaptureFixture[bytes]) -> Run:
    """Run the program in this process and return exit code, standard output and standard error."""

    def run_(*words: object) -> tuple[int, str, str]:
        capfdbinary.readouterr()
        code = main([str(word) for word in words])
        out, err = capfdbinary.readouterr()
        return code, out.decode("utf-8"), err.decode("utf-8")

    return run_


@pytest.fixture(scope="session")
def scan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a small clean scan: one ring."""
    path = tmp_path_factory.mktemp("scan") / "scan.tif"
    rehearse(Recipe(sheet="120x130", hues=1, only=("ring-to-white",)), path, scan_options=ScanOptions(dpi=200))
    return path
