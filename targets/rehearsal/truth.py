"""The truth of a rehearsal: what was printed, exactly, and every damage that was put in (``inkstrain/truth/2``).

Colour differences and CIELAB are media-relative: the paper is L* 100. Radii are chart mm.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, PrivateAttr

from ..colorimetry import lab_to_xyz, xyz_to_lab
from ..key import Triple
from .damage import Damage
from .geometry import ScanGeometry
from .options import PrintOptions, ScanOptions
from .ringpath import STEP_MM, RingPath

__all__ = [
    "COURSE_PITCH_MM",
    "MergedTruth",
    "PrinterTruth",
    "RingTruth",
    "SweepTruth",
    "Truth",
    "WedgeTruth",
]

COURSE_PITCH_MM: Final = 0.01
"""Width of a cell of a ring's course: a tenth of what the measures resolve (DESIGN §5.1)."""


class _Value(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class RingTruth(_Value):
    """One ring's course as printed, free of blur and noise; from dots, what they average to.

    Cells are `COURSE_PITCH_MM` wide, from the disc's middle to the rim's outer edge; a cell's colour is its mean in
    linear light.
    """

    id: str
    radius_mm: tuple[float, ...] = Field(description="Middles of the cells.")
    lab: tuple[Triple, ...] = Field(description="Printed colours.")
    intended_lab: tuple[Triple, ...] = Field(description="What the file asks for.")
    damages: tuple[int, ...] = Field(description="Indices into the truth's damages.")
    _path: RingPath | None = PrivateAttr(default=None)

    def __eq__(self, other: object) -> bool:
        """Compare what is written to JSON."""
        return isinstance(other, RingTruth) and self.__dict__ == other.__dict__

    __hash__ = None  # type: ignore[assignment]

    @property
    def path(self) -> RingPath | None:
        """The same by the micrometre; None on a truth that was read from JSON."""
        return self._path

    @classmethod
    def of(cls, path: RingPath, damages: tuple[int, ...]) -> RingTruth:
        """Return the truth of a printed ring."""
        cells = round(COURSE_PITCH_MM / STEP_MM)
        count = len(path.radius_mm) // cells

        def means(lab: np.ndarray) -> tuple[Triple, ...]:
            xyz = lab_to_xyz(lab[: count * cells]).reshape(count, cells, 3).mean(axis=1)
            return tuple(map(tuple, np.round(xyz_to_lab(xyz), 4).tolist()))

        truth = cls(
            id=path.ring.id,
            radius_mm=tuple(np.round((np.arange(count) + 0.5) * COURSE_PITCH_MM, 4).tolist()),
            lab=means(path.lab),
            intended_lab=means(path.intended_lab),
            damages=damages,
        )
        truth._path = path
        return truth


class MergedTruth(_Value):
    """Hues of one band that printed alike; ``box_mm`` is where, ``step_de00`` the hard step after it."""

    level: Literal["full", "tint", "shade"]
    from_deg: float
    to_deg: float
    from_mm: float
    to_mm: float
    lost_de00: float
    step_de00: float
    damage: int = Field(description="Index into the truth's damages.")


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

    schema_id: Annotated[Literal["inkstrain/truth/2"], Field(alias="schema")] = "inkstrain/truth/2"
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
