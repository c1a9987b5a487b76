"""The key: where everything lies on a chart, as JSON beside its TIFFs (``inkstrain/key/1``).

Millimetres are measured from the sheet's top left corner, x to the right, y down. A box is ``(x, y, width,
height)``. Colours called ``rgb`` are encoded in the chart's own space, 0 to 1; colours called ``lab`` are
CIELAB for D50 and the 2° observer, relative to the space's white.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from .values import AliasedValue, Value

__all__ = [
    "Box",
    "Element",
    "FlatField",
    "HueSweep",
    "Key",
    "NeutralWedge",
    "Patch",
    "PatchField",
    "Ring",
    "Sheet",
    "SweepBand",
    "Tile",
    "WedgePatch",
]

Point = tuple[float, float]
Box = tuple[float, float, float, float]
Triple = tuple[float, float, float]


class Ring(Value):
    """A disc: hub, ramp and rim. ``ramp_mm`` are the radii where the ramp begins (hub) and ends (rim)."""

    id: str
    kind: Literal["ring-to-white", "ring-to-black"]
    hue: str
    centre_mm: Point
    ramp_mm: tuple[float, float]
    radius_mm: float
    rim_rgb: Triple
    hub_rgb: Triple


class SweepBand(Value):
    """One band of a sweep: the whole hue circle from its left end to its right end."""

    level: Literal["full", "tint", "shade"]
    box_mm: Box


class HueSweep(Value):
    """Hue bands at full saturation, as a tint and as a shade."""

    id: str
    kind: Literal["hue-sweep"]
    box_mm: Box
    direction: Literal["right"]
    rows: tuple[SweepBand, ...]


class WedgePatch(Value):
    """One neutral step."""

    step: int
    box_mm: Box
    rgb: Triple
    lab: Triple


class NeutralWedge(Value):
    """Neutral steps from black to white, and a continuous ramp (black left, white right), equal in L* per mm."""

    id: str
    kind: Literal["neutral-wedge"]
    box_mm: Box
    steps: tuple[WedgePatch, ...]
    ramp_box_mm: Box


class Patch(Value):
    """One patch; its name is the sample id in files of measured values."""

    patch: str
    box_mm: Box
    rgb: Triple
    lab: Triple


class PatchField(Value):
    """Patches large enough for a handheld instrument."""

    id: str
    kind: Literal["patch-field"]
    box_mm: Box
    patches: tuple[Patch, ...]


class FlatField(Value):
    """An even tint."""

    id: str
    kind: Literal["flat-field"]
    box_mm: Box
    rgb: Triple
    lab: Triple


Element = Annotated[Ring | HueSweep | NeutralWedge | PatchField | FlatField, Field(discriminator="kind")]


class Tile(Value):
    """A part of a sheet that fits a scanner bed and can be scanned alone."""

    tile: int
    box_mm: Box
    code_box_mm: Box
    code: str
    caption_box_mm: Box
    caption: tuple[str, ...]
    marks_mm: tuple[Point, ...]
    mark_radius_mm: float
    elements: tuple[Element, ...]


class Sheet(Value):
    """One piece of paper."""

    sheet: int
    file: str
    width_mm: float
    height_mm: float
    tiles: tuple[Tile, ...]


class Key(AliasedValue):
    """The whole chart."""

    schema_id: Literal["inkstrain/key/1"] = Field(default="inkstrain/key/1", alias="schema")
    chart: str
    space: str
    path: Literal["even", "straight"]
    dpi: int
    recipe: str
    sheets: tuple[Sheet, ...]
