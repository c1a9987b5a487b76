"""A spectral simulation: invented inks on invented papers, scanners with real or realistic sensors and lights.

Inks are densities drawn as smooth curves, so that a colour is paper × 10^-(sum of densities), and a little light that
comes back from the surface. Sensors and lights are colour-science's published tables, or three smooth bands.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import tifffile
from numpy.typing import NDArray

from inkstrain.scoring.colour.spectra import spectral_lab
from inkstrain.targets.chart import build_key, write_sheet
from inkstrain.targets.colorimetry import colour_science
from inkstrain.targets.key import Patch, PatchField
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.spaces import icc_profile

Array = NDArray[np.float64]

NM = np.arange(380, 731, 10)
SURFACE = 0.004


def _bump(centre: float, width: float, height: float = 1.0) -> Array:
    return height * np.exp(-0.5 * ((NM - centre) / width) ** 2)


def _edge(centre: float, width: float, height: float = 1.0) -> Array:
    return height / (1.0 + np.exp((NM - centre) / width))


@dataclass(frozen=True)
class InkSet:
    """Density of each ink at full, (4, wavelengths): cyan, magenta, yellow, black; and bare paper's reflectance."""

    densities: Array
    paper: Array

    def reflectance(self, rgb: Array) -> Array:
        """Return the reflectance factors of encoded RGB, (n, wavelengths): ink by 1 - RGB, black for all three."""
        absent = np.clip(1.0 - np.atleast_2d(rgb), 0.0, 1.0) ** 1.3
        black = np.clip(absent.min(axis=1, keepdims=True) - 0.3, 0.0, None) / 0.7
        amounts = np.concatenate([absent - 0.5 * black, 1.0 * black], axis=1)
        return SURFACE + (self.paper - SURFACE) * 10.0 ** -(np.clip(amounts, 0, None) @ self.densities)


PAPER = 0.93 - 0.10 * np.exp(-(NM - 380) / 25.0)
CREAM = 0.90 - 0.16 * np.exp(-(NM - 380) / 60.0)
FIRST = InkSet(
    np.stack([
        _bump(630, 48, 1.5) + _bump(700, 60, 0.5) + 0.06,
        _bump(545, 32, 1.3) + _bump(515, 30, 0.6) + 0.04,
        _edge(495, 11, 1.5) + 0.01,
        1.35 + 0.08 * np.cos((NM - 380) / 80.0),
    ]), PAPER,
)  # fmt: skip
SECOND = InkSet(
    np.stack([
        _bump(665, 60, 1.7) + _bump(610, 25, 0.7) + 0.09,
        _bump(560, 24, 1.3) + _bump(525, 24, 1.0) + 0.02,
        _edge(478, 16, 1.6) + _bump(430, 20, 0.4),
        1.30 - 0.12 * np.cos((NM - 380) / 60.0),
    ]), PAPER,
)  # fmt: skip


@dataclass(frozen=True)
class Sensor:
    """Light times sensitivity, (3, wavelengths), each channel summing to 1."""

    response: Array

    def linear(self, reflectance: Array, *, noise: float = 0.0, seed: int = 0, flare: float = 0.0) -> Array:
        """Return linear channel values, (n, 3), with noise relative to full scale and stray light."""
        light = 0.94 * (reflectance @ self.response.T + flare) / (1 + flare)
        return light + noise * np.random.default_rng(seed).standard_normal(light.shape)


BANDS = ((605.0, 32.0), (540.0, 32.0), (455.0, 26.0))
CAMERAS = ("Nikon 5100 (NPL)", "Sigma SDMerill (NPL)")
LIGHTS = (
    "LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5", "LED-BH1", "LED-RGB1", "LED-V1", "FL2", "FL7", "FL11", "FL12",
)  # fmt: skip


def sensor(
    light: str = "LED-B3", camera: str | None = None, bands: tuple[tuple[float, float], ...] = BANDS
) -> Sensor:
    """Return a scanner with one of colour-science's lights, and its camera's sensors or three smooth bands."""
    colour = colour_science()
    shape = colour.SpectralShape(380, 730, 10)
    power = colour.SDS_ILLUMINANTS[light].copy().align(shape).values
    if camera is None:
        seen = np.stack([_bump(*band) for band in bands])
    else:
        seen = np.clip(colour.MSDS_CAMERA_SENSITIVITIES[camera].copy().align(shape).values.T, 0, None)
    response = seen * power
    return Sensor(response / response.sum(axis=1, keepdims=True))


