"""What was found in photographs as plain text for a terminal: one row a picture, the most affected first."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from ..results.photos import ModelError, Photos, PictureView, SideView
from ..words.phrases import flag_words
from .words import findings_words

__all__ = ["model_words", "photos_text"]

_NAME_WIDTH: Final = 26
_REASONS: Final = {
    "unreadable": "cannot be read", "truncated": "damaged or cut short", "too-large": "too large",
    "not-a-picture": "not a picture", "not-rgb-or-grey": "neither RGB nor grey", "cmyk": "CMYK",
    "broken-profile": "damaged profile", "linked-twice": "linked twice",
}  # fmt: skip
_LISTED: Final = 12


def photos_text(photos: Photos, *, width: int = 80) -> str:
    """Return a readable summary, at most ``width`` characters wide but for its table."""
    label_b = photos.b.label if photos.b else "what the file asks for"
    sides = f"A: {photos.a.label}. B: {label_b}."
    viewing = photos.viewing
    lines = [
        *_wrapped(sides, width),
        "",
        *(line for sentence in photos.summary.text for line in _wrapped(sentence, width)),
        "",
        *_wrapped(
            f"Shares of the frame over 1, 2, 3 and 5 ΔE00; “seen”: over 2 as seen at {viewing.distance_mm:g} mm on a "
            f"print {viewing.long_edge_mm:g} mm long; “out”: out of A's and B's gamut.",
            width,
        ),
        "",
        f"{'':<{_NAME_WIDTH}}   >1   >2   >3   >5  seen  out A  out B",
    ]
    by_file = {picture.file: picture for picture in photos.pictures}
    for file in photos.summary.ranked:
        lines += _rows(by_file[file], (photos.a.label, label_b), width)
    for side in (photos.a, photos.b):
        lines += [line for sentence in _side_words(side) for line in _wrapped(sentence, width)]
    lines += _left_out(photos, width)
    return "\n".join(line.rstrip() for line in lines)


def model_words(error: ModelError) -> str:
    """Return how far a score's printer model is to be trusted."""
    inside = ""
    if error.inside_median is not None and error.inside_p95 is not None:
        inside = f"{error.inside_median:.1f} ΔE00 (median; 95 %: {error.inside_p95:.1f}) beside its samples and "
    return (
        f"a printer model from {error.samples} colours of the chart, off by {inside}"
        f"{error.median:.1f} ({error.p95:.1f}) across {error.left_out} left out"
    )


def _side_words(side: SideView | None) -> Iterator[str]:
    if side is None:
        return
    if side.model_error is not None:
        yield f"{side.label} is {model_words(side.model_error)}."
    for flag in side.flags:
        yield f"{side.label}: {flag_words(flag)}."


def _rows(picture: PictureView, names: tuple[str, str], width: int) -> Iterator[str]:
    over, seen = picture.area_over, picture.area_over_seen
    name = Path(picture.file).name
    short = name if len(name) <= _NAME_WIDTH - 1 else f"{name[: _NAME_WIDTH - 6]}…{name[-4:]}"
    shares = "".join(f"{_short(share):>5}" for share in (over.over_1, over.over_2, over.over_3, over.over_5))
    out = "".join(f"{_short(share):>7}" for share in (picture.out_of_gamut.a, picture.out_of_gamut.b))
    yield f"{short:<{_NAME_WIDTH}}{shares} {_short(seen.over_2):>5}{out}"
    yield from _indented(picture.verdict, width)
    for name, found in zip(names, (picture.findings_a, picture.findings_b), strict=True):
        if found is not None:
            yield from _indented(findings_words(found, name), width)
    for flag in picture.flags:
        if not flag.startswith("no-profile"):
            yield from _indented(f"{flag_words(flag)}.", width)


def _short(share: float | None) -> str:
    if share is None:
        return "–"
    value = 100.0 * share
    return "0" if value == 0 else "<.1" if value < 0.1 else f"{value:.1f}" if value < 9.95 else f"{value:.0f}"


def _left_out(photos: Photos, width: int) -> Iterator[str]:
    assumed = sum(picture.space_assumed for picture in photos.pictures)
    if assumed:
        spaces = " or ".join(sorted({picture.space for picture in photos.pictures if picture.space_assumed}))
        yield from _wrapped(f"{assumed} without a profile: {spaces} is assumed.", width)
    if not photos.skipped:
        return
    counts = Counter(one.reason for one in photos.skipped)
    reasons = ", ".join(f"{count} {_REASONS[reason]}" for reason, count in counts.most_common())
    yield from _wrapped(f"Left out: {reasons}.", width)
    named = [one for one in photos.skipped if one.reason != "not-a-picture"]
    for one in named[:_LISTED]:
        yield from _indented(f"{one.file}: {one.text}", width)
    if len(named) > _LISTED:
        yield from _indented(f"and {len(named) - _LISTED} more; --json lists all.", width)


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False)


def _indented(text: str, width: int) -> list[str]:
    return [f"  {line}" for line in _wrapped(text, width - 2)]
