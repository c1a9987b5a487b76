"""Bringing colours into a printer's gamut, in IPT, whose hue is the straightest ruler at hand.

Clipping is the nearest colour that the inks can make, a miss in hue weighing most: in-gamut colours stay what they are.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

__all__ = ["amounts_for", "compress_chroma"]

Array = NDArray[np.float64]
Forward = Callable[[Array], Array]

_HUE_WEIGHT: Final = 4.0
_CHROMA_WEIGHT: Final = 0.7
_NEUTRAL_BELOW: Final = 0.06
_ROUNDS: Final = 40
_GRID: Final = 9
_LEVELS: Final = 41
_SMOOTH_LEVELS: Final = 2.0
_SMOOTH_HUES: Final = 1.0


def amounts_for(ipt: Array, forward: Forward) -> Array:
    """Return ink amounts (n, 3), 0 to 1, that make IPT colours (n, 3), or the nearest that can be made.

    Levenberg-Marquardt within the unit cube on all colours at once, each started from the nearest of 9³ prints.
    """
    axis = np.linspace(0.0, 1.0, _GRID)
    grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    axes = _axes(ipt)
    amounts = grid[_nearest(ipt, axes, forward(grid))]
    damping = np.full(len(ipt), 1e-3)
    miss = _miss(ipt, axes, forward(amounts))
    live = np.arange(len(ipt))
    for _ in range(_ROUNDS):
        if not live.size:
            break
        jacobian = _jacobian(ipt[live], axes[live], amounts[live], forward)
        step = _bounded_step(jacobian, miss[live], amounts[live], damping[live])
        tried = np.clip(amounts[live] + step, 0.0, 1.0)
        new = _miss(ipt[live], axes[live], forward(tried))
        cost, cost_new = (miss[live] ** 2).sum(axis=1), (new**2).sum(axis=1)
        better = cost_new < cost
        damping[live] = np.where(better, damping[live] * 0.3, damping[live] * 6.0)
        amounts[live[better]], miss[live[better]] = tried[better], new[better]
        gained = np.where(better, cost - cost_new, np.inf)
        settled = (np.minimum(cost, cost_new) < 1e-12) | (gained < 1e-13) | (damping[live] > 1e6)
        live = live[~settled]
    return amounts


def _axes(ipt: Array) -> Array:
    """Return weighted axes (n, 3, 3) of lightness, chroma and hue about each colour; neutral ones have no hue."""
    chroma = np.hypot(ipt[:, 1], ipt[:, 2])
    safe = np.maximum(chroma, 1e-9)
    c, s = ipt[:, 1] / safe, ipt[:, 2] / safe
    hued = np.clip(chroma / _NEUTRAL_BELOW, 0.0, 1.0)
    along = 1.0 + hued * (_CHROMA_WEIGHT - 1.0)
    across = 1.0 + hued * (_HUE_WEIGHT - 1.0)
    axes = np.zeros((len(ipt), 3, 3))
    axes[:, 0, 0] = 1.0
    axes[:, 1, 1], axes[:, 1, 2] = along * c, along * s
    axes[:, 2, 1], axes[:, 2, 2] = -across * s, across * c
    return axes


def _miss(ipt: Array, axes: Array, made: Array) -> Array:
    return np.asarray(np.einsum("nij,nj->ni", axes, made - ipt))


def _nearest(ipt: Array, axes: Array, made: Array) -> NDArray[np.intp]:
    found = np.empty(len(ipt), dtype=np.intp)
    for start in range(0, len(ipt), 512):
        part = slice(start, start + 512)
        miss = np.einsum("nij,nmj->nmi", axes[part], made[None] - ipt[part][:, None])
        found[part] = (miss**2).sum(axis=2).argmin(axis=1)
    return found


def _jacobian(ipt: Array, axes: Array, amounts: Array, forward: Forward) -> Array:
    h = 1e-4
    columns = []
    for i in range(3):
        up, down = amounts.copy(), amounts.copy()
        up[:, i] = np.minimum(up[:, i] + h, 1.0)
        down[:, i] = np.maximum(down[:, i] - h, 0.0)
        width = (up[:, i] - down[:, i])[:, None]
        columns.append((_miss(ipt, axes, forward(up)) - _miss(ipt, axes, forward(down))) / width)
    return np.stack(columns, axis=2)


def _bounded_step(jacobian: Array, miss: Array, amounts: Array, damping: Array) -> Array:
    """Return a damped step; amounts that stand at a bound and would leave it are held there."""
    gradient = np.einsum("nij,ni->nj", jacobian, miss)
    held = ((amounts <= 0.0) & (gradient > 0.0)) | ((amounts >= 1.0) & (gradient < 0.0))
    free = np.where(held[:, None, :], 0.0, jacobian)
    normal = np.einsum("nki,nkj->nij", free, free)
    diagonal = np.einsum("nii->ni", normal)
    normal = normal + np.eye(3) * (damping[:, None] * (diagonal + 1e-6) + held + 1e-12)[:, :, None]
    return np.asarray(np.linalg.solve(normal, -np.where(held, 0.0, gradient)[..., None])[..., 0])


def compress_chroma(ipt: Array, surface: Array, made: Array, *, whole: bool) -> Array:
    """Move colours so that the surface of the file's gamut lands on the printer's, all others following smoothly.

    Parameters
    ----------
    ipt
        (n, 3) colours.
    surface, made
        (hues, levels, 3) the file's purest hues, once round, each from black through itself to white, and what the
        printer makes of them.
    whole
        True compresses by a curve that leaves pale colours nearly alone (perceptual); False in proportion
        (saturation).
    """
    levels = np.linspace(0.0, 1.0, _LEVELS)
    chroma, made_chroma = (np.hypot(s[..., 1], s[..., 2]) for s in (surface, made))
    ratio = np.clip(chroma / np.maximum(made_chroma, 1e-3), 1.0, 4.0)
    tables = []
    for values in (ratio, chroma, made[..., 0] - surface[..., 0]):
        even = [np.interp(levels, s[:, 0], row) for s, row in zip(surface, values, strict=True)]
        smooth = ndimage.gaussian_filter1d(np.array(even), _SMOOTH_LEVELS, axis=1, mode="nearest")
        tables.append(ndimage.gaussian_filter1d(smooth, _SMOOTH_HUES, axis=0, mode="wrap"))
    full = surface[np.arange(len(surface)), chroma.argmax(axis=1)]
    hue = np.unwrap(np.arctan2(full[:, 2], full[:, 1]))
    turns = np.concatenate([hue + 2 * np.pi * turn for turn in (-2, -1, 0, 1, 2)])
    rows = np.concatenate([np.arange(len(hue)) + turn * len(hue) for turn in (-2, -1, 0, 1, 2)])
    order = np.argsort(turns)
    row = np.interp(np.arctan2(ipt[:, 2], ipt[:, 1]), turns[order], rows[order]) % len(hue)
    places = np.stack([row, np.clip(ipt[:, 0], 0.0, 1.0) * (_LEVELS - 1)])
    at_ratio, at_chroma, shift = (ndimage.map_coordinates(table, places, order=1, mode="grid-wrap") for table in tables)
    reach = np.clip(np.hypot(ipt[:, 1], ipt[:, 2]) / np.maximum(at_chroma, 1e-6), 0.0, 1.2)
    factor = 1.0 / (1.0 + (at_ratio - 1.0) * reach) if whole else 1.0 / at_ratio
    out = ipt * np.stack([np.ones_like(factor), factor, factor], axis=-1)
    out[:, 0] += shift * reach**2
    return np.asarray(out)
