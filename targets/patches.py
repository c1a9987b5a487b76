"""The patch field (for a handheld instrument and for fitting a scanner) and the flat fields (for head banding)."""

from __future__ import annotations

import itertools
from typing import Final

import numpy as np

from .key import Box, FlatField, Patch, PatchField
from .rings import hue_names, pure_hue_rgb
from .spaces import stated_lab
from .wedge import neutral_rgb

__all__ = ["FLAT_NAMES", "PATCH_MM", "make_flat", "make_patch_field", "patch_rgb", "wide_patch_rgb"]

Triple = tuple[float, float, float]

_NEUTRALS_L: Final = (8.0, 16.0, 24.0, 32.0, 40.0, 60.0, 68.0, 76.0, 84.0, 92.0, 96.0)


def patch_rgb(space: str) -> tuple[Triple, ...]:
    """Return the patches' encoded RGB: a 3×3×3 cube, neutrals, and half-way tints and shades of eight hues."""
    cube = list(itertools.product((0.0, 0.5, 1.0), repeat=3))
    neutrals = neutral_rgb(space, _NEUTRALS_L).round(6).tolist()
    pure = np.array([pure_hue_rgb(angle) for _, angle in hue_names(8)])
    tints, shades = (0.4 + 0.6 * pure).tolist(), (0.65 * pure).round(6).tolist()
    return tuple(tuple(rgb) for rgb in [*cube, *neutrals, *tints, *shades])


def wide_patch_rgb(space: str) -> tuple[Triple, ...]:
    """Return 140 patches' encoded RGB for fitting a scanner: gamut, neutral axis and the paths of the rings.

    A cube of four steps, the middles of a cube of three, seventeen neutrals of even L*, and two tints and two shades of
    eight hues; one patch is bare paper, one is black.
    """
    cube = list(itertools.product((0.0, 0.333333, 0.666667, 1.0), repeat=3))
    middles = list(itertools.product((0.166667, 0.5, 0.833333), repeat=3))
    neutrals = neutral_rgb(space, np.linspace(0, 100, 19)[1:-1]).round(6).tolist()
    pure = np.array([pure_hue_rgb(angle) for _, angle in hue_names(8)])
    tints = [(1 - k + k * pure).round(6).tolist() for k in (0.75, 0.4)]
    shades = [(k * pure).round(6).tolist() for k in (0.8, 0.45)]
    paths = [rgb for group in (*tints, *shades) for rgb in group]
    return tuple(tuple(rgb) for rgb in [*cube, *middles, *neutrals, *paths])


PATCH_MM: Final = 10.2
"""Height of a patch of the short set, and its least width: an 8 mm aperture with room."""

_FLATS: Final = {"light": 80.0, "middle": 55.0, "dark": 30.0}
FLAT_NAMES: Final = (*_FLATS, "tint")
_TINT_RGB: Final = (0.72, 0.82, 0.90)


def make_patch_field(space: str, box_mm: Box, columns: int, first: int = 0, side_mm: float | None = None) -> PatchField:
    """Return a patch field in a box, beginning at the patch of index `first`.

    Rows are `side_mm` high and hold the wide set, or 10.2 mm high and hold the short one. Patches are named by row
    letter and column, counted through the whole chart.
    """
    x, y, width, height = box_mm
    tall = side_mm or PATCH_MM
    rows = round(height / tall)
    colours = (wide_patch_rgb(space) if side_mm else patch_rgb(space))[first : first + rows * columns]
    patches = []
    for index, rgb in enumerate(colours):
        row, column = divmod(index, columns)
        box = (x + column * width / columns, y + row * tall, width / columns, tall)
        patches.append(
            Patch(
                patch=f"{_letters(first // columns + row)}{column + 1}",
                box_mm=(round(box[0], 3), round(box[1], 3), round(box[2], 3), round(box[3], 3)),
                rgb=rgb,
                lab=stated_lab(space, rgb),
            )
        )
    name = "patch-field" if first == 0 else f"patch-field-{_letters(first // columns).lower()}"
    return PatchField(id=name, kind="patch-field", box_mm=box_mm, patches=tuple(patches))


def _letters(row: int) -> str:
    return chr(ord("A") + row) if row < 26 else _letters(row // 26 - 1) + _letters(row % 26)


def make_flat(space: str, name: str, box_mm: Box) -> FlatField:
    """Return the flat field of one name of `FLAT_NAMES`: three neutrals, and a tint of two inks."""
    grey = neutral_rgb(space, _FLATS[name]).round(6).tolist() if name in _FLATS else None
    rgb: Triple = _TINT_RGB if grey is None else tuple(grey)
    return FlatField(id=f"flat-field-{name}", kind="flat-field", box_mm=box_mm, rgb=rgb, lab=stated_lab(space, rgb))
