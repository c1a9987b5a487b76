"""What an eye would see of a print, in multiples of its threshold.

One threshold is that of detection of a practised observer with good sight who looks for it: what is under 1 is not
seen; several are needed to be noticed by somebody who does not look for it. From a few thresholds on the figure is a
ratio, not a size: pages give a word (`visibility_word`).

A course of colour is compared with the course it would have without what is looked at (`local_response`). Position
becomes degrees of visual angle at the viewing distance. In three channels, achromatic, red-green and yellow-violet, the
difference is a contrast that is filtered by the eye's contrast sensitivity: castleCSF (Ashraf, Mantiuk, Chapiro &
Wuerger 2024, J. Vision 24(4):5), static, in the fovea, with the constants of its authors' published program. Its
sensitivities are for gratings and Gabor patches. What is not periodic is seen by its local energy (Morrone & Owens
1987, Pattern Recognition Letters 6:303): the even and the odd response of the filter, root-sum-square, which has one
peak at a line and one at a step. The channels add root-sum-square (exponent 2, as in castleCSF).

Contrasts are relative to the luminance of the compared course with `VEIL` of paper white added as stray light in the
eye and on the sheet (common practice, no source). Not tested against observers.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inkstrain.targets.colorimetry import WHITE_D50, lab_to_xyz
from inkstrain.targets.errors import WrongUsageError

from ..results.score import Viewing

__all__ = [
    "CHANNELS",
    "DEFAULT_VIEWING",
    "LIGHTS_CD_M2",
    "VEIL",
    "castle",
    "edge_visibility",
    "local_response",
    "opponent",
    "viewing_of",
    "visibility_of",
    "visibility_word",
]

Array = NDArray[np.float64]
Channel = Literal["achromatic", "red-green", "yellow-violet"]
Word = Literal["not seen", "faint", "plain", "strong"]

CHANNELS: Final[tuple[Channel, ...]] = ("achromatic", "red-green", "yellow-violet")
"""The last axis of opponent colours and responses."""

LIGHTS_CD_M2: Final = {"p1": 573.0, "p2": 143.0}
"""Luminance of paper of 90 % reflectance under ISO 3664's P1 (2000 lx) and P2 (500 lx)."""

DEFAULT_VIEWING: Final = Viewing(distance_mm=400.0, luminance_cd_m2=LIGHTS_CD_M2["p2"])
"""At a comfortable reading distance, in the light of practical appraisal."""

VEIL: Final = 0.005
"""Stray light, as a share of paper white."""

_WORDS: Final[tuple[tuple[float, Word], ...]] = ((1.0, "not seen"), (3.0, "faint"), (10.0, "plain"))  # no source

# castleCSF's constants, names as there: peak sensitivity S_max by luminance, f_max, bandwidth, and size A_0, f_0
_PEAK: Final = {
    "achromatic": (56.4947, 7.54726, 0.144532, 5.58341e-07, 9.66862e09),
    "red-green": (681.434, 38.0038, 0.480386),
    "yellow-violet": (166.683, 62.8974, 0.41193),
}
_F_MAX: Final = {
    "achromatic": (1.78119, 91.5718, 0.256682),
    "red-green": (0.0178364,),
    "yellow-violet": (0.00425753,),
}
_BANDWIDTH: Final = {"achromatic": 0.000213047, "red-green": 2.42104, "yellow-violet": 2.68197}
_SIZE: Final = {
    "achromatic": (157.103, 0.702338),
    "red-green": (2816.44, 0.0711058),
    "yellow-violet": (2.82789e7, 0.000635093),
}
# how far sensitivity, by size alone, falls below f_max: little for lightness, nothing for colour
_LOW_PASS: Final = {"achromatic": 0.100207, "red-green": 0.0, "yellow-violet": 0.0}
# CIE 2006 cones scaled so that L + M is luminance, to CIE 1931 XYZ on one display's spectra (castleCSF's program)
_XYZ_OF_LMS: Final = np.array(
    [
        [2.62912928, -3.78020239, 10.29495639],
        [0.86564906, 1.21555581, -0.98417569],
        [-0.00888656, 0.08161263, 51.37102483],
    ]
)
_LMS_WHITE: Final = np.array([0.6991, 0.3009, 0.0198])  # D65 at 1 cd/m² (same source)
_OPPONENT: Final = np.array([[1.0, 1.0, 0.0], [1.0, -2.3112, 0.0], [-1.0, -1.0, 50.9875]])  # same source

