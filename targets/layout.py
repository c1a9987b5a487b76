"""Where everything lies: a recipe becomes sheets, tiles and elements (layout version 1).

Discs stand in a honeycomb, to-white and to-black rows in turn, so that the two rings of one hue are neighbours;
the gaps at the ends of staggered rows hold the flat fields. Sweeps, wedge and patches follow as bands. Round
marks run along all four edges of a tile about every 6 mm, on both sides of whatever way a scanner's carriage
travels, and stand wherever there is room between elements.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from .errors import WrongUsageError
from .key import Box, Element, Ring, Sheet, Tile
from .patches import FLAT_NAMES, PATCH_MM, make_flat, make_patch_field, patch_rgb, wide_patch_rgb
from .recipe import Recipe, tile_code
from .rings import hue_names, make_ring
from .sweeps import make_sweep
from .wedge import make_wedge

__all__ = ["MARK_RADIUS_MM", "lay_out"]

MARK_RADIUS_MM: Final = 1.0
_MARK_CLEAR_MM: Final = 1.3
_MARK_PITCH_MM: Final = 6.0
_MARK_INSET_MM: Final = 1.2
_MARKS_APART_MM: Final = 5.5
_EDGE_MM: Final = 8.0  # printers and scanner glass lose what is nearer to the sheet's edge
_FRAME_MM: Final = 3.8  # from a tile's edge to what stands inside its marks
_TILE_GAP_MM: Final = 4.0
_CODE_MM: Final = 18.0
_HEADER_MM: Final = 22.0
_GAP_MM: Final = (4.8, 8.0)  # least and most clear height between bands
_DISC_GAP_MM: Final = 3.4
_DISC_RADIUS_MM: Final = (12.0, 26.0)
_SWEEP_MM: Final = 26.0
_WEDGE_MM: Final = 19.0
_FLAT_MM: Final = 20.0


@dataclass(frozen=True, slots=True)
class _Band:
    """A block across a tile: its height, and what builds its elements from x, y and width.

    A row of a honeycomb counts with its distance to the next row; `overhang` is what its discs need below that.
    """

    height: float
    build: Callable[[float, float, float], list[Element]]
    overhang: float = 0.0


@dataclass(slots=True)
class _Column:
    """One tile while it is being filled from the top."""

    left: float
    top: float
    width: float
    height: float
    bands: list[_Band] = field(default_factory=list)

    @property
    def used(self) -> float:
        return self._stacked(self.bands)

    def fits(self, band: _Band) -> bool:
        return self._stacked([*self.bands, band]) <= self.height + 1e-9

    @staticmethod
    def _stacked(bands: list[_Band]) -> float:
        return sum(band.height for band in bands) + _GAP_MM[0] * (len(bands) - 1) + bands[-1].overhang


def lay_out(recipe: Recipe) -> tuple[Sheet, ...]:
    """Return the sheets of a recipe.

    Raises
    ------
    WrongUsageError
        If the sheet has no room for even one element.
    """
    choices = []
    for per_row in range(1, 13):
        sheets = _fill(recipe, per_row)
        if sheets is not None:
            choices.append((len(sheets), per_row, sheets))
        if sheets is not None and len(sheets) == 1:
            break
        if not any(kind.startswith("ring") for kind in recipe.only):
            break
    if not choices:
        width, height = recipe.sheet_mm
        raise WrongUsageError(f"A sheet of {width:g} × {height:g} mm has no room for these elements: use a larger one.")
    columns = min(choices, key=lambda choice: choice[:2])[2]
    return tuple(_finish(recipe, number, tiles) for number, tiles in enumerate(columns, start=1))


def _tile_boxes(recipe: Recipe) -> list[Box]:
    """Split the usable part of a sheet into as few equal tiles as the bed allows, either way round."""
    width, height = (side - 2 * _EDGE_MM for side in recipe.sheet_mm)
    short, long = sorted(recipe.bed_mm)
    best: tuple[int, int, int] | None = None
    for across in range(1, 20):
        for down in range(1, 20):
            w = (width - _TILE_GAP_MM * (across - 1)) / across
            h = (height - _TILE_GAP_MM * (down - 1)) / down
            if min(w, h) <= short and max(w, h) <= long and (best is None or across * down < best[0]):
                best = (across * down, across, down)
    if best is None:
        raise WrongUsageError(f"The sheet cannot be split into tiles for a bed of {recipe.bed_mm} mm.")
    _, across, down = best
    w = (width - _TILE_GAP_MM * (across - 1)) / across
    h = (height - _TILE_GAP_MM * (down - 1)) / down
    return [
        (_EDGE_MM + i * (w + _TILE_GAP_MM), _EDGE_MM + j * (h + _TILE_GAP_MM), w, h)
        for j in range(down)
        for i in range(across)
    ]


def _fill(recipe: Recipe, per_row: int) -> list[list[_Column]] | None:
    """Pour all bands into tiles and sheets, in order; ``None`` if some band fits no empty tile."""
    boxes = _tile_boxes(recipe)
    width = boxes[0][2] - 2 * _FRAME_MM
    bands = _bands(recipe, per_row, width, boxes[0][3] - 2 * _FRAME_MM)
    if bands is None:
        return None
    sheets: list[list[_Column]] = []
    room: list[_Column] = []
    for band in bands:
        while not room or not room[0].fits(band):
            if room and len(room[0].bands) == 1:
                return None
            room = room[1:]
            if not room:
                room = [_start(box) for box in boxes]
                sheets.append(room)
        room[0].bands.append(band)
    return [[column for column in sheet if len(column.bands) > 1] for sheet in sheets]


def _start(box: Box) -> _Column:
    x, y, width, height = box
    column = _Column(x + _FRAME_MM, y + _FRAME_MM, width - 2 * _FRAME_MM, height - 2 * _FRAME_MM)
    column.bands.append(_Band(_HEADER_MM, lambda x, y, width: []))
    return column


def _bands(recipe: Recipe, per_row: int, width: float, height: float) -> list[_Band] | None:
    """List the bands of a recipe from top to bottom; ``None`` if discs would be too small."""
    bands: list[_Band] = []
    flats = list(FLAT_NAMES) if "flat-field" in recipe.only else []
    rings = [kind for kind in ("ring-to-white", "ring-to-black") if kind in recipe.only]
    if rings:
        pitch = width / (per_row + 0.5)
        radius = round(min(pitch / 2 - _DISC_GAP_MM / 2, _DISC_RADIUS_MM[1]), 2)
        if radius < _DISC_RADIUS_MM[0]:
            return None
        bands += _honeycomb(recipe, rings, flats, per_row, pitch, radius)
    if "hue-sweep" in recipe.only:
        bands.append(_Band(_SWEEP_MM, lambda x, y, w: [make_sweep(_box(x, y, w, _SWEEP_MM))]))
    if "neutral-wedge" in recipe.only:
        bands.append(_Band(_WEDGE_MM, lambda x, y, w: [make_wedge(recipe.space, _box(x, y, w, _WEDGE_MM))]))
    if flats:
        names = tuple(flats)
        bands.append(_Band(_FLAT_MM, lambda x, y, w: _flat_row(recipe, names, x, y, w)))
    if "patch-field" in recipe.only:
        bands += _patch_bands(recipe, width, height)
    return bands


def _patch_bands(recipe: Recipe, width: float, height: float) -> list[_Band]:
    """Return the patch field, cut into several where a tile is not high enough for the whole."""
    side = recipe.patch_mm or PATCH_MM
    columns = int(width / side)
    if columns < 1:
        return [_Band(2 * height, lambda x, y, w: [])]  # too wide for the tile: no tile can take it
    count = len(wide_patch_rgb(recipe.space) if recipe.patch_mm else patch_rgb(recipe.space))
    rows = -(-count // columns)
    most = max(int((height - _HEADER_MM - _GAP_MM[0]) / side), 1)

    def band(row: int) -> _Band:
        tall = round(min(most, rows - row) * side, 3)
        return _Band(
            tall,
            lambda x, y, w: [
                make_patch_field(recipe.space, _box(x, y, w, tall), columns, row * columns, recipe.patch_mm)
            ],
        )

    return [band(row) for row in range(0, rows, most)]


def _honeycomb(
    recipe: Recipe, kinds: Sequence[str], flats: list[str], per_row: int, pitch: float, radius: float
) -> list[_Band]:
    """Return the rows of discs, each shifted by half a pitch against the last; gaps take what `flats` holds."""
    hues = hue_names(recipe.hues)
    groups = [hues[i : i + per_row] for i in range(0, len(hues), per_row)]
    rows = [(kind, group) for group in groups for kind in kinds]
    bands = []
    for index, (kind, group) in enumerate(rows):
        shifted = index % 2 == 1
        gap = pitch / 2 - _DISC_GAP_MM / 2
        flat = flats.pop(0) if flats and gap >= 12.0 and len(rows) > 1 else None

        def build(
            x: float, y: float, width: float, kind: str = kind, group: tuple[tuple[str, float], ...] = group,
            shifted: bool = shifted, flat: str | None = flat, gap: float = gap,
        ) -> list[Element]:  # fmt: skip
            start = x + (pitch / 2 if shifted else 0.0) + pitch / 2
            elements: list[Element] = [
                make_ring(kind, hue, angle, (round(start + i * pitch, 3), round(y + radius, 3)), radius)
                for i, (hue, angle) in enumerate(group)
            ]
            if flat is not None:
                tall = min(2 * (math.sqrt(0.75) * pitch - radius - _DISC_GAP_MM / 2), 2 * radius)
                left = x if shifted else x + width - gap
                elements.append(make_flat(recipe.space, flat, _box(left, y + radius - tall / 2, gap, tall)))
            return elements

        bands.append(_Band(2 * radius, build))
    # rows of a honeycomb interlock: all but the last are counted with the row distance, less the usual gap
    step = math.sqrt(0.75) * pitch - _GAP_MM[0]
    return [_Band(step, band.build, overhang=band.height - step) for band in bands[:-1]] + bands[-1:]


def _flat_row(recipe: Recipe, names: tuple[str, ...], x: float, y: float, width: float) -> list[Element]:
    each = (width - _DISC_GAP_MM * (len(names) - 1)) / len(names)
    return [
        make_flat(recipe.space, name, _box(x + i * (each + _DISC_GAP_MM), y, each, _FLAT_MM))
        for i, name in enumerate(names)
    ]


def _box(x: float, y: float, width: float, height: float) -> Box:
    return (round(x, 3), round(y, 3), round(width, 3), round(height, 3))


def _finish(recipe: Recipe, number: int, columns: list[_Column]) -> Sheet:
    """Place the bands of a sheet's tiles, spreading what height is left over, and add codes and marks."""
    tiles = []
    for index, column in enumerate(columns, start=1):
        left_over = column.height - column.used
        gaps = _gaps(column)
        extra = min(left_over / max(sum(gaps), 1), _GAP_MM[1] - _GAP_MM[0])
        elements: list[Element] = []
        y, seams = column.top, []
        for band, wide in zip(column.bands, [*gaps, False], strict=True):
            elements += band.build(column.left, y, column.width)
            gap = _GAP_MM[0] + (extra if wide else 0.0)
            seams.append(y + band.height + gap / 2)
            y += band.height + gap
        tile_box = _box(
            column.left - _FRAME_MM,
            column.top - _FRAME_MM,
            column.width + 2 * _FRAME_MM,
            column.height + 2 * _FRAME_MM,
        )
        tiles.append(_tile(recipe, number, index, tile_box, elements, seams[:-1]))
    width, height = recipe.sheet_mm
    return Sheet(
        sheet=number,
        file=f"{recipe.chart_id}-sheet{number}.tif",
        width_mm=width,
        height_mm=height,
        tiles=tuple(tiles),
    )


