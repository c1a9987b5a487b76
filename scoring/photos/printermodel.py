"""A printer known by one score: what its chart asked for and what came out, interpolated to a picture's colours.

Samples are the rings', sweeps', wedge's, patches' and tints' colours. What the print adds to a colour (in CIELAB) is
that of the neutral of its lightness, by wedge and grey patches, and a rest that is interpolated between all samples by
radial basis functions (scipy), held in a table. A chart's colours lie on the surface of its space and on the neutral
axis; of what lies between, hardly any says anything, and printers differ most there. So a colour is covered only near a
sample: within 2 of CIELAB, or 1.5 where samples are foretold badly from others that far. Of the rest nothing is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import delta_e00
from inkstrain.targets.errors import CannotMeasureError

from ..measure.gamut import Net
from ..results.photos import ModelError, SideView
from ..results.score import FlatFieldScore, HueSweepScore, NeutralWedgeScore, PatchFieldScore, RingScore, Score
from .reading import Source
from .sides import BITS, Bits

__all__ = ["Samples", "ScoreSide", "score_side"]

Array = NDArray[np.float64]

_LEAST: Final = 60
_NEAR: Final = 1.8  # samples closer than this in CIELAB are one
_STEPS_LAB: Final = (2.5, 4.0, 4.0)
_MARGIN: Final = 8.0
_SMOOTHING: Final = 1e-3
_TABLE_REACH: Final = 14.0  # nodes of the table further from every sample are never asked for
_NEIGHBOURS: Final = 90
_REACHES: Final = (1.5, 2.0)
_TRIALS: Final = 80
_TRUSTED_DE00: Final = 0.3
_FINDING_REACH: Final = 6.0
_NET_PLACES: Final = 11
_GREY_C: Final = 0.5
_LEAST_NEUTRALS: Final = 12


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """A chart's colours: asked for and printed, (n, 3) each in CIELAB; what was found there; which hue it is.

    ``neutral`` holds the L* of neutrals, climbing, and what the print adds to each, (steps, 4); it may be empty.
    """

    asked: Array
    printed: Array
    bits: NDArray[np.uint16]
    group: NDArray[np.str_]
    neutral: Array

    def thinned(self, order: NDArray[np.intp]) -> Samples:
        """Return some of the samples."""
        return Samples(self.asked[order], self.printed[order], self.bits[order], self.group[order], self.neutral)

    def from_neutral(self, lab: Array) -> Array:
        """Return the distance of colours (n, 3) from the neutral course, infinite where there is none."""
        if len(self.neutral) < _LEAST_NEUTRALS:
            return np.full(len(lab), np.inf)
        beyond = np.maximum(self.neutral[0, 0] - lab[:, 0], lab[:, 0] - self.neutral[-1, 0])
        return np.asarray(np.hypot(np.hypot(lab[:, 1], lab[:, 2]), np.maximum(beyond, 0.0)))

    def neutral_added(self, lab: Array) -> Array:
        """Return what the print adds to the neutral of each colour's lightness, (n, 3)."""
        if not len(self.neutral):
            return np.zeros_like(lab)
        return np.stack([np.interp(lab[:, 0], self.neutral[:, 0], self.neutral[:, i]) for i in (1, 2, 3)], axis=-1)


@dataclass(frozen=True, slots=True, eq=False)
class ScoreSide:
    """A print known by its score.

    Attributes
    ----------
    reach : float
        Distance in CIELAB from the nearest sample up to which a colour is covered.
    first_from_black_l : float or None
        Intended L* of the first wedge step that was seen apart from black.
    """

    view: SideView
    reach: float
    first_from_black_l: float | None
    neutral: tuple[Array, Array] | None
    _samples: Samples
    _tree: Any
    _table: _Table = field(repr=False)

    @property
    def knows_gamut(self) -> bool:
        """Whether the fades show what could be printed."""
        return self._table.knows_gamut

    def lab(self, source: Source, values: Array, intended: Array) -> Array:
        """Return CIELAB (n, 3) that the print is expected to have for intended colours."""
        return intended + self._samples.neutral_added(intended) + self._table.added(intended)

    def bits(self, source: Source, values: Array, intended: Array) -> Bits:
        """Return what is to be said of each colour."""
        distance, nearest = self._tree.query(intended, workers=1)
        found = np.where(distance <= _FINDING_REACH, self._samples.bits[nearest], np.uint16(0)).astype(np.uint16)
        # the neutral course is known between its steps
        distance = np.minimum(distance, self._samples.from_neutral(intended))
        found |= np.where(distance > self.reach, np.uint16(BITS["not_covered"]), np.uint16(0))
        return found | self._table.outside(intended)


