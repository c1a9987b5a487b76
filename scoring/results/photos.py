"""What is found in photographs: frozen values, written and read as JSON (``inkstrain/photos/1``).

Shares are fractions of a picture's area. Boxes are (x, y, width, height) in px of the picture as it is looked at,
orientation applied, from its top left corner.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from inkstrain.targets.values import AliasedValue

from .score import MadeBy

__all__ = [
    "OVER_DE00",
    "AreaOver",
    "Closer",
    "Findings",
    "ModelError",
    "NeutralTones",
    "Photos",
    "PictureView",
    "Place",
    "Reason",
    "SideView",
    "Sides",
    "SkippedFile",
    "Summary",
    "TouchedColour",
    "Worst",
]

OVER_DE00 = (1.0, 2.0, 3.0, 5.0)
Lab = tuple[float, float, float]
Box = tuple[int, int, int, int]
Reason = Literal[
    "unreadable", "truncated", "too-large", "not-a-picture", "not-rgb-or-grey", "cmyk", "broken-profile", "linked-twice"
]
"""Why a picture is left out."""


class ModelError(AliasedValue):
    """How far a score's printer model is off on colours that it was not given, in ΔE00.

    ``left_out`` says what was held back, one hue of rings and sweeps at a time; ``inside`` is the error on single
    samples foretold from those at least 2 of CIELAB away; ``reach`` is how far from a sample a colour is covered.
    """

    samples: int
    left_out: str
    median: float
    p95: float
    inside_median: float | None = None
    inside_p95: float | None = None
    reach: float


class SideView(AliasedValue):
    """One side: a profile with an intent, a score, or what the file asks for."""

    kind: Literal["profile", "score", "intended"]
    label: str
    profile_sha256: str | None = None
    intent: str | None = None
    bpc: bool | None = None
    table: str | None = None
    on_paper: bool = False
    chart: str | None = None
    scans_sha256: tuple[str, ...] = ()
    model_error: ModelError | None = None
    flags: tuple[str, ...] = ()


class AreaOver(AliasedValue):
    """Shares of the area where the sides differ by more than 1, 2, 3 and 5 ΔE00."""

    over_1: float = Field(alias="1")
    over_2: float = Field(alias="2")
    over_3: float = Field(alias="3")
    over_5: float = Field(alias="5")


class Sides(AliasedValue):
    """A share for each side; ``None`` where it is not known."""

    a: float | None
    b: float | None = None


class Findings(AliasedValue):
    """Shares lying in colours that a score found merged, in a contour, or swung in hue."""

    merged: float
    contour: float
    hue_swing: float


class NeutralTones(AliasedValue):
    """What becomes of a black-and-white picture's tones on one side.

    ``cast_*`` is CIELAB chroma: largest over the tones the picture has, where, and its mean over the area. ``merged``
    is the share of the area whose tones keep less than a quarter of the step that the file asks for, ``merged_shadows``
    that below L* 25; ``lost_in_black`` is the share in tones that the score's wedge does not show apart from black.
    """

    cast_max_c: float
    cast_at_l: float
    cast_mean_c: float
    cast_lab: Lab
    black_l: float
    merged: float
    merged_shadows: float
    lost_in_black: float | None = None


class Worst(AliasedValue):
    """The window with the largest mean difference, a sixth of the longer side wide."""

    box_px: Box
    mean_de00: float
    where: str
    colours: str


class Closer(AliasedValue):
    """Which of two sides is closer to what a picture asks for.

    ``a_de00`` and ``b_de00`` are how far each is from that, on average; ``a_share`` and ``b_share`` the shares of the
    area in which it is closer by more than 1 ΔE00; ``a_most`` and ``b_most`` the windows in which it is closer by most,
    with by how much, or ``None`` where that is less than 1 ΔE00.
    """

    a_de00: float
    b_de00: float
    a_share: float
    b_share: float
    a_most: Worst | None = None
    b_most: Worst | None = None


class Place(AliasedValue):
    """A connected place where the difference, as seen at the viewing distance, is over 2 ΔE00; share of the area."""

    box_px: Box
    share: float
    mean_de00: float
    where: str
    colours: str


class TouchedColour(AliasedValue):
    """Colours in words, and the share of the area that has them and differs by more than 2 ΔE00."""

    colours: str
    share: float


class PictureView(AliasedValue):
    """One picture.

    ``area_over`` is by the plain difference of each pixel; ``area_over_seen`` by that which is left after both sides
    were filtered with the eye's contrast sensitivity at the viewing distance. With a score, ``over_2_between`` is the
    share over 2 ΔE00 if all differences were larger, or smaller, by what its model is off by at worst (95 %).
    ``closer`` is there with two sides; ``over_2_black_fitted``, with one, is the share over 2 ΔE00 that would be left
    if the print's own black counted as black. ``touched``: 0.2 % or more of the area differs by more than 2 ΔE00 as
    seen.
    """

    file: str
    width_px: int
    height_px: int
    kind: Literal["colour", "black-and-white"]
    bits: int
    space: str
    space_assumed: bool
    orientation: int
    area_over: AreaOver
    area_over_seen: AreaOver
    mean_de00: float
    p95_de00: float
    out_of_gamut: Sides
    not_covered: float | None
    over_2_between: tuple[float, float] | None = None
    findings_a: Findings | None = None
    findings_b: Findings | None = None
    neutral_a: NeutralTones | None = None
    neutral_b: NeutralTones | None = None
    worst: Worst
    places: tuple[Place, ...] = ()
    closer: Closer | None = None
    over_2_black_fitted: float | None = None
    colours: tuple[TouchedColour, ...] = ()
    touched: bool
    verdict: str
    flags: tuple[str, ...] = ()


class SkippedFile(AliasedValue):
    """A file that was not looked at, and why."""

    file: str
    reason: Reason
    text: str


class Summary(AliasedValue):
    """The folder in a few figures; ``ranked`` holds the pictures' files, most affected first."""

    pictures: int
    touched: int
    text: tuple[str, ...]
    colours: tuple[TouchedColour, ...] = ()
    ranked: tuple[str, ...] = ()


class PhotosViewing(AliasedValue):
    """What the weighted figures hold for: distance and light, and how long the print's longer side is."""

    distance_mm: float
    luminance_cd_m2: float
    long_edge_mm: float


class Photos(AliasedValue):
    """Where in pictures two ways of printing differ, or one misses what was asked."""

    schema_id: Literal["inkstrain/photos/1"] = Field(default="inkstrain/photos/1", alias="schema")
    made_by: MadeBy
    a: SideView
    b: SideView | None
    viewing: PhotosViewing
    pictures: tuple[PictureView, ...]
    skipped: tuple[SkippedFile, ...] = ()
    summary: Summary
