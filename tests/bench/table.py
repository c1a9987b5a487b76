"""The bench's results as a markdown table: every accuracy row of DESIGN §8 beside its goal."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from .cases import CaseKind, Result
from .figures import Figure, percentile, share
from .matching import Error, False_, Found, Measure, Record
from .placing import Placed

RESIDUAL_GOAL_MM = 0.03
RIPPLE_FOUND_GOAL = 0.95
RIPPLE_AMPLITUDE_GOAL = 0.065
CONTOUR_FOUND_GOAL = 0.995
RADIUS_GOAL_MM = {300: 0.05, 600: 0.03}
FLAT_FOUND_GOAL = 0.99
FLAT_WIDTH_GOAL_MM = 0.10
HUE_GOAL_DEG = 1.0
CORE_GOAL_MM = 0.10
NEUTRAL_GOAL_L = 0.2
BANDING_PERIOD_GOAL = 0.02
BANDING_AMPLITUDE_GOAL = 0.15
COVERED = 1.96


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table; `met` is ``None`` where DESIGN states no goal."""

    what: str
    dpi: str
    goal: str
    measured: str
    count: int
    met: bool | None


def rows(results: Sequence[Result], placed: Sequence[Placed]) -> list[Row]:
    """Return all lines, in DESIGN's order."""
    lines = _placing(placed)
    every = sorted({result.dpi for result in results})
    for part in (_ripples, _contours, _false, _flats, _values, _mixed, _coverage):
        for dpi in every:
            lines += part([result for result in results if result.dpi == dpi], dpi)
    return lines


def markdown(lines: Sequence[Row]) -> str:
    """Return the table."""
    words = {True: "met", False: "**not met**", None: ""}
    text = ["| what | dpi | goal | measured (95 % interval) | of | |", "|---|---|---|---|---|---|"]
    text += [f"| {r.what} | {r.dpi} | {r.goal} | {r.measured} | {r.count} | {words[r.met]} |" for r in lines]
    return "\n".join(text)


def _pick(results: Iterable[Result], *kinds: CaseKind) -> list[Record]:
    return [record for result in results if result.kind in kinds for record in result.records]


def _found(records: Iterable[Record], measure: Measure) -> list[Found]:
    return [r for r in records if isinstance(r, Found) and r.measure == measure]


def _share(figure: Figure) -> str:
    if not figure.count:
        return "none drawn"
    return f"{100 * figure.value:.1f} % ({100 * figure.low:.1f} to {100 * figure.high:.1f})"


def _size(figure: Figure, unit: str, digits: int) -> str:
    if not figure.count:
        return "none"
    high = "above the largest" if math.isinf(figure.high) else f"{figure.high:.{digits}f}"
    return f"{figure.value:.{digits}f} {unit} p95 ({figure.low:.{digits}f} to {high})"


def _share_row(what: str, dpi: str, goal: float | None, found: Sequence[bool]) -> Row:
    figure = share(sum(found), len(found))
    met = None if goal is None or not figure.count else figure.value >= goal
    text = "" if goal is None else "all" if goal == 1 else f"≥ {100 * goal:g} %"
    return Row(what, dpi, text, _share(figure), figure.count, met)


def _size_row(what: str, dpi: str, goal: float | None, unit: str, values: Sequence[float], digits: int = 3) -> Row:
    figure = percentile(values)
    met = None if goal is None or not figure.count else figure.value <= goal
    return Row(
        what, dpi, "" if goal is None else f"≤ {goal:g} {unit} p95", _size(figure, unit, digits), figure.count, met
    )


