"""Results of benches as data, and as the tables of RESULTS.md, which is made from them."""

from __future__ import annotations

import datetime
import json
import math
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

RESULTS = Path(__file__).parent / "results"
DOCUMENT = Path(__file__).parent / "RESULTS.md"
_MET = {True: "met", False: "**not met**", None: ""}


def keep(path: Path, rows: Sequence[Mapping[str, Any]], **what: Any) -> None:
    """Write a bench's rows with the commit, the command and the date that they are of."""
    commit = subprocess.run(
        ["git", "rev-parse", "HEAD"], capture_output=True, text=True, cwd=RESULTS, check=True
    )
    changed = subprocess.run(
        ["git", "status", "--porcelain"], capture_output=True, text=True, cwd=RESULTS, check=True
    )
    data = {
        "commit": commit.stdout.strip() + (" with changes" if changed.stdout.strip() else ""),
        "command": "python " + " ".join(["tests/" + Path(sys.argv[0]).name, *sys.argv[1:]]),
        "date": datetime.datetime.now(datetime.UTC).date().isoformat(),
        **what,
        "rows": [{name: _plain(value) for name, value in row.items()} for row in rows],
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")


def _plain(value: Any) -> Any:
    # JSON has no infinity: an interval without an upper end
    return None if isinstance(value, float) and not math.isfinite(value) else value


def accuracy_table(data: Mapping[str, Any]) -> str:
    """Return the accuracy table: a line a figure, a column a resolution."""
    columns = list(dict.fromkeys(row["dpi"] for row in data["rows"]))
    lines: dict[tuple[str, str], dict[str, str]] = {}
    for row in data["rows"]:
        lines.setdefault((row["what"], row["goal"]), {})[row["dpi"]] = _cell(row)
    head = ["what", "goal", *(f"{dpi} dpi" for dpi in columns)]
    table = [head, ["---"] * len(head)]
    table += [[*key, *(cells.get(dpi, "") for dpi in columns)] for key, cells in lines.items()]
    return f"{_source(data)}\n\n" + "\n".join("| " + " | ".join(line) + " |" for line in table)


def constants_table(data: Mapping[str, Any]) -> str:
    """Return the table of what moves if a constant does: median and 95th percentile."""
    names = [name for name in data["rows"][0] if name not in ("constant", "value", "changed", "findings")]
    head = ["constant", "value", *(name for name in names), "findings"]
    table = [head, ["---"] * len(head)]
    for row in data["rows"]:
        moved = ["–" if row[name] is None else "{:.3g}, {:.3g}".format(*row[name]) for name in names]
        table.append([f"`{row['constant']}` {row['changed']}", f"{row['value']:.4g}", *moved, f"{row['findings']:+d}"])
    return f"{_source(data)}\n\n" + "\n".join("| " + " | ".join(line) + " |" for line in table)


def noise_table(data: Mapping[str, Any]) -> str:
    """Return the table of false claims, put-in rings shown and smallest showable differences, a line each."""
    head = ["printer", "what", "goal", "value"]
    table = [head, ["---"] * len(head)]
    for row in data["rows"]:
        scale, unit = (100.0, "%") if row["unit"] == "%" else (1.0, row["unit"])
        low, value, high = (f"{scale * row[name]:.3g}" for name in ("low", "value", "high"))
        text = f"{value} {unit} ({low} to {high}) of {row['count']} {_MET[row['met']]}".strip()
        table.append([row["printer"], row["what"], row["goal"], text])
    return f"{_source(data)}\n\n" + "\n".join("| " + " | ".join(line) + " |" for line in table)


def _source(data: Mapping[str, Any]) -> str:
    return (
        f"`{data['command']}`, seed {data['seed']}, {data['date']}, commit {data['commit'][:12]}{data['commit'][40:]}."
    )


def _cell(row: Mapping[str, Any]) -> str:
    if row["value"] is None:
        return "none drawn"
    low, high = row["low"], "∞" if row["high"] is None else row["high"]
    if row["unit"] == "":
        text = f"{row['value']:g} on {row['count']} discs"
    elif row["unit"] == "%":
        text = f"{100 * row['value']:.1f} % ({100 * low:.1f} to {100 * row['high']:.1f}) of {row['count']}"
    else:
        upper = high if isinstance(high, str) else f"{high:.3g}"
        text = f"{row['value']:.3g} {row['unit']} ({low:.3g} to {upper}) of {row['count']}"
    return f"{text} {_MET[row['met']]}".strip()


TABLES = {"accuracy": accuracy_table, "constants": constants_table, "noise": noise_table}
_HEADINGS = {
    "accuracy": "Accuracy: rehearsals against their truth, every figure beside its goal",
    "constants": "What moves if a constant of the measures does (median, 95th percentile; findings: how many more)",
    "noise": "Comparisons: false claims on like prints, put-in rings shown, smallest showable over true repeatability",
}


def document() -> str:
    """Return the text of RESULTS.md as the kept results have it."""
    parts = [
        "# Results of the benches",
        "Made by `python -m bench.documents`, in tests, from `results/*.json`. All of it is simulation: no real print, "
        "scanner, instrument or observer took part.",
    ]
    for name, table in TABLES.items():
        data = json.loads((RESULTS / f"{name}.json").read_text(encoding="utf-8"))
        parts += [f"## {_HEADINGS[name]}", table(data)]
    return "\n\n".join(parts) + "\n"


if __name__ == "__main__":
    DOCUMENT.write_text(document(), encoding="utf-8")