def score_side(score: Score, name: str) -> ScoreSide:
    """Return a print as its score knows it.

    Raises
    ------
    CannotMeasureError
        If the score holds too few colours.
    """
    from scipy.spatial import cKDTree

    samples = _samples_of(score)
    if len(samples.asked) < _LEAST:
        raise CannotMeasureError(
            f"The score {name} holds {len(samples.asked)} colours, too few to tell how photographs would print. "
            "Score a chart with fades, sweeps, wedge and patches."
        )
    knots = samples.thinned(_spread(samples.asked))
    reach, error = _trust(knots)
    table = _Table(knots, _gamut(score))
    return ScoreSide(
        view=SideView(
            kind="score", label=_label(score, name), chart=score.chart, intent=score.conditions.intent,
            bpc=score.conditions.black_point_compensation, model_error=error, flags=_flags(score),
            scans_sha256=tuple(dict.fromkeys(tile.scan_sha256 for tile in score.tiles)),
        ),
        reach=reach, first_from_black_l=_first_seen(score), neutral=_neutral(score),
        _samples=samples, _tree=cKDTree(samples.asked), _table=table,
    )  # fmt: skip


def _label(score: Score, name: str) -> str:
    from ..words.phrases import print_name

    return print_name(score.conditions, name)


def _flags(score: Score) -> tuple[str, ...]:
    if score.colour_basis.kind == "assumed":
        why = "the scan's colours were assumed to be sRGB"
    elif score.colour_basis.foreign:
        why = "the scanner fit belongs to another paper or ink set"
    else:
        return ()
    return (f"indicative: {why}, so that sizes of differences are indicative",)


def _samples_of(score: Score) -> Samples:
    asked: list[Sequence[Any]] = []
    printed: list[Sequence[Any]] = []
    bits: list[Iterable[int]] = []
    groups: list[list[str]] = []

    def add(one: Sequence[Any], other: Sequence[Any], said: Iterable[int], group: str) -> None:
        if len(one):
            asked.append(one)
            printed.append(other)
            bits.append(said)
            groups.append([group] * len(one))

    for element in score.elements:
        match element:
            case RingScore():
                course = element.course
                add(course.intended_lab, course.lab, _ring_bits(element), element.hue)
            case HueSweepScore():
                for row in element.rows:
                    add(row.intended_lab, row.lab, _row_bits(row), f"sweep {row.level}")
            case NeutralWedgeScore():
                steps = element.steps
                add([(s.intended_l, 0.0, 0.0) for s in steps], [s.lab for s in steps], _wedge_bits(element), "wedge")
            case PatchFieldScore():
                patches = element.patches
                add([p.intended_lab for p in patches], [p.lab for p in patches], [0] * len(patches), "patches")
            case FlatFieldScore():
                add([element.intended_lab], [element.lab], [0], "patches")
    if not asked:
        none = np.empty((0, 3))
        return Samples(none, none, np.empty(0, np.uint16), np.empty(0, np.str_), np.empty((0, 4)))
    asked_lab = np.concatenate([np.array(each, dtype=np.float64) for each in asked])
    printed_lab = np.concatenate([np.array(each, dtype=np.float64) for each in printed])
    names = np.array([name for each in groups for name in each])
    return Samples(
        asked_lab,
        printed_lab,
        np.concatenate([np.array(list(each), dtype=np.uint16) for each in bits]),
        names,
        _neutral_course(asked_lab, printed_lab - asked_lab, names),
    )


