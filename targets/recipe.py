"""The recipe: the small frozen value that a chart is fully regenerated from.

A recipe is written as one line of text, which is what the code on every tile carries::

    INKSTRAIN/1/A4/ADOBE-RGB/EVEN/8/360/216X297/ALL

that is: layout version, sheet, space, path, hues, dots per inch, scanner bed in mm, kinds of element, and, only where
patches of another size are asked for, ``/P`` and that size in mm. Its SHA-256 gives the chart id, so that the same
recipe has the same id everywhere.
"""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import dataclass
from typing import Final

from .errors import WrongUsageError

__all__ = [
    "KINDS",
    "LAYOUT_VERSION",
    "PATHS",
    "SHEETS_MM",
    "SPACES",
    "Recipe",
    "parse_code",
    "parse_recipe",
    "tile_code",
]

LAYOUT_VERSION: Final = 1
"""Layout versions this program can draw and read: 1. Raised when any element would land elsewhere."""

SPACES: Final = ("srgb", "display-p3", "adobe-rgb", "prophoto", "rec2020")
PATHS: Final = ("even", "straight")
KINDS: Final = ("ring-to-white", "ring-to-black", "hue-sweep", "neutral-wedge", "patch-field", "flat-field")
_KIND_LETTERS: Final = dict(zip("WBSNPF", KINDS, strict=True))

SHEETS_MM: Final = {
    "a4": (210.0, 297.0),  # ISO 216
    "letter": (215.9, 279.4),  # ANSI/ASME Y14.1
    "a3": (297.0, 420.0),  # ISO 216
    "a3plus": (329.0, 483.0),  # common practice, no source
}
_SIZE = re.compile(r"(\d{2,4}(?:\.\d)?)X(\d{2,4}(?:\.\d)?)", re.ASCII)
_PATCH: Final = re.compile(r"P\d{1,2}(?:\.\d)?", re.ASCII)
_NAME: Final = "INKSTRAIN"
_NOT_OURS: Final = "The code is not one of an inkstrain chart. Scan the side with the rings, its square code included."


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """What to put on a chart.

    Parameters
    ----------
    sheet
        A name of `SHEETS_MM` or ``WxH`` in mm, 90 to 1600 mm a side.
    space
        One of `SPACES`.
    path
        ``even`` (equal CIEDE2000 a millimetre) or ``straight`` (the straight line in encoded RGB as it is).
    hues
        Number of hues, 1 to 36.
    dpi
        Pixels per inch of the chart's files, 150 to 1440.
    bed_mm
        Width and height of the scanner's bed; larger sheets are split into tiles that fit it, either way round.
    only
        Kinds of element to print, in the order of `KINDS`.
    patch_mm
        Side of a patch, 6 to 40 mm, with the patch field's full set of colours; ``None`` for its short set at 10.2 mm.

    Raises
    ------
    WrongUsageError
        If a value is unknown or out of its range; the message names it.
    """

    sheet: str = "a4"
    space: str = "adobe-rgb"
    path: str = "even"
    hues: int = 8
    dpi: int = 360
    bed_mm: tuple[float, float] = (216.0, 297.0)
    only: tuple[str, ...] = KINDS
    layout: int = LAYOUT_VERSION
    patch_mm: float | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be drawn, and put free spellings into their one form."""
        if self.layout != LAYOUT_VERSION:
            raise WrongUsageError(
                f"This chart has layout version {self.layout}; this program knows version {LAYOUT_VERSION}. "
                "A newer inkstrain is needed."
            )
        object.__setattr__(self, "sheet", _canonical_sheet(self.sheet))
        for name, value, allowed in (("space", self.space, SPACES), ("path", self.path, PATHS)):
            if value not in allowed:
                raise WrongUsageError(f"Unknown {name} {value!r}: use one of {', '.join(allowed)}.")
        if not 1 <= self.hues <= 36:
            raise WrongUsageError(f"hues is {self.hues}: use 1 to 36.")
        if not 150 <= self.dpi <= 1440:
            raise WrongUsageError(f"dpi is {self.dpi}: use 150 to 1440.")
        if not all(100 <= side <= 2000 for side in self.bed_mm):
            raise WrongUsageError(f"The scanner bed is {self.bed_mm} mm: use 100 to 2000 mm a side.")
        unknown = [kind for kind in self.only if kind not in KINDS]
        if unknown or not self.only:
            raise WrongUsageError(f"Unknown kind of element {unknown}: use some of {', '.join(KINDS)}.")
        object.__setattr__(self, "only", tuple(kind for kind in KINDS if kind in self.only))
        if self.patch_mm is not None:
            self._check_patch(self.patch_mm)

    def _check_patch(self, side_mm: float) -> None:
        if "patch-field" not in self.only:
            raise WrongUsageError("A size of patches needs the patch field: add patch-field to the kinds of element.")
        if not 6 <= side_mm <= 40:
            raise WrongUsageError(f"The patches are {side_mm:g} mm: use 6 to 40 mm, at least 4 mm over the aperture.")
        object.__setattr__(self, "patch_mm", round(float(side_mm), 1))

    @property
    def sheet_mm(self) -> tuple[float, float]:
        """Width and height of the sheet in mm."""
        if self.sheet in SHEETS_MM:
            return SHEETS_MM[self.sheet]
        width, height = self.sheet.split("x")
        return float(width), float(height)

    @property
    def text(self) -> str:
        """The recipe as one line, in the characters that a QR code packs best."""
        letters = "".join(letter for letter, kind in _KIND_LETTERS.items() if kind in self.only)
        bed = "X".join(f"{side:g}" for side in self.bed_mm)
        fields: tuple[object, ...] = (
            _NAME, self.layout, self.sheet, self.space, self.path, self.hues, self.dpi, bed,
            "ALL" if self.only == KINDS else letters,
        )  # fmt: skip
        if self.patch_mm is not None:
            fields = (*fields, f"P{self.patch_mm:g}")
        return "/".join(str(field) for field in fields).upper()

    @property
    def chart_id(self) -> str:
        """Eight characters (40 bits, RFC 4648 base 32) of the SHA-256 of the recipe's text."""
        return base64.b32encode(hashlib.sha256(self.text.encode("ascii")).digest()[:5]).decode("ascii")


