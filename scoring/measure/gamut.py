"""Colour volume: how much of CIELAB a print filled, sampled by the chart's own rings.

Every ring runs over the surface of the file's colour space, from a pure hue straight to white or to black, so that the
rings of all hues together are a net over the surface of what was printed. The net's triangles enclose the volume. What
it misses between hues is foretold from the print: the file's colours there are known, and what the print makes of a
colour is taken to go evenly from hue to hue. How well that holds is seen by foretelling every second hue of the net
from the others.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import delta_e00
from inkstrain.targets.key import Ring
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rings import hue_names, make_ring, ring_lab

from ..results.score import ColourVolume, HueChroma, RingScore
from .course import RESOLUTION_MM

__all__ = ["LEVELS_L", "Net", "colour_volume", "mesh_volume"]

Array = NDArray[np.float64]

LEVELS_L: Final = (25.0, 50.0, 75.0)
"""Lightnesses at which chroma is given for each hue."""

_ALONG: Final = 48  # places along each ring
_FINE_HUES: Final = 36
_POINTS: Final = 1500
_A_LITTLE: Final = 0.05  # CIELAB, to take slopes by
_HALVED: Final = 4.0  # what straight lines between hues miss, by what they miss when these are half as many: 2 squared


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

    def slopes(self) -> Array:
        """Return by how much the volume changes, but for its sign, as each colour moves along each axis, like `lab`."""
        corners, triangles = self.corners_and_triangles()
        found = np.zeros_like(corners)
        for i in range(3):
            second, third = (corners[triangles[:, (i + k) % 3]] for k in (1, 2))
            np.add.at(found, triangles[:, i], np.cross(second, third) / 6.0)
        found = found.reshape(self.lab.shape)
        # the ends of all hues are one
        found[:, 0], found[:, -1] = found[:, 0].mean(axis=0), found[:, -1].mean(axis=0)
        return found

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
    printed, asked = Net(_net(pairs, "lab", recipe)), Net(_net(pairs, "intended_lab", recipe))
    volume = printed.volume()
    coverage = None
    if all(ring.course.attainable_lab for pair in pairs.values() for ring in pair):
        inside = _inside(Net(_net(pairs, "attainable_lab", recipe)), np.random.default_rng(seed))
        coverage = float(printed.holds(inside).mean()) if len(inside) else None
    return ColourVolume(
        volume=volume,
        standard_error=_standard_error(printed, pairs),
        between_hues=_between_hues(printed, asked, list(pairs), recipe),
        of_asked=volume / asked.volume(),
        coverage=coverage,
        chroma=tuple(
            HueChroma(hue=hue, level_l=level, chroma=float(c), asked_chroma=_or_none(asked_c), hue_deg=float(h))
            for level in LEVELS_L
            for hue, (c, h), (asked_c, _) in zip(pairs, printed.chroma_at(level), asked.chroma_at(level), strict=True)
            if np.isfinite(c)
        ),
    )


def _standard_error(printed: Net, pairs: Mapping[str, tuple[RingScore, RingScore]]) -> float:
    """Return the standard error of a volume from those of the rings it is made of.

    Every ring is moved as a whole along each axis by its median error: what all its colours share is what a volume
    feels, and of single colours' errors no more than that is left (JCGM 100:2008, 5.1.2).
    """
    error = np.array([[_errors(ring) for ring in pair] for pair in pairs.values()])
    slopes = printed.slopes()
    slope = np.stack([part.sum(axis=1) for part in (slopes[:, :_ALONG], slopes[:, _ALONG:])], axis=1)
    return float(np.linalg.norm(slope * error))


def _errors(ring: RingScore) -> Array:
    """Return a ring's median standard errors along L*, a* and b*, (3,): equal parts of its ΔE00."""
    lab, error = np.array(ring.course.lab), np.array(ring.course.standard_error_de00)
    a_unit = [np.asarray(delta_e00(lab, lab + _A_LITTLE * step)) / _A_LITTLE for step in np.eye(3)]
    return np.array([np.median(error / np.sqrt(3.0) / each) for each in a_unit])


