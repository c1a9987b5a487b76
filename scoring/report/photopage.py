"""Photographs on one page: which are touched, where in the frame, and the worst window on either side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from ..photos.telling import model_words
from ..photos.words import findings_words, is_unknown, per_cent
from ..results.photos import NeutralTones, Photos, PictureView
from ..words.phrases import flag_words, number
from .page import rendered
from .photopictures import STEPS, PhotoImages
from .svg import join, tag

__all__ = ["MOST_SHOWN", "photos_html"]

MOST_SHOWN = 40
"""Pictures that are shown large; the others stand on the contact sheet and in the table."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoView:
    """One picture on the page."""

    anchor: str
    name: str
    file: str
    state: str
    loud: bool
    verdict: str
    images: PhotoImages
    marks: Markup
    size: tuple[int, int]
    facts: tuple[tuple[str, str], ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...]
    worst: str


def photos_html(photos: Photos, images: Mapping[str, PhotoImages], *, title: str | None = None) -> str:
    """Return what was found in photographs as a self-contained HTML page, in the manner of `report_html`.

    Parameters
    ----------
    images
        By the pictures' ``file``.
    """
    by_file = {picture.file: picture for picture in photos.pictures}
    ranked = [by_file[file] for file in photos.summary.ranked]
    label_b = photos.b.label if photos.b else "what the file asks for"
    return rendered(
        "photos.html",
        title=title or ("Your picture" if len(ranked) == 1 else f"Your {len(ranked)} pictures"),
        photos=photos,
        views=[_view(i, picture, images[picture.file]) for i, picture in enumerate(ranked, 1)],
        most=MOST_SHOWN,
        label_a=photos.a.label,
        label_b=label_b,
        steps=[
            (colour, f"{low:g} to {high:g} ΔE00" if high else f"over {low:g} ΔE00")
            for (low, colour), high in zip(STEPS, [*(limit for limit, _ in STEPS[1:]), None], strict=True)
        ],
        covers=any(picture.not_covered is not None for picture in ranked),
        models=[
            (name, model_words(side.model_error))
            for name, side in (("A", photos.a), ("B", photos.b))
            if side is not None and side.model_error is not None
        ],
        flags=[flag_words(flag) for side in (photos.a, photos.b) if side is not None for flag in side.flags],
        assumed=sum(picture.space_assumed for picture in ranked),
        shares=[(colour.colours, per_cent(colour.share)) for colour in photos.summary.colours],
    )


def _view(index: int, picture: PictureView, images: PhotoImages) -> PhotoView:
    worst = picture.worst
    return PhotoView(
        anchor=f"picture-{index}",
        name=Path(picture.file).name,
        file=picture.file,
        state=_state(picture),
        loud=picture.touched,
        verdict=picture.verdict,
        images=images,
        marks=_marks(picture),
        size=(picture.width_px, picture.height_px),
        facts=_facts(picture),
        rows=(
            ("as they are", *(per_cent(v) for v in _over(picture.area_over))),
            ("as seen", *(per_cent(v) for v in _over(picture.area_over_seen))),
        ),
        notes=_notes(picture),
        worst=f"{worst.colours}, {worst.where}: {number(worst.mean_de00, 1, 'ΔE00')} on average",
    )


def _state(picture: PictureView) -> str:
    if picture.touched:
        return f"{per_cent(picture.area_over_seen.over_2)} over 2 ΔE00"
    return "not known" if is_unknown(picture.not_covered) else "not touched"


def _over(area: object) -> tuple[float, ...]:
    return tuple(getattr(area, f"over_{limit}") for limit in (1, 2, 3, 5))


def _facts(picture: PictureView) -> tuple[tuple[str, str], ...]:
    assumed = " (assumed: it has no profile)" if picture.space_assumed else ""
    out = picture.out_of_gamut
    facts = [
        ("picture", f"{picture.width_px} × {picture.height_px} px, {picture.bits} bits, {picture.kind}"),
        ("colour space", f"{picture.space}{assumed}"),
        ("difference", f"{number(picture.mean_de00, 1, 'ΔE00')} on average, 95 % under {number(picture.p95_de00, 1)}"),
    ]
    gamut = [f"{name}: {per_cent(v)}" for name, v in (("A", out.a), ("B", out.b)) if v is not None]
    if gamut:
        facts.append(("out of gamut", ", ".join(gamut)))
    if picture.not_covered is not None:
        facts.append(("not on the chart", per_cent(picture.not_covered)))
    if picture.over_2_between is not None:
        low, high = picture.over_2_between
        facts.append(("over 2 ΔE00, model error included", f"{per_cent(low)} to {per_cent(high)}"))
    for name, tones in (("greys on A", picture.neutral_a), ("greys on B", picture.neutral_b)):
        if tones is not None:
            facts.append((name, _tones(tones)))
    return tuple(facts)


def _tones(tones: NeutralTones) -> str:
    lost = "" if tones.lost_in_black is None else f", {per_cent(tones.lost_in_black)} not seen apart from black"
    return (
        f"cast C* {number(tones.cast_max_c)} at most (L* {number(tones.cast_at_l, 0)}), "
        f"{number(tones.cast_mean_c)} on average; {per_cent(tones.merged)} in merged tones, "
        f"{per_cent(tones.merged_shadows)} in merged shadows{lost}"
    )


def _notes(picture: PictureView) -> tuple[str, ...]:
    found = [
        findings_words(each, name)
        for name, each in (("A", picture.findings_a), ("B", picture.findings_b))
        if each is not None
    ]
    flags = [flag_words(flag) for flag in picture.flags if not flag.startswith("no-profile")]
    return tuple(text for text in (*found, *flags) if text)


def _marks(picture: PictureView) -> Markup:
    """Return the worst window's outline over the frame, dark on light so that it shows on any colour."""
    x, y, width, height = picture.worst.box_px
    return join(tag("rect", class_=name, x=x, y=y, width=width, height=height) for name in ("mark-under", "mark-line"))
