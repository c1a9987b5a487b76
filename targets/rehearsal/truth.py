"""The truth of a rehearsal: every damage with the place and size that a scorer should find (``inkstrain/truth/1``).

Colour differences and CIELAB are media-relative: the paper is L* 100. Radii are chart mm.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from ..key import Triple
from .damage import Damage
from .geometry import ScanGeometry
from .options import PrintOptions, ScanOptions

__all__ = [
    "ContourTruth",
    "FlatBandTruth",
    "HueSwingTruth",
    "MergedTruth",
    "PrinterTruth",
    "ReversalTruth",
    "RingTruth",
    "RippleTruth",
    "SweepTruth",
    "Truth",
    "WedgeTruth",
]

Cause = Annotated[
    int | None,
    Field(description="Index into the truth's damages; null: the printer's own, or a side effect of damage."),
]


class _Value(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class ContourTruth(_Value):
    """An abrupt change: the colour moves more than twice as fast as its share, between inner and outer radius."""

    radius_mm: float
    inner_mm: float
    outer_mm: float
    width_mm: float
    contrast_de00: float
    damage: Cause


class FlatBandTruth(_Value):
    """A stretch where tones merged; ``lost_de00`` is what the file moved there, less what the print did."""

    inner_mm: float
    outer_mm: float
    width_mm: float
    lost_de00: float
    damage: Cause


class HueSwingTruth(_Value):
    """A local turn of hue in IPT; ``width_mm`` at half height; ``delta_h`` is ΔH* of CIELAB at its peak."""

    radius_mm: float
    width_mm: float
    degrees: float
    delta_h: float
    damage: Cause


class ReversalTruth(_Value):
    """Lightness running the wrong way by ``depth_l``."""

    inner_mm: float
    outer_mm: float
    depth_l: float
    damage: Cause


class RippleTruth(_Value):
    """A ring-shaped wave in L*."""

    inner_mm: float
    outer_mm: float
    amplitude_l: float
    period_mm: float
    damage: Cause


class RingTruth(_Value):
    """One ring as printed, free of noise.

    ``contours`` and so on hold what damages made; ``others`` what else meets the definitions (the printer's own
    gamut and table, or what a damage's re-spacing did elsewhere), with no damage named.
    """

    id: str
    reach: float
    evenness: float
    core_mm: float
    fall_off_mm: tuple[float, float, float] = Field(description="Radii within which 10, 50, 90 % is covered.")
    contours: tuple[ContourTruth, ...] = ()
    flat_bands: tuple[FlatBandTruth, ...] = ()
    hue_swings: tuple[HueSwingTruth, ...] = ()
    reversals: tuple[ReversalTruth, ...] = ()
    ripples: tuple[RippleTruth, ...] = ()
    other_contours: tuple[ContourTruth, ...] = ()
    other_flat_bands: tuple[FlatBandTruth, ...] = ()
    other_reversals: tuple[ReversalTruth, ...] = ()


class MergedTruth(_Value):
    """Hues of one band that printed alike; ``box_mm`` is where, ``step_de00`` the hard step after it."""

    level: Literal["full", "tint", "shade"]
    from_deg: float
    to_deg: float
    from_mm: float
    to_mm: float
    lost_de00: float
    step_de00: float
    damage: Cause


class SweepTruth(_Value):
    """A hue sweep."""

    id: str
    merged: tuple[MergedTruth, ...]


class StepTruth(_Value):
    """A wedge step as asked for and as printed."""

    step: int
    intended_l: float
    lab: Triple


class WedgeTruth(_Value):
    """The neutral wedge: printed colours, and the steps no lighter than the one before them."""

    id: str
    steps: tuple[StepTruth, ...]
    lost: tuple[int, ...]
    reversed: tuple[int, ...]
    cast: tuple[float, float]


class PrinterTruth(_Value):
    """What printed."""

    name: str
    detail: str
    paper_lab: Triple
    black_lab: Triple


class Truth(_Value):
    """All that a rehearsal knows about itself."""

    schema_id: Annotated[Literal["inkstrain/truth/1"], Field(alias="schema")] = "inkstrain/truth/1"
    chart: str
    recipe: str
    sheet: int
    tiles: tuple[int, ...]
    seed: int
    printer: PrinterTruth
    geometry: ScanGeometry
    print_options: PrintOptions
    scan_options: ScanOptions
    damages: tuple[Damage, ...]
    rings: tuple[RingTruth, ...]
    sweeps: tuple[SweepTruth, ...]
    wedges: tuple[WedgeTruth, ...]

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, validate_by_name=True, validate_by_alias=True,
        serialize_by_alias=True,
    )  # fmt: skip

    def ring(self, element: str) -> RingTruth:
        """Return the truth of a ring by its id; KeyError if it was not printed."""
        for ring in self.rings:
            if ring.id == element:
                return ring
        raise KeyError(element)
