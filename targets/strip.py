"""A proof strip: pieces of a photographer's own pictures at print size on one sheet, with marks, captions and a code.

It is for looking at, not for scoring: what a scan of it shows is a picture's own colours, which no recipe knows.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .errors import WrongUsageError
from .marks import code_modules, mark_coverage
from .spaces import icc_profile

__all__ = ["STRIP_CODE", "StripPiece", "StripSheet", "slots", "write_strip"]

Pixels = NDArray[np.uint16]

STRIP_CODE: Final = "INKSTRAIN-STRIP/1/"
"""What the code of every strip begins with; a name of the strip's own contents follows."""

_MARGIN_MM: Final = 10.0
_SIDE_MM: Final = 13.0  # clear of the marks
_HEAD_MM: Final = 24.0
_GAP_MM: Final = 5.0
_CAPTION_MM: Final = 7.0
_LEAST_PIECE_MM: Final = 40.0
_MOST_PIECE_MM: Final = 54.0
_CODE_MM: Final = 18.0
_MARK_RADIUS_MM: Final = 1.0
_TYPE_MM: Final = 2.3
_LARGEST_PX: Final = 200_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class StripSheet:
    """The sheet: its size in mm, resolution, and the space that its numbers are in."""

    size_mm: tuple[float, float]
    dpi: int
    space: str

    def __post_init__(self) -> None:
        width, height = self.size_mm
        if width * height * (self.dpi / 25.4) ** 2 > _LARGEST_PX:
            raise WrongUsageError(
                "The strip's sheet is too large at this resolution. Use a smaller sheet or --dpi 360."
            )
        if not slots(self):
            raise WrongUsageError(
                f"A sheet of {width:g} × {height:g} mm is too small for a proof strip. Use A5 or more."
            )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StripPiece:
    """One piece: encoded RGB of the sheet, uint16 (rows, columns, 3), at its resolution; and a caption."""

    pixels: Pixels
    caption: str


def slots(sheet: StripSheet) -> tuple[tuple[float, float, float], ...]:
    """Return the squares for pieces as (x, y, side) in mm from the sheet's top left, row by row."""
    width, height = sheet.size_mm
    room = width - 2 * _SIDE_MM
    across = int((room + _GAP_MM) // (_MOST_PIECE_MM + _GAP_MM)) or int(room >= _LEAST_PIECE_MM)
    if not across:
        return ()
    side = min((room - (across - 1) * _GAP_MM) / across, _MOST_PIECE_MM)
    down = int((height - 2 * _MARGIN_MM - _HEAD_MM) // (side + _CAPTION_MM))
    return tuple(
        (_SIDE_MM + i * (side + _GAP_MM), _MARGIN_MM + _HEAD_MM + j * (side + _CAPTION_MM), side)
        for j in range(down)
        for i in range(across)
    )


def write_strip(pieces: Sequence[StripPiece], sheet: StripSheet, heading: Sequence[str], path: Path) -> str:
    """Write a strip as a 16-bit TIFF at print size, its space's profile embedded, and return its code.

    Parameters
    ----------
    pieces
        At most as many as there are `slots`; each no larger than its slot.
    heading
        Lines of type at the top.
    """
    import tifffile

    per_mm = sheet.dpi / 25.4
    width, height = (round(side * per_mm) for side in sheet.size_mm)
    page = np.full((height, width, 3), 65535, np.uint16)
    digest = hashlib.sha256()
    for (x, y, side), piece in zip(slots(sheet), pieces, strict=False):
        most = round(side * per_mm)
        pixels = piece.pixels[:most, :most]
        digest.update(pixels.tobytes())
        top, left = round(y * per_mm), round(x * per_mm)
        page[top : top + pixels.shape[0], left : left + pixels.shape[1]] = pixels
        _type(page, (x, y + pixels.shape[0] / per_mm + 0.8), (piece.caption,), per_mm)
    code = STRIP_CODE + digest.hexdigest()[:12].upper()
    _type(page, (_SIDE_MM, _MARGIN_MM), (*heading, f"{code} · for looking at, not for scoring"), per_mm)
    _draw_code(page, code, sheet, per_mm)
    for x, y in _mark_places(sheet.size_mm):
        column, row, covered = mark_coverage((x * per_mm, y * per_mm), _MARK_RADIUS_MM * per_mm)
        window = page[row : row + covered.shape[0], column : column + covered.shape[1]]
        window[:] = np.rint(window * (1.0 - covered[..., None]))
    tifffile.imwrite(
        path, page, photometric="rgb", compression="deflate", predictor=True, rowsperstrip=64,
        resolution=(sheet.dpi, sheet.dpi), resolutionunit="INCH", metadata=None, software=False,
        extratags=[(34675, 7, None, icc_profile(sheet.space), True)],
    )  # fmt: skip
    return code


def _mark_places(size_mm: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    width, height = size_mm
    near = _MARGIN_MM - 1.0
    return tuple((x, y) for x in (near, width - near) for y in (near, height / 2, height - near))


def _draw_code(page: Pixels, code: str, sheet: StripSheet, per_mm: float) -> None:
    modules = code_modules(code)
    scale = max(1, int(_CODE_MM * per_mm / len(modules)))
    drawn = np.kron(modules, np.ones((scale, scale), bool))
    left = round((sheet.size_mm[0] - _SIDE_MM) * per_mm) - drawn.shape[1]
    top = round(_MARGIN_MM * per_mm)
    page[top : top + drawn.shape[0], left : left + drawn.shape[1]][drawn] = 0


def _type(page: Pixels, at_mm: tuple[float, float], lines: Sequence[str], per_mm: float) -> None:
    from PIL import Image, ImageDraw, ImageFont

    font = ImageFont.load_default(_TYPE_MM * per_mm)
    image = Image.new("L", (page.shape[1], round(len(lines) * 1.6 * _TYPE_MM * per_mm)), 0)
    draw = ImageDraw.Draw(image)
    for index, line in enumerate(lines):
        draw.text((at_mm[0] * per_mm, index * 1.6 * _TYPE_MM * per_mm), line, fill=255, font=font)
    covered = np.asarray(image, dtype=np.float32)[..., None] / 255.0
    top = round(at_mm[1] * per_mm)
    window = page[top : top + covered.shape[0]]
    window[:] = np.rint(window * (1.0 - covered[: window.shape[0]]))
