"""The bench's results as rows: every accuracy figure of DESIGN §8 beside its goal."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from .cases import CLEAN, KINDS, SMOOTH, Result
from .figures import percentile, share
from .matching import Record
from .placing import Placed

COVERED = 1.96
COVERED_GOAL = (0.93, 0.97)
BETWEEN_GOAL = (0.92, 0.98)
FALSE_FAINT_GOAL = 0.01  # a disc
EXCESS_PART = 0.03
EXCESS_DE00 = 0.15


@dataclass(frozen=True, slots=True)
class Row:
    """One figure with its interval; `met` is ``None`` where DESIGN states no goal, or too few were drawn to say."""

    what: str
    dpi: str
    unit: str  # "%" for shares, "" for numbers of findings
    value: float | None
    low: float
    high: float
    count: int
    goal: str = ""
    met: bool | None = None


@dataclass(frozen=True, slots=True)
class _Size:
    """A percentile of errors that has a goal in some sets."""

    measure: str
    name: str
    unit: str
    goal: float
    table_goal: float | None = None
    relative: bool = False


_SIZES = (
    _Size("contour", "radius_mm", "mm", 0.03, 0.05),
    _Size("contour", "excess_de00", "ΔE00", EXCESS_DE00, EXCESS_DE00, relative=True),
    _Size("contour", "width_mm", "mm", 0.05),
    _Size("flat", "missing_de00", "ΔE00", 0.15),
    _Size("flat", "width_mm", "mm", 0.05),
    _Size("hue", "degrees", "°", 1.0),
    _Size("core", "core", "mm", 0.10),
    _Size("neutral", "lab_l", "L*", 0.2),
)
_FOUND = {"contour": 0.995, "flat": 0.99, "faint": 0.99, "hue": None, "reversal": None, "step": 0.995}
_WORDS = {
    "contour": "contour", "flat": "flat band", "faint": "faint ring of 3 thresholds or more",
    "hue": "hue swing of 6° or more that was put in",
    "reversal": "reversal", "step": "hard step of 1 ΔE00, as contour or faint ring", "core": "core",
    "neutral": "neutral L*", "ripple": "ripple", "banding": "head banding", "reach": "reach", "evenness": "evenness",
}  # fmt: skip
_NAMES = {
    "radius_mm": "radius", "excess_de00": "excess", "width_mm": "width", "missing_de00": "missing",
    "degrees": "degrees", "lab_l": "L*", "amplitude_l": "amplitude", "amplitude_de00": "amplitude",
    "period_mm": "period", "depth_l": "depth", "delta_h": "ΔH",
}  # fmt: skip


def rows(results: Sequence[Result], placed: Sequence[Placed]) -> list[Row]:
    """Return all rows, in DESIGN's order."""
    lines = _placing(placed)
    against = [result for result in results if result.second_dpi is None]
    for dpi in sorted({result.dpi for result in results}):
        part = [result for result in against if result.dpi == dpi]
        for kind in KINDS:
            lines += _of_set(kind, [result for result in part if result.kind == kind], str(dpi))
        lines += _covered(part, str(dpi), "truth", COVERED_GOAL)
    for first, second in sorted({(r.dpi, r.second_dpi) for r in results if r.second_dpi is not None}):
        pairs = [result for result in results if (result.dpi, result.second_dpi) == (first, second)]
        lines += _covered(pairs, f"{first}, {second}", "another scan of the print", BETWEEN_GOAL)
        everything = _records(pairs)
        lines += [_error("two scans", size, everything, f"{first}, {second}") for size in _SIZES[:5]]
        for measure in ("contour", "flat", "faint"):
            both = [r for r in everything if r.measure == measure and r.sure]
            lines.append(
                _share(
                    f"{_WORDS[measure]} of one scan in the other",
                    f"{first}, {second}",
                    [r.found and not r.added for r in both],
                )
            )
    return lines


def _records(results: Iterable[Result]) -> list[Record]:
    return [record for result in results for record in result.records]


def _of_set(kind: str, results: Sequence[Result], dpi: str) -> list[Row]:
    if not results:
        return []
    if kind == "clean":
        return _clean(results, dpi)
    records = [record for record in _records(results) if not record.added]
    lines = []
    for measure, goal in _FOUND.items():
        sure = [record.found for record in records if record.measure == measure and record.sure]
        if sure:
            wanted = 1.0 if kind == "table" and measure == "contour" else goal
            lines.append(_share(f"{kind}: {_WORDS[measure]} found", dpi, sure, wanted))
        if measure in ("contour", "flat", "faint") and kind != "waves":  # of which only the ripples are looked at
            lines.append(_added(f"{kind}: {_WORDS[measure].partition(' of ')[0]} added", dpi, results, measure, kind))
        lines += [_error(kind, size, records, dpi) for size in _SIZES if size.measure == measure and sure]
    lines += [
        _error(kind, size, records, dpi)
        for size in _SIZES
        if size.measure not in _FOUND and any(record.measure == size.measure for record in records)
    ]
    for measure in ("ripple", "banding"):
        every = [r for r in records if r.measure == measure]
        # waves are of two sizes, stripes of any
        for size in sorted({r.size for r in every}) if measure == "ripple" else [0.0]:
            some = [r for r in every if size in (0.0, r.size)]
            if some:
                name = f"{_WORDS[measure]} of {size:g} L*" if size else _WORDS[measure]
                lines.append(_share(f"{kind}: {name} found", dpi, [r.found for r in some]))
                parts = [r.errors["amplitude_l"] / r.size for r in some if r.errors]
                lines.append(_percent(f"{kind}: {name}, amplitude", dpi, parts))
    return lines