def drawn_sensor(rng: np.random.Generator) -> tuple[str, Sensor]:
    """Return a scanner drawn at random, and what it is: any light, one of the cameras' sensors or smooth bands."""
    light, camera = str(rng.choice(LIGHTS)), (*CAMERAS, None, None)[rng.integers(4)]
    bands = tuple((rng.uniform(*at), rng.uniform(24, 40)) for at in ((595, 620), (530, 550), (448, 465)))
    named = "smooth" if camera is None else f"camera {CAMERAS.index(camera) + 1}"
    return f"{light}, {named}", sensor(light, camera, bands)


def drawn_inks(rng: np.random.Generator) -> InkSet:
    """Return four inks and a paper drawn at random."""
    u = rng.uniform
    cyan = _bump(u(615, 670), u(40, 65), u(1.2, 1.7)) + _bump(u(600, 705), u(20, 60), u(0, 0.6)) + u(0.02, 0.1)
    magenta = _bump(u(535, 565), u(22, 36), u(1.1, 1.5)) + _bump(u(505, 530), u(20, 34), u(0.3, 1.0)) + u(0.01, 0.06)
    yellow = _edge(u(475, 500), u(9, 17), u(1.3, 1.7)) + _bump(u(420, 440), 20, u(0, 0.4)) + u(0, 0.02)
    black = u(1.15, 1.5) + u(-0.12, 0.12) * np.cos((NM - 380) / u(60, 90))
    paper = u(0.88, 0.95) - u(0.06, 0.2) * np.exp(-(NM - 380) / u(20, 60))
    return InkSet(np.stack([cyan, magenta, yellow, black]), paper)


def lab_of(reflectance: Array) -> Array:
    return spectral_lab(NM, reflectance)


def spectral_scan(
    recipe: Recipe, path: Path, inks: InkSet, scanner: Sensor, *, noise: float = 0.0015, seed: int = 0,
    uneven: float = 0.0, gain: float = 1.0, embed: bool = True,
) -> Path:  # fmt: skip
    """Write a scan of the first sheet of a chart: 16 bits, the Adobe RGB (1998) curve, square on the glass.

    `noise` is a pixel's own, relative to full scale; `uneven` how much darker the bed's left and right ends are.
    """
    with tempfile.TemporaryDirectory() as folder:
        sheet = build_key(recipe).sheets[0]
        write_sheet(recipe, sheet, Path(folder) / "sheet.tif")
        codes = tifffile.imread(Path(folder) / "sheet.tif")
    packed = codes.astype(np.uint64) @ np.array([1 << 32, 1 << 16, 1], dtype=np.uint64)
    unique, index = np.unique(packed, return_inverse=True)
    rgb = np.stack([unique >> 32, unique >> 16 & 0xFFFF, unique & 0xFFFF], axis=1) / 65535.0
    light = scanner.linear(inks.reflectance(rgb))[index].reshape(codes.shape).astype(np.float32)
    light *= gain * bed_light(codes.shape[1], uneven)[None, :, None]
    light += noise * np.random.default_rng(seed).standard_normal(light.shape, dtype=np.float32)
    write_coded(path, light, recipe.dpi, embed=embed)
    return path


def bed_light(width: int, uneven: float) -> Array:
    """Return the light along a row of the bed, 1 in the middle."""
    return 1.0 - uneven * ((np.arange(width) + 0.5) / width * 2 - 1) ** 2


def write_coded(path: Path, light: Array, dpi: int, *, embed: bool = True) -> None:
    """Write linear light as 16-bit TIFF by the Adobe RGB (1998) curve (exponent 563/256, IEC 61966-2-5)."""
    coded = np.rint(np.clip(light, 0, 1) ** (256.0 / 563.0) * 65535).astype(np.uint16)
    profile = icc_profile("adobe-rgb") if embed else None
    tifffile.imwrite(
        path, coded, photometric="rgb", resolution=(dpi, dpi), resolutionunit="INCH", iccprofile=profile, metadata=None
    )


def measured_lab(patches: list[Patch], inks: InkSet, *, error: float = 0.05, seed: int = 0) -> dict[str, list[float]]:
    """Return absolute CIELAB by patch as an instrument of a given repeatability (sd a axis) measures it."""
    lab = lab_of(inks.reflectance(np.array([patch.rgb for patch in patches])))
    lab = lab + error * np.random.default_rng(seed).standard_normal(lab.shape)
    return {patch.patch: row for patch, row in zip(patches, lab.tolist(), strict=True)}


def patches_of(recipe: Recipe) -> list[Patch]:
    """Return the patches of a chart's first sheet."""
    return [
        patch
        for tile in build_key(recipe).sheets[0].tiles
        for element in tile.elements
        if isinstance(element, PatchField)
        for patch in element.patches
    ]
