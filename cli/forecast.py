"""``inkstrain forecast``: what a printer's profile alone predicts for a chart."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .files import check_target, deliver
from .talk import terminal_width

if TYPE_CHECKING:
    from inkstrain.targets.recipe import Recipe

__all__ = ["forecast"]


def forecast(
    chart: Annotated[
        str, typer.Argument(metavar="KEY|RECIPE", help="Key of a chart, or the line of small type beside its code.")
    ],
    profile: Annotated[Path, typer.Option(metavar="ICC", help="The printer's output profile: RGB, CMYK or grey.")],
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the forecast as JSON; - for standard output.")
    ] = None,
    report: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a report, one HTML file that works offline.")
    ] = None,
) -> None:
    """Forecast rings, merged tones and reach from the printer's profile alone: every intent, before any ink is spent.

    Without --json or --report a table is printed. A forecast knows the profile, not the machine: what driver, ink and
    paper add, only a print shows.
    """
    check_target(json, report, inputs=(profile, Path(chart)))
    from inkstrain.scoring.jobs.forecasting import forecast_chart
    from inkstrain.scoring.words.forecasttext import forecast_text
    from inkstrain.targets.outputprofile import read_output_profile

    found = forecast_chart(_recipe(chart), read_output_profile(profile))
    contents = {}
    if json is not None:
        contents[json] = found.model_dump_json(indent=1) + "\n"
    if report is not None:
        from inkstrain.scoring.report.forecastpage import forecast_html

        contents[report] = forecast_html(found)
    deliver(contents, lambda: forecast_text(found, width=terminal_width()))


def _recipe(chart: str) -> Recipe:
    """Return the recipe that was typed, or that of a key's file."""
    from inkstrain.targets.chart import read_key
    from inkstrain.targets.recipe import parse_recipe

    is_text = chart.strip().upper().startswith("INKSTRAIN/") and not Path(chart).exists()
    return parse_recipe(chart if is_text else read_key(Path(chart)).recipe)
