"""Virtual inkjets: inks, a separation, a gamut mapping and a table of limited fineness. All names are invented."""

from __future__ import annotations

import functools
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from ..colorimetry import WHITE_D50, lab_to_ipt, xyz_to_lab
from ..errors import WrongUsageError
from ..rings import pure_hue_rgb
from ..spaces import rgb_to_xyz
from .gamut import amounts_for, compress_chroma
from .inks import InkSet, Separation, covers_xyz, ink_covers, paper_xyz
from .printers import INTENTS, Intent
from .screens import Screen, solid_cover

__all__ = ["INKJETS", "VirtualInkjet", "inkjet"]

Array = NDArray[np.float64]
Triple = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualInkjet:
    """A printer that never was.

    Parameters
    ----------
    name
        Invented.
    inks, separation
        What is laid down.
    intent, bpc
        Gamut mapping; black point compensation (None: on for ``relative``), which ``perceptual`` and
        ``saturation`` always have.
    table_nodes
        Nodes a side of the driver's table from RGB to inks.
    smooth
        Whether the driver interpolates its table by cubic splines, or linearly.
    screen
        How dots are laid; None prints smooth colour. Light from dots adds up, so the inks' ``yule_nielsen`` must be 1.

    Notes
    -----
    A colour in gamut comes out as asked but for the table's interpolation, as in a real printer. A printer of dots
    makes its colours on average; dots and drops do the rest.
    """

    name: str
    inks: InkSet = field(default_factory=InkSet)
    separation: Separation = field(default_factory=Separation)
    intent: Intent = "relative"
    bpc: bool | None = None
    table_nodes: int = 17
    smooth: bool = True
    screen: Screen | None = None

    def __post_init__(self) -> None:
        if self.intent not in INTENTS:
            raise WrongUsageError(f"Unknown intent {self.intent!r}: use one of {', '.join(INTENTS)}.")
        if not 2 <= self.table_nodes <= 65:
            raise WrongUsageError(f"table_nodes is {self.table_nodes}: use 2 to 65.")
        if self.screen is not None and self.inks.yule_nielsen != 1.0:
            raise WrongUsageError(f"yule_nielsen is {self.inks.yule_nielsen:g}: a printer of dots needs 1.")

    @property
    def uses_bpc(self) -> bool:
        """Whether black is moved to the printer's black."""
        if self.intent in ("perceptual", "saturation"):
            return True
        return self.intent == "relative" if self.bpc is None else self.bpc

    @property
    def paper_xyz(self) -> Triple:
        """XYZ of its paper relative to a perfect white diffuser."""
        x, y, z = paper_xyz(self.inks).tolist()
        return x, y, z

    def print_xyz(self, space: str, rgb: ArrayLike) -> Array:
        """Return XYZ (…, 3) relative to paper of encoded RGB (…, 3); of dots, their average."""
        rgb = np.asarray(rgb, dtype=np.float64)
        return covers_xyz(self.inks, self.covers(space, rgb.reshape(-1, 3))).reshape(rgb.shape)

    def covers(self, space: str, rgb: Array) -> Array:
        """Return the share of paper that each ink covers, (n, inks), of encoded RGB (n, 3)."""
        table = _table(self, space)
        places = np.clip(rgb, 0.0, 1.0).T * (self.table_nodes - 1)
        amounts = np.stack(
            [
                ndimage.map_coordinates(table[i], places, order=3 if self.smooth else 1, mode="mirror", prefilter=False)
                for i in range(3)
            ],
            axis=-1,
        )
        return _device_covers(self, np.clip(amounts, 0.0, 1.0))


def _device_covers(printer: VirtualInkjet, amounts: Array) -> Array:
    """Return covers (n, inks) of amounts (n, 3), as far as drops cover the paper where every cell has one."""
    covers = ink_covers(printer.inks, printer.separation, amounts)
    return covers if printer.screen is None else covers * solid_cover(printer.screen, printer.inks.count)


def _device_xyz(printer: VirtualInkjet, amounts: Array) -> Array:
    return covers_xyz(printer.inks, _device_covers(printer, amounts))