def _canonical_sheet(sheet: str) -> str:
    name = sheet.strip().lower()
    if name in SHEETS_MM:
        return name
    match = _SIZE.fullmatch(name.upper())
    if not match:
        known = ", ".join(SHEETS_MM)
        raise WrongUsageError(f"Unknown sheet {sheet!r}: use {known}, or WIDTHxHEIGHT in mm such as 200x300.")
    width, height = (float(side) for side in match.groups())
    if not (90 <= width <= 1600 and 90 <= height <= 1600):
        raise WrongUsageError(f"The sheet {sheet!r} is outside 90 to 1600 mm a side.")
    return f"{width:g}x{height:g}"


def _not_a_recipe(text: str) -> str:
    shown = text if len(text) <= 80 else text[:80] + "…"
    return f"{shown!r} is not a recipe of an inkstrain chart. It is the line of small type beside a tile's code."


def parse_recipe(text: str) -> Recipe:
    """Read a recipe from its line of text.

    Raises
    ------
    WrongUsageError
        If the text is not a recipe.
    """
    fields = text.strip().upper().split("/")
    if len(fields) not in (9, 10) or fields[0] != _NAME or not all(_PATCH.fullmatch(field) for field in fields[9:]):
        raise WrongUsageError(_not_a_recipe(text))
    _, layout, sheet, space, path, hues, dpi, bed, kinds = fields[:9]
    try:
        bed_width, bed_height = (float(side) for side in bed.split("X"))
        recipe = Recipe(
            layout=int(layout),
            sheet=sheet.lower(),
            space=space.lower(),
            path=path.lower(),
            hues=int(hues),
            dpi=int(dpi),
            bed_mm=(bed_width, bed_height),
            only=KINDS if kinds == "ALL" else tuple(_KIND_LETTERS[letter] for letter in kinds),
            patch_mm=float(fields[9][1:]) if fields[9:] else None,
        )
    except (ValueError, KeyError) as error:
        raise WrongUsageError(_not_a_recipe(text)) from error
    return recipe


def tile_code(recipe: Recipe, sheet: int, tile: int) -> str:
    """Return the text of a tile's code: recipe, sheet, tile, and the chart id as a check."""
    return f"{recipe.text}/{sheet}/{tile}/{recipe.chart_id}"


def parse_code(text: str) -> tuple[Recipe, int, int]:
    """Return recipe, sheet and tile from the text of a tile's code.

    Raises
    ------
    WrongUsageError
        If the text is not such a code, or its chart id does not belong to its recipe.
    """
    head, _, tail = text.partition(_NAME)
    fields = tail.split("/")
    if head or len(fields) not in (12, 13):
        raise WrongUsageError(_NOT_OURS)
    *line, sheet, tile, chart = fields
    recipe = parse_recipe(_NAME + "/".join(line))
    if recipe.chart_id != chart:
        raise WrongUsageError(
            f"The code names chart {chart}, but its recipe gives {recipe.chart_id}. "
            "Scan it again; if that does not help, make the chart again and print that."
        )
    try:
        return recipe, int(sheet), int(tile)
    except ValueError as error:
        raise WrongUsageError(_NOT_OURS) from error