_LEVELS: Final = 4  # luminances that the achromatic shape is worked out at: between them it is off by under 1 % (test)
_REACH_DEG: Final = 4.0  # padding: a filter's response to a line falls with the square of distance
# where a step's response is summed: beyond, sensitivities are under 0.1 % of their peak
_OCTAVES: Final = np.geomspace(1e-3, 64.0, 400)

_PAPER_REFLECTANCE: Final = 0.9
_DISTANCES_MM: Final = (50.0, 10_000.0)
_LUX: Final = (1.0, 100_000.0)


def viewing_of(distance_mm: float, light: str) -> Viewing:
    """Return viewing conditions; light is ``p1``, ``p2`` (ISO 3664) or an illuminance in lux.

    Raises
    ------
    WrongUsageError
        If the light is neither, or a figure is out of range.
    """
    if not _DISTANCES_MM[0] <= distance_mm <= _DISTANCES_MM[1]:
        raise WrongUsageError(f"The viewing distance is {distance_mm:g} mm: use 50 to 10000 mm.")
    named = LIGHTS_CD_M2.get(light.strip().lower())
    if named is not None:
        return Viewing(distance_mm=distance_mm, luminance_cd_m2=named)
    try:
        lux = float(light)
    except ValueError:
        lux = np.nan
    if not _LUX[0] <= lux <= _LUX[1]:
        raise WrongUsageError(f"Unknown light {light!r}: use p1, p2 (ISO 3664) or lux, such as 300.")
    return Viewing(distance_mm=distance_mm, luminance_cd_m2=round(lux * _PAPER_REFLECTANCE / np.pi, 1))


def castle(cycles_a_degree: ArrayLike, luminance_cd_m2: ArrayLike, area_deg2: float, channel: Channel) -> Array:
    """Return the contrast sensitivity of a channel, castleCSF (2024), static and foveal: 1 over threshold contrast.

    Contrast is `opponent` of the amplitude over luminance. Frequency and luminance broadcast. The transient channel,
    which is blind to what does not move (3e-13 of its peak at 0 Hz), is left out.
    """
    luminance = np.asarray(luminance_cd_m2, dtype=np.float64)
    return np.asarray(_peak(luminance, channel) * _shape(cycles_a_degree, luminance, area_deg2, channel))


def _by_luminance(constants: tuple[float, ...], luminance: Array) -> Array:
    """Return castleCSF's dependence on luminance: a constant, a hyperbola, or the product of two."""
    value = np.full(luminance.shape, constants[0])
    if len(constants) > 1:
        value = value * (1.0 + constants[1] / luminance) ** -constants[2]
    if len(constants) > 3:
        value = value * -np.expm1(-constants[4] * np.log1p(constants[3] / luminance))
    return np.asarray(value)


def _peak(luminance: Array, channel: Channel) -> Array:
    return _by_luminance(_PEAK[channel], luminance)


def _shape(cycles_a_degree: ArrayLike, luminance: Array, area_deg2: float, channel: Channel) -> Array:
    """Return sensitivity over `_peak`: a log parabola, level below f_max, times the effect of size."""
    frequency = np.asarray(cycles_a_degree, dtype=np.float64)
    away = np.log10(np.maximum(frequency, 1e-9) / _by_luminance(_F_MAX[channel], luminance))
    level = 10.0 ** (-(away**2) / 2.0 ** _BANDWIDTH[channel])
    level = np.where(away < 0.0, np.maximum(level, 1.0 - _LOW_PASS[channel]), level)
    area_0, f_0 = _SIZE[channel]
    # Rovamo, Luntinen & Näsänen 1993
    critical = area_0 / (1.0 + (frequency / f_0) ** 2)
    return np.asarray(level * np.sqrt(critical / (1.0 + critical / area_deg2)) * frequency)


def opponent(lab: ArrayLike) -> Array:
    """Return achromatic, red-green and yellow-violet coordinates of media-relative CIELAB, paper's luminance 1."""
    from_xyz = np.linalg.inv(_XYZ_OF_LMS)
    to_opponent = _OPPONENT @ (from_xyz * (_LMS_WHITE / (from_xyz @ WHITE_D50))[:, None])
    return np.asarray(lab_to_xyz(lab) @ to_opponent.T)


def _area_deg2(field_mm: float, viewing: Viewing) -> float:
    return float(np.pi / 4 * np.degrees(field_mm / viewing.distance_mm) ** 2)


