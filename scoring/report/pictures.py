"""Pictures for a report: crops made smaller, rings unrolled, colours as strips, all as ``data:`` addresses."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image

from inkstrain.targets.colorimetry import lab_to_xyz
from inkstrain.targets.spaces import decode, encode, screen_rgb

from ..results.crops import Crop

__all__ = ["cut", "data_uri", "lab_strip_uri", "lab_to_srgb8", "picture_uri", "redrawn_ring", "unrolled_uri"]

Pixels = NDArray[np.uint8]

_QUALITY = 86


def lab_to_srgb8(lab: ArrayLike) -> Pixels:
    """Return 8-bit sRGB of CIELAB (D50), shape (..., 3); chroma compressed, see `screen_rgb`."""
    rgb = screen_rgb(lab_to_xyz(np.asarray(lab, dtype=np.float64)))
    return np.asarray(np.rint(rgb * 255.0), dtype=np.uint8)


def data_uri(image: Pixels, *, lossless: bool = False) -> str:
    """Return an image as a ``data:`` address, as JPEG (chroma not reduced) or PNG."""
    buffer = io.BytesIO()
    picture = Image.fromarray(np.ascontiguousarray(image))
    if lossless:
        picture.save(buffer, "PNG", optimize=True)
    else:
        picture.save(buffer, "JPEG", quality=_QUALITY, subsampling=0, optimize=True)
    kind = "png" if lossless else "jpeg"
    return f"data:image/{kind};base64,{base64.b64encode(buffer.getvalue()).decode('ascii')}"


def picture_uri(image: Pixels, longest_px: int) -> str:
    """Return an image, made smaller if a side is longer than ``longest_px``."""
    return data_uri(_reduced(image, longest_px))


def _reduced(image: Pixels, longest_px: int) -> Pixels:
    height, width = image.shape[:2]
    factor = longest_px / max(height, width)
    if factor >= 1.0:
        return image
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    # averaged in linear light: grain would darken the picture otherwise
    table = decode("srgb", np.arange(256) / 255.0).astype(np.float32)
    channels = [
        np.asarray(Image.fromarray(table[image[..., c]]).resize(size, Image.Resampling.BOX)) for c in range(3)
    ]
    encoded = encode("srgb", np.stack(channels, axis=-1))
    return np.asarray(np.rint(encoded * 255.0), dtype=np.uint8)


def cut(crop: Crop, box_mm: tuple[float, float, float, float]) -> Pixels:
    """Return the part of a crop inside a box (x, y, width, height) in sheet mm; at least one pixel."""
    left, top = crop.to_px((box_mm[0], box_mm[1]))
    right, bottom = crop.to_px((box_mm[0] + box_mm[2], box_mm[1] + box_mm[3]))
    height, width = crop.image.shape[:2]
    x0, y0 = min(max(round(left), 0), width - 1), min(max(round(top), 0), height - 1)
    x1, y1 = max(x0 + 1, min(round(right), width)), max(y0 + 1, min(round(bottom), height))
    return crop.image[y0:y1, x0:x1]


def unrolled_uri(
    crop: Crop, centre_mm: tuple[float, float], radius_mm: float, size_px: tuple[int, int]
) -> str:
    """Return a ring cut open: radius runs from left (centre) to right, the way round from top to bottom."""
    from scipy.ndimage import map_coordinates

    width, height = size_px
    radius = (np.arange(width) + 0.5) / width * radius_mm
    angle = (np.arange(height) + 0.5) / height * 2.0 * np.pi
    # mm to pixel indices: index 0 lies half a pixel inside the corner
    centre = crop.to_px(centre_mm)
    x = centre[0] - 0.5 + np.cos(angle)[:, None] * radius * crop.px_per_mm
    y = centre[1] - 0.5 + np.sin(angle)[:, None] * radius * crop.px_per_mm
    channels = [map_coordinates(crop.image[..., c], [y, x], order=1, mode="nearest") for c in range(3)]
    return data_uri(np.stack(channels, axis=-1))


def lab_strip_uri(labs: ArrayLike) -> str:
    """Return colours side by side as an image one pixel high."""
    return data_uri(lab_to_srgb8(labs)[None], lossless=True)


def redrawn_ring(
    radius_mm: Sequence[float], labs: Sequence[Sequence[float]], centre_mm: tuple[float, float], outer_mm: float
) -> Crop:
    """Return a fade drawn from its course, for a score whose scan is no longer at hand."""
    px_per_mm = 8.0
    half = outer_mm + 1.0
    size = round(2 * half * px_per_mm)
    offset = (np.arange(size) + 0.5) / px_per_mm - half
    distance = np.hypot(offset[:, None], offset[None, :])
    # without a course a mid-grey disc stands in
    colours = lab_to_srgb8(labs if len(labs) else [(50.0, 0.0, 0.0)])
    index = np.clip(np.searchsorted(np.asarray(radius_mm), distance), 0, len(colours) - 1)
    # a pixel that the rim crosses is covered in part: no stairs
    covered = np.clip((outer_mm - distance) * px_per_mm + 0.5, 0.0, 1.0)[..., None]
    image = covered * colours[index] + (1.0 - covered) * 255.0
    return Crop(
        image=np.rint(image).astype(np.uint8),
        px_per_mm=px_per_mm,
        origin_mm=(centre_mm[0] - half, centre_mm[1] - half),
    )
