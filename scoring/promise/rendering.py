"""Ways to ask for a print, and what a profile says will come out of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inkstrain.targets.colorimetry import WHITE_D50, xyz_to_lab
from inkstrain.targets.errors import CannotMeasureError
from inkstrain.targets.outputprofile import Intent, OutputProfile

from ..results.forecast import rendering_name

__all__ = ["RENDERINGS", "Press", "Rendering"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Rendering:
    """A rendering intent with black point compensation or without."""

    intent: Intent
    bpc: bool

    @property
    def name(self) -> str:
        """The rendering in words."""
        return rendering_name(self.intent, self.bpc)


RENDERINGS: Final = (
    Rendering("perceptual", False),
    Rendering("perceptual", True),
    Rendering("relative", True),
    Rendering("relative", False),
    Rendering("saturation", False),
    Rendering("saturation", True),
    Rendering("absolute", False),
)
"""Every way a print can be asked for."""


@dataclass(frozen=True, slots=True)
class Press:
    """A chart's space, a printer's profile and a rendering: from the file's RGB to what comes out.

    Parameters
    ----------
    absolute
        Give colours relative to a perfect white instead of the paper.
    """

    space: str
    profile: OutputProfile
    rendering: Rendering
    absolute: bool = False

    def lab(self, rgb: ArrayLike) -> Array:
        """Return CIELAB, (..., 3), of encoded RGB.

        Raises
        ------
        CannotMeasureError
            If nothing in the profile serves the intent, or its tables hold what are no numbers.
        """
        xyz = self.profile.printed_xyz(self.space, rgb, self.rendering.intent, self.rendering.bpc)
        if not np.isfinite(xyz).all():
            raise CannotMeasureError(f"{self.profile.name} is damaged: some of its colours are no numbers.")
        return xyz_to_lab(xyz * (np.array(self.profile.paper_xyz) / WHITE_D50) if self.absolute else xyz)
