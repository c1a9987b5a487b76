"""Rings, measured: the radial profile of a disc, and what it shows."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import delta_e00
from inkstrain.targets.key import Ring
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rings import ring_lab

from .banding import disc_stripes, stripe_blur_mm, unstriped
from .basis import Basis
from .features import (
    ColourNoise,
    PathPair,
    core_mm,
    evenness,
    fall_off,
    find_contours,
    find_flat_bands,
    find_reversals,
    reach,
)
from .hue import find_hue_swings
from .model import DeltaE, DeltaEPair, RingProfile, RingScore
from .path import PathFit, course_radii
from .pathpool import FITTED_HERE, PathFits
from .ripples import find_ripples, noise_reach_mm
from .sampling import Means, Tally, Window

__all__ = ["delta_e_summary", "error_de00", "measure_ring", "radial_means", "ramp_pair"]

Array = NDArray[np.float64]

_SECTORS: Final = 24
_BIN_MM: Final = (0.04, 0.1)
_FIRST_RADIUS_MM: Final = 0.8
_RIM_MARGIN_MM: Final = 0.3
_LEAST_BINS: Final = 24


def radial_means(
    window: Window, ring: Ring, basis: Basis, paper_xyz: Array, blur_mm: float = 0.05
) -> tuple[Means, float]:
    """Return mean colours by radius, every pixel of the disc used once, and the width of a bin in mm.

    Bins are one pixel wide, but not under 0.04 or over 0.1 mm; groups are 24 sectors.
    """
    width = float(np.clip(window.pixel_mm, *_BIN_MM))
    stop = ring.radius_mm - max(_RIM_MARGIN_MM, 4 * blur_mm)
    tally = Tally(basis, (int((stop - _FIRST_RADIUS_MM) / width) + 1, _SECTORS))
    for part in window.blocks():
        x, y = part.x_mm - np.float32(ring.centre_mm[0]), part.y_mm - np.float32(ring.centre_mm[1])
        square = x * x
        square += y * y
        inside = np.flatnonzero((square >= _FIRST_RADIUS_MM**2) & (square < stop * stop))
        radius = np.sqrt(square.ravel()[inside])
        bins = ((radius - np.float32(_FIRST_RADIUS_MM)) * np.float32(1.0 / width)).astype(np.int32)
        turn = np.arctan2(y.ravel()[inside], x.ravel()[inside])
        sectors = (turn * np.float32(_SECTORS / (2 * np.pi)) + np.float32(_SECTORS)).astype(np.int32) % _SECTORS
        tally.add(part.pixels.reshape(-1, 3)[inside], bins, sectors, radius)
    return tally.means(paper_xyz), width


def measure_ring(
    ring: Ring,
    recipe: Recipe,
    means: Means,
    bin_mm: float,
    blur_mm: float | None,
    place: tuple[int, int],
    fits: PathFits = FITTED_HERE,
) -> RingScore:
    """Return the score of one ring from its radial means.

    Parameters
    ----------
    blur_mm
        Gaussian sigma of instrument and print, pixel included; ``None`` if unknown.
    place
        Sheet and tile.
    fits
        Where the path is fitted.
    """
    flags = []
    stripes = disc_stripes(means.cells, means.place, ring.ramp_mm[0])
    means = unstriped(means, stripes, ring.ramp_mm[0])
    good = np.isfinite(means.lab).all(axis=1) & np.isfinite(means.place) & (means.groups >= 3)
    radius, lab, error = means.place[good], means.lab[good], means.standard_error[good]
    inner, outer = ring.ramp_mm
    on_ramp = (radius > inner) & (radius < outer)
    whole = on_ramp.sum() >= max(_LEAST_BINS, 0.9 * (outer - inner) / bin_mm)
    if not whole:
        return _not_measured(ring, place)
    if blur_mm is None:
        flags.append("blur-unknown: the instrument's sharpness could not be told from the marks")
    sigma = float(np.hypot(0.05 if blur_mm is None else blur_mm, bin_mm / np.sqrt(12.0)))
    fit = fits(radius, lab, error, ring.ramp_mm, sigma, ring_lab(ring, recipe, course_radii(*ring.ramp_mm)))
    pair = ramp_pair(fit, ring, recipe)
    intended = ring_lab(ring, recipe, radius)
    errors = error_de00(lab, error)
    speed, asked_speed = _speeds(pair, radius)
    hub = fit.lab[0]
    swings = find_hue_swings(radius[on_ramp], lab[on_ramp], intended[on_ramp])
    flags += [
        f"hue-rulers-disagree: the hue swing at {one.radius_mm:.1f} mm is {one.degrees:.1f}° by IPT and "
        f"{one.other_ruler_deg:.1f}° by Jzazbz"
        for one in swings
        if one.rulers_disagree
    ]
    away = np.asarray(delta_e00(lab, intended))[on_ramp]
    return RingScore(
        id=ring.id,
        kind=ring.kind,
        hue=ring.hue,
        sheet=place[0],
        tile=place[1],
        reach=reach(pair),
        evenness=evenness(pair),
        profile=RingProfile(
            radius_mm=tuple(radius.round(4).tolist()),
            lab=tuple(map(tuple, lab.round(4).tolist())),
            intended_lab=tuple(map(tuple, intended.round(4).tolist())),
            standard_error_de00=tuple(errors.round(4).tolist()),
            speed_de00_per_mm=tuple(speed.round(4).tolist()),
            intended_speed_de00_per_mm=tuple(asked_speed.round(4).tolist()),
        ),
        contours=find_contours(pair, ColourNoise(radius[on_ramp], errors[on_ramp]), sigma),
        flat_bands=find_flat_bands(pair, sigma),
        hue_swings=swings,
        reversals=find_reversals(pair),
        ripples=find_ripples(
            radius, lab[:, 0], error[:, 0], intended[:, 0], ring.ramp_mm, sigma, noise_reach_mm(means.cells, bin_mm)
        ),
        core_mm=core_mm(pair, hub),
        fall_off_mm=fall_off(pair),
        delta_e00=DeltaEPair(intended=delta_e_summary(away)),
        head_banding=stripes[0].banding(stripe_blur_mm(sigma, recipe.dpi)) if stripes else None,
        flags=tuple(flags),
    )


def ramp_pair(fit: PathFit, ring: Ring, recipe: Recipe) -> PathPair:
    """Return a fitted path beside the intended one, on the ramp."""
    inner, outer = ring.ramp_mm
    rows = (fit.radius_mm >= inner) & (fit.radius_mm <= outer)
    radius = fit.radius_mm[rows]
    return PathPair(radius, fit.lab[rows], ring_lab(ring, recipe, radius))


def _speeds(pair: PathPair, radius: Array) -> tuple[Array, Array]:
    """Return printed and intended speed, ΔE00 a mm, as means between the bins' borders; zero off the ramp."""
    borders = np.concatenate([[radius[0]], (radius[1:] + radius[:-1]) / 2, [radius[-1]]])
    widths = np.maximum(np.diff(borders), 1e-9)
    printed = np.interp(borders, pair.radius_mm, pair.printed_length())
    intended = np.interp(borders, pair.radius_mm, pair.intended_length())
    return np.diff(printed) / widths, np.diff(intended) / widths


def _not_measured(ring: Ring, place: tuple[int, int]) -> RingScore:
    nothing = RingProfile(radius_mm=(), lab=(), intended_lab=(), standard_error_de00=())
    return RingScore(
        id=ring.id,
        kind=ring.kind,
        hue=ring.hue,
        sheet=place[0],
        tile=place[1],
        reach=None,
        evenness=None,
        profile=nothing,
        core_mm=None,
        fall_off_mm=None,
        delta_e00=DeltaEPair(intended=None),
        flags=("not-measured: the disc is not whole in the scan, or too coarsely scanned",),
    )


def error_de00(lab: Array, standard_error: Array) -> Array:
    """Return standard errors in CIELAB as one in ΔE00, axis by axis in quadrature, shape (n,)."""
    parts = [delta_e00(lab, lab + standard_error[:, c : c + 1] * np.eye(3)[c]) for c in range(3)]
    return np.asarray(np.sqrt(np.sum(np.square(parts), axis=0)))


def delta_e_summary(values: Array) -> DeltaE:
    """Return mean, 95th percentile and largest of ΔE00 values."""
    return DeltaE(mean=float(np.mean(values)), p95=float(np.percentile(values, 95)), max=float(np.max(values)))
