"""A piece of a scan, put straight: what a report shows of one element."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Crop"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crop:
    """One element as scanned, in the chart's own orientation.

    Attributes
    ----------
    image : uint8 array, shape (height, width, 3)
        sRGB, for looking at; nothing is measured on it. Made read-only.
    px_per_mm : float
        Pixels per millimetre of the chart (the print's scale removed), the same in x and y.
    origin_mm : (x, y)
        Sheet millimetres of the image's top left corner, that is of the corner of pixel (0, 0), whose centre
        is at (0.5, 0.5) px.

    Raises
    ------
    ValueError
        If the image is not (h, w, 3) uint8, is empty, or ``px_per_mm`` is not positive.
    """

    image: npt.NDArray[np.uint8]
    px_per_mm: float
    origin_mm: tuple[float, float]

    def __post_init__(self) -> None:
        if self.image.dtype != np.uint8 or self.image.ndim != 3 or self.image.shape[2] != 3:
            raise ValueError(f"image must be uint8 (h, w, 3), not {self.image.dtype} {self.image.shape}")
        if 0 in self.image.shape:
            raise ValueError(f"image is empty: {self.image.shape}")
        if not self.px_per_mm > 0:
            raise ValueError(f"px_per_mm must be positive, not {self.px_per_mm}")
        # a view, so that the caller's own array stays writable
        view = self.image.view()
        view.flags.writeable = False
        object.__setattr__(self, "image", view)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height in millimetres."""
        height, width = self.image.shape[:2]
        return width / self.px_per_mm, height / self.px_per_mm

    def to_px(self, point_mm: tuple[float, float]) -> tuple[float, float]:
        """Return the pixel position (x, y) of a point given in sheet millimetres."""
        return (
            (point_mm[0] - self.origin_mm[0]) * self.px_per_mm,
            (point_mm[1] - self.origin_mm[1]) * self.px_per_mm,
        )