def _placing(placed: Sequence[Placed]) -> list[Row]:
    drawn = [p for p in placed if p.kind == "found"]
    lines = []
    if drawn:
        lines.append(
            _share_row("scans placed: any rotation, depth, file, lid, crop", "150–1200", 1, [p.placed for p in drawn])
        )
        used, expected = sum(p.used for p in drawn), sum(p.expected for p in drawn)
        lines.append(
            Row("marks used in them", "150–1200", "all", _share(share(used, expected)), expected, used == expected)
        )
    for dpi in sorted({p.dpi for p in placed if p.kind == "residual"}):
        part = [p for p in placed if p.kind == "residual" and p.dpi == dpi]
        goal = RESIDUAL_GOAL_MM if dpi == 600 else None
        name = "mark residual, 0.4 % stretch, 0.1 mm wobble"
        for what, values in (
            (f"{name}: leave-one-out rms", [p.residual_rms_mm for p in part]),
            (f"{name}: true rms over the tile", [p.true_rms_mm for p in part]),
            (f"{name}: true largest over the tile", [p.true_max_mm for p in part]),
        ):
            lines.append(_size_row(what, f"{dpi:g}", None if "largest" in what else goal, "mm", values, 4))
    return lines


def _ripples(results: Sequence[Result], dpi: int) -> list[Row]:
    waves = _found(_pick(results, "waves"), "ripple")
    if not waves:
        return []
    small, large = [w for w in waves if w.size < 0.5], [w for w in waves if w.size >= 0.5]
    parts = [w.errors["amplitude_part"] * 100 for w in large if w.found]
    false = [r for r in _pick(results, "clean") if isinstance(r, False_) and r.measure == "ripple"]
    return [
        _share_row("ripple of 0.2 L*, period 0.5–5 mm: found", str(dpi), RIPPLE_FOUND_GOAL, [w.found for w in small]),
        _share_row("ripple of 1 L*: found", str(dpi), None, [w.found for w in large]),
        _size_row("ripple of 1 L*: amplitude", str(dpi), RIPPLE_AMPLITUDE_GOAL * 100, "%", parts, 1),
        _count_row("ripples on clean prints", dpi, results, ("clean",), len(false), None),
    ]


def _contours(results: Sequence[Result], dpi: int) -> list[Row]:
    lines = []
    for kind, printer in (("damaged", ""), ("damaged-inkjet", ", inkjets")):
        every = _found(_pick(results, kind), "contour")  # type: ignore[arg-type]
        made = [c for c in every if not c.own]
        if not every:
            continue
        main = kind == "damaged"
        name = f"contour{printer}"
        lines += [
            _share_row(f"{name}: found", str(dpi), CONTOUR_FOUND_GOAL if main else None, [c.found for c in made]),
            _share_row(
                f"{name}: found, those clear of the limits",
                str(dpi),
                None,
                [c.found for c in made if c.status == "clear"],
            ),
            _size_row(
                f"{name}: radius", str(dpi), RADIUS_GOAL_MM.get(dpi) if main else None, "mm", _errors(made, "radius_mm")
            ),
            _contrast_row(f"{name}: contrast", str(dpi), made, main),
            _share_row(
                f"{name} beside damage (flanks, re-spacing): found", str(dpi), None, [c.found for c in every if c.own]
            ),
        ]
    return lines


def _contrast_row(what: str, dpi: str, contours: Sequence[Found], goal: bool) -> Row:
    row = _size_row(what, dpi, None, "ΔE00", _errors(contours, "contrast_de00"), 2)
    relative = percentile(_errors(contours, "contrast_part"))
    text = f"{row.measured}; {relative.value:.2f} of the limit ({relative.low:.2f} to {relative.high:.2f})"
    if not relative.count:
        text = row.measured
    met = relative.value <= 1 if goal and relative.count else None
    return Row(what, dpi, "≤ 0.3 ΔE00 or 5 % p95" if goal else "", text, row.count, met)


def _errors(found: Sequence[Found], name: str) -> list[float]:
    return [f.errors[name] for f in found if name in f.errors]


def _count_row(
    what: str, dpi: int, results: Sequence[Result], kinds: tuple[CaseKind, ...], number: int, goal: int | None
) -> Row:
    discs = sum(result.discs for result in results if result.kind in kinds)
    met = None if goal is None or not discs else number <= goal
    return Row(what, str(dpi), "none" if goal == 0 else "", f"{number} on {discs} discs", discs, met)


