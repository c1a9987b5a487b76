"""One row of a hue sweep: the scan and the file as strips, chroma against the hue that was asked for."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from ..results.score import SweepRow
from ..words.phrases import number
from .pictures import data_uri, lab_strip_uri
from .svg import Scale, figure, hatch, join, polyline, tag, text, ticks

__all__ = ["merged_spans", "row_plot", "straightened"]

_WIDTH, _LEFT, _RIGHT = 960.0, 46.0, 16.0


def straightened(pixels: NDArray[np.uint8], hue_deg_of_fraction: NDArray[np.float64], width_px: int) -> str:
    """Return a band's picture re-spaced so that hue, not paper, is even from left (0°) to right (360°).

    ``hue_deg_of_fraction`` is the hue at evenly spaced places from the band's left end to its right end.
    """
    hue = (np.arange(width_px) + 0.5) / width_px * 360.0
    fraction = np.interp(hue, hue_deg_of_fraction, np.linspace(0.0, 1.0, len(hue_deg_of_fraction)))
    columns = np.clip((fraction * pixels.shape[1]).astype(int), 0, pixels.shape[1] - 1)
    rows = np.linspace(0, pixels.shape[0] - 1, min(pixels.shape[0], 48)).astype(int)
    return data_uri(pixels[rows][:, columns])


def merged_spans(row: SweepRow) -> list[tuple[float, float]]:
    """Return merged stretches as (from, to) within 0 to 360, one that crosses 360 cut in two."""
    spans = []
    for merged in row.merged:
        start, end = merged.from_deg % 360.0, merged.to_deg % 360.0
        if start <= end:
            spans.append((start, end))
        else:
            spans.extend([(start, 360.0), (0.0, end)])
    return spans


def row_plot(name: str, row: SweepRow, chroma_top: float, scan_uri: str | None) -> Markup:
    """Return the plot of one row; ``scan_uri`` is the band as scanned, hue even from left to right."""
    x = Scale(0.0, 360.0, _LEFT, _WIDTH - _RIGHT)
    parts: list[str] = [hatch(f"{name}-hatch", 5.0, thin=1.1)]
    top = 0.0
    parts.append(_strip(lab_strip_uri(_even(row.hue_deg, row.intended_lab)), x, top, 14.0))
    parts.append(text(x.start - 5.0, top + 11.0, "asked", class_="tick", text_anchor="end"))
    top += 14.0
    uri = scan_uri or lab_strip_uri(_even(row.hue_deg, row.lab))
    parts.append(_strip(uri, x, top, 34.0))
    parts.append(
        text(x.start - 5.0, top + 21.0, "scan" if scan_uri else "printed", class_="tick", text_anchor="end")
    )
    top += 34.0 + 26.0
    bottom = top + 104.0
    y = Scale(0.0, chroma_top, bottom, top)
    parts.append(text(x.start, top - 7.0, "chroma C*", class_="panel-title"))
    parts += _marks(name, row, x, top, bottom)
    for value in ticks(0.0, chroma_top, 4):
        parts.append(tag("line", x1=x.start, x2=x.end, y1=y(value), y2=y(value), class_="grid"))
        parts.append(text(x.start - 5.0, y(value) + 4.0, number(value, 0), class_="tick", text_anchor="end"))
    for labs, class_ in ((row.intended_lab, "asked"), (row.lab, "printed")):
        parts.append(
            polyline(
                [(x(h), y.clamped(math.hypot(c[1], c[2]))) for h, c in zip(row.hue_deg, labs, strict=True)], class_
            )
        )
    parts.append(tag("line", x1=x.start, x2=x.end, y1=bottom, y2=bottom, class_="axis"))
    for degree in range(0, 361, 30):
        parts.append(tag("line", x1=x(degree), x2=x(degree), y1=bottom, y2=bottom + 4.0, class_="axis"))
        parts.append(text(x(degree), bottom + 17.0, f"{degree}°", class_="tick", text_anchor="middle"))
    return figure(
        name,
        (0.0, 0.0, _WIDTH, bottom + 24.0),
        *parts,
        title=f"Hue sweep, {row.level} row: chroma against hue",
        desc=f"{len(row.merged)} merged stretches, {len(row.order_breaks)} breaks in the order of hues.",
        class_="plot wide",
    )


def _even(hue_deg: Sequence[float], labs: Sequence[Sequence[float]]) -> NDArray[np.float64]:
    hues = np.arange(0.5, 360.0, 1.0)
    columns = np.asarray(labs, dtype=np.float64)
    order = np.argsort(hue_deg)
    known = np.asarray(hue_deg, dtype=np.float64)[order]
    return np.stack([np.interp(hues, known, columns[order, i]) for i in range(3)], axis=-1)


def _strip(uri: str, x: Scale, top: float, height: float) -> Markup:
    return tag(
        "image", href=uri, x=x.start, y=top, width=x.end - x.start, height=height, preserveAspectRatio="none",
        class_="strip",
    )  # fmt: skip


def _marks(name: str, row: SweepRow, x: Scale, top: float, bottom: float) -> list[Markup]:
    parts = []
    for start, end in merged_spans(row):
        parts.append(
            tag("rect", x=x(start), y=top, width=max(x(end) - x(start), 2.0), height=bottom - top,
                fill=f"url(#{name}-hatch)", class_="band-flat")
        )  # fmt: skip
        parts.append(text((x(start) + x(end)) / 2, top - 7.0, "merged", class_="band-label", text_anchor="middle"))
    for degree in row.order_breaks:
        at = x(degree % 360.0)
        parts.append(tag("line", x1=at, x2=at, y1=top, y2=bottom, class_="order-break"))
        parts.append(text(at, top - 1.0, "▼", class_="band-label", text_anchor="middle"))
    return [join(parts)]
