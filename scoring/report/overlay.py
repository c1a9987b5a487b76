"""What is drawn over a fade's crop: rings as circles, merged tones hatched, in millimetres of the chart."""

from __future__ import annotations

import math

from markupsafe import Markup

from ..results.crops import Crop
from ..results.figures import figure as measured
from ..results.score import RingScore
from ..words.phrases import eye_words, interval, number, ring_name, ring_state, ring_word
from .pictures import picture_uri
from .svg import arc_band, figure, hatch, join, tag, text

__all__ = ["overlay_marks", "radius_ruler", "ring_picture"]

_PICTURE_PX = 620


def ring_picture(
    name: str,
    ring: RingScore,
    crop: Crop,
    centre_mm: tuple[float, float],
    *,
    half_mm: float | None = None,
    longest_px: int = _PICTURE_PX,
) -> Markup:
    """Return a ring's crop with its marks over it.

    The view box is in millimetres from the crop's top left corner, so that a mark at a radius in mm lands
    on the pixel that was measured there, whatever size the picture is shown at. With ``half_mm`` the view is
    a square of that half side about the ring's centre, so that pictures of several prints register.
    """
    width, height = crop.size_mm
    picture = tag(
        "image",
        href=picture_uri(crop.image, longest_px),
        x=0,
        y=0,
        width=f"{width:.4f}",
        height=f"{height:.4f}",
        preserveAspectRatio="none",
    )
    centre = (centre_mm[0] - crop.origin_mm[0], centre_mm[1] - crop.origin_mm[1])
    view = (0.0, 0.0, width, height)
    if half_mm is not None:
        view = (centre[0] - half_mm, centre[1] - half_mm, 2.0 * half_mm, 2.0 * half_mm)
    return figure(
        name,
        view,
        picture,
        overlay_marks(name, ring, centre),
        title=f"{ring_name(ring)}, as scanned: {ring_state(ring)[1]}",
        desc=_described(ring),
        class_="ring-picture",
    )


def overlay_marks(name: str, ring: RingScore, centre: tuple[float, float]) -> Markup:
    """Return the marks as one group, in mm, about a centre (x, y)."""
    x, y = f"{centre[0]:.3f}", f"{centre[1]:.3f}"
    parts = [hatch(f"{name}-hatch", 0.8, thin=0.13, thick=0.3)]
    for band in ring.flat_bands:
        parts.append(
            arc_band(centre, band.inner_mm, band.outer_mm, "mark-flat", fill=f"url(#{name}-hatch)")
        )
        parts.extend(_circle(x, y, radius) for radius in (band.inner_mm, band.outer_mm))
    for contour in ring.contours:
        parts.extend(_circle(x, y, radius) for radius in (contour.inner_mm, contour.outer_mm))
    parts.extend(_circle(x, y, faint.radius_mm, " dashed") for faint in ring.faint_rings)
    for index, contour in enumerate(sorted(ring.contours, key=lambda c: c.radius_mm)):
        # each label a little further round, so that close rings do not hide each other's
        parts.append(_label(centre, contour.outer_mm, -58.0 + 29.0 * (index % 5), number(contour.radius_mm)))
    return tag("g", join(parts), class_="marks")


def _circle(x: str, y: str, radius: float, dashed: str = "") -> Markup:
    # a light line under a dark one shows on any colour
    return join(
        tag("circle", cx=x, cy=y, r=f"{radius:.3f}", class_=class_) for class_ in ("mark-under", "mark-line" + dashed)
    )


def _label(centre: tuple[float, float], radius: float, angle_deg: float, words: str) -> Markup:
    """A radius on a white plate, outside its circle; sizes in mm."""
    size, width = 1.7, 0.7 + 1.0 * len(words)
    angle = math.radians(angle_deg)
    x = centre[0] + (radius + 0.5) * math.cos(angle)
    y = centre[1] + (radius + 0.5) * math.sin(angle)
    plate = tag("rect", x=x, y=y - size * 0.62, width=width, height=size * 1.24, rx=0.3, class_="mark-plate")
    return plate + text(x + width / 2, y + size * 0.36, words, class_="mark-label", text_anchor="middle",
                        font_size=str(size))  # fmt: skip


def _described(ring: RingScore) -> str:
    parts = [
        f"{ring_word(c, ring.resolution_mm).capitalize()} at {measured(c.radius_mm, c.radius_noise_mm, 'mm')}, from "
        f"{number(c.inner_mm)} to {number(c.outer_mm, 1, 'mm')}, to the eye {eye_words(c)}."
        for c in ring.contours
    ]
    parts += [f"Merged tones {interval(b.inner_mm, b.outer_mm)}, hatched." for b in ring.flat_bands]
    parts += [f"Faint ring at {number(f.radius_mm, 1, 'mm')}, dashed." for f in ring.faint_rings]
    return " ".join(parts) or "Neither rings nor merged tones were found."


def radius_ruler(name: str, ring: RingScore, outer_mm: float) -> Markup:
    """Return a small ruler from the centre to the rim: rings as strokes, faint ones short, merged tones hatched."""
    width, height = 120.0, 12.0

    def x(radius: float) -> float:
        return 1.0 + radius / outer_mm * (width - 2.0)

    parts = [
        hatch(f"{name}-h", 3.5, thin=1.0),
        tag("line", x1=x(0), x2=x(outer_mm), y1=height - 1.5, y2=height - 1.5, class_="axis"),
    ]
    parts += [
        tag("rect", x=x(b.inner_mm), y=1.5, width=x(b.outer_mm) - x(b.inner_mm), height=height - 3,
            fill=f"url(#{name}-h)", class_="ruler-flat")
        for b in ring.flat_bands
    ]  # fmt: skip
    parts += [
        tag("line", x1=x(c.radius_mm), x2=x(c.radius_mm), y1=0, y2=height - 1.5, class_="ruler-ring")
        for c in ring.contours
    ]
    parts += [
        tag("line", x1=x(f.radius_mm), x2=x(f.radius_mm), y1=height / 2, y2=height - 1.5, class_="ruler-faint")
        for f in ring.faint_rings
    ]
    return figure(
        name, (0.0, 0.0, width, height), *parts, title=f"Where along {ring_name(ring)}", hidden=True, class_="ruler"
    )
