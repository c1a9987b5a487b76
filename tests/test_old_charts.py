"""Charts that were printed once are scored for ever: every layout's keys, as the program of its day wrote them.

The files of ``data/layout-1`` are never written again: a new layout gets a folder of its own, and keeps this one.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from inkstrain.targets.chart import build_key
from inkstrain.targets.recipe import parse_recipe

KEYS = sorted((Path(__file__).parent / "data").glob("layout-*/*.key.json"))
NEARLY = 1e-9  # mm, or parts of full colour: what another processor's powers may differ by, far below any pixel


def differences(old: Any, new: Any, where: str = "key") -> list[str]:
    """Return where two documents differ; numbers may by `NEARLY`."""
    if isinstance(old, dict) and isinstance(new, dict) and old.keys() == new.keys():
        return [line for name in old for line in differences(old[name], new[name], f"{where}.{name}")]
    if isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        pairs = enumerate(zip(old, new, strict=True))
        return [line for at, (one, other) in pairs for line in differences(one, other, f"{where}[{at}]")]
    if isinstance(old, float) and isinstance(new, float):
        return [] if new == pytest.approx(old, rel=0, abs=NEARLY) else [where]
    return [] if old == new else [where]


def test_there_are_old_keys() -> None:
    assert len(KEYS) >= 4


@pytest.mark.parametrize("path", KEYS, ids=lambda path: path.stem)
def test_everything_lies_where_it_lay_when_the_chart_was_printed(path: Path) -> None:
    old = json.loads(path.read_text(encoding="utf-8"))
    key = build_key(parse_recipe(old["recipe"]))
    assert differences(old, json.loads(key.model_dump_json())) == []
    assert path.name == f"{key.chart}.key.json"


def test_a_mark_moved_by_a_micrometre_shows() -> None:
    old = json.loads(KEYS[0].read_text(encoding="utf-8"))
    moved = json.loads(KEYS[0].read_text(encoding="utf-8"))
    moved["sheets"][0]["tiles"][0]["marks_mm"][0][0] += 1e-3
    assert differences(old, moved) == ["key.sheets[0].tiles[0].marks_mm[0][0]"]