def local_response(
    lab: ArrayLike, background_lab: ArrayLike, spacing_mm: float, viewing: Viewing, field_mm: float
) -> NDArray[np.complex128]:
    """Return how the eye responds to what a course of colour has and the one it is compared with has not.

    A long sinusoid of modulation m and frequency f has an absolute response of m times the sensitivity to f at its
    middle, so that 1 is its threshold; a step and a line have one peak each, where they are. The response's real part
    is what an even filter gives (a line), its imaginary part what an odd one does (a step). Beyond the given places
    nothing differs; a difference that does not vanish at the ends is a step there.

    Parameters
    ----------
    lab, background_lab
        Media-relative CIELAB along an even line, (..., n, 3) both, which broadcast.
    spacing_mm
        Distance between places.
    field_mm
        Diameter of the field that it is seen in, such as a disc's. Gratings are seen the better the larger it is.

    Returns
    -------
    response
        In multiples of threshold, by channel, (..., n, 3).
    """
    base = opponent(background_lab)
    light = np.maximum(base[..., 0], 0.0) + VEIL  # of paper
    contrast = (opponent(lab) - base) / light[..., None]
    luminance = light * viewing.luminance_cd_m2
    spacing_deg = float(np.degrees(spacing_mm / viewing.distance_mm))
    number = contrast.shape[-2]
    length = _fast_length(number + max(number, int(np.ceil(_REACH_DEG / spacing_deg))))
    frequency = np.fft.rfftfreq(length, spacing_deg)
    area = _area_deg2(field_mm, viewing)
    spectrum = np.fft.rfft(np.moveaxis(contrast, -1, -2), length)

    def filtered(channel: int, shape: Array) -> NDArray[np.complex128]:
        # positive frequencies alone, doubled: the analytic signal
        half = np.zeros((*spectrum.shape[:-2], length), dtype=np.complex128)
        half[..., : len(frequency)] = 2.0 * shape * spectrum[..., channel, :]
        return np.asarray(np.fft.ifft(half)[..., :number])

    response = np.empty(contrast.shape, dtype=np.complex128)
    for channel in (1, 2):
        response[..., channel] = filtered(channel, _shape(frequency, np.ones(1), area, CHANNELS[channel]))
    # only the achromatic channel changes its shape with luminance
    levels = np.geomspace(luminance.min(), luminance.max(), _LEVELS)
    at_levels = [filtered(0, _shape(frequency, level, area, "achromatic")) for level in levels]
    step = max(float(np.log(levels[-1] / levels[0])) / (_LEVELS - 1), 1e-9)
    place = np.log(luminance / levels[0]) / step
    parts = [np.maximum(1.0 - np.abs(place - number), 0.0) for number in range(_LEVELS)]
    response[..., 0] = sum(part * each for part, each in zip(parts, at_levels, strict=True))
    for channel, name in enumerate(CHANNELS):
        response[..., channel] *= _peak(luminance, name)
    return response


def _fast_length(least: int) -> int:
    from scipy.fft import next_fast_len

    return int(next_fast_len(least))


def visibility_of(response: NDArray[np.complex128]) -> Array:
    """Return the local energy of a response (..., 3), root-sum-square over the channels, in multiples of threshold."""
    return np.asarray(np.sqrt(np.sum(response.real**2 + response.imag**2, axis=-1)))


def edge_visibility(lab_a: ArrayLike, lab_b: ArrayLike, viewing: Viewing, field_mm: float) -> Array:
    """Return how visible the edge between two patches side by side is, in multiples of threshold.

    It is the largest local energy of a step, which is right at it: contrast / π times the integral of sensitivity over
    the logarithm of frequency. Contrast is about the mean of the two, where the eye is adapted to both.

    Parameters
    ----------
    lab_a, lab_b
        Media-relative CIELAB, (..., 3), which broadcast.
    field_mm
        Diameter of the field that they are seen in.
    """
    a, b = opponent(lab_a), opponent(lab_b)
    light = np.maximum((a[..., 0] + b[..., 0]) / 2.0, 0.0) + VEIL
    luminance = light * viewing.luminance_cd_m2
    area = _area_deg2(field_mm, viewing)
    octave = float(np.log(_OCTAVES[1] / _OCTAVES[0]))
    sums = [castle(_OCTAVES, luminance[..., None], area, channel).sum(axis=-1) for channel in CHANNELS]
    response = (b - a) / light[..., None] / np.pi * np.stack(sums, axis=-1) * octave
    return np.asarray(np.linalg.norm(response, axis=-1))


def visibility_word(value: float) -> Word:
    """Return the word for a visibility: under 1 threshold, up to 3, up to 10, beyond (common practice, no source)."""
    return next((word for limit, word in _WORDS if value < limit), "strong")
