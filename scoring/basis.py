"""How scan numbers become CIELAB: an ICC profile if there is one, else sRGB taken for granted.

Averages must be taken in linear light. A matrix/TRC profile is therefore split into three curves, applied pixel by
pixel, and a matrix, applied to the averages; any other profile is applied pixel by pixel to XYZ, and XYZ is
averaged. Both orders give the same mean, since all that follows averaging is linear.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inkstrain.targets.colorimetry import WHITE_D50, xyz_to_lab
from inkstrain.targets.errors import CannotMeasureError
from inkstrain.targets.spaces import icc_profile

from .model import ColourBasis

__all__ = ["Basis", "assumed_basis", "basis_from_profile"]

_ADDITIVE_TOLERANCE: Final = 2e-3
_CHUNK_ROWS: Final = 64
_RELATIVE_COLORIMETRIC: Final = 1


@dataclass(frozen=True, slots=True)
class Basis:
    """The way from scan numbers to XYZ.

    Attributes
    ----------
    described
        What goes into the score.
    tables
        Linear light of every code, one row a channel, shape (3, codes), or ``None`` for a profile that is no matrix.
    matrix
        From linear channel values to XYZ (D50).
    """

    described: ColourBasis
    profile: bytes
    matrix: NDArray[np.float64]
    tables8: NDArray[np.float32] | None
    tables16: NDArray[np.float32] | None

    def linear(self, pixels: NDArray[Any]) -> NDArray[np.float32]:
        """Return values that may be averaged, float32, of pixels (..., 3), uint8 or uint16."""
        tables = self.tables8 if pixels.dtype == np.uint8 else self.tables16
        if tables is None:
            return _to_xyz(self.profile, pixels)
        return np.stack([tables[channel][pixels[..., channel]] for channel in range(3)], axis=0).transpose(
            *range(1, pixels.ndim), 0
        )

    def xyz(self, linear: ArrayLike) -> NDArray[np.float64]:
        """Return XYZ (D50, scanner white at Y = 1) of averaged linear values, shape (..., 3)."""
        return np.asarray(np.asarray(linear, dtype=np.float64) @ self.matrix.T)

    def lab(self, linear: ArrayLike, paper_xyz: ArrayLike) -> NDArray[np.float64]:
        """Return media-relative CIELAB: XYZ scaled so that the paper becomes the D50 white."""
        return xyz_to_lab(self.xyz(linear) * (WHITE_D50 / np.asarray(paper_xyz)))


def _to_xyz(profile: bytes, pixels: NDArray[Any]) -> NDArray[np.float32]:
    """Return XYZ of pixels by Little CMS, relative colorimetric, in float; chunked so that memory stays small."""
    import imagecodecs

    top = float(np.iinfo(pixels.dtype).max) if pixels.dtype.kind == "u" else 1.0
    flat = pixels.reshape(-1, pixels.shape[-2] if pixels.ndim > 2 else 1, 3) if pixels.ndim != 2 else pixels[None]
    out = np.empty(flat.shape, dtype=np.float32)
    target = imagecodecs.cms_profile("xyz")
    for row in range(0, flat.shape[0], _CHUNK_ROWS):
        part = np.ascontiguousarray(flat[row : row + _CHUNK_ROWS] / top, dtype=np.float64)
        out[row : row + _CHUNK_ROWS] = imagecodecs.cms_transform(
            part,
            profile,
            target,
            colorspace="rgb",
            outcolorspace="xyz",
            outdtype=np.float64,
            intent=_RELATIVE_COLORIMETRIC,
        )
    return out.reshape(pixels.shape)


def basis_from_profile(profile: bytes, note: str) -> Basis:
    """Return the basis of an ICC profile for RGB.

    Raises
    ------
    CannotMeasureError
        If the profile is broken, is not for RGB, or belongs to a printer.
    """
    kind, space = profile[12:16], profile[16:20]
    if len(profile) < 132 or profile[36:40] != b"acsp":
        raise CannotMeasureError("The scan's colour profile is broken. Save the scan again, or without a profile.")
    if space != b"RGB " or kind not in (b"scnr", b"mntr", b"spac"):
        raise CannotMeasureError(
            "The scan's colour profile is not one for RGB from a scanner or a working space. "
            "Scan to RGB with the scanner's own profile or a standard one."
        )
    try:
        matrix, curves = _split(profile)
    except (RuntimeError, ValueError) as error:
        raise CannotMeasureError("The scan's colour profile is broken. Save the scan again.") from error
    described = ColourBasis(kind="scanner-profile", note=note)
    if curves is None:
        return Basis(described, profile, np.eye(3), None, None)
    return Basis(described, profile, matrix, _table(curves, 256), curves.astype(np.float32))


def assumed_basis() -> Basis:
    """Return the basis of last resort: sRGB taken for granted."""
    basis = basis_from_profile(icc_profile("srgb"), "")
    described = ColourBasis(
        kind="assumed",
        note="The scan carries no colour profile, so sRGB was assumed: widths, order and evenness stand, "
        "colour differences are only indicative.",
    )
    return Basis(described, basis.profile, basis.matrix, basis.tables8, basis.tables16)


def _split(profile: bytes) -> tuple[NDArray[np.float64], NDArray[np.float64] | None]:
    """Return matrix and curves (3, 65536) of an additive profile; no curves if it is not additive."""
    ramp = np.linspace(0.0, 1.0, 65536)
    lone = np.zeros((3, ramp.size, 3))
    for channel in range(3):
        lone[channel, :, channel] = ramp
    xyz = _to_xyz(profile, lone).astype(np.float64)
    black = xyz[0, 0]
    matrix = (xyz[:, -1] - black).T
    test = np.random.default_rng(1).random((1, 200, 3))
    curves = np.stack([(xyz[c] - black) @ matrix[:, c] / (matrix[:, c] @ matrix[:, c]) for c in range(3)])
    predicted = np.stack([np.interp(test[0, :, c], ramp, curves[c]) for c in range(3)], axis=1) @ matrix.T
    if np.abs(predicted - _to_xyz(profile, test)[0]).max() > _ADDITIVE_TOLERANCE or np.abs(black).max() > 1e-4:
        return np.eye(3), None
    return matrix, curves


def _table(curves: NDArray[np.float64], codes: int) -> NDArray[np.float32]:
    places = np.rint(np.linspace(0, curves.shape[1] - 1, codes)).astype(int)
    return np.asarray(curves[:, places], dtype=np.float32)