def _clean(results: Sequence[Result], dpi: str) -> list[Row]:
    lines = []
    for title, names in (("smooth", SMOOTH), ("dots", CLEAN[4:6]), ("dots on textured paper", CLEAN[6:])):
        some = [result for result in results if result.printer in names]
        for measure in ("contour", "flat", "faint", "hue", "reversal", "ripple") if some else ():
            lines.append(
                _added(f"clean, {title}: {_WORDS[measure].partition(' of ')[0]} added", dpi, some, measure, "clean")
            )
    return lines


def _added(what: str, dpi: str, results: Sequence[Result], measure: str, kind: str) -> Row:
    count = sum(record.added and record.measure == measure for record in _records(results))
    discs = sum(result.discs for result in results)
    figure = share(min(count, discs), discs)
    goal, met = "", None
    if measure == "contour" and kind in ("clean", "table"):
        goal, met = "none", count == 0
    if measure == "faint" and kind == "clean":
        goal, met = "≤ 1 in 100 discs", count <= FALSE_FAINT_GOAL * discs
    return Row(what, dpi, "", count, figure.low, figure.high, discs, goal, met)


def _share(what: str, dpi: str, found: Sequence[bool], goal: float | None = None) -> Row:
    figure = share(sum(found), len(found))
    text = "" if goal is None else "all" if goal == 1 else f"≥ {100 * goal:g} %"
    met = None if goal is None or not figure.count else figure.value >= goal
    return Row(what, dpi, "%", figure.value if found else None, figure.low, figure.high, figure.count, text, met)


def _error(kind: str, size: _Size, records: Sequence[Record], dpi: str) -> Row:
    """Return the 95th percentile of an error; where small or a part will do, of the error scaled to that limit."""
    some = [r for r in records if r.measure == size.measure and r.sure and size.name in r.errors]
    # a print of dots strays from what its dots average to, by its grain and its head: no goal is against that
    goal = {"table": size.table_goal, "dots": None, "two scans": None}.get(kind, size.goal)
    scale = [max(1.0, EXCESS_PART * r.size / EXCESS_DE00) if size.relative and kind != "table" else 1.0 for r in some]
    figure = percentile([r.errors[size.name] / s for r, s in zip(some, scale, strict=True)])
    text = "" if goal is None else f"≤ {goal:g} {size.unit} p95"
    if size.relative and goal is not None and kind != "table":
        text += f", or {100 * EXCESS_PART:g} %"
    met = None if goal is None or not figure.count else figure.value <= goal
    what = _WORDS[size.measure] + ("" if size.name in ("core", "lab_l") else f": {_NAMES[size.name]}")
    value = figure.value if figure.count else None
    return Row(f"{kind}: {what}", dpi, size.unit, value, figure.low, figure.high, figure.count, text, met)


def _percent(what: str, dpi: str, parts: Sequence[float]) -> Row:
    figure = percentile([100 * part for part in parts])
    return Row(what, dpi, "% p95", figure.value if parts else None, figure.low, figure.high, figure.count)


def _covered(results: Sequence[Result], dpi: str, than: str, goal: tuple[float, float]) -> list[Row]:
    """Return how often differences lie within 1.96 stated errors, by measure; on prints of dots apart."""
    lines = []
    for title, keep in (("smooth", _smooth), ("dots", lambda result: not _smooth(result))):
        records = _records(filter(keep, results))
        for measure, name in sorted({(r.measure, name) for r in records for name in r.noise}):
            some = [r for r in records if r.measure == measure and r.noise.get(name)]
            inside = [abs(r.errors[name]) <= COVERED * r.noise[name] for r in some]
            if inside:
                word = _WORDS[measure].partition(" of ")[0]
                word += "" if name in (measure, "lab_l") else f" {_NAMES.get(name, name)}"
                row = _share(f"{title}: {than} within 1.96 stated errors: {word}", dpi, inside)
                text = f"{100 * goal[0]:g} to {100 * goal[1]:g} %"
                # what the interval leaves open is neither met nor missed
                inside_goal = goal[0] <= (row.value or 0.0) <= goal[1]
                met = inside_goal or (None if row.low <= goal[1] and row.high >= goal[0] else False)
                lines.append(Row(row.what, dpi, "%", row.value, row.low, row.high, row.count, text, met))
    return lines


def _smooth(result: Result) -> bool:
    return result.printer not in CLEAN[4:]


def _placing(placed: Sequence[Placed]) -> list[Row]:
    lines = []
    drawn = [p for p in placed if p.kind == "found"]
    if drawn:
        lines.append(
            _share("scans placed: any rotation, depth, file, lid, crop", "150 to 1200", [p.placed for p in drawn], 1.0)
        )
        used, expected = sum(p.used for p in drawn), sum(p.expected for p in drawn)
        lines.append(_share("marks used in them", "150 to 1200", [True] * used + [False] * (expected - used), 1.0))
    measures: tuple[tuple[str, Callable[[Placed], float], float | None], ...] = (
        ("leave-one-out rms", lambda p: p.residual_rms_mm, 0.03),
        ("true rms over the tile", lambda p: p.true_rms_mm, 0.03),
        ("true largest over the tile", lambda p: p.true_max_mm, None),
    )
    for dpi in sorted({p.dpi for p in placed if p.kind == "residual"}):
        for title, of, goal in measures:
            figure = percentile([of(p) for p in placed if p.kind == "residual" and p.dpi == dpi])
            wanted = goal if dpi == 600 else None
            text = "" if wanted is None else f"≤ {wanted:g} mm"
            met = None if wanted is None else figure.value <= wanted
            what = f"mark residual, 0.4 % stretch, 0.1 mm wobble: {title}"
            lines.append(Row(what, f"{dpi:g}", "mm", figure.value, figure.low, figure.high, figure.count, text, met))
    return lines
