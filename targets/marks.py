"""What a tile says of itself: round marks, its code (a QR code, ISO/IEC 18004) and its caption, as coverage maps."""

from __future__ import annotations

import functools
import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .key import Tile
from .labels import LABEL_MM, Label

__all__ = ["CODE_LEVEL", "caption_coverage", "code_modules", "label_coverage", "mark_coverage"]

Coverage = NDArray[np.float32]

CODE_LEVEL: Final = "M"
"""Error correction level of the code: 15 % of its modules may be lost."""

_SUPERSAMPLING: Final = 16
_TYPE_MM: Final = (3.6, 2.1, 2.1, 2.1)
_LINES: Final = ("printer", "paper", "ink · media setting", "profile · intent", "printed on · dried")


@functools.lru_cache(maxsize=64)
def code_modules(text: str) -> NDArray[np.bool_]:
    """Return the modules of a text's QR code without quiet zone, dark is true, shape (n, n)."""
    import zxingcpp

    barcode = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.QRCode, ec_level=CODE_LEVEL)
    image = np.array(zxingcpp.write_barcode_to_image(barcode, scale=1, add_quiet_zones=False))
    return np.asarray(image < 128)


def mark_coverage(centre_px: tuple[float, float], radius_px: float) -> tuple[int, int, Coverage]:
    """Return first column, first row and the covered share of each pixel of a round mark."""
    x, y = centre_px
    column, row = int(np.floor(x - radius_px)), int(np.floor(y - radius_px))
    size = int(np.ceil(2 * radius_px)) + 2
    offsets = (np.arange(size * _SUPERSAMPLING) + 0.5) / _SUPERSAMPLING
    inside = (column + offsets - x) ** 2 + ((row + offsets - y) ** 2)[:, None] <= radius_px**2
    shape = (size, _SUPERSAMPLING, size, _SUPERSAMPLING)
    return column, row, inside.reshape(shape).mean(axis=(1, 3), dtype=np.float32)


def caption_coverage(tile: Tile, dpi: int) -> tuple[int, int, Coverage]:
    """Return first column, first row and ink coverage of a tile's caption and its ruled lines for notes."""
    from PIL import Image, ImageDraw, ImageFont

    x, y, width, height = (value * dpi / 25.4 for value in tile.caption_box_mm)
    image = Image.new("L", (max(int(width), 1), max(int(height), 1)), 0)
    draw = ImageDraw.Draw(image)
    per_mm = dpi / 25.4
    top, text_width = 0.0, 0.0
    for text, size in zip(tile.caption, _TYPE_MM, strict=True):
        font = ImageFont.load_default(size * per_mm)
        draw.text((0, top), text, fill=255, font=font)
        text_width = max(text_width, draw.textlength(text, font=font))
        top += size * 1.45 * per_mm
    left = text_width + 8 * per_mm
    if width - left > 30 * per_mm:
        font = ImageFont.load_default(1.9 * per_mm)
        for index, label in enumerate(_LINES):
            base = height * (index + 1) / len(_LINES) - per_mm * 0.4
            draw.text((left, base - 0.4 * per_mm), label, fill=190, font=font, anchor="ls")
            start = left + draw.textlength(label, font=font) + 1.2 * per_mm
            draw.line([(start, base), (width, base)], fill=120, width=max(round(0.12 * per_mm), 1))
    return round(x), round(y), np.asarray(image, dtype=np.float32) / 255.0


def label_coverage(label: Label, dpi: int) -> tuple[int, int, Coverage]:
    """Return first column, first row and ink coverage of a label."""
    from PIL import Image, ImageDraw, ImageFont

    per_mm = dpi / 25.4
    font = ImageFont.load_default(LABEL_MM * per_mm)
    x, y = (value * per_mm for value in label.centre_mm)
    wide, tall = (math.ceil(count * LABEL_MM * per_mm / 2) for count in (len(label.text), 1))
    image = Image.new("L", (2 * wide, 2 * tall), 0)
    ImageDraw.Draw(image).text((wide, tall), label.text, fill=255, font=font, anchor="mm")
    return round(x) - wide, round(y) - tall, np.asarray(image, dtype=np.float32) / 255.0
