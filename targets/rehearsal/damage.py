"""What can go wrong on a print, with place and size: frozen values that name an element of the chart.

Radii are chart mm from the disc's centre; contrasts are CIEDE2000; hues of a sweep are degrees on the RGB
hexagon, as `inkstrain.targets.sweeps.sweep_hue_deg` counts them.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass

__all__ = [
    "Bump",
    "Cast",
    "Damage",
    "DropOff",
    "EarlyHub",
    "HeldStretch",
    "HueShift",
    "LightnessReversal",
    "LightnessWave",
    "LostStep",
    "MergedHues",
    "ReversedStep",
    "RingDamage",
    "Step",
    "SweepDamage",
    "WedgeDamage",
]


def _stretch(inner_mm: float, outer_mm: float) -> None:
    if not 0 <= inner_mm < outer_mm:
        raise ValueError(f"inner_mm {inner_mm:g} must be below outer_mm {outer_mm:g}, and neither negative")


def _positive(**values: float | None) -> None:
    for name, value in values.items():
        if value is not None and not value > 0:
            raise ValueError(f"{name} is {value:g}: it must be above 0")


@dataclass(frozen=True, slots=True)
class HeldStretch:
    """Colours between two radii held at the colour of either end; a hard step stands at the other end."""

    element: str
    inner_mm: float
    outer_mm: float
    at: Literal["inner", "outer"] = "inner"
    kind: Literal["held"] = "held"

    def __post_init__(self) -> None:
        _stretch(self.inner_mm, self.outer_mm)


@dataclass(frozen=True, slots=True)
class DropOff:
    """A steep stretch; the rest of the ramp is re-spaced, so that reach stays.

    Give either ``times`` (how many times as fast as undamaged, on average) or ``contrast_de00`` (between its two
    ends). ``soft`` lets the speed rise and fall as a raised cosine, without kinks, instead of at once.
    """

    element: str
    inner_mm: float
    outer_mm: float
    times: float | None = None
    contrast_de00: float | None = None
    soft: bool = False
    kind: Literal["dropoff"] = "dropoff"

    def __post_init__(self) -> None:
        _stretch(self.inner_mm, self.outer_mm)
        _positive(times=self.times, contrast_de00=self.contrast_de00)
        if (self.times is None) == (self.contrast_de00 is None):
            raise ValueError("give either times or contrast_de00, not both")


@dataclass(frozen=True, slots=True)
class Step:
    """A hard jump at a radius: a part of the path is skipped, the rest re-spaced."""

    element: str
    radius_mm: float
    contrast_de00: float
    kind: Literal["step"] = "step"

    def __post_init__(self) -> None:
        _positive(radius_mm=self.radius_mm, contrast_de00=self.contrast_de00)


@dataclass(frozen=True, slots=True)
class HueShift:
    """A local turn of hue (in IPT, lightness and chroma kept); ``width_mm`` is its full width at half height.

    ``smooth`` is a raised cosine, ``box`` a plateau whose soft edges take a fifth of the width each.
    """

    element: str
    radius_mm: float
    width_mm: float
    degrees: float
    shape: Literal["smooth", "box"] = "smooth"
    kind: Literal["hue"] = "hue"

    def __post_init__(self) -> None:
        _positive(radius_mm=self.radius_mm, width_mm=self.width_mm)


@dataclass(frozen=True, slots=True)
class LightnessReversal:
    """The path runs backwards between two radii, by a depth in L*; the rest is re-spaced."""

    element: str
    inner_mm: float
    outer_mm: float
    depth_l: float
    kind: Literal["reversal"] = "reversal"

    def __post_init__(self) -> None:
        _stretch(self.inner_mm, self.outer_mm)
        _positive(depth_l=self.depth_l)


@dataclass(frozen=True, slots=True)
class EarlyHub:
    """The hub's colour reaches out to a radius; then either a hard step, or the rest re-spaced."""

    element: str
    to_mm: float
    then: Literal["step", "spaced"] = "spaced"
    kind: Literal["earlyhub"] = "earlyhub"

    def __post_init__(self) -> None:
        _positive(to_mm=self.to_mm)


@dataclass(frozen=True, slots=True)
class LightnessWave:
    """A ring-shaped sinusoid in L*: ``amplitude_l · sin(2π (r - inner)/period)``, over the ramp or a part of it.

    Within the ramp its ends fade in and out over half a period.
    """

    element: str
    amplitude_l: float
    period_mm: float
    inner_mm: float | None = None
    outer_mm: float | None = None
    kind: Literal["wave"] = "wave"

    def __post_init__(self) -> None:
        _positive(amplitude_l=self.amplitude_l, period_mm=self.period_mm)
        if self.inner_mm is not None and self.outer_mm is not None:
            _stretch(self.inner_mm, self.outer_mm)


@dataclass(frozen=True, slots=True)
class Bump:
    """A faint ring: lightness off by a raised cosine, ``width_mm`` wide at half height; twice that in all."""

    element: str
    radius_mm: float
    width_mm: float
    amplitude_l: float
    kind: Literal["bump"] = "bump"

    def __post_init__(self) -> None:
        _positive(radius_mm=self.radius_mm, width_mm=self.width_mm)


@dataclass(frozen=True, slots=True)
class MergedHues:
    """Hues of a sweep's band from one angle to another all printed as the first of them, then a hard step."""

    element: str
    from_deg: float
    to_deg: float
    level: Literal["full", "tint", "shade"] = "full"
    kind: Literal["merged"] = "merged"

    def __post_init__(self) -> None:
        if not 0 <= self.from_deg < self.to_deg <= 360:
            raise ValueError(f"from_deg {self.from_deg:g} must be below to_deg {self.to_deg:g}, within 0 to 360")


@dataclass(frozen=True, slots=True)
class LostStep:
    """A wedge step printed like the step before it (the next darker)."""

    element: str
    step: int
    kind: Literal["lost"] = "lost"


@dataclass(frozen=True, slots=True)
class ReversedStep:
    """A wedge step and the step before it printed in each other's colour."""

    element: str
    step: int
    kind: Literal["reversed"] = "reversed"


@dataclass(frozen=True, slots=True)
class Cast:
    """A wedge's steps and ramp shifted by a* and b*; bare paper keeps its colour."""

    element: str
    a: float
    b: float
    kind: Literal["cast"] = "cast"


RingDamage = HeldStretch | DropOff | Step | HueShift | LightnessReversal | EarlyHub | LightnessWave | Bump
SweepDamage = MergedHues
WedgeDamage = LostStep | ReversedStep | Cast
Damage = Annotated[RingDamage | SweepDamage | WedgeDamage, Field(discriminator="kind")]
"""Any damage; ``kind`` tells them apart in JSON."""
