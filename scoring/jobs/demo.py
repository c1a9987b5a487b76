"""The whole job on an invented studio: one chart, two imaginary printers, two intents each, scored and compared.

Everything in it is invented, and says so wherever it is shown.
"""

from __future__ import annotations

import itertools
import multiprocessing
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from ..compare.compare import Comparison
    from ..results.score import Conditions
    from .scoring import Measured

__all__ = ["INVENTED", "PRINTS", "DemoOutcome", "DemoPrint", "run_demo"]

INVENTED: Final = (
    "Halfmoon Lane Studio, its printers, inks and papers are invented. "
    "No printer and no scanner took part: every print and scan here is simulated."
)
_PROCESSES: Final = 2
_DPI: Final = 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoPrint:
    """One imaginary print. ``preset`` names a virtual inkjet of the rehearsal."""

    preset: str
    printer: str
    intent: Literal["perceptual", "relative"]
    seed: int

    @property
    def slug(self) -> str:
        """Name of its files."""
        return f"{self.preset}-{self.intent}"

    @property
    def conditions(self) -> Conditions:
        """What the photographer would have noted."""
        from ..results.score import Conditions

        return Conditions(
            printer=self.printer,
            paper="gloss 290 (invented)",
            ink="four-ink set (invented)",
            intent=self.intent,
            black_point_compensation=self.intent == "relative",
            note="invented studio, rehearsed print and scan",
        )


_INTENTS: Final[tuple[Literal["perceptual", "relative"], ...]] = ("perceptual", "relative")