def _between_hues(printed: Net, asked: Net, hues: Sequence[str], recipe: Recipe) -> float:
    """Return what a net may miss between its hues: what is foretold, and how far foretelling is wrong."""
    angle_of = dict(hue_names(recipe.hues))
    angle = np.array([angle_of[hue] for hue in hues])
    change = printed.lab - asked.lab
    fine, fine_deg = _file_net(recipe)
    foretold = Net(fine.lab + _between(change, angle, fine_deg)).volume()
    wrong = []
    for first in (0, 1):
        others = slice(first, None, 2)
        from_others = Net(asked.lab + _between(change[others], angle[others], angle))
        wrong.append(abs(from_others.volume() - printed.volume()))
    return abs(foretold - printed.volume()) + max(wrong) / _HALVED


def _between(values: Array, angle_deg: Array, at_deg: Array) -> Array:
    """Return values (n, ...) at hues (n,) interpolated at others, (m,), round the circle."""
    closed = np.concatenate([values, values[:1]])
    border = np.append(angle_deg, angle_deg[0] + 360.0)
    place = np.interp((at_deg - border[0]) % 360.0 + border[0], border, np.arange(len(border)))
    before = np.minimum(place.astype(np.intp), len(values) - 1)
    part = (place - before)[:, None, None]
    return np.asarray(closed[before] * (1.0 - part) + closed[before + 1] * part)


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _pairs(rings: Sequence[RingScore], recipe: Recipe) -> dict[str, tuple[RingScore, RingScore]]:
    """Return the rings to black and to white by hue, in order round the hue circle, where both were measured."""
    by_hue: dict[str, dict[str, RingScore]] = {}
    for ring in rings:
        if ring.course.radius_mm:
            by_hue.setdefault(ring.hue, {})[ring.kind] = ring
    known = [name for name, _ in sorted(hue_names(recipe.hues), key=lambda named: named[1])]
    return {
        hue: (by_hue[hue]["ring-to-black"], by_hue[hue]["ring-to-white"])
        for hue in known
        if len(by_hue.get(hue, {})) == 2
    }


def _net(pairs: Mapping[str, tuple[RingScore, RingScore]], what: str, recipe: Recipe) -> Array:
    rings = _rings_of(recipe)
    return np.array(
        [
            np.concatenate([_along(black, what, rings[black.id]), _along(white, what, rings[white.id])[::-1]])
            for black, white in pairs.values()
        ]
    )


def _along(score: RingScore, what: str, ring: Ring) -> Array:
    """Return a ring's colours from hub to rim, (`_ALONG`, 3)."""
    lab, radius = np.array(getattr(score.course, what)), np.array(score.course.radius_mm)
    return np.stack([np.interp(_places(ring), radius, lab[:, i]) for i in range(3)], axis=-1)


def _places(ring: Ring) -> Array:
    """Return even radii along a ramp and what the resolution smears of its ends."""
    reach = 3.0 * RESOLUTION_MM
    return np.linspace(ring.ramp_mm[0] - reach, ring.ramp_mm[1] + reach, _ALONG)


@functools.lru_cache(maxsize=8)
def _rings_of(recipe: Recipe) -> dict[str, Ring]:
    tiles = (tile for sheet in build_key(recipe).sheets for tile in sheet.tiles)
    return {element.id: element for tile in tiles for element in tile.elements if isinstance(element, Ring)}


@functools.lru_cache(maxsize=8)
def _file_net(recipe: Recipe) -> tuple[Net, Array]:
    """Return the net of the file's own space with many hues, and these."""
    radius_mm = next(iter(_rings_of(recipe).values())).radius_mm

    def path(kind: Literal["ring-to-black", "ring-to-white"], name: str, angle: float) -> Array:
        ring = make_ring(kind, name, angle, (0.0, 0.0), radius_mm)
        return ring_lab(ring, recipe, _places(ring))

    hues = sorted(hue_names(_FINE_HUES), key=lambda named: named[1])
    nets = [np.concatenate([path("ring-to-black", *hue), path("ring-to-white", *hue)[::-1]]) for hue in hues]
    return Net(np.array(nets)), np.array([angle for _, angle in hues])


def _inside(net: Net, rng: np.random.Generator) -> Array:
    """Return random points inside a net."""
    corners = net.lab.reshape(-1, 3)
    points = rng.uniform(corners.min(axis=0), corners.max(axis=0), (_POINTS, 3))
    return np.asarray(points[net.holds(points)])
