"""Printers: what colour comes out for a chart's encoded RGB.

A printer answers in XYZ relative to its own paper (paper white is `WHITE_D50` exactly), and says separately what
its paper is, as a scanner would see it.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Protocol, runtime_checkable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from ..errors import CannotMeasureError, WrongUsageError
from ..outputprofile import INTENTS, Intent, OutputProfile
from ..spaces import rgb_to_xyz

__all__ = [
    "INTENTS",
    "IccPrinter",
    "IdentityPrinter",
    "Intent",
    "Printer",
    "icc_printer",
    "print_raster",
    "print_table",
]

Array = NDArray[np.float64]
Triple = tuple[float, float, float]
_D50: Final[Triple] = (0.9642, 1.0, 0.8249)
_TABLE_NODES: Final = 33


@runtime_checkable
class Printer(Protocol):
    """Anything that prints; must be hashable, since its tables are cached."""

    def __hash__(self) -> int: ...

    @property
    def name(self) -> str:
        """What to call it in truth."""

    @property
    def paper_xyz(self) -> Triple:
        """XYZ of its paper relative to a perfect white diffuser, under D50."""

    def print_xyz(self, space: str, rgb: ArrayLike) -> Array:
        """Return XYZ (…, 3) relative to the paper, of encoded RGB (…, 3) in a space."""


@dataclass(frozen=True, slots=True)
class IdentityPrinter:
    """Prints exactly what the file asks for, on a paper of given XYZ."""

    paper_xyz: Triple = _D50
    name: str = "identity"

    def print_xyz(self, space: str, rgb: ArrayLike) -> Array:
        """Return the file's own XYZ."""
        return rgb_to_xyz(space, rgb)


@dataclass(frozen=True, slots=True)
class IccPrinter:
    """Prints as an ICC output profile says: to device values by an intent, and back by the profile's own A2B table.

    Parameters
    ----------
    profile
        Bytes of an ICC profile of class output (or display); RGB, CMYK or grey.
    intent
        How the chart's colours are brought into the printer's gamut.
    bpc
        Black point compensation; None means on for ``relative`` and off for the others.

    Raises
    ------
    WrongUsageError
        If the bytes are no ICC profile, or not of a device that can print.

    Notes
    -----
    Little CMS in floating point, without its device link optimisation. The file's black, adapted, is black.
    """

    profile: bytes = field(repr=False)
    intent: Intent = "relative"
    bpc: bool | None = None
    name: str = "profile"

    def __post_init__(self) -> None:
        if self.intent not in INTENTS:
            raise WrongUsageError(f"Unknown intent {self.intent!r}: use one of {', '.join(INTENTS)}.")
        try:
            OutputProfile(self.profile, self.name)
        except CannotMeasureError as error:
            raise WrongUsageError(str(error)) from error

    @property
    def uses_bpc(self) -> bool:
        """Whether black point compensation is applied."""
        return self.intent == "relative" if self.bpc is None else self.bpc

    @property
    def paper_xyz(self) -> Triple:
        """The profile's media white point."""
        return OutputProfile(self.profile).paper_xyz

    def print_xyz(self, space: str, rgb: ArrayLike) -> Array:
        """Return XYZ relative to paper, through Little CMS."""
        return OutputProfile(self.profile).printed_xyz(space, rgb, self.intent, self.uses_bpc)


def icc_printer(path: Path, intent: Intent = "relative", *, bpc: bool | None = None) -> IccPrinter:
    """Return the printer of an ICC profile file, named by the file.

    Raises
    ------
    CannotMeasureError
        If the file cannot be read.
    WrongUsageError
        If it is not a printer's profile.
    """
    try:
        profile = path.read_bytes()
    except OSError as error:
        raise CannotMeasureError(f"The profile {path} cannot be read: {error.strerror}.") from error
    return IccPrinter(profile, intent, bpc, name=path.stem)


@functools.lru_cache(maxsize=8)
def print_table(printer: Printer, space: str) -> NDArray[np.float32]:
    """Return cube roots of XYZ relative to paper, (3, n, n, n), at an even grid of encoded RGB."""
    axis = np.linspace(0.0, 1.0, _TABLE_NODES)
    grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1)
    table = np.cbrt(printer.print_xyz(space, grid))
    return np.ascontiguousarray(np.moveaxis(table, -1, 0), dtype=np.float32)


def print_raster(printer: Printer, space: str, rgb16: NDArray[np.uint16]) -> NDArray[np.float32]:
    """Return XYZ relative to paper, (3, n), of encoded colours (n, 3): exact for identity, else from a table.

    The table (33³, trilinear in cube roots, where both ends are nearly straight) is for text, marks and code; all
    that is measured is printed exactly.
    """
    if isinstance(printer, IdentityPrinter):
        return rgb_to_xyz(space, rgb16 / 65535.0).T.astype(np.float32)
    places = (rgb16.T * np.float32((_TABLE_NODES - 1) / 65535.0)).astype(np.float32)
    table = print_table(printer, space)
    roots = [ndimage.map_coordinates(table[i], places, order=1, mode="nearest") for i in range(3)]
    return np.stack(roots) ** 3
