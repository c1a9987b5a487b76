"""What the desk is measuring: one set of scans at a time, in processes that a cancel ends; a restart takes it up."""

from __future__ import annotations

import json
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from inkstrain.targets.errors import InkstrainError

from ..conditions import Stated
from ..files import write_all
from ..many import measure_each, why_not
from ..setupfile import CONFIG_NAME, find_setup

if TYPE_CHECKING:
    from inkstrain.scoring.jobs.scoring import Measured

__all__ = ["Outcome", "Work"]

_LIST: Final = "waiting.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one scan: its id in the ledger, or the sentence that says why there is none."""

    name: str
    kept: str | None = None
    text: str = ""


class Work:
    """Measures the scans of a drop.

    Attributes
    ----------
    outcomes : list of Outcome
        Of the last set of scans, in their order.
    share : float
        How much of it is done, 0 to 1.
    """

    def __init__(self, folder: Path, ledger: str | None) -> None:
        self._folder, self._ledger = folder, ledger
        self._lock, self._taken, self._cancelled, self._ended = threading.Lock(), False, False, False
        self._thread: threading.Thread | None = None
        self.outcomes: list[Outcome] = []
        self.share, self.total = 0.0, 0

    @property
    def busy(self) -> bool:
        """Whether scans are coming in or being measured."""
        return self._taken

    def take(self) -> bool:
        """Make sure that no one else begins; return ``False`` if someone has."""
        with self._lock:
            free = not self._taken
            self._taken = True
            return free

    def leave(self) -> None:
        """Let others begin."""
        self._taken = False

    def begin(self, scans: Sequence[tuple[Path, str]], setup: str, outcomes: Sequence[Outcome] = ()) -> None:
        """Begin to measure scans, each with the name to show; after `take`."""
        self.outcomes, self.share, self.total, self._cancelled = list(outcomes), 0.0, len(scans), False
        self._note(scans, setup)
        self._thread = threading.Thread(target=self._run, args=(list(scans), setup))
        self._thread.start()

    def cancel(self) -> None:
        """Stop soon; what is measured by then is kept, and the other scans are let go of."""
        self._cancelled = True

    def end(self) -> None:
        """Stop, and leave what is not measured for the next start."""
        self._ended = True
        if self._thread is not None:
            self._thread.join()

    def resume(self) -> None:
        """Take up what the last run left, if anything."""
        try:
            left = json.loads((self._folder / "scans" / _LIST).read_text(encoding="utf-8"))
            scans = [(self._folder / "scans" / Path(file).name, str(name)) for file, name in left["scans"]]
            setup = str(left["setup"])
        except (OSError, ValueError, KeyError, TypeError):
            return
        if self.take():
            self.begin([(path, name) for path, name in scans if path.is_file()], setup)

    def _note(self, scans: Sequence[tuple[Path, str]], setup: str) -> None:
        path = self._folder / "scans" / _LIST
        if scans:
            left: dict[str, Any] = {"setup": setup, "scans": [(scan.name, name) for scan, name in scans]}
            write_all({path: json.dumps(left)})
        else:
            path.unlink(missing_ok=True)

    def _run(self, scans: list[tuple[Path, str]], setup: str) -> None:
        left = list(scans)
        try:
            made = Stated().using(find_setup(setup, self._folder / CONFIG_NAME)) if setup else Stated()
            paths = [path for path, _ in scans]
            for path, result in measure_each(
                paths, made, stop=lambda: self._cancelled or self._ended, progress=self._progress
            ):
                _, name = left.pop(0)
                self.outcomes.append(self._kept(path, name, result, made))
                self._note(left, setup)
        except Exception as error:
            self.outcomes.append(Outcome(name=setup, text=why_not(error, Path(setup))))
            left = [] if isinstance(error, InkstrainError) else left
        if not self._ended:
            for path, name in left:
                path.unlink(missing_ok=True)
                self.outcomes.append(Outcome(name=name, text="Cancelled."))
            self._note([], setup)
        self.leave()

    def _progress(self, _: str, share: float) -> None:
        self.share = share

    def _kept(self, path: Path, name: str, result: Measured | str, made: Stated) -> Outcome:
        """Keep one score and write its report."""
        from inkstrain.scoring.judge.judge import judge
        from inkstrain.scoring.judge.tolerances import read_tolerances
        from inkstrain.scoring.ledger import open_ledger
        from inkstrain.scoring.report import report_html

        if isinstance(result, str):
            path.unlink(missing_ok=True)
            return Outcome(name=name, text=result.replace(str(path), name).replace(path.name, name))
        try:
            score = result.score
            score = score.revised(tiles=tuple(tile.revised(scan=name) for tile in score.tiles))
            verdict = judge(score, read_tolerances(made.tolerances)) if made.tolerances else None
            with open_ledger(self._ledger) as ledger:
                kept = ledger.keep(score, result.crops, verdict, label=Path(name).stem or None)
            page = self._folder / "reports" / f"{kept.id}.html"
            write_all({page: report_html(score, result.crops, verdict)})
            return Outcome(name=name, kept=kept.id, text="Kept before." if kept.already_there else "Kept.")
        except (InkstrainError, OSError) as error:
            return Outcome(name=name, text=why_not(error, path))