def _gaps(column: _Column) -> list[bool]:
    """Tell after which bands spare height may go: not between interlocking rows of discs."""

    def is_disc_row(band: _Band) -> bool:
        return any(isinstance(element, Ring) for element in band.build(0.0, 0.0, column.width))

    discs = [is_disc_row(band) for band in column.bands]
    return [not (a and b) for a, b in itertools.pairwise(discs)]


def _tile(recipe: Recipe, sheet: int, tile: int, box: Box, elements: list[Element], seams: list[float]) -> Tile:
    x, y, width, _ = box
    code_box = _box(x + _FRAME_MM + 2.4, y + _FRAME_MM + 2.4, _CODE_MM, _CODE_MM)
    caption_left = code_box[0] + _CODE_MM + 4.0
    caption_box = _box(caption_left, code_box[1], x + width - _FRAME_MM - caption_left, _CODE_MM)
    sheet_width, sheet_height = recipe.sheet_mm
    caption = (
        f"Inkstrain chart {recipe.chart_id}",
        f"sheet {sheet} · tile {tile} · {sheet_width:g} x {sheet_height:g} mm · {recipe.space}, {recipe.path}",
        recipe.text,
        "Print at 100 %, no second colour conversion. Let it dry.",
    )
    return Tile(
        tile=tile,
        box_mm=box,
        code_box_mm=code_box,
        code=tile_code(recipe, sheet, tile),
        caption_box_mm=caption_box,
        caption=caption,
        marks_mm=_marks(box, [code_box, caption_box], elements, seams),
        mark_radius_mm=MARK_RADIUS_MM,
        elements=tuple(elements),
    )