def _false(results: Sequence[Result], dpi: int) -> list[Row]:
    lines = []
    for kind, name, goal in (
        ("clean", "false contours, clean prints", 0),
        ("clean-inkjet", "false contours, clean prints of inkjets", None),
        ("damaged", "false contours, damaged prints", None),
    ):
        part: tuple[CaseKind, ...] = (kind,)  # type: ignore[assignment]
        if not any(result.kind == kind for result in results):
            continue
        false = [r for r in _pick(results, *part) if isinstance(r, False_) and r.measure == "contour"]
        if kind == "clean":
            lines.append(_count_row(name, dpi, results, part, len(false), goal))
            continue
        alone = [r for r in false if not r.beside_true]
        clear = [r for r in alone if r.status == "none"]
        lines.append(_count_row(f"{name}", dpi, results, part, len(alone), goal))
        lines.append(_count_row(f"{name}, without borderline ones", dpi, results, part, len(clear), goal))
        lines.append(
            _count_row(f"{name}: second findings at a true one", dpi, results, part, len(false) - len(alone), goal)
        )
    return lines


def _flats(results: Sequence[Result], dpi: int) -> list[Row]:
    flats = _found(_pick(results, "damaged"), "flat")
    if not flats:
        return []
    false = [r for r in _pick(results, "damaged", "clean") if isinstance(r, False_) and r.measure == "flat"]
    return [
        _share_row("flat band ≥ 0.5 mm: found", str(dpi), FLAT_FOUND_GOAL, [f.found for f in flats]),
        _share_row(
            "flat band: found, those clear of the limits",
            str(dpi),
            None,
            [f.found for f in flats if f.status == "clear"],
        ),
        _size_row("flat band: width", str(dpi), FLAT_WIDTH_GOAL_MM, "mm", _errors(flats, "width_mm")),
        _count_row("false flat bands, damaged and clean prints", dpi, results, ("damaged", "clean"), len(false), None),
    ]


def _values(results: Sequence[Result], dpi: int) -> list[Row]:
    every = _found(_pick(results, "damaged"), "hue")
    swings, beyond = [s for s in every if not s.own], [s for s in every if s.own]
    lines = []
    if every:
        lines = [
            _share_row("hue swing: found", str(dpi), None, [s.found for s in swings]),
            _size_row("hue swing: degrees", str(dpi), HUE_GOAL_DEG, "°", _errors(swings, "degrees"), 2),
            _share_row("hue swing beyond what a scan holds: found", str(dpi), None, [s.found for s in beyond]),
            _size_row("hue swing beyond: degrees", str(dpi), None, "°", _errors(beyond, "degrees"), 2),
        ]

    def errors(kinds: tuple[CaseKind, ...], keep: Callable[[Error], bool]) -> list[float]:
        return [r.error for r in _pick(results, *kinds) if isinstance(r, Error) and keep(r)]

    core = errors(("damaged", "damaged-inkjet"), lambda r: r.measure == "core" and r.damaged)
    plain = errors(("clean", "damaged"), lambda r: r.measure == "core" and not r.damaged)
    inkjets = errors(("damaged-inkjet", "clean-inkjet"), lambda r: r.measure == "neutral")
    identity = errors(("damaged", "clean"), lambda r: r.measure == "neutral" and r.truth > 0)
    if core:
        lines.append(_size_row("core radius, white or black reached early", str(dpi), CORE_GOAL_MM, "mm", core))
    if plain:
        lines.append(_size_row("core radius, other rings", str(dpi), CORE_GOAL_MM, "mm", plain))
    if inkjets:
        lines.append(_size_row("neutral L*, inkjets", str(dpi), NEUTRAL_GOAL_L, "L*", inkjets))
    if identity:
        lines.append(
            _size_row("neutral L*, the file's own colours above black", str(dpi), NEUTRAL_GOAL_L, "L*", identity)
        )
    return lines


