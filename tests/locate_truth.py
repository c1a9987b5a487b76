"""A chart page and scans of it drawn from formulae, so that the true place of every point is known exactly."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import zxingcpp
from scipy.special import erfc

from inkstrain.targets.key import Key, Ring, Sheet, Tile
from inkstrain.targets.recipe import Recipe, tile_code

MARK_RADIUS_MM = 1.0
CODE_BOX_MM = (14.0, 14.0, 22.0, 22.0)
RING_RADIUS_MM = 16.0


def _span(start: float, stop: float, step: float) -> np.ndarray:
    count = round((stop - start) / step)
    return np.linspace(start, stop, count + 1)


@lru_cache
def page_key(recipe: Recipe) -> Key:
    """Return the key of a page with rows of marks along its edges, discs, and marks between the discs."""
    width, height = recipe.sheet_mm
    x, y = _span(9.5, width - 9.5, 6.0), _span(9.5, height - 9.5, 6.0)
    marks = [(a, b) for a in x for b in (y[0], y[-1])] + [(a, b) for b in y[1:-1] for a in (x[0], x[-1])]
    centres = [(a, b) for b in np.arange(60.0, height - 28, 40.0) for a in np.arange(32.0, width - 28, 40.0)]
    marks += [(a + 20.0, b + 20.0) for a, b in centres if a + 20 < width - 20 and b + 20 < height - 20]
    rings = tuple(
        Ring(
            id=f"ring-{i}", kind="ring-to-white", hue="blue", centre_mm=centre, ramp_mm=(3.0, 14.0),
            radius_mm=RING_RADIUS_MM, rim_rgb=(0, 0, 1), hub_rgb=(1, 1, 1),
        )
        for i, centre in enumerate(centres)
    )  # fmt: skip
    tile = Tile(
        tile=1, box_mm=(0, 0, width, height), code_box_mm=CODE_BOX_MM, code=tile_code(recipe, 1, 1),
        caption_box_mm=(60, 14, 50, 8), caption=("",), marks_mm=tuple(marks), mark_radius_mm=MARK_RADIUS_MM,
        elements=rings,
    )  # fmt: skip
    sheet = Sheet(sheet=1, file="page.tif", width_mm=width, height_mm=height, tiles=(tile,))
    return Key(
        chart=recipe.chart_id, space=recipe.space, path="even", dpi=recipe.dpi, recipe=recipe.text, sheets=(sheet,)
    )


def encode(linear: np.ndarray) -> np.ndarray:
    """Encode linear light as sRGB (IEC 61966-2-1)."""
    linear = np.clip(linear, 0.0, 1.0)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


@dataclass(frozen=True, kw_only=True)
class Scanner:
    """How the page lies on the glass and what the scanner does to it. Angles clockwise as seen in the picture."""

    dpi: float = 300.0
    rotation_deg: float = 0.0
    stretch: tuple[float, float] = (1.0, 1.0)
    print_scale: float = 1.0
    wobble_mm: float = 0.0
    wobble_period_mm: float = 60.0
    wobble_across_mm: float = 0.0
    blur_mm: float = 0.06
    noise: float = 0.0
    bits: int = 16
    lid: float = 0.9
    margin_mm: float = 4.0
    paper: float = 0.85
    ink: float = 0.02
    uneven: float = 0.0
    mirrored: bool = False
    crop_mm: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)  # left, top, right, bottom, of the picture
    keystone: float = 0.0
    offset_px: tuple[float, float] = (0.37, 0.81)
    missing: frozenset[int] = field(default_factory=frozenset)
    sharpen: float = 0.0
    seed: int = 1


@dataclass(frozen=True, kw_only=True)
class Scan:
    """A drawn scan and its truth."""

    image: np.ndarray
    to_mm: Callable[[np.ndarray], np.ndarray]
    to_px: Callable[[np.ndarray], np.ndarray]


def draw_scan(tile: Tile, sheet_mm: tuple[float, float], scanner: Scanner) -> Scan:
    """Draw a scan of the page in linear light, each pixel the mean over its own square, then encode it."""
    s = scanner
    turn = np.deg2rad(s.rotation_deg)
    rotate = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    if s.mirrored:
        rotate = np.diag([-1.0, 1.0]) @ rotate
    per_mm = s.dpi / 25.4
    matrix = np.diag(np.array(s.stretch) * per_mm) @ rotate * s.print_scale
    corners = np.array([(0, 0), (1, 0), (0, 1), (1, 1)]) * np.array(sheet_mm)
    placed = corners @ matrix.T
    low = placed.min(axis=0) - s.margin_mm * per_mm + np.array(s.crop_mm[:2]) * per_mm
    high = placed.max(axis=0) + s.margin_mm * per_mm - np.array(s.crop_mm[2:]) * per_mm
    shift = -low + np.array(s.offset_px)
    width, height = np.ceil(high - low).astype(int)
    inverse = np.linalg.inv(matrix)
    wave = 2 * np.pi / (s.wobble_period_mm * per_mm)

    def residual(px: np.ndarray) -> np.ndarray:
        if not (s.wobble_mm or s.wobble_across_mm):
            return np.zeros_like(px)
        v = px[..., 1]
        along = s.wobble_mm * per_mm * (np.sin(wave * v) + 0.2 * np.sin(0.37 * wave * v + 1))
        across = s.wobble_across_mm * per_mm * np.sin(0.7 * wave * v + 2)
        return np.stack([across, along * (1 + 0.1 * (px[..., 0] / width - 0.5))], axis=-1)

    def to_mm(px: np.ndarray) -> np.ndarray:
        flat = px - residual(px) - shift
        if s.keystone:
            flat = flat / (1 - s.keystone * (flat[..., 1:] / height - 0.5))
        return flat @ inverse.T

    def to_px(mm: np.ndarray) -> np.ndarray:
        flat = mm @ matrix.T
        if s.keystone:
            # y' = y (1 - k (y' / h - 0.5)) solved for y', then the same factor for x
            y = flat[..., 1]
            there = y * (1 + 0.5 * s.keystone) / (1 + s.keystone * y / height)
            flat = flat * (1 - s.keystone * (there[..., None] / height - 0.5))
        px = flat + shift
        guess = px
        for _ in range(12):
            guess = px + residual(guess)
        return guess

    linear = np.full((height, width), s.paper, np.float32)
    _paint_lid(linear, to_mm, sheet_mm, s.lid)
    for ring in tile.elements:
        _paint(linear, to_mm, to_px, ring.centre_mm, 17.0, 1, lambda mm, c=ring.centre_mm: _disc(mm, c, s, 16.0, 0.2))
    x, y, side, _ = tile.code_box_mm
    modules = _code_modules(tile.code)
    centre = (x + side / 2, y + side / 2)
    _paint(
        linear,
        to_mm,
        to_px,
        centre,
        side * 0.75,
        4 if s.dpi < 200 else 2,
        lambda mm: _code(mm, (x, y), side, modules, s),
    )
    fine = 3 if s.dpi < 500 else 2  # the blur spans more px then
    for index, mark in enumerate(tile.marks_mm):
        if index not in s.missing:
            _paint(linear, to_mm, to_px, mark, 1.6, fine, lambda mm, c=mark: _disc(mm, c, s, MARK_RADIUS_MM, s.ink))
    linear *= (1 - s.uneven * np.linspace(0, 1, width, dtype=np.float32))[None, :]
    if s.noise:
        linear += np.random.default_rng(s.seed).normal(0, s.noise, linear.shape).astype(np.float32)
    full = 255 if s.bits == 8 else 65535
    code = encode(linear) * full
    if s.sharpen:
        from scipy.ndimage import gaussian_filter

        code = np.clip(code + s.sharpen * (code - gaussian_filter(code, 1.2)), 0, full)
    grey = np.rint(code).astype(np.uint8 if s.bits == 8 else np.uint16)
    return Scan(image=np.repeat(grey[:, :, None], 3, axis=2), to_mm=to_mm, to_px=to_px)


def _paint_lid(linear: np.ndarray, to_mm: Callable, sheet_mm: tuple[float, float], lid: float) -> None:
    size = np.array(sheet_mm)
    block = 128
    for row in range(0, linear.shape[0], block):
        for column in range(0, linear.shape[1], block):
            part = linear[row : row + block, column : column + block]
            corners = np.array([(x, y) for x in (0, part.shape[1]) for y in (0, part.shape[0])])
            mm = to_mm(corners + np.array([column, row]))
            if ((mm > 1) & (mm < size - 1)).all():  # 1 mm is more than any wobble
                continue
            y, x = np.indices(part.shape) + 0.5
            mm = to_mm(np.stack([x + column, y + row], axis=-1))
            part[(mm < 0).any(axis=-1) | (mm > size).any(axis=-1)] = lid


def _paint(
    linear: np.ndarray, to_mm: Callable, to_px: Callable, centre: tuple[float, float], half_mm: float, fine: int,
    value: Callable,
) -> None:  # fmt: skip
    height, width = linear.shape
    box = np.array(centre) + half_mm * np.array([(-1, -1), (1, -1), (-1, 1), (1, 1)])
    px = to_px(box)
    x0, y0 = np.maximum(np.floor(px.min(axis=0)), 0).astype(int)
    x1, y1 = np.minimum(np.ceil(px.max(axis=0)), (width, height)).astype(int)
    if x0 >= x1 or y0 >= y1:
        return
    steps = (np.arange(fine) + 0.5) / fine
    total = np.zeros((y1 - y0, x1 - x0))
    touched = np.zeros(total.shape, bool)
    for dy in steps:
        for dx in steps:
            y, x = np.mgrid[y0:y1, x0:x1]
            painted, inside = value(to_mm(np.stack([x + dx, y + dy], axis=-1)))
            total += painted
            touched |= inside
    linear[y0:y1, x0:x1][touched] = (total / fine**2)[touched]


def _disc(mm: np.ndarray, centre: tuple[float, float], s: Scanner, radius: float, ink: float) -> tuple:
    r = np.hypot(mm[..., 0] - centre[0], mm[..., 1] - centre[1])
    cover = 0.5 * erfc((r - radius) / (np.sqrt(2) * s.blur_mm))
    return s.paper * (1 - cover) + ink * cover, r < radius + 5 * s.blur_mm + 0.3


def _code(mm: np.ndarray, corner: tuple[float, float], side: float, modules: np.ndarray, s: Scanner) -> tuple:
    place = (mm - np.array(corner)) / side * len(modules)
    index = np.floor(place).astype(int)
    inside = ((index >= 0) & (index < len(modules))).all(axis=-1)
    index = np.clip(index, 0, len(modules) - 1)
    dark = inside & modules[index[..., 1], index[..., 0]]
    return np.where(dark, s.ink, s.paper), inside


def _code_modules(text: str) -> np.ndarray:
    code = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.QRCode, ec_level="M")
    return np.asarray(code.to_image(scale=1, add_quiet_zones=False)) < 128
