"""The scanner: from a page and a geometry to strips of an image, the same whatever their height."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ..spaces import encode, rgb_to_xyz_matrix
from .dotpage import DotPage
from .geometry import ScanGeometry
from .layers import Grain, Speck, banding_table, blur, scan_noise
from .options import NozzleGap, PrintOptions, ScanOptions
from .page import Disc, Page

__all__ = ["STRIP_ROWS", "Scanner"]

Light = NDArray[np.float32]

STRIP_ROWS: Final = 64
_LID: Final = {"white": 0.9, "grey": 0.35, "black": 0.03}
_BARE_FROM_L: Final = 90.0
_SOLID_BELOW_L: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scanner:
    """All that is needed to scan: what lies on the glass, where, and how it is read."""

    geometry: ScanGeometry
    page: Page | DotPage
    discs: Sequence[Disc]
    grain: Grain | None
    specks: Sequence[Speck]
    print_options: PrintOptions
    options: ScanOptions
    seed: int

    def strips(self, rows: int = STRIP_ROWS) -> Iterator[NDArray[Any]]:
        """Yield strips of the image from the top, (rows, width, channels), uint8 or uint16."""
        height = self.geometry.height_px
        banding = self._banding()
        for start in range(0, height, rows):
            yield self._strip(range(start, min(start + rows, height)), banding)

    def _strip(self, rows: range, banding: tuple[Light, float] | None) -> NDArray[Any]:
        sharp_px = self.options.sharpen_mm / self.geometry.pixel_mm if self.options.sharpen_amount else 0.0
        extra = math.ceil(3.5 * sharp_px)
        wide_rows = range(rows.start - extra, rows.stop + extra)
        wide_columns = range(-extra, self.geometry.width_px + extra)
        light = self._read(wide_rows, wide_columns, banding)
        self._add_noise(light, wide_rows, extra)
        values = encode(self.options.space, light).astype(np.float32)
        if sharp_px:
            core = values[:, extra : extra + len(rows), extra : extra + self.geometry.width_px]
            values = core + np.float32(self.options.sharpen_amount) * (core - blur(values, sharp_px, extra))
        top = 255 if self.options.bits == 8 else 65535
        levels = np.clip(np.rint(values * np.float32(top)), 0, top)
        return np.ascontiguousarray(np.moveaxis(levels, 0, -1), dtype=np.uint8 if top == 255 else np.uint16)

    def _read(self, rows: range, columns: range, banding: tuple[Light, float] | None) -> Light:
        """Return the sensor's linear light (channels, rows, columns) before noise."""
        options, geometry = self.options, self.geometry
        blur_px = options.blur_mm / geometry.pixel_mm
        margin = math.ceil(3.5 * blur_px)
        wide_rows = range(rows.start - margin, rows.stop + margin)
        wide_columns = range(columns.start - margin, columns.stop + margin)
        light = blur(self._paper(wide_rows, wide_columns, banding), blur_px, margin)
        if options.uneven:
            across = (np.arange(columns.start, columns.stop) + 0.5) / geometry.width_px * 2 - 1
            light *= (1 - options.uneven * np.clip(across**2, 0, 1)).astype(np.float32)
        if options.flare:
            light = (light + np.float32(options.flare)) / np.float32(1 + options.flare)
        if options.grey:
            luminance = rgb_to_xyz_matrix(options.space)[1].astype(np.float32)
            light = np.tensordot(luminance, light, axes=1)[None]
        return np.asarray(light * np.float32(options.exposure), dtype=np.float32)

    def _paper(self, rows: range, columns: range, banding: tuple[Light, float] | None) -> Light:
        geometry, printed = self.geometry, self.print_options
        x, y = geometry.sheet_grid(rows, columns)
        chart_x, chart_y = geometry.chart_of_sheet(x, y)
        light = np.empty((3, *x.shape), dtype=np.float32)
        self.page.fill(light, chart_x, chart_y)
        for disc in self.discs:
            part = self._window(disc, rows, columns)
            if part is not None:
                disc.fill(light[(slice(None), *part)], chart_x[part], chart_y[part])
        if banding is not None:
            self._apply_banding(light, x if printed.banding_along == "x" else y, banding)
        for gap in printed.gaps:
            self._apply_gap(light, gap, x if gap.varies_along == "x" else y)
        if self.grain is not None:
            self.grain.apply(light, x, y)
        self._apply_lid(light, x, y)
        for speck in self.specks:
            if speck.y + speck.radius > rows.start - 2 and speck.y - speck.radius < rows.stop + 2:
                speck.apply(light, rows.start, columns.start)
        return light

    def _window(self, disc: Disc, rows: range, columns: range) -> tuple[slice, slice] | None:
        """Return the part of a strip that a disc can reach, by its bounding square's place in the scan."""
        x, y = disc.ring.centre_mm
        angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
        reach = disc.reach_mm / math.cos(math.pi / 24)
        edge = np.stack([x + reach * np.cos(angle), y + reach * np.sin(angle)], axis=-1)
        px = self.geometry.scan_px_of_chart_mm(edge)
        low, high = np.floor(px.min(axis=0)).astype(int) - 1, np.ceil(px.max(axis=0)).astype(int) + 1
        r0, r1 = max(int(low[1]), rows.start), min(int(high[1]), rows.stop)
        c0, c1 = max(int(low[0]), columns.start), min(int(high[0]), columns.stop)
        if r0 >= r1 or c0 >= c1:
            return None
        return slice(r0 - rows.start, r1 - rows.start), slice(c0 - columns.start, c1 - columns.start)

    def _banding(self) -> tuple[Light, float] | None:
        options = self.print_options
        if not options.banding_l:
            return None
        side = self.geometry.sheet_size_mm[0 if options.banding_along == "x" else 1]
        return banding_table(options, side, self.seed)

    def _apply_banding(self, light: Light, along_mm: Light, banding: tuple[Light, float]) -> None:
        table, pitch = banding
        luminance = rgb_to_xyz_matrix(self.options.space)[1].astype(np.float32)
        paper = float(luminance @ self.page.paper)
        y = np.maximum(np.tensordot(luminance, light, axes=1) / np.float32(paper), np.float32(1e-5))
        offset = table.take(np.clip(along_mm / pitch, 0, table.size - 1).astype(np.int32))
        lightness = np.where(y > 216 / 24389, 116 * np.cbrt(y) - 16, y * np.float32(24389 / 27))
        # bare paper has no ink to be striped, and where ink is solid a little more or less of it does not show
        offset = offset * np.clip((100 - lightness) / np.float32(100 - _BARE_FROM_L), 0, 1)
        offset = offset * np.clip(lightness / np.float32(_SOLID_BELOW_L), 0, 1)
        new = np.maximum(lightness + offset, 0)
        y_new = np.where(new > 8, ((new + 16) / 116) ** 3, new * np.float32(27 / 24389))
        light *= (y_new / y).astype(np.float32)

    def _apply_gap(self, light: Light, gap: NozzleGap, along_mm: Light) -> None:
        half, pixel = gap.width_mm / 2, self.geometry.pixel_mm
        away = np.abs(along_mm - np.float32(gap.position_mm))
        # the share of the pixel's width that the gap covers
        cover = np.clip((half + pixel / 2 - away) / pixel, 0, min(1.0, gap.width_mm / pixel))
        touched = cover > 0
        share = (cover[touched] * gap.strength).astype(np.float32)
        for channel in range(3):
            plane = light[channel]
            plane[touched] += share * (self.page.paper[channel] - plane[touched])

    def _apply_lid(self, light: Light, x: Light, y: Light) -> None:
        width, height = self.geometry.sheet_size_mm
        pixel = self.geometry.pixel_mm
        if min(x.min(), width - x.max(), y.min(), height - y.max()) > pixel:
            return
        inside = np.minimum(np.minimum(x, width - x), np.minimum(y, height - y))
        cover = np.clip(inside / np.float32(pixel) + np.float32(0.5), 0, 1)
        lid = np.float32(_LID[self.options.lid])
        light -= lid
        light *= cover
        light += lid

    def _add_noise(self, light: Light, rows: range, extra: int) -> None:
        """Add noise to the image's own pixels; what lies beyond its edges is only there to be blurred in."""
        options, geometry = self.options, self.geometry
        if not (options.noise or options.shot_noise):
            return
        real = range(max(rows.start, 0), min(rows.stop, geometry.height_px))
        seed = self.seed if options.noise_seed is None else options.noise_seed
        noise = scan_noise(seed, real, geometry.width_px, light.shape[0])
        first = real.start - rows.start
        core = light[:, first : first + len(real), extra : extra + geometry.width_px]
        variance = np.float32(options.noise**2) + np.float32(options.shot_noise**2) * np.maximum(core, 0)
        core += np.sqrt(variance) * noise
