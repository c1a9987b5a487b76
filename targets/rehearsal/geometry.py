"""Where a scan pixel looks on the paper: an analytic map, so that truth is exact.

Three frames, all in mm with x to the right and y down: the **chart** (the key's millimetres), the **sheet** (the
paper, from its top left corner) and the **scan** (pixels; pixel (0, 0) has its centre at (0.5, 0.5)).
"""

from __future__ import annotations

import math
from typing import Annotated, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import BaseModel, ConfigDict, Field

__all__ = ["ScanGeometry"]

_MM_PER_INCH = 25.4
Pair = tuple[float, float]


class ScanGeometry(BaseModel):
    """The map from scan pixels to sheet and chart millimetres, and back.

    Parameters
    ----------
    width_px, height_px
        Size of the scan.
    dpi
        What the scanner claims; `effective_dpi` is what it does.
    stretch
        (x, y): a length of 1 shows as ``1 + stretch``.
    wobble_mm, wobble_period_mm, wobble_phase_deg
        The transport's error along y: at nominal travel t it stands at ``t + wobble_mm sin(2π t / period + phase)``.
    rotation_deg
        How far the sheet appears turned, clockwise as seen in the scan.
    shear_deg
        Lack of squareness between x and travel.
    keystone
        Perspective, as the relative change of scale over 100 mm of travel; a flatbed has none.
    mirrored
        The scan shows the sheet left for right.
    view_centre_mm
        The sheet point (x, y) in the middle of the scan.
    print_scale, print_offset_mm, print_mirrored
        ``sheet = print_offset_mm + print_scale · chart`` (x is reversed within the sheet first if mirrored).
    sheet_size_mm
        Width and height of the paper.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    width_px: Annotated[int, Field(ge=1)]
    height_px: Annotated[int, Field(ge=1)]
    dpi: float
    stretch: Pair = (0.0, 0.0)
    wobble_mm: float = 0.0
    wobble_period_mm: float = 50.0
    wobble_phase_deg: float = 0.0
    rotation_deg: float = 0.0
    shear_deg: float = 0.0
    keystone: float = 0.0
    mirrored: bool = False
    view_centre_mm: Pair
    print_scale: Pair = (1.0, 1.0)
    print_offset_mm: Pair = (0.0, 0.0)
    print_mirrored: bool = False
    sheet_size_mm: Pair

    @property
    def pixel_mm(self) -> float:
        """Nominal pitch of the scan's pixels in mm."""
        return _MM_PER_INCH / self.dpi

    @property
    def effective_dpi(self) -> Pair:
        """Pixels per inch of paper along the scan's x and y, stretch included."""
        return self.dpi * (1.0 + self.stretch[0]), self.dpi * (1.0 + self.stretch[1])

    def sheet_mm_of_scan_px(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Return sheet mm (…, 2) of scan points (…, 2) in px (x, y)."""
        points = np.asarray(points_px, dtype=np.float64)
        x, y = self._sheet_of_bed(self._bed_x(points[..., 0]), self._bed_y(points[..., 1]))
        return np.stack([x, y], axis=-1)

    def scan_px_of_sheet_mm(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Return scan px (…, 2) of sheet points (…, 2) in mm."""
        points = np.asarray(points_mm, dtype=np.float64)
        dx = points[..., 0] - self.view_centre_mm[0]
        dy = points[..., 1] - self.view_centre_mm[1]
        c, s = self._turn()
        u, v = c * dx - s * dy, s * dx + c * dy
        u = u - math.tan(math.radians(self.shear_deg)) * v
        scale = 1.0 / (1.0 - self.keystone / 100.0 * v)
        u, v = u * scale, v * scale
        if self.mirrored:
            u = -u
        x = (u / self.pixel_mm) * (1.0 + self.stretch[0]) + self.width_px / 2
        travel = v + self._middle_y()
        nominal = travel.copy() if isinstance(travel, np.ndarray) else np.asarray(travel)
        omega = 2.0 * math.pi / self.wobble_period_mm
        phase = math.radians(self.wobble_phase_deg)
        for _ in range(30 if self.wobble_mm else 0):  # Newton; the map is monotonic (2π·amplitude < period)
            error = nominal + self.wobble_mm * np.sin(omega * nominal + phase) - travel
            nominal = nominal - error / (1.0 + self.wobble_mm * omega * np.cos(omega * nominal + phase))
            if np.max(np.abs(error), initial=0.0) < 1e-12:
                break
        return np.stack([x, nominal * (1.0 + self.stretch[1]) / self.pixel_mm], axis=-1)

    def sheet_mm_of_chart_mm(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Return sheet mm (…, 2) of chart points (…, 2): where the printer really put them."""
        points = np.asarray(points_mm, dtype=np.float64)
        x = self.sheet_size_mm[0] - points[..., 0] if self.print_mirrored else points[..., 0]
        return np.stack(
            [
                self.print_offset_mm[0] + self.print_scale[0] * x,
                self.print_offset_mm[1] + self.print_scale[1] * points[..., 1],
            ],
            axis=-1,
        )

    def chart_mm_of_sheet_mm(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Return chart mm (…, 2) of sheet points (…, 2)."""
        points = np.asarray(points_mm, dtype=np.float64)
        x, y = self.chart_of_sheet(points[..., 0], points[..., 1])
        return np.stack([x, y], axis=-1)

    def chart_mm_of_scan_px(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Return chart mm (…, 2) of scan points (…, 2) in px."""
        return self.chart_mm_of_sheet_mm(self.sheet_mm_of_scan_px(points_px))

    def scan_px_of_chart_mm(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Return scan px (…, 2) of chart points (…, 2) in mm."""
        return self.scan_px_of_sheet_mm(self.sheet_mm_of_chart_mm(points_mm))

    def sheet_grid(self, rows: range, columns: range) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return sheet x and y in mm, each (rows, columns), of the pixel centres of a part of the scan."""
        bed_x = self._bed_x(np.arange(columns.start, columns.stop) + 0.5)[None, :]
        bed_y = self._bed_y(np.arange(rows.start, rows.stop) + 0.5)[:, None]
        x, y = self._sheet_of_bed(bed_x, bed_y)
        return x.astype(np.float32), y.astype(np.float32)

    def chart_of_sheet(self, x_mm: NDArray[Any], y_mm: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
        """Return chart x and y of sheet x and y, as separate arrays."""
        x = (x_mm - self.print_offset_mm[0]) / self.print_scale[0]
        y = (y_mm - self.print_offset_mm[1]) / self.print_scale[1]
        return (self.sheet_size_mm[0] - x if self.print_mirrored else x), y

    def _turn(self) -> Pair:
        angle = math.radians(self.rotation_deg)
        return math.cos(angle), math.sin(angle)

    def _middle_y(self) -> float:
        return self.height_px / 2 * self.pixel_mm / (1.0 + self.stretch[1])

    def _bed_x(self, x_px: NDArray[Any]) -> NDArray[np.float64]:
        return (x_px - self.width_px / 2) * (self.pixel_mm / (1.0 + self.stretch[0]))

    def _bed_y(self, y_px: NDArray[Any]) -> NDArray[np.float64]:
        nominal = y_px * (self.pixel_mm / (1.0 + self.stretch[1]))
        phase = math.radians(self.wobble_phase_deg)
        wobble = self.wobble_mm * np.sin(2.0 * math.pi / self.wobble_period_mm * nominal + phase)
        return nominal + wobble - self._middle_y()

    def _sheet_of_bed(
        self, u: NDArray[np.float64], v: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        if self.mirrored:
            u = -u
        if self.keystone:
            scale = 1.0 / (1.0 + self.keystone / 100.0 * v)
            u, v = u * scale, v * scale
        if self.shear_deg:
            u = u + math.tan(math.radians(self.shear_deg)) * v
        c, s = self._turn()
        return self.view_centre_mm[0] + c * u + s * v, self.view_centre_mm[1] - s * u + c * v