PRINTS: Final = tuple(
    DemoPrint(preset=preset, printer=f"{preset.capitalize()} (invented)", intent=intent, seed=seed)
    for seed, (preset, intent) in enumerate(itertools.product(("alder", "rowan"), _INTENTS), start=1)
)
"""Two printers, two intents each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pairing:
    """Two prints to compare, and what to call them."""

    name: str
    slugs: tuple[str, ...]
    labels: tuple[str, ...]


_PAIRS: Final = (
    _Pairing(
        name="alder-against-rowan",
        slugs=("alder-relative", "rowan-relative"),
        labels=("Alder (relative)", "Rowan (relative)"),
    ),
    *(
        _Pairing(
            name=f"{printer}-intents",
            slugs=(f"{printer}-perceptual", f"{printer}-relative"),
            labels=(f"{printer.capitalize()} (perceptual)", f"{printer.capitalize()} (relative)"),
        )
        for printer in ("alder", "rowan")
    ),
    _Pairing(
        name="all-four",
        slugs=tuple(entry.slug for entry in PRINTS),
        labels=tuple(f"{entry.preset.capitalize()} ({entry.intent})" for entry in PRINTS),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoOutcome:
    """What came of it: lines to read, the report to open first and the others, as paths within the folder."""

    lines: tuple[str, ...]
    report: str
    more: tuple[str, ...]


def run_demo(folder: Path, *, progress: Callable[[str, float], None] | None = None) -> DemoOutcome:
    """Write chart, scans, scores, comparisons and reports into a folder.

    Parameters
    ----------
    folder : Path
        Must exist.
    progress : callable, optional
        Called with what is being done and the share done, 0 to 1.
    """
    from inkstrain.targets.chart import write_chart
    from inkstrain.targets.recipe import Recipe

    steps = _Steps(total=1 + 2 * len(PRINTS) + len(_PAIRS), progress=progress)
    for name in ("chart", "scans", "scores", "reports"):
        (folder / name).mkdir()
    steps.begin("making the chart")
    key_path = write_chart(Recipe(), folder / "chart")[-1]
    steps.finish("printing and scanning in imagination")
    measured = _print_and_score(folder, key_path, steps)
    compared = {}
    for pair in _PAIRS:
        compared[pair.name] = _compare(folder, pair, measured)
        steps.finish("comparing")
    return DemoOutcome(
        lines=(INVENTED, *_told(compared)),
        report=f"reports/{_PAIRS[0].name}.html",
        more=tuple(f"reports/{name}.html" for name in (*list(compared)[1:], *measured)),
    )


class _Steps:
    """Counts finished steps for a progress bar."""

    def __init__(self, *, total: int, progress: Callable[[str, float], None] | None) -> None:
        self._total, self._done, self._progress = total, 0, progress

    def begin(self, what: str) -> None:
        if self._progress is not None:
            self._progress(what, self._done / self._total)

    def finish(self, what: str) -> None:
        self._done += 1
        self.begin(what)


def _print_and_score(folder: Path, key_path: Path, steps: _Steps) -> dict[str, Measured]:
    """Rehearse and score all prints, two at a time; a print is scored as soon as its scan is there."""
    # spawn: the same on every system, and no thread of ours is copied half-way
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(_PROCESSES, mp_context=context) as pool:
        waiting: dict[Future[Measured | None], DemoPrint] = {
            pool.submit(_rehearse, key_path, folder, entry): entry for entry in PRINTS
        }
        measured: dict[str, Measured] = {}
        try:
            while waiting:
                done, _ = wait(waiting, return_when=FIRST_COMPLETED)
                for future in done:
                    entry = waiting.pop(future)
                    result = future.result()
                    if result is None:
                        waiting[pool.submit(_score, folder, entry)] = entry
                    else:
                        measured[entry.slug] = result
                    steps.finish(f"{'scanned' if result is None else 'scored'} {entry.slug}")
        except BaseException:
            # what has not begun need not, once something failed or Ctrl-C was pressed
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return {entry.slug: measured[entry.slug] for entry in PRINTS}


def _rehearse(key_path: Path, folder: Path, entry: DemoPrint) -> None:
    from inkstrain.targets.chart import read_key
    from inkstrain.targets.rehearsal import PrintOptions, ScanOptions, rehearse
    from inkstrain.targets.rehearsal.inkjet import inkjet

    rehearse(
        read_key(key_path),
        folder / "scans" / f"{entry.slug}.tif",
        printer=inkjet(entry.preset, entry.intent),
        print_options=PrintOptions(grain=0.02),
        scan_options=ScanOptions(
            dpi=_DPI, rotation_deg=0.4 * entry.seed, stretch=(0.0, 0.002), wobble_mm=0.03, blur_mm=0.06, noise=0.002,
            dust=12, compression="deflate",
        ),
        seed=entry.seed,
    )  # fmt: skip


def _score(folder: Path, entry: DemoPrint) -> Measured:
    from ..judge.judge import judge
    from ..report import report_html
    from .scoring import score_scans

    measured = score_scans([folder / "scans" / f"{entry.slug}.tif"], conditions=entry.conditions)
    text = measured.score.model_dump_json(indent=1) + "\n"
    (folder / "scores" / f"{entry.slug}.json").write_text(text, encoding="utf-8")
    html = report_html(measured.score, measured.crops, judge(measured.score))
    (folder / "reports" / f"{entry.slug}.html").write_text(html, encoding="utf-8")
    return measured


def _compare(folder: Path, pair: _Pairing, measured: Mapping[str, Measured]) -> Comparison:
    from ..report import compare_html
    from .comparing import compare_prints

    prints = [measured[slug] for slug in pair.slugs]
    comparison = compare_prints([[one.score] for one in prints], labels=pair.labels)
    text = comparison.model_dump_json(indent=1) + "\n"
    (folder / "scores" / f"{pair.name}.json").write_text(text, encoding="utf-8")
    html = compare_html(comparison, [one.score for one in prints], [one.crops for one in prints])
    (folder / "reports" / f"{pair.name}.html").write_text(html, encoding="utf-8")
    return comparison


def _told(compared: Mapping[str, Comparison]) -> Iterator[str]:
    """Say of each comparison how it came out, and what a photographer asks first."""
    for comparison in compared.values():
        yield comparison.headline