def _neutral_course(asked: Array, added: Array, names: NDArray[np.str_]) -> Array:
    """Return L* of the wedge's and patches' neutrals, climbing, and what is added to each."""
    grey = (np.hypot(asked[:, 1], asked[:, 2]) < _GREY_C) & np.isin(names, ("wedge", "patches"))
    _, order = np.unique(asked[grey, 0].round(1), return_index=True)
    return np.column_stack([asked[grey, 0], added[grey]])[order]


def _ring_bits(ring: RingScore) -> Iterable[int]:
    radius = np.array(ring.course.radius_mm)
    half = 0.5 * float(np.median(np.diff(radius))) if len(radius) > 1 else 0.0
    found = np.zeros(len(radius), np.uint16)
    stretches = [
        *((one.inner_mm, one.outer_mm, "contour") for one in ring.contours),
        *((one.inner_mm, one.outer_mm, "merged") for one in ring.flat_bands),
        *((s.radius_mm - s.width_mm / 2, s.radius_mm + s.width_mm / 2, "hue_swing") for s in ring.hue_swings),
    ]
    for inner, outer, name in stretches:
        found[(radius >= inner - half) & (radius <= outer + half)] |= BITS[name]
    return found.tolist()


def _row_bits(row: Any) -> Iterable[int]:
    hue = np.array(row.hue_deg)
    found = np.zeros(len(hue), np.uint16)
    for one in row.merged:
        inside = (hue - one.from_deg) % 360.0 <= (one.to_deg - one.from_deg) % 360.0
        found[inside] |= BITS["merged"]
    return found.tolist()


def _wedge_bits(wedge: NeutralWedgeScore) -> Iterable[int]:
    after = {one.after_step for one in wedge.breaks} | {step - 1 for step in wedge.merged}
    return [BITS["merged"] if {step.step, step.step - 1} & after else 0 for step in wedge.steps]


def _first_seen(score: Score) -> float | None:
    for element in score.elements:
        if isinstance(element, NeutralWedgeScore):
            return next((s.intended_l for s in element.steps if s.step == element.first_from_black), None)
    return None


def _neutral(score: Score) -> tuple[Array, Array] | None:
    """Return the wedge: intended L* climbing, and what was printed."""
    for element in score.elements:
        if isinstance(element, NeutralWedgeScore):
            steps = sorted(element.steps, key=lambda step: step.intended_l)
            return np.array([s.intended_l for s in steps]), np.array([s.lab for s in steps])
    return None


def _spread(asked: Array) -> NDArray[np.intp]:
    """Return samples, none of which has an earlier one within `_NEAR`."""
    from scipy.spatial import cKDTree

    dropped = np.zeros(len(asked), bool)
    for index, near in enumerate(cKDTree(asked).query_ball_point(asked, _NEAR)):
        if not dropped[index]:
            dropped[[other for other in near if other > index]] = True
    return np.flatnonzero(~dropped)


def _interpolated(knots: Samples, at: Array) -> Array:
    """Return what the print adds to colours (n, 3) beyond what it adds to their neutrals."""
    from scipy.interpolate import RBFInterpolator

    rest = knots.printed - knots.asked - knots.neutral_added(knots.asked)
    model = RBFInterpolator(knots.asked / 10.0, rest, kernel="thin_plate_spline", degree=1, smoothing=_SMOOTHING)
    return np.asarray(model(at / 10.0))


def _foretold(knots: Samples, at: Array) -> Array:
    return at + knots.neutral_added(at) + _interpolated(knots, at)


def _trust(knots: Samples) -> tuple[float, ModelError]:
    """Return how far from a sample the model holds, and its errors on what it was not given."""
    rng = np.random.default_rng(1)
    trials = rng.permutation(len(knots.asked))[:_TRIALS]
    by_reach = [[_error_from(knots, one, reach) for one in trials] for reach in _REACHES]
    reach = _REACHES[0]
    for distance, errors in zip(_REACHES, by_reach, strict=True):
        if np.percentile(errors, 75) > _TRUSTED_DE00:
            break
        reach = distance
    left_out = _hues_left_out(knots)
    return reach, ModelError(
        reach=reach, samples=len(knots.asked),
        left_out="one hue of rings, one band, the wedge or the patches at a time",
        median=float(np.median(left_out)), p95=float(np.percentile(left_out, 95)),
        inside_median=float(np.median(by_reach[-1])), inside_p95=float(np.percentile(by_reach[-1], 95)),
    )  # fmt: skip


