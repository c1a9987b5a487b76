"""From a scan's code values to linear light along the neutral axis, for finding places; colour comes later."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from .scanfile import ScanFile

__all__ = ["linear_table"]

Floats = npt.NDArray[np.float64]


def linear_table(scan: ScanFile) -> Floats:
    """Return linear light for each code value of a neutral pixel, shape (256,) or (65536,), about 0 to 1.

    The embedded ICC profile's own neutral axis is followed; without a usable one, that of IEC 61966-2-1 (sRGB).
    """
    code = np.arange(scan.full_scale + 1) / scan.full_scale
    knots = _profile_curve(scan.icc) if scan.icc else None
    if knots is not None:
        return np.interp(code, np.linspace(0, 1, len(knots)), knots)
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def _profile_curve(icc: bytes) -> Floats | None:
    """Return luminance of equally spaced neutrals through a profile, or None if it cannot be used."""
    import imagecodecs

    neutrals = np.repeat(np.linspace(0, 65535, 1025).round().astype(np.uint16)[None, :, None], 3, axis=2)
    try:
        xyz = imagecodecs.cms_transform(
            neutrals, icc, imagecodecs.cms_profile("xyz"), colorspace="rgb", outcolorspace="xyz", outdtype="f8"
        )
    except Exception:  # Little CMS refuses damaged or unsuited profiles in many ways; sRGB is near enough then
        return None
    luminance: Floats = np.asarray(xyz, dtype=np.float64)[0, :, 1]
    if not np.isfinite(luminance).all() or luminance[-1] < 0.2 or (np.diff(luminance) < -0.01).any():
        return None
    rising: Floats = np.maximum.accumulate(luminance)
    return rising
