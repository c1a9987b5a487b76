"""Colours and places in words: what a colour is called, where in the frame a box lies, what is said of a picture."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, TypeGuard

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..results.photos import AreaOver, Closer, Findings, Place, Worst

__all__ = [
    "COLOUR_NAMES",
    "TOUCHED_SHARE",
    "a_is_closer",
    "b_is_closer",
    "closer_words",
    "colour_index",
    "findings_words",
    "is_unknown",
    "per_cent",
    "verdict_of",
    "where_words",
]

# CIELAB hue angles where one colour word gives way to the next: common practice, no source
_HUES: Final = (
    (15.0, "pinks"), (50.0, "reds"), (78.0, "oranges"), (110.0, "yellows"), (165.0, "greens"), (225.0, "cyans"),
    (295.0, "blues"), (325.0, "violets"), (350.0, "magentas"), (360.0, "pinks"),
)  # fmt: skip
_GREYS: Final = ((18.0, "blacks"), (40.0, "dark greys"), (72.0, "mid greys"), (94.0, "light greys"), (101.0, "whites"))
_GREY_C: Final = 8.0
_DEEP_L, _PALE_L, _VIVID_C, _MUTED_C = 38.0, 74.0, 55.0, 24.0
_MANNERS: Final = ("", "deep ", "pale ", "vivid ", "muted ")
_BROWN_L: Final = 55.0

_HUE_WORDS: Final = ("reds", "oranges", "browns", "yellows", "greens", "cyans", "blues", "violets", "magentas", "pinks")
COLOUR_NAMES: Final = (
    *(word for _, word in _GREYS),
    *(manner + word for word in _HUE_WORDS for manner in _MANNERS),
)
"""Every colour in words, by its index."""

_ROWS: Final = ("upper", "", "lower")
_COLUMNS: Final = ("left", "middle", "right")
TOUCHED_SHARE: Final = 0.002
_FAINT_SHARE: Final = 0.01
_UNKNOWN_SHARE: Final = 0.5
_SAID_SHARE: Final = 0.0005


def colour_index(lab: ArrayLike) -> NDArray[np.intp]:
    """Return the index into `COLOUR_NAMES` of CIELAB colours (..., 3)."""
    lab = np.asarray(lab, dtype=np.float64)
    lightness, chroma = lab[..., 0], np.hypot(lab[..., 1], lab[..., 2])
    hue = np.degrees(np.arctan2(lab[..., 2], lab[..., 1])) % 360.0
    grey = np.clip(np.searchsorted([limit for limit, _ in _GREYS], lightness, side="right"), 0, len(_GREYS) - 1)
    words = np.array([_HUE_WORDS.index(word) for _, word in _HUES])
    word = words[np.clip(np.searchsorted([limit for limit, _ in _HUES], hue, side="right"), 0, len(_HUES) - 1)]
    orange, brown = _HUE_WORDS.index("oranges"), _HUE_WORDS.index("browns")
    word = np.where((word == orange) & (lightness < _BROWN_L), brown, word)
    manner = np.select(
        [lightness < _DEEP_L, chroma < _MUTED_C, (lightness > _PALE_L) & (chroma < _VIVID_C), chroma > _VIVID_C],
        [1, np.where(lightness > _PALE_L, 2, 4), 2, 3],
        0,
    )
    return np.where(chroma < _GREY_C, grey, len(_GREYS) + word * len(_MANNERS) + manner)


def where_words(box_px: Sequence[int], width_px: int, height_px: int) -> str:
    """Return where in the frame a box (x, y, width, height) lies."""
    x, y, width, height = box_px
    if width > 0.7 * width_px and height > 0.7 * height_px:
        return "over the whole frame"
    column = _COLUMNS[min(int(3 * (x + width / 2) / width_px), 2)]
    row = _ROWS[min(int(3 * (y + height / 2) / height_px), 2)]
    if width > 0.7 * width_px:
        return f"across the {row or 'middle of the'} frame" if row else "across the middle"
    if height > 0.7 * height_px:
        return f"down the {column} of the frame"
    return f"{row} {column}".strip() if row else ("centre" if column == "middle" else column)


def per_cent(share: float) -> str:
    """Return a share in words, with as many digits as it bears; the sign stands off by a space that does not break."""
    value = 100.0 * share
    if value == 0.0:
        return "0\u00a0%"
    if value < 0.1:
        return "under\u00a00.1\u00a0%"
    return f"{value:.1f}\u00a0%" if value < 9.95 else f"{min(value, 99.0) if share < 1 else 100:.0f}\u00a0%"


def is_unknown(not_covered: float | None) -> TypeGuard[float]:
    """Tell whether so much of a picture is not on the chart that nothing can be said of the whole."""
    return not_covered is not None and not_covered > _UNKNOWN_SHARE


def verdict_of(seen: AreaOver, places: Sequence[Place], not_covered: float | None, neutral: str = "") -> str:
    """Return what to say of a picture in a sentence or two."""
    if is_unknown(not_covered):
        rest = verdict_of(seen, places, None, neutral)
        return (
            f"Not known: {per_cent(not_covered)} of the frame has colours that are not on the chart. "
            f"Of the rest: {rest[0].lower()}{rest[1:]}"
        )
    unknown = not_covered is not None and not_covered >= 0.01
    if seen.over_2 < TOUCHED_SHARE:
        if seen.over_1 < _FAINT_SHARE:
            text = "No visible difference expected" + (", in what the chart covers." if unknown else ".")
        else:
            text = f"Hardly a visible difference: {per_cent(seen.over_1)} of the frame is off by 1 to 2 ΔE00."
    else:
        text = _places_words(seen, places)
    if unknown and not_covered is not None:
        text += f" Nothing is known of {per_cent(not_covered)} of the frame: its colours are not on the chart."
    return f"{text} {neutral}".strip()


def _places_words(seen: AreaOver, places: Sequence[Place]) -> str:
    total = per_cent(seen.over_2)
    if not places:
        return f"Scattered small places, {total} of the frame."
    first = places[0]
    where = first.where if first.where.startswith(("over", "across", "down")) else f"at the {first.where}"
    text = f"{first.colours[:1].upper()}{first.colours[1:]} {where}, {per_cent(first.share)} of the frame"
    text += f" ({first.mean_de00:.1f} ΔE00 on average)."
    if seen.over_2 > 1.25 * first.share:
        text += f" In all {total} differs by more than 2 ΔE00 as seen."
    return text


def a_is_closer(closer: Closer) -> bool:
    """Tell whether the first side is visibly closer to what a picture asks for, in more of it than the second."""
    return closer.a_share >= TOUCHED_SHARE and closer.a_share > closer.b_share


def b_is_closer(closer: Closer) -> bool:
    """Tell whether the second side is visibly closer to what a picture asks for, in more of it than the first."""
    return closer.b_share >= TOUCHED_SHARE and closer.b_share > closer.a_share


def closer_words(closer: Closer, names: tuple[str, str]) -> str:
    """Return which side is closer to what a picture asks for, where, and by how much."""
    off = f"{closer.a_de00:.1f} and {closer.b_de00:.1f} ΔE00"
    if not a_is_closer(closer) and not b_is_closer(closer):
        return f"Neither is visibly closer to what is asked: {names[0]} and {names[1]} are off by {off} on average."
    sides = [(names[0], closer.a_share, closer.a_most), (names[1], closer.b_share, closer.b_most)]
    (first, share, most), (second, other, less) = sides[:: 1 if a_is_closer(closer) else -1]
    return (
        f"{first} is closer to what is asked on {per_cent(share)} of the frame{_most(most)}, {second} on "
        f"{per_cent(other)}{_most(less)}; {names[0]} and {names[1]} are off by {off} on average."
    )


def _most(window: Worst | None) -> str:
    return "" if window is None else f" (most: {window.colours}, {window.where}, by {window.mean_de00:.1f})"


def findings_words(found: Findings, name: str) -> str:
    """Return what share lies in colours that a score found something in; empty if hardly any."""
    parts = (
        (found.merged, f"merged on {name}"),
        (found.contour, f"in a ring on {name}"),
        (found.hue_swing, f"swung in hue on {name}"),
    )
    said = [f"{per_cent(share)} in colours {words}" for share, words in parts if share >= _SAID_SHARE]
    return ", ".join(said) + "." if said else ""
