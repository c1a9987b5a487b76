"""Speed and memory of whole commands beside what they are measured against, in turn and in one run.

``python tests/bench_speed.py [--pairs N] [--large]``: an A4 scan at 600 dpi against reading it and converting every
pixel with colour-science, and against reading it with the same imports; ``--help`` against a bare ``import typer``;
with ``--large`` also an A3+ scan at 1200 dpi, which takes 2.2 GB of disk and several minutes, and making a
432 × 559 mm sheet at 720 dpi, start of the program included, against tifffile writing the same pixels with the same
compression, in a process that already holds them.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

COMMAND = "from inkstrain.cli.app import main; import sys; sys.exit(main())"
CONVERT = """
import colour, numpy, sys, tifffile
space = colour.RGB_COLOURSPACES["Adobe RGB (1998)"]
values = tifffile.imread(sys.argv[1]).astype(numpy.float64) / 65535
colour.XYZ_to_Lab(colour.RGB_to_XYZ(values, space, apply_cctf_decoding=True), space.whitepoint)
"""
READ = """
import sys, tifffile
import inkstrain.cli.app, inkstrain.cli.score, inkstrain.scoring.measure.tile
tifffile.imread(sys.argv[1])
"""
REWRITE = """
import sys, time, tifffile
with tifffile.TiffFile(sys.argv[1]) as tif:
    page = tif.pages[0]
    how = {"compression": page.compression, "predictor": page.predictor, "rowsperstrip": page.rowsperstrip}
    pixels = page.asarray()
start = time.perf_counter()
tifffile.imwrite(sys.argv[2], pixels, photometric="rgb", **how)
print(time.perf_counter() - start)
"""


class Took(NamedTuple):
    """What a process took."""

    wall_s: float
    cpu_s: float
    mib: float
    said: str


def run(*words: str) -> Took:
    """Run a Python process to its end."""
    start = time.perf_counter()
    with tempfile.TemporaryFile() as errors:
        child = subprocess.Popen(
            [sys.executable, "-W", "ignore", "-c", *words], stdout=subprocess.PIPE, stderr=errors, text=True
        )
        assert child.stdout is not None
        said = child.stdout.read()
        _, status, usage = os.wait4(child.pid, 0)
        wall = time.perf_counter() - start
        errors.seek(0)
        assert status == 0, errors.read().decode()
    return Took(wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, said)


def pairs(what: str, ours: Sequence[str], theirs: Sequence[str], count: int) -> None:
    """Print our time and memory as parts of theirs, in turn."""
    for _ in range(count):
        other, own = run(*theirs), run(*ours)
        print(
            f"{what}: {own.wall_s / other.wall_s:.2f} of the time ({own.wall_s:.1f} s), "
            f"{own.mib / other.mib:.3f} of the memory ({own.mib:.0f} MiB)",
            flush=True,
        )


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--pairs", type=int, default=3)
    parser.add_argument("--large", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="inkstrain-bench-") as name:
        folder = Path(name)

        def scan(sheet: str, dpi: str) -> str:
            run(COMMAND, "make", "--sheet", sheet, "--bed", "330x490", "--out", str(folder / sheet))
            (key,) = (folder / sheet).glob("*.key.json")
            run(
                COMMAND, "rehearse", str(key), "--printer", "alder", "--dpi", dpi, "--out", str(folder / f"{sheet}.tif")
            )
            return str(folder / f"{sheet}.tif")

        pairs("--help against import typer", [COMMAND, "--help"], ["import typer"], asked.pairs)
        a4 = scan("a4", "600")
        score = [COMMAND, "score", a4, "--json", str(folder / "score.json")]
        pairs("A4 at 600 dpi against colour-science", score, [CONVERT, a4], asked.pairs)
        pairs("A4 at 600 dpi against reading it with the same imports", score, [READ, a4], asked.pairs)
        if not asked.large:
            return
        large = run(COMMAND, "score", scan("a3plus", "1200"), "--json", str(folder / "score.json"))
        print(f"A3+ at 1200 dpi: {large.wall_s:.1f} s, {large.cpu_s:.1f} s CPU, {large.mib:.0f} MiB", flush=True)
        make = [
            COMMAND,
            "make",
            "--sheet",
            "432x559",
            "--bed",
            "432x559",
            "--dpi",
            "720",
            "--out",
            str(folder / "wide"),
        ]
        run(*make)
        (wide,) = (folder / "wide").glob("*-sheet1.tif")
        for _ in range(asked.pairs):
            alone, whole = float(run(REWRITE, str(wide), str(folder / "again.tif")).said), run(*make)
            print(
                f"432 × 559 mm at 720 dpi: {whole.wall_s / alone:.2f} of tifffile's writing alone "
                f"({whole.wall_s:.1f} s), {whole.mib:.0f} MiB",
                flush=True,
            )


if __name__ == "__main__":
    main()