def _mixed(results: Sequence[Result], dpi: int) -> list[Row]:
    records = _pick(results, "mixed")
    if not records:
        return []
    name = "mixed damage"
    contours = [c for c in _found(records, "contour") if not c.own]
    flats = [f for f in _found(records, "flat") if not f.own]
    false = [r for r in records if isinstance(r, False_) and r.measure == "contour" and not r.beside_true]
    clear = [r for r in false if r.status == "none"]
    stripes = _found(records, "banding")
    fields = [s for s in stripes if s.own and s.size >= 0.3]
    discs = [s for s in stripes if not s.own and s.size >= 0.3]
    neutral = [r.error for r in records if isinstance(r, Error) and r.measure == "neutral"]
    return [
        _share_row(f"{name}: contour found", str(dpi), CONTOUR_FOUND_GOAL, [c.found for c in contours]),
        _share_row(
            f"{name}: contour found, those clear of the limits",
            str(dpi),
            None,
            [c.found for c in contours if c.status == "clear"],
        ),
        _size_row(f"{name}: contour radius", str(dpi), RADIUS_GOAL_MM.get(dpi), "mm", _errors(contours, "radius_mm")),
        _contrast_row(f"{name}: contour contrast", str(dpi), contours, True),
        _count_row(f"{name}: false contours, without borderline ones", dpi, results, ("mixed",), len(clear), None),
        _share_row(f"{name}: flat band ≥ 0.5 mm found", str(dpi), FLAT_FOUND_GOAL, [f.found for f in flats]),
        _size_row(f"{name}: flat band width", str(dpi), FLAT_WIDTH_GOAL_MM, "mm", _errors(flats, "width_mm")),
        _size_row(f"{name}: neutral L*", str(dpi), NEUTRAL_GOAL_L, "L*", neutral),
        _share_row("head banding of 0.3 to 1 L*: found in flat fields", str(dpi), None, [s.found for s in fields]),
        _share_row("head banding of 0.3 to 1 L* in the disc: found in discs", str(dpi), None, [s.found for s in discs]),
        _percent_row("head banding: period, flat fields", dpi, BANDING_PERIOD_GOAL, _errors(fields, "period_part")),
        _percent_row(
            "head banding: amplitude, flat fields", dpi, BANDING_AMPLITUDE_GOAL, _errors(fields, "amplitude_part")
        ),
        _percent_row("head banding: period, discs", dpi, BANDING_PERIOD_GOAL, _errors(discs, "period_part")),
        _percent_row("head banding: amplitude, discs", dpi, BANDING_AMPLITUDE_GOAL, _errors(discs, "amplitude_part")),
    ]


def _percent_row(what: str, dpi: int, goal: float, parts: Sequence[float]) -> Row:
    return _size_row(what, str(dpi), 100 * goal, "%", [100 * part for part in parts], 1)


def _coverage(results: Sequence[Result], dpi: int) -> list[Row]:
    """Return how often the truth lies within 1.96 stated standard errors, of all sets together."""
    kinds: tuple[CaseKind, ...] = ("damaged", "mixed", "waves", "damaged-inkjet")
    lines = []
    for measure, name, what in (
        ("contour", "contrast_de00", "contour contrast"),
        ("contour", "radius_mm", "contour radius"),
        ("ripple", "amplitude_l", "ripple amplitude"),
        ("banding", "amplitude_l", "head banding amplitude"),
        ("banding", "period_mm", "head banding period"),
    ):
        found = [f for f in _found(_pick(results, *kinds), measure) if name in f.errors and name in f.stated]  # type: ignore[arg-type]
        inside = [abs(f.errors[name]) <= COVERED * f.stated[name] for f in found if measure == "banding" or not f.own]
        if inside:
            lines.append(_share_row(f"truth within 1.96 stated standard errors: {what}", str(dpi), None, inside))
    steps = [
        abs(r.error) <= COVERED * r.stated
        for r in _pick(results, "damaged", "clean", "mixed")
        if isinstance(r, Error) and r.measure == "neutral" and r.stated and r.truth > 0
    ]
    if steps:
        lines.append(_share_row("truth within 1.96 stated standard errors: neutral L*", str(dpi), None, steps))
    return lines