def _marks(
    box: Box, reserved: list[Box], elements: list[Element], seams: list[float]
) -> tuple[tuple[float, float], ...]:
    x, y, width, height = box
    left, right = x + _MARK_INSET_MM, x + width - _MARK_INSET_MM
    top, bottom = y + _MARK_INSET_MM, y + height - _MARK_INSET_MM
    across = _spread(left, right, _MARK_PITCH_MM)
    down = _spread(top, bottom, _MARK_PITCH_MM)
    frame = [(u, v) for v in (top, bottom) for u in across] + [(u, v) for u in (left, right) for v in down[1:-1]]
    inside = _between_discs([element for element in elements if isinstance(element, Ring)])
    inside += [(u, v) for v in seams for u in _spread(left, right, 4 * _MARK_PITCH_MM)[1:-1]]
    kept: list[tuple[float, float]] = []
    for mark in inside:
        clear = MARK_RADIUS_MM + _MARK_CLEAR_MM
        quiet = all(_distance_to_box(mark, other) >= clear + 1.2 for other in reserved)
        free = all(_distance(mark, element) >= clear for element in elements)
        apart = all(math.dist(mark, other) >= _MARKS_APART_MM for other in [*kept, *frame])
        whole = left <= mark[0] <= right and top <= mark[1] <= bottom
        if quiet and free and apart and whole:
            kept.append(mark)
    return tuple((round(u, 3), round(v, 3)) for u, v in [*frame, *kept])


def _between_discs(rings: Iterable[Ring]) -> list[tuple[float, float]]:
    """Return the centres of the gaps between three neighbouring discs, and of gaps at the rows' open ends."""
    rings = list(rings)
    holes = []
    for ring in rings:
        x, y = ring.centre_mm
        reach = (ring.radius_mm + _DISC_GAP_MM / 2) * 2
        for angle in (30, 90, 150, 210, 270, 330):
            distance = reach / math.sqrt(3)
            holes.append((x + distance * math.cos(math.radians(angle)), y + distance * math.sin(math.radians(angle))))
    return holes


def _spread(start: float, stop: float, pitch: float) -> list[float]:
    count = max(round((stop - start) / pitch), 1)
    return [start + (stop - start) * i / count for i in range(count + 1)]


def _distance(point: tuple[float, float], element: Element) -> float:
    if isinstance(element, Ring):
        return math.dist(point, element.centre_mm) - element.radius_mm
    return _distance_to_box(point, element.box_mm)


def _distance_to_box(point: tuple[float, float], box: Box) -> float:
    x, y, width, height = box
    dx = max(x - point[0], 0.0, point[0] - (x + width))
    dy = max(y - point[1], 0.0, point[1] - (y + height))
    return math.hypot(dx, dy)
