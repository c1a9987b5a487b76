"""Inkstrain: stress charts for photographic inkjet prints, printed, scanned, and scored.

A dozen verbs, from a chart to a verdict; each loads what it needs when it is called. What they return are frozen
values of ``inkstrain.targets`` and ``inkstrain.scoring``. Measured colours are CIELAB for D50 and 2°, relative to the
paper; lengths are millimetres on paper; differences are CIEDE2000.

A scored print is given to the other verbs as `score` returned it, as a ``Score`` (of a ledger, say), or as the path of
a score file. Failures are ``inkstrain.targets.errors.InkstrainError``, whose text is a sentence for people.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from inkstrain.scoring.jobs.scoring import Measured, ScoreOptions
    from inkstrain.scoring.judge.judge import Verdict
    from inkstrain.scoring.judge.tolerances import Tolerances
    from inkstrain.scoring.ledger import Ledger
    from inkstrain.scoring.results.comparison import Comparison
    from inkstrain.scoring.results.crops import Crop
    from inkstrain.scoring.results.fit import FitConditions, ScannerFit
    from inkstrain.scoring.results.forecast import Forecast
    from inkstrain.scoring.results.photos import Photos
    from inkstrain.scoring.results.score import Conditions, Score
    from inkstrain.scoring.results.trend import Trend
    from inkstrain.targets.key import Key
    from inkstrain.targets.recipe import Recipe
    from inkstrain.targets.rehearsal.truth import Truth

    Scored = Measured | Score | str | Path
    Chart = Recipe | Key | str | Path

__all__ = [
    "Recipe",
    "compare",
    "fit_scanner",
    "forecast",
    "judge",
    "look_at_photos",
    "make_chart",
    "open_ledger",
    "rehearse",
    "report",
    "score",
    "trend",
]


def __getattr__(name: str) -> object:
    if name == "Recipe":
        return import_module("inkstrain.targets.recipe").Recipe
    raise AttributeError(f"module 'inkstrain' has no attribute '{name}'")


def __dir__() -> list[str]:
    return [*__all__]


def make_chart(recipe: Recipe, folder: str | Path) -> tuple[Path, ...]:
    """Write a chart: 16-bit TIFF files at print size, and the key that says where everything lies.

    Parameters
    ----------
    recipe : Recipe
        What is on it.
    folder : str or Path
        Made if need be.

    Returns
    -------
    tuple of Path
        One file a sheet, and the key last.

    Examples
    --------
    >>> import inkstrain
    >>> recipe = inkstrain.Recipe(sheet="120x130", hues=1, only=("ring-to-white",))
    >>> sheet, key = inkstrain.make_chart(recipe, "charts")
    >>> key.name == f"{recipe.chart_id}.key.json"
    True
    """
    from inkstrain.targets.chart import write_chart

    return write_chart(recipe, Path(folder))


def rehearse(
    chart: Chart,
    scan: str | Path,
    *,
    printer: str | None = None,
    profile: str | Path | None = None,
    intent: Literal["perceptual", "relative", "saturation", "absolute"] = "relative",
    damages: Sequence[str] = (),
    dpi: float = 300.0,
    seed: int = 0,
) -> Truth:
    """Write the scan of a print that never happened, to try things out without ink.

    Parameters
    ----------
    chart : Recipe, Key, or path of a key
        What is printed.
    scan : str or Path
        The file to write: .tif, .png or .jpg.
    printer : str, optional
        An imaginary printer: alder, rowan, sorrel, or hazel and thistle, which print in ink dots.
    profile : str or Path, optional
        A printer's ICC profile to print by instead. With neither, the file's own colours are printed.
    intent : str
        Rendering intent.
    damages : sequence of str
        What goes wrong, as ``KIND:ELEMENT:RADIUS:…``; see `inkstrain.targets.rehearsal.spelling.parse_damage`.
    dpi : float
        Resolution of the scan.
    seed : int
        The same seed gives the same scan.

    Returns
    -------
    Truth
        What is in the scan, exactly.

    Raises
    ------
    WrongUsageError
        If a printer, an intent or a damage is not known.

    Examples
    --------
    >>> import inkstrain
    >>> recipe = inkstrain.Recipe(sheet="120x130", hues=1, only=("ring-to-white",))
    >>> for seed, printer in enumerate(("alder", "rowan")):
    ...     truth = inkstrain.rehearse(recipe, f"{printer}.tif", printer=printer, dpi=200, seed=seed)
    >>> [ring.id for ring in truth.rings]
    ['ring-to-white-red']
    """
    from inkstrain.targets.errors import WrongUsageError
    from inkstrain.targets.rehearsal import IccPrinter, Printer, ScanOptions
    from inkstrain.targets.rehearsal import rehearse as rehearse_chart
    from inkstrain.targets.rehearsal.inkjet import inkjet
    from inkstrain.targets.rehearsal.spelling import parse_damage

    if printer is not None and profile is not None:
        raise WrongUsageError("Give a printer or a profile, not both.")
    press: Printer | None = None
    if printer is not None:
        press = inkjet(printer, intent)
    elif profile is not None:
        press = IccPrinter(profile=Path(profile).read_bytes(), intent=intent, bpc=None, name=Path(profile).name)
    return rehearse_chart(
        _chart(chart), Path(scan), printer=press, damages=[parse_damage(text) for text in damages],
        scan_options=ScanOptions(dpi=dpi), seed=seed,
    )  # fmt: skip


def score(
    scans: str | Path | Sequence[str | Path],
    *,
    conditions: Conditions | Mapping[str, object] | None = None,
    options: ScoreOptions | None = None,
) -> Measured:
    """Measure a print from its scans. No other process is started: it works at a prompt and in a notebook.

    Parameters
    ----------
    scans : path or sequence of paths
        The scans of one print: all its tiles, in any order and any way up.
    conditions : Conditions or mapping, optional
        How the print was made: ``{"printer": "my printer", "paper": "baryta"}``.
    options : ScoreOptions, optional
        Printer profile, colour basis, viewing conditions.

    Returns
    -------
    Measured
        ``score``, and ``crops``: small pictures of its elements. ``to_rows()`` has one row an element and measure.

    Raises
    ------
    CannotMeasureError
        If a scan cannot be read, shows no chart, or the scans are not of one print.

    Examples
    --------
    >>> import inkstrain
    >>> alder = inkstrain.score("alder.tif", conditions={"printer": "alder (invented)"})
    >>> ring = alder.score.rings()[0]
    >>> ring.id
    'ring-to-white-red'
    >>> ring.course.arrays()["lab"].shape[1]
    3
    >>> sorted(alder.to_rows()[0])
    ['element', 'measure', 'standard_error', 'unit', 'value']
    """
    from inkstrain.scoring.jobs.scoring import score_scans
    from inkstrain.scoring.results.score import Conditions

    paths = [scans] if isinstance(scans, str | Path) else scans
    stated = Conditions.model_validate(conditions or {})
    return score_scans([Path(path) for path in paths], conditions=stated, options=options)


def judge(scored: Scored, tolerances: Tolerances | str | Path | None = None) -> Verdict:
    """Hold a scored print to tolerances.

    Parameters
    ----------
    scored : Measured, Score, or path of a score file
        The print.
    tolerances : Tolerances or path of a TOML file, optional
        The limits; those that ``inkstrain tolerances`` prints if not given.

    Examples
    --------
    >>> import inkstrain
    >>> verdict = inkstrain.judge(inkstrain.score("alder.tif"))
    >>> verdict.within == (not verdict.findings)
    True
    """
    from inkstrain.scoring.judge.judge import judge as judge_score
    from inkstrain.scoring.judge.tolerances import read_tolerances

    limits = read_tolerances(Path(tolerances)) if isinstance(tolerances, str | Path) else tolerances
    return judge_score(_score(scored), limits)


def forecast(chart: Chart, profile: str | Path) -> Forecast:
    """Return what a printer's ICC profile alone will do to a chart, every intent beside the others.

    Parameters
    ----------
    chart : Recipe, Key, or path of a key
        The chart.
    profile : str or Path
        An ICC output profile.

    Raises
    ------
    CannotMeasureError
        If the file is no such profile.

    Examples
    --------
    >>> import inkstrain
    >>> recipe = inkstrain.Recipe(sheet="120x130", hues=1, only=("ring-to-white",))
    >>> foretold = inkstrain.forecast(recipe, "printer.icc")
    >>> foretold.chart == recipe.chart_id
    True
    """
    from inkstrain.scoring.jobs.forecasting import forecast_chart
    from inkstrain.targets.outputprofile import read_output_profile
    from inkstrain.targets.recipe import Recipe, parse_recipe

    known = _chart(chart)
    recipe = known if isinstance(known, Recipe) else parse_recipe(known.recipe)
    return forecast_chart(recipe, read_output_profile(Path(profile)))


def compare(*prints: Scored | Sequence[Scored], labels: Sequence[str] | None = None) -> Comparison:
    """Compare prints of one chart, each with every other; "no difference shown" is a result.

    Parameters
    ----------
    *prints : Measured, Score, path, or a sequence of them
        Two or more; a sequence holds repeats of one way of printing, from which the noise is learnt.
    labels : sequence of str, optional
        What to call them.

    Raises
    ------
    WrongUsageError
        If there are fewer than two, or their charts differ.

    Examples
    --------
    >>> import inkstrain
    >>> alder, rowan = inkstrain.score("alder.tif"), inkstrain.score("rowan.tif")
    >>> compared = inkstrain.compare(alder, rowan, labels=("alder", "rowan"))
    >>> compared.totals[0].verdict in ("first", "second", "no-difference-shown", "cannot-compare")
    True
    >>> compared.to_rows()[0]["measure"]
    'excess_to_white'
    """
    from inkstrain.scoring.jobs.comparing import compare_prints
    from inkstrain.targets.errors import WrongUsageError

    if len(prints) < 2:
        raise WrongUsageError("Give two prints or more to compare.")
    sides = [
        [_score(one) for one in side] if isinstance(side, Sequence) and not isinstance(side, str) else [_score(side)]
        for side in prints
    ]
    return compare_prints(sides, labels=labels)


def open_ledger(where: str | Path | None = None) -> Ledger:
    """Open the ledger, where scores are kept; it is made if there is none. Use it in a ``with`` statement.

    Parameters
    ----------
    where : str or Path, optional
        A file or a PostgreSQL address; otherwise ``INKSTRAIN_LEDGER``, or a file in your data folder.

    Raises
    ------
    LedgerError
        If it cannot be reached, is damaged, or belongs to a newer inkstrain.

    Examples
    --------
    >>> import inkstrain
    >>> with inkstrain.open_ledger("prints.ledger") as ledger:
    ...     for day, name in enumerate(("alder.tif", "rowan.tif"), start=1):
    ...         printed = inkstrain.score(name, conditions={"printer": "alder", "date": f"2026-03-0{day}"})
    ...         kept = ledger.keep(printed.score, printed.crops, None)
    ...     len(list(ledger.entries()))
    2
    """
    from inkstrain.scoring.ledger import open_ledger as open_

    return open_(where)


def trend(
    ledger: Ledger,
    what: str | None = None,
    *,
    measure: str | None = None,
    element: str | None = None,
    by: Literal["printer", "paper", "ink", "intent"] | None = None,
    since: str | None = None,
) -> Trend:
    """Follow kept scores over time: what drifted, what stepped.

    Parameters
    ----------
    ledger : Ledger
        Open.
    what : str, optional
        A label, or conditions as ``printer=…,paper=…``; all if not given.
    measure, element : str, optional
        Only this measure, such as ``evenness``, or this element.
    by : str, optional
        A series for each of these.
    since : str, optional
        Compare before and after a date (ISO 8601) or the id of a score.

    Raises
    ------
    LedgerError
        If nothing fits.
    WrongUsageError
        If a measure, an element or a moment is not known.

    Examples
    --------
    >>> import inkstrain
    >>> with inkstrain.open_ledger("prints.ledger") as ledger:
    ...     followed = inkstrain.trend(ledger, measure="evenness")
    >>> len(followed.series[0].points)
    2
    """
    from inkstrain.scoring.jobs.tracking import track
    from inkstrain.scoring.results.trend import Selection

    return track(ledger, Selection(what=what, measure=measure, element=element, by=by, since=since))


def report(
    result: Scored | Comparison | Forecast | Trend,
    file: str | Path,
    *,
    verdict: Verdict | None = None,
    prints: Sequence[Scored] = (),
) -> Path:
    """Write a result as one HTML page that works offline, and return its path.

    Parameters
    ----------
    result : Measured, Score, path of a score file, Comparison, Forecast or Trend
        What to show.
    file : str or Path
        The page.
    verdict : Verdict, optional
        Of a scored print, to be shown with it.
    prints : sequence of Measured, Score or path
        The prints that a comparison is of, in its order; needed for one.

    Raises
    ------
    WrongUsageError
        If a comparison comes without its prints.

    Examples
    --------
    >>> import inkstrain
    >>> alder, rowan = inkstrain.score("alder.tif"), inkstrain.score("rowan.tif")
    >>> inkstrain.report(alder, "alder.html").read_text("utf-8")[:15]
    '<!doctype html>'
    >>> inkstrain.report(inkstrain.compare(alder, rowan), "compared.html", prints=(alder, rowan)).name
    'compared.html'
    """
    from inkstrain.scoring.report import compare_html, report_html, trend_html
    from inkstrain.scoring.report.forecastpage import forecast_html
    from inkstrain.scoring.results.comparison import Comparison
    from inkstrain.scoring.results.forecast import Forecast
    from inkstrain.scoring.results.trend import Trend
    from inkstrain.targets.errors import WrongUsageError

    match result:
        case Forecast():
            page = forecast_html(result)
        case Trend():
            page = trend_html(result)
        case Comparison():
            if len(prints) != len(result.prints):
                raise WrongUsageError("The report of a comparison needs its prints, in their order.")
            page = compare_html(result, [_score(one) for one in prints], [_crops(one) for one in prints])
        case _:
            page = report_html(_score(result), _crops(result), verdict)
    path = Path(file)
    path.write_text(page, encoding="utf-8")
    return path


def fit_scanner(
    scans: str | Path | Sequence[str | Path],
    measured: str | Path,
    *,
    conditions: FitConditions | Mapping[str, object] | None = None,
) -> ScannerFit:
    """Fit a scanner to patches that an instrument measured on the same print.

    Parameters
    ----------
    scans : path or sequence of paths
        All tiles of one printed patch field.
    measured : str or Path
        The readings, ISO 28178 (CGATS) text: spectra, XYZ or Lab.
    conditions : FitConditions or mapping, optional
        ``printer``, ``paper``, ``ink`` and ``scanner`` that the fit belongs to.

    Returns
    -------
    ScannerFit
        It says how wrong it is on colours that it was not made from.

    Raises
    ------
    CannotMeasureError
        If too few patches were measured, or the readings do not belong to the scan.

    Examples
    --------
    >>> import inkstrain
    >>> fit = inkstrain.fit_scanner("patches.tif", "readings.txt", conditions={"paper": "gloss (invented)"})
    >>> fit.kind
    'scanner-fit'
    """
    from inkstrain.scoring.colour.exchange import read_exchange
    from inkstrain.scoring.jobs.fitting import fit_from_readings, scan_patches
    from inkstrain.scoring.results.fit import FitConditions

    paths = [scans] if isinstance(scans, str | Path) else scans
    readings = read_exchange(Path(measured))
    stated = FitConditions.model_validate(conditions or {})
    return fit_from_readings(scan_patches([Path(path) for path in paths]), readings, Path(measured), stated)


def look_at_photos(
    pictures: str | Path | Sequence[str | Path], a: str, b: str | None = None, *, long_edge_mm: float = 400.0
) -> Photos:
    """Tell where in your own pictures two ways of printing differ, or one misses what was asked.

    Parameters
    ----------
    pictures : path or sequence of paths
        Picture files and folders of them. Nothing is written to a picture.
    a, b : str
        How they would be printed: ``PROFILE.icc,INTENT``, the path of a score file, or an id of the ledger.
        Without ``b``, what the file asks for.
    long_edge_mm : float
        Longer side of each print, for what is seen of a difference at 400 mm.

    Raises
    ------
    CannotMeasureError
        If there is no picture among them, or a side cannot answer.

    Examples
    --------
    >>> import inkstrain
    >>> looked = inkstrain.look_at_photos("holiday.png", "printer.icc,relative", "printer.icc,perceptual")
    >>> looked.summary.pictures
    1
    """
    from inkstrain.scoring.eye.visibility import DEFAULT_VIEWING
    from inkstrain.scoring.photos.look import look_at_photos as look
    from inkstrain.scoring.photos.what import read_side

    paths = [pictures] if isinstance(pictures, str | Path) else pictures
    other = None if b is None else read_side(b)
    return look([Path(path) for path in paths], read_side(a), other, DEFAULT_VIEWING, long_edge_mm=long_edge_mm)


def _chart(chart: Chart) -> Recipe | Key:
    from inkstrain.targets.chart import read_key

    return read_key(Path(chart)) if isinstance(chart, str | Path) else chart


def _score(scored: Scored) -> Score:
    from inkstrain.scoring.jobs.scoring import Measured
    from inkstrain.scoring.results.firstscore import read_score

    if isinstance(scored, str | Path):
        return read_score(Path(scored))
    return scored.score if isinstance(scored, Measured) else scored


def _crops(scored: Scored) -> Mapping[str, Crop]:
    from inkstrain.scoring.jobs.scoring import Measured

    return scored.crops if isinstance(scored, Measured) else {}
