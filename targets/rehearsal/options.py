"""How the imaginary print was made and scanned: frozen values in mm, dpi, ΔL* and degrees."""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from ..recipe import SPACES

__all__ = ["NozzleGap", "PrintOptions", "ScanOptions"]

Pair = tuple[float, float]
Box = tuple[float, float, float, float]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Fraction = Annotated[float, Field(ge=0, le=1)]


class _Options(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class NozzleGap(_Options):
    """A line that gets less ink, across ``varies_along`` at ``position_mm`` of the sheet; strength 1 is bare paper."""

    position_mm: float
    width_mm: Positive
    varies_along: Literal["x", "y"] = "y"
    strength: Fraction = 1.0


class PrintOptions(_Options):
    """The paper side.

    Parameters
    ----------
    grain
        Standard deviation of reflectance, relative to itself, from one print dot to the next; the mean stays.
    grain_dot_mm, grain_correlation_mm
        Side of a print dot, and the Gaussian sigma over which dots resemble each other (0: not at all).
    grain_shape
        ``normal`` or ``lognormal``.
    grain_coloured
        0: the same grain in all channels; 1: each channel its own. Textured paper is grain, too: 0.02 with a
        correlation of 0.06 mm, say. A printer of dots has grain from its dots; what is asked for here comes on top.
    banding_l, banding_period_mm, banding_along, banding_phase_deg, banding_jitter
        Head banding: amplitude in L* (fading out above L* 90, since bare paper has none), period, the sheet axis it
        varies along, phase at the sheet's corner, and irregularity (standard deviation of the phase in periods).
    gaps
        Lines where nozzles fail.
    scale, offset_mm
        Print scale (x, y), such as 0.97 for a driver that fits to the page, about the sheet's middle unless an
        offset of the chart's corner is given.
    mirrored
        Printed left for right.
    bleed_mm
        Gaussian sigma of ink spread; light is spread, so that mean colour stays.
    raster_dpi
        Resolution of the printed raster, for all but the discs (they are printed without pixels); None: the file's.
        A printer of dots has its own.
    """

    grain: NotNegative = 0.0
    grain_dot_mm: Positive = 0.07
    grain_correlation_mm: NotNegative = 0.0
    grain_shape: Literal["normal", "lognormal"] = "normal"
    grain_coloured: Fraction = 0.0
    banding_l: NotNegative = 0.0
    banding_period_mm: Positive = 2.0
    banding_along: Literal["x", "y"] = "y"
    banding_phase_deg: float = 0.0
    banding_jitter: NotNegative = 0.0
    gaps: tuple[NozzleGap, ...] = ()
    scale: tuple[Positive, Positive] = (1.0, 1.0)
    offset_mm: Pair | None = None
    mirrored: bool = False
    bleed_mm: NotNegative = 0.0
    raster_dpi: Annotated[int, Field(ge=72, le=2880)] | None = None


class ScanOptions(_Options):
    """The scanner side.

    Parameters
    ----------
    dpi
        The scanner's nominal resolution.
    rotation_deg
        How far the sheet appears turned, clockwise; any angle, quarter turns too.
    shear_deg, stretch, wobble_mm, wobble_period_mm, wobble_phase_deg, keystone, mirrored
        As in `ScanGeometry`.
    tile, crop_mm
        Show one tile, or a box of the chart (x, y, width, height), instead of the whole sheet.
    margin_mm
        How much more is shown around it: lid around a whole sheet, the sheet's own surroundings around a part.
    lid
        Reflectance of the lid: white 0.9, grey 0.35, black 0.03.
    blur_mm
        Gaussian sigma of the scanner's optics; a pixel also averages over its own area.
    noise, shot_noise
        Standard deviation relative to full scale in linear light: the same everywhere, and growing with the square
        root of the signal (its value at full scale).
    uneven
        How much darker the bed's left and right ends are than its middle.
    flare
        Stray light, as a fraction of white.
    exposure
        Linear signal of a perfect white; above 1 clips.
    dust, hairs
        How many specks (0.03 to 0.15 mm radius) and hairs (2 to 9 mm long) lie on the glass.
    sharpen_mm, sharpen_amount
        Unsharp mask on encoded values.
    noise_seed
        Seed of the scan's noise, dust and hairs; None: the rehearsal's. Others are further scans of one print.
    space
        Colour encoding; a wide one does not clip wide prints. ``embed`` writes its ICC profile.
    bits, grey, compression, jpeg_quality, resolution_tag
        The file. Its kind follows from its name: .tif, .png or .jpg.
    """

    dpi: Annotated[float, Field(ge=20, le=4800)] = 300.0
    rotation_deg: float = 0.0
    shear_deg: Annotated[float, Field(ge=-30, le=30)] = 0.0
    stretch: Pair = (0.0, 0.0)
    wobble_mm: NotNegative = 0.0
    wobble_period_mm: Positive = 50.0
    wobble_phase_deg: float = 0.0
    keystone: Annotated[float, Field(ge=-0.3, le=0.3)] = 0.0
    mirrored: bool = False
    tile: int | None = None
    crop_mm: Box | None = None
    margin_mm: float = 5.0
    lid: Literal["white", "grey", "black"] = "white"
    blur_mm: NotNegative = 0.03
    noise: NotNegative = 0.0003
    shot_noise: NotNegative = 0.003
    uneven: Fraction = 0.0
    flare: Fraction = 0.0
    exposure: Positive = 0.94
    dust: Annotated[int, Field(ge=0)] = 0
    hairs: Annotated[int, Field(ge=0)] = 0
    sharpen_mm: NotNegative = 0.0
    sharpen_amount: NotNegative = 0.0
    noise_seed: int | None = None
    space: str = "adobe-rgb"
    embed: bool = True
    bits: Literal[8, 16] = 16
    grey: bool = False
    compression: Literal["none", "lzw", "deflate"] = "none"
    jpeg_quality: Annotated[int, Field(ge=1, le=100)] = 95
    resolution_tag: bool = True

    @model_validator(mode="after")
    def _possible(self) -> ScanOptions:
        if self.space not in SPACES:
            raise ValueError(f"space is {self.space!r}: use one of {', '.join(SPACES)}")
        if 2 * math.pi * self.wobble_mm >= self.wobble_period_mm:
            raise ValueError(f"wobble_mm {self.wobble_mm:g} would send the scanner backwards")
        if self.tile is not None and self.crop_mm is not None:
            raise ValueError("give tile or crop_mm, not both")
        return self
