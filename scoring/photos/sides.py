"""The two sides of the question: what comes out by a printer's profile, by a score, or what the file asks for.

All colours are CIELAB relative to the paper. A side whose intent is absolute adds its paper's colour, and then so does
the other, if it is a profile: the two are compared as two sheets side by side.
"""

from __future__ import annotations

import dataclasses
import functools
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import WHITE_D50, delta_e00, lab_to_xyz, xyz_to_lab
from inkstrain.targets.errors import CannotMeasureError
from inkstrain.targets.outputprofile import OutputProfile
from inkstrain.targets.spaces import icc_profile

from ..promise.rendering import Rendering
from ..results.photos import SideView
from .reading import Source

__all__ = ["BITS", "MISSED_DE00", "Intended", "ProfileSide", "Side", "black_of", "side_by_side"]

Array = NDArray[np.float64]
Bits = NDArray[np.uint16]

BITS: Final = {"out_of_gamut": 1, "not_covered": 2, "merged": 4, "contour": 8, "hue_swing": 16}
"""What may be said of a colour on one side."""

MISSED_DE00: Final = 1.0
"""A colour is out of gamut if it comes back further off than this beyond what a printable one does."""

_GRID: Final = 40
_PART: Final = 1 << 14


class Side(Protocol):
    """One way of printing."""

    @property
    def view(self) -> SideView:
        """What it is, for the result."""

    def lab(self, source: Source, values: Array, intended: Array) -> Array:
        """Return CIELAB (n, 3) of what comes out, of a picture's encoded values (n, channels) and what they ask for."""

    def bits(self, source: Source, values: Array, intended: Array) -> Bits:
        """Return what is to be said of each colour, `BITS` added up, (n,)."""


@dataclass(frozen=True, slots=True)
class Intended:
    """What the file asks for.

    Parameters
    ----------
    black_y
        Luminance, relative to paper, that its black is lifted to, all colours with it in proportion (ISO 18619): the
        eye takes a print's own black for black. ``None`` for the file as it is.
    """

    black_y: float | None = None

    @property
    def view(self) -> SideView:
        """What it is."""
        fitted = "" if self.black_y is None else ", its black fitted to the print's"
        return SideView(kind="intended", label=f"what the file asks for{fitted}")

    def lab(self, source: Source, values: Array, intended: Array) -> Array:
        """Return the intended colours."""
        if self.black_y is None:
            return intended
        return xyz_to_lab(lab_to_xyz(intended) * (1.0 - self.black_y) + self.black_y * WHITE_D50)

    def bits(self, source: Source, values: Array, intended: Array) -> Bits:
        """Return nothing."""
        return np.zeros(len(values), np.uint16)


@dataclass(frozen=True, slots=True)
class ProfileSide:
    """A printer's profile and a rendering; ``typed`` is what to call it: the profile's own name if nothing was."""

    profile: OutputProfile
    rendering: Rendering
    on_paper: bool = False
    typed: str = ""

    @property
    def view(self) -> SideView:
        """What it is."""
        return SideView(
            kind="profile", label=self.typed or f"{self.profile.description}, {self.rendering.name}",
            profile_sha256=self.profile.sha256, intent=self.rendering.intent, bpc=self.rendering.bpc,
            table=self.profile.table(self.rendering.intent), on_paper=self.on_paper,
        )  # fmt: skip

    def lab(self, source: Source, values: Array, intended: Array) -> Array:
        """Return what comes out by the profile's own table, through Little CMS in floating point.

        Raises
        ------
        CannotMeasureError
            If the profile cannot serve the intent.
        """
        device = self.profile.picture_to_device(source.icc, values, self.rendering.intent, self.rendering.bpc)
        xyz = self.profile.device_xyz(device)
        if not np.isfinite(xyz).all():
            raise CannotMeasureError(f"{self.profile.name} is damaged: some of its colours are no numbers.")
        return xyz_to_lab(xyz * (np.array(self.profile.paper_xyz) / WHITE_D50) if self.on_paper else xyz)

    def bits(self, source: Source, values: Array, intended: Array) -> Bits:
        """Return which colours are out of gamut, by a table of how far each misses (see `_missed`)."""
        from scipy.ndimage import map_coordinates

        table = _missed(source, self.profile)
        off = map_coordinates(table, values.T * (_GRID - 1), order=1, mode="nearest")
        return np.where(off > MISSED_DE00, np.uint16(BITS["out_of_gamut"]), np.uint16(0))


@functools.lru_cache(maxsize=8)
def _missed(source: Source, profile: OutputProfile) -> NDArray[np.float32]:
    """Return how far a grid of a picture's colours is missed, in ΔE00 beyond the tables' own error.

    A colour goes through the relative table without black point compensation and back. What it is off by, less what
    the printed colour itself is off by when it goes round once more, is what the gamut costs it.
    """
    axes = np.meshgrid(*[np.linspace(0.0, 1.0, _GRID)] * source.channels, indexing="ij")
    values = np.stack([axis.ravel() for axis in axes], axis=-1)
    off = []
    for part in np.array_split(values, max(1, len(values) // _PART)):
        asked = source.to_xyz(part)
        once = profile.device_xyz(profile.xyz_to_device(asked, "relative", False))
        again = profile.device_xyz(profile.xyz_to_device(once, "relative", False))
        labs = [xyz_to_lab(each) for each in (asked, once, again)]
        off.append(np.asarray(delta_e00(labs[0], labs[1])) - np.asarray(delta_e00(labs[1], labs[2])))
    return np.asarray(np.concatenate(off).reshape(axes[0].shape), dtype=np.float32)


def side_by_side(a: Side, b: Side | None, *, fit_black: bool = False) -> tuple[Side, Side]:
    """Return two sides that may be compared: both on their papers if one is meant for that.

    Parameters
    ----------
    fit_black
        Where ``b`` is ``None``, lift what the file asks for to the black of ``a``.

    Raises
    ------
    CannotMeasureError
        If a profile cannot serve its intent.
    """
    other: Side = b if b is not None else Intended(black_of(a) if fit_black else None)
    sides: tuple[Side, ...] = (a, other)
    for side in sides:
        if isinstance(side, ProfileSide) and side.profile.table(side.rendering.intent) is None:
            raise CannotMeasureError(
                f"{side.profile.name}: nothing in the profile serves the intent {side.rendering.intent}. Use another."
            )
    if any(isinstance(side, ProfileSide) and side.rendering.intent == "absolute" for side in sides):
        sides = tuple(dataclasses.replace(s, on_paper=True) if isinstance(s, ProfileSide) else s for s in sides)
    return sides[0], sides[1]


def black_of(side: Side) -> float:
    """Return the luminance of a side's black."""
    source = Source(icc_profile("srgb"), "sRGB")
    black = np.zeros((1, 3))
    return max(0.0, float(lab_to_xyz(side.lab(source, black, black))[0, 1]))


def neutral_lab(side: Side, source: Source, levels: int = 256) -> tuple[Array, Array]:
    """Return intended L* and printed CIELAB of a picture's neutral values, from black to white."""
    values = np.repeat(np.linspace(0.0, 1.0, levels)[:, None], source.channels, axis=1)
    intended = xyz_to_lab(source.to_xyz(values))
    return intended[:, 0], side.lab(source, values, intended)