def _error_from(knots: Samples, one: int, reach: float) -> float:
    """Return the error in ΔE00 at a sample, from the nearest of those at least so far away."""
    away = np.linalg.norm(knots.asked - knots.asked[one], axis=1)
    order = np.argsort(away)
    others = order[away[order] >= reach][:_NEIGHBOURS]
    at = knots.asked[one : one + 1]
    return float(delta_e00(_foretold(knots.thinned(others), at), knots.printed[one : one + 1])[0])


def _hues_left_out(knots: Samples) -> Array:
    errors = []
    for group in np.unique(knots.group):
        out = knots.group == group
        at = knots.asked[out]
        found = _foretold(knots.thinned(np.flatnonzero(~out)), at)
        errors.append(np.asarray(delta_e00(found, knots.printed[out])))
    return np.concatenate(errors)


def _gamut(score: Score) -> Net | None:
    """Return the net of the printed rings, thinned; ``None`` without both rings of three hues."""
    by_hue: dict[str, dict[str, Array]] = {}
    for ring in score.rings():
        if len(ring.course.lab) > _NET_PLACES:
            lab = np.array(ring.course.lab)
            places = np.linspace(0, len(lab) - 1, _NET_PLACES).round().astype(int)
            by_hue.setdefault(ring.hue, {})[ring.kind] = lab[places]
    pairs = [pair for pair in by_hue.values() if len(pair) == 2]
    if len(pairs) < 3:
        return None
    paths = [np.concatenate([pair["ring-to-black"], pair["ring-to-white"][::-1]]) for pair in pairs]
    paths.sort(key=lambda path: float(np.arctan2(path[_NET_PLACES, 2], path[_NET_PLACES, 1])))
    return Net(np.array(paths))


class _Table:
    """What is added to a colour, and whether the print could reach it, on a grid over CIELAB."""

    def __init__(self, knots: Samples, net: Net | None) -> None:
        from scipy.spatial import cKDTree

        low, high = knots.asked.min(axis=0) - _MARGIN, knots.asked.max(axis=0) + _MARGIN
        counts = np.ceil((high - low) / _STEPS_LAB).astype(int) + 1
        axes = [low[i] + _STEPS_LAB[i] * np.arange(counts[i]) for i in range(3)]
        grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
        self._low = low
        self._shape = grid.shape[:3]
        near = cKDTree(knots.asked).query(grid, workers=1)[0] < _TABLE_REACH
        added = np.zeros_like(grid)
        added[near] = _interpolated(knots, grid[near])
        self._added = np.ascontiguousarray(np.moveaxis(added, -1, 0), dtype=np.float32)
        self._inside: NDArray[np.float32] | None = None
        if net is not None:
            coarse = grid[::2, ::2, ::2]
            corners = net.lab.reshape(-1, 3)
            maybe = ((coarse >= corners.min(axis=0)) & (coarse <= corners.max(axis=0))).all(axis=-1)
            self._inside = np.zeros(coarse.shape[:3], np.float32)
            self._inside[maybe] = net.holds(coarse[maybe])

    def added(self, lab: Array) -> Array:
        """Return what the print adds to colours (n, 3)."""
        from scipy.ndimage import map_coordinates

        at = ((lab - self._low) / _STEPS_LAB).T
        return np.stack([map_coordinates(part, at, order=1, mode="nearest") for part in self._added], axis=-1)

    def outside(self, lab: Array) -> Bits:
        """Return the bit of those colours (n, 3) that lie outside of what was printed."""
        from scipy.ndimage import map_coordinates

        if self._inside is None:
            return np.zeros(len(lab), np.uint16)
        at = ((lab - self._low) / _STEPS_LAB / 2.0).T
        inside = map_coordinates(self._inside, at, order=1, mode="nearest")
        return np.where(inside < 0.5, np.uint16(BITS["out_of_gamut"]), np.uint16(0)).astype(np.uint16)

    @property
    def knows_gamut(self) -> bool:
        """Whether the fades show what could be printed."""
        return self._inside is not None
