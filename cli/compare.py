"""``inkstrain compare``: say where two prints differ, and where no difference is shown."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from .files import STDOUT, check_target, print_data, write_all
from .talk import say, terminal_width

__all__ = ["compare"]


def compare(
    a: Annotated[Path, typer.Argument(metavar="A", help="Score file of the first print.")],
    b: Annotated[Path, typer.Argument(metavar="B", help="Score file of the second print.")],
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the comparison as JSON; - for standard output.")
    ] = None,
    report: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a report, one HTML file that works offline.")
    ] = None,
) -> None:
    """Compare two prints of the same chart, from the score files that 'score --json' wrote.

    Without --json or --report a summary is printed. "No difference shown" is a result.
    """
    from inkstrain.scoring.compare import compare as compare_scores
    from inkstrain.scoring.compare import label_prints, read_score
    from inkstrain.scoring.plaintext import comparison_text

    check_target(json, report, inputs=(a, b))
    scores = (read_score(a), read_score(b))
    labels = label_prints(*scores, fallback=(a.stem, b.stem))
    comparison = compare_scores([scores[0]], [scores[1]], labels=labels)
    contents = {}
    if json is not None:
        contents[json] = comparison.model_dump_json(indent=1) + "\n"
    if report is not None:
        from inkstrain.scoring.report import compare_html

        contents[report] = compare_html(comparison, scores, ({}, {}))
    write_all(contents)
    if not contents:
        print_data(comparison_text(comparison, width=terminal_width()) + "\n")
    for path in contents.keys() - {STDOUT}:
        say(f"Wrote {path}.")
