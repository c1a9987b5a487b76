"""Pictures made by code that look enough like photographs: fades, edges, grain, saturated and neutral parts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from icc_samples import rgb_profile
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage


def scene(width: int, height: int, seed: int, *, grain: float = 1.5) -> NDArray[np.uint8]:
    """Return an 8-bit RGB picture: broad fields of colour with soft and hard edges, a fade, and grain."""
    rng = np.random.default_rng(seed)
    small = rng.uniform(0.0, 1.0, (5, 7, 3)) ** 1.3
    grown = (height / 5, width / 7)
    broad = np.asarray([ndimage.zoom(small[..., i], grown, order=1, grid_mode=True, mode="nearest") for i in range(3)])
    y, x = np.mgrid[:height, :width]
    for _ in range(5):
        cx, cy, r = rng.uniform(0, width), rng.uniform(0, height), rng.uniform(0.05, 0.2) * width
        broad[:, (x - cx) ** 2 + (y - cy) ** 2 < r * r] = rng.uniform(0, 1, 3)[:, None]
    broad *= 0.4 + 0.6 * x / width
    noisy = np.moveaxis(broad, 0, -1) * 255.0 + rng.normal(0.0, grain, (height, width, 1))
    return np.asarray(np.clip(np.rint(noisy), 0, 255), dtype=np.uint8)


def saved(path: Path, pixels: NDArray[np.uint8], **options: object) -> Path:
    """Save a picture by Pillow, in the format that its name says, and return the path."""
    Image.fromarray(pixels).save(path, **options)
    return path


def profile_file(folder: Path) -> Path:
    """Write the invented RGB printer's profile and return its path."""
    path = folder / "printer.icc"
    path.write_bytes(rgb_profile())
    return path
