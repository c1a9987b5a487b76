"""Colour volume: how much of CIELAB a print filled, sampled by the chart's own rings.

Every ring runs over the surface of the file's colour space, from a pure hue straight to white or to black, so that the
rings of all hues together are a net over the surface of what was printed. The net's triangles enclose the volume; how
much is lost between hues is known from the file's own colours, netted as coarsely, and is part of the uncertainty.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inkstrain.targets.key import Ring
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rings import hue_names, make_ring, ring_lab

from .model import ColourVolume, HueChroma, RingScore

__all__ = ["LEVELS_L", "Net", "colour_volume", "mesh_volume"]

Array = NDArray[np.float64]

LEVELS_L: Final = (25.0, 50.0, 75.0)
"""Lightnesses at which chroma is given for each hue."""

_ALONG: Final = 48  # places along each ring
_FINE_HUES: Final = 36
_POINTS: Final = 1500
_TRIALS: Final = 12
_RADIUS_MM: Final = 19.0


def mesh_volume(corners: ArrayLike, triangles: ArrayLike) -> float:
    """Return the volume enclosed by a closed surface of triangles (divergence theorem), whichever way they turn.

    Parameters
    ----------
    corners
        (n, 3).
    triangles
        (m, 3) rows of `corners`, all turning the same way seen from outside.
    """
    a, b, c = (np.asarray(corners, dtype=np.float64)[np.asarray(triangles)[:, i]] for i in range(3))
    return abs(float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum()) / 6.0)


@dataclass(frozen=True, slots=True)
class Net:
    """Colours over the surface of a gamut: (hues, places, 3), black first, pure hue in the middle, white last."""

    lab: Array

    def corners_and_triangles(self) -> tuple[Array, NDArray[np.intp]]:
        """Return the net as a closed surface; the ends of all hues are drawn together to one black and one white."""
        hues, places = self.lab.shape[:2]
        lab = self.lab.copy()
        lab[:, 0], lab[:, -1] = lab[:, 0].mean(axis=0), lab[:, -1].mean(axis=0)
        i, j = np.meshgrid(np.arange(hues), np.arange(places - 1), indexing="ij")
        here, there = i * places + j, (i + 1) % hues * places + j
        triangles = np.concatenate(
            [
                np.stack([here, there, there + 1], axis=-1).reshape(-1, 3),
                np.stack([here, there + 1, here + 1], axis=-1).reshape(-1, 3),
            ]
        )
        return lab.reshape(-1, 3), triangles

    def volume(self) -> float:
        """Return the enclosed volume in CIELAB."""
        return mesh_volume(*self.corners_and_triangles())

    def holds(self, points: ArrayLike) -> NDArray[np.bool_]:
        """Tell which points (n, 3) lie inside: those that the surface winds around (van Oosterom & Strackee 1983)."""
        corners, triangles = self.corners_and_triangles()
        points = np.asarray(points, dtype=np.float64)
        winding = np.zeros(len(points))
        for start in range(0, len(points), 256):
            part = points[start : start + 256, None]
            a, b, c = (corners[triangles[:, i]] - part for i in range(3))
            la, lb, lc = (np.linalg.norm(side, axis=-1) for side in (a, b, c))
            over = np.einsum("ijk,ijk->ij", a, np.cross(b, c))
            under = (
                la * lb * lc
                + np.einsum("ijk,ijk->ij", a, b) * lc
                + np.einsum("ijk,ijk->ij", b, c) * la
                + np.einsum("ijk,ijk->ij", c, a) * lb
            )
            winding[start : start + 256] = 2.0 * np.arctan2(over, under).sum(axis=1) / (4.0 * np.pi)
        return np.abs(winding) > 0.5

    def chroma_at(self, level_l: float) -> Array:
        """Return, for each hue, the largest chroma its ring has at a lightness and its CIELAB hue there, (hues, 2)."""
        found = np.full((len(self.lab), 2), np.nan)
        for index, lab in enumerate(self.lab):
            crossing = np.flatnonzero((lab[:-1, 0] - level_l) * (lab[1:, 0] - level_l) <= 0)
            best = -1.0
            for k in crossing:
                rise = lab[k + 1, 0] - lab[k, 0]
                part = 0.0 if rise == 0 else (level_l - lab[k, 0]) / rise
                a, b = lab[k, 1:] + part * (lab[k + 1, 1:] - lab[k, 1:])
                if np.hypot(a, b) > best:
                    best = float(np.hypot(a, b))
                    found[index] = best, np.degrees(np.arctan2(b, a)) % 360.0
        return found


def colour_volume(rings: Sequence[RingScore], recipe: Recipe, seed: int = 0) -> ColourVolume | None:
    """Return the volume that the rings of a score enclose; ``None`` without both rings of at least three hues.

    Parameters
    ----------
    rings
        With attainable colours, coverage of the attainable gamut is given as well.
    seed
        Of the points that coverage is counted with.
    """
    pairs = _pairs(rings, recipe)
    if len(pairs) < 3:
        return None
    printed = Net(_net(pairs, "lab"))
    asked = Net(_net(pairs, "intended_lab"))
    fine = _file_net(recipe)
    volume = printed.volume()
    lost = abs(1.0 - asked.volume() / fine.volume())
    rng = np.random.default_rng(seed)
    error = np.array([[np.median(ring.profile.standard_error_de00) for ring in pair] for pair in pairs.values()]).max()
    # errors that all colours of a ring share are what a volume feels; those of single bins average out
    jittered = [
        Net(printed.lab + rng.normal(0.0, error, (len(pairs), 1, 3))).volume() for _ in range(_TRIALS if error else 0)
    ]
    coverage = None
    if all(ring.profile.attainable_lab for pair in pairs.values() for ring in pair):
        attainable = Net(_net(pairs, "attainable_lab"))
        inside = _inside(attainable, rng)
        coverage = float(printed.holds(inside).mean()) if len(inside) else None
    return ColourVolume(
        volume=volume,
        standard_error=float(np.std(jittered)) if jittered else 0.0,
        between_hues=lost * volume,
        of_asked=volume / asked.volume(),
        coverage=coverage,
        chroma=tuple(
            HueChroma(hue=hue, level_l=level, chroma=float(c), asked_chroma=_or_none(asked_c), hue_deg=float(h))
            for level in LEVELS_L
            for hue, (c, h), (asked_c, _) in zip(pairs, printed.chroma_at(level), asked.chroma_at(level), strict=True)
            if np.isfinite(c)
        ),
    )


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _pairs(rings: Sequence[RingScore], recipe: Recipe) -> dict[str, tuple[RingScore, RingScore]]:
    """Return the rings to black and to white by hue, in order round the hue circle, where both were measured."""
    by_hue: dict[str, dict[str, RingScore]] = {}
    for ring in rings:
        if ring.profile.radius_mm:
            by_hue.setdefault(ring.hue, {})[ring.kind] = ring
    known = [name for name, _ in sorted(hue_names(recipe.hues), key=lambda named: named[1])]
    return {
        hue: (by_hue[hue]["ring-to-black"], by_hue[hue]["ring-to-white"])
        for hue in known
        if len(by_hue.get(hue, {})) == 2
    }


def _net(pairs: Mapping[str, tuple[RingScore, RingScore]], what: str) -> Array:
    return np.array(
        [np.concatenate([_along(black, what), _along(white, what)[::-1]]) for black, white in pairs.values()]
    )


def _along(ring: RingScore, what: str) -> Array:
    """Return a ring's colours at even places from the hub outwards, (`_ALONG`, 3)."""
    lab = np.array(getattr(ring.profile, what))
    places = np.linspace(0, len(lab) - 1, _ALONG)
    return np.stack([np.interp(places, np.arange(len(lab)), lab[:, i]) for i in range(3)], axis=-1)


@functools.lru_cache(maxsize=8)
def _file_net(recipe: Recipe) -> Net:
    """Return the net of the file's own space with many hues."""

    def path(ring: Ring) -> Array:
        return ring_lab(ring, recipe, np.linspace(*ring.ramp_mm, _ALONG))

    nets = []
    for name, angle in hue_names(_FINE_HUES):
        black = path(make_ring("ring-to-black", name, angle, (0.0, 0.0), _RADIUS_MM))
        white = path(make_ring("ring-to-white", name, angle, (0.0, 0.0), _RADIUS_MM))
        nets.append(np.concatenate([black, white[::-1]]))
    return Net(np.array(nets))


def _inside(net: Net, rng: np.random.Generator) -> Array:
    """Return random points inside a net."""
    corners = net.lab.reshape(-1, 3)
    points = rng.uniform(corners.min(axis=0), corners.max(axis=0), (_POINTS, 3))
    return np.asarray(points[net.holds(points)])
