"""The forecast and its parts: frozen values, written and read as JSON (``inkstrain/forecast/2``)."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from inkstrain.targets.values import AliasedValue, Value

from .score import ColourVolume, ElementScore, Lab, MadeBy, RingScore, Totals, Viewing

__all__ = ["Advice", "Forecast", "ForecastProfile", "IntentForecast", "Neutrals", "rendering_name"]


def rendering_name(intent: str, bpc: bool) -> str:
    """Return a rendering in words, such as ``relative with black point compensation``."""
    if intent == "absolute":
        return intent  # black point compensation has no meaning for it
    return f"{intent} {'with' if bpc else 'without'} black point compensation"


class ForecastProfile(Value):
    """The printer profile; ``paper_lab`` is its media white in CIELAB, absolute."""

    description: str
    sha256: str
    device: Literal["rgb", "cmyk", "gray"]
    icc_version: str
    paper_lab: Lab


class Neutrals(Value):
    """What becomes of neutral greys: chroma of what is printed, and where it is largest.

    ``apart_c`` is how far its colour at equal printed lightness lies, at most, from that of relative colorimetric
    with black point compensation: intents may differ in tone, not in hue. ``None`` for that rendering itself, and for
    absolute, which adds the paper's colour by design.
    """

    max_c: float
    mean_c: float
    at_l: float
    a_at_max: float
    b_at_max: float
    black_l: float
    apart_c: float | None = None


class IntentForecast(Value):
    """One rendering: an intent, with black point compensation or without.

    Colours are media-relative, but absolute for the absolute intent. ``table`` is what in the profile serves the
    intent; ``same_as`` names an earlier rendering that comes out the same, within 0.05 ΔE00 everywhere.
    """

    intent: Literal["perceptual", "relative", "saturation", "absolute"]
    bpc: bool
    table: str
    same_as: str | None = None
    elements: tuple[ElementScore, ...]
    totals: Totals
    neutrals: Neutrals | None
    colour_volume: ColourVolume | None = None

    @property
    def name(self) -> str:
        """The rendering in words."""
        return rendering_name(self.intent, self.bpc)

    def rings(self) -> tuple[RingScore, ...]:
        """Return the ring elements in chart order."""
        return tuple(e for e in self.elements if isinstance(e, RingScore))


class Advice(Value):
    """What to choose for one element; ``smoother`` holds the names of the renderings that none beats, empty if all."""

    element: str
    smoother: tuple[str, ...]
    text: str


class Forecast(AliasedValue):
    """What a profile alone predicts for a chart, every rendering side by side.

    ``viewing`` is what visibility figures are stated for.
    """

    schema_id: Literal["inkstrain/forecast/2"] = Field(default="inkstrain/forecast/2", alias="schema")
    made_by: MadeBy
    chart: str
    recipe: str
    profile: ForecastProfile
    viewing: Viewing | None = None
    intents: tuple[IntentForecast, ...]
    advice: tuple[Advice, ...] = ()
    summary: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()