@functools.lru_cache(maxsize=16)
def _table(printer: VirtualInkjet, space: str) -> Array:
    """Return ink amounts (3, n, n, n) at an even grid of encoded RGB, as spline coefficients if it is smooth."""
    axis = np.linspace(0.0, 1.0, printer.table_nodes)
    grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)

    def forward(amounts: Array) -> Array:
        return lab_to_ipt(xyz_to_lab(_device_xyz(printer, amounts)))

    wanted = _wanted(printer, space, grid)
    if printer.intent in ("perceptual", "saturation"):
        surface = _wanted(printer, space, _pure_hues())
        made = forward(amounts_for(surface.reshape(-1, 3), forward)).reshape(surface.shape)
        wanted = compress_chroma(wanted, surface, made, whole=printer.intent == "perceptual")
    amounts = amounts_for(wanted, forward)
    # paper is left bare, and black is all the ink there is
    amounts[(grid == 1.0).all(axis=1)] = 0.0
    table = amounts.T.reshape(3, *(printer.table_nodes,) * 3)
    if printer.smooth:
        table = np.stack([ndimage.spline_filter(plane, order=3, mode="mirror") for plane in table])
    return np.ascontiguousarray(table)


@functools.cache
def _pure_hues() -> Array:
    """Return encoded RGB (72, 25, 3): pure hues, each from black through itself to white."""
    pure = np.array([pure_hue_rgb(angle) for angle in range(0, 360, 5)])[:, None, :]
    share = np.linspace(0.0, 1.0, 13)[None, :, None]
    return np.concatenate([pure * share, pure + (1.0 - pure) * share[:, 1:]], axis=1)


def _wanted(printer: VirtualInkjet, space: str, rgb: Array) -> Array:
    """Return the IPT asked for, relative to paper, black point moved where the intent does."""
    xyz = rgb_to_xyz(space, rgb)
    if printer.intent == "absolute":
        xyz = xyz / np.asarray(printer.paper_xyz) * WHITE_D50
    if printer.uses_bpc:
        # ISO 18619: XYZ' = a XYZ + b, from black 0 to the printer's; taken as neutral there
        black_y = float(_device_xyz(printer, np.ones((1, 3)))[0, 1])
        xyz = xyz * (1.0 - black_y) + black_y * WHITE_D50
    return lab_to_ipt(xyz_to_lab(xyz))


INKJETS: Final = {
    "alder": VirtualInkjet(
        name="alder (invented): gloss paper, fine table",
        inks=InkSet(),
    ),
    "rowan": VirtualInkjet(
        name="rowan (invented): gloss paper, coarse table, light inks that end abruptly",
        inks=InkSet(density=(1.8, 1.75, 1.6, 2.2), gain=(0.16, 0.15, 0.12, 0.2), kink=0.5, kink_at=0.42, gloss=0.004),
        separation=Separation(black_from=0.55, black_power=1.0, colour_removed=0.6, ink_limit=2.6),
        table_nodes=9,
        smooth=False,
    ),
    "sorrel": VirtualInkjet(
        name="sorrel (invented): matte cotton paper, middling table",
        inks=InkSet(
            density=(1.35, 1.3, 1.3, 1.7), gain=(0.18, 0.18, 0.15, 0.2), paper_warmth=0.05, paper_reflectance=0.87,
            gloss=0.014,
        ),
        table_nodes=13,
        smooth=False,
    ),
    "hazel": VirtualInkjet(
        name="hazel (invented): seven inks in fine dots on gloss paper, an even table",
        inks=InkSet(
            density=(1.9, 1.9, 1.7, 2.4), gain=(0.08, 0.08, 0.08, 0.24), light=(0.34, 0.34, 0.3), yule_nielsen=1.0
        ),
        # black replaces little: with n = 1 the paper between dots lightens more
        separation=Separation(black_from=0.15, black_power=1.0, colour_removed=0.1, ink_limit=4.0),
        screen=Screen(scatter_um=4.0, head_smooth=0.008, head_random=0.015),
    ),
    "thistle": VirtualInkjet(
        name="thistle (invented): four inks in coarser dots on matte cotton paper, an uneven head",
        inks=InkSet(
            density=(1.45, 1.4, 1.35, 1.75), gain=(0.24, 0.24, 0.24, 0.24), paper_warmth=0.05, paper_reflectance=0.87,
            gloss=0.014, yule_nielsen=1.0,
        ),
        separation=Separation(black_from=0.2, black_power=1.0, colour_removed=0.25, ink_limit=3.6),
        table_nodes=13,
        smooth=False,
        screen=Screen(scatter_um=8.0, head_smooth=0.015, head_random=0.03),
    ),
}  # fmt: skip
"""Invented presets by name."""


def inkjet(name: str, intent: Intent = "relative", *, bpc: bool | None = None) -> VirtualInkjet:
    """Return a preset of `INKJETS` with an intent.

    Raises
    ------
    WrongUsageError
        If there is no such preset or intent.
    """
    if name not in INKJETS:
        raise WrongUsageError(f"Unknown virtual inkjet {name!r}: use one of {', '.join(INKJETS)}.")
    return replace(INKJETS[name], intent=intent, bpc=bpc)
