"""Pictures of a photograph for its report: as either side prints it, and where they differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from inkstrain.targets.spaces import screen_rgb

from ..photos.look import Seen
from .pictures import data_uri, lab_to_srgb8

__all__ = ["STEPS", "PhotoImages", "photo_images"]

Map = NDArray[np.float32]

STEPS: Final = ((2.0, "#2a788e"), (3.0, "#7ad151"), (5.0, "#fde725"))
"""Lower limits of differences in ΔE00 and their colours: climbing in lightness, told apart by every kind of colour
vision (the published scale viridis, CC0), on the picture in grey, which stands free where less differs."""

_STAGE_PX, _THUMB_PX, _CROP_PX = 860, 240, 420


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoImages:
    """``data:`` addresses: the frame on either side, the map of differences, a small frame, the worst window twice."""

    a: str
    b: str
    difference: str
    thumb: str
    thumb_difference: str
    crop_a: str
    crop_b: str


def photo_images(seen: Seen) -> PhotoImages:
    """Return the pictures of one photograph, small enough for a page of many."""
    looked = seen.looked
    a, b = _srgb(looked.xyz_a, _STAGE_PX), _srgb(looked.xyz_b, _STAGE_PX)
    small = _srgb(looked.xyz_b, _THUMB_PX)
    return PhotoImages(
        a=data_uri(a), b=data_uri(b), difference=_map_uri(looked.seen_de00, looked.unknown, b),
        thumb=data_uri(small), thumb_difference=_map_uri(looked.seen_de00, looked.unknown, small),
        crop_a=data_uri(_enlarged(lab_to_srgb8(seen.worst_a))), crop_b=data_uri(_enlarged(lab_to_srgb8(seen.worst_b))),
    )  # fmt: skip


def _size(shape: tuple[int, ...], longest_px: int) -> tuple[int, int]:
    height, width = shape[-2:]
    factor = min(1.0, longest_px / max(height, width))
    return max(1, round(width * factor)), max(1, round(height * factor))


def _resized(plane: Map, size: tuple[int, int]) -> Map:
    return np.asarray(Image.fromarray(np.ascontiguousarray(plane)).resize(size, Image.Resampling.BOX))


def _srgb(xyz: Map, longest_px: int) -> NDArray[np.uint8]:
    """Return 8-bit sRGB of a picture in XYZ (3, rows, columns), made smaller in linear light."""
    size = _size(xyz.shape, longest_px)
    small = np.stack([_resized(plane, size) for plane in xyz], axis=-1)
    return np.asarray(np.rint(screen_rgb(small) * 255.0), dtype=np.uint8)


def _map_uri(de00: Map, unknown: Map, picture: NDArray[np.uint8]) -> str:
    """Return the steps of difference over the picture in grey; what a chart does not cover is striped."""
    size = (picture.shape[1], picture.shape[0])
    off, hidden = _resized(de00, size), _resized(unknown, size)
    grey = np.rint(picture.mean(axis=-1))
    out = np.repeat(grey[..., None], 3, axis=-1).astype(np.uint8)
    for limit, colour in STEPS:
        out[off > limit] = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
    rows, columns = np.indices(off.shape)
    stripes = (hidden > 0.5) & ((rows + columns) % 9 < 2)
    out[stripes] = 150
    return data_uri(out, lossless=True)


def _enlarged(image: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return a small window with its pixels drawn larger, so that they can be seen."""
    factor = max(1, _CROP_PX // max(image.shape[:2]))
    return np.repeat(np.repeat(image, factor, axis=0), factor, axis=1)
