"""Where in a picture the difference lies: the worst window, and connected places that differ as seen."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import xyz_to_lab

from ..results.photos import Place, Worst
from .analyse import CLOSER_DE00, Looked
from .words import COLOUR_NAMES, colour_index, where_words

__all__ = ["find_closer", "find_places", "find_worst"]

Map = NDArray[np.float32]
Box = tuple[int, int, int, int]

_WINDOW: Final = 6  # of the longer side
_SEEN_DE00: Final = 2.0
_LEAST_SHARE: Final = 0.0005
_MOST_PLACES: Final = 5
_BRIDGE: Final = 1 / 160  # of the longer side: gaps narrower than this do not part a place


def find_worst(looked: Looked, width_px: int, height_px: int) -> Worst:
    """Return the window of a sixth of the longer side whose mean difference is largest."""
    return _highest(looked, looked.de00, width_px, height_px)


def find_closer(looked: Looked, width_px: int, height_px: int) -> tuple[Worst | None, Worst | None]:
    """Return for each side the window, as large, in which it is closest to what is asked beside the other.

    ``None`` where that is by less than `CLOSER_DE00` on average.
    """
    windows = [_highest(looked, way * looked.closer_de00, width_px, height_px) for way in (1.0, -1.0)]
    first, second = (window if window.mean_de00 >= CLOSER_DE00 else None for window in windows)
    return first, second


def _highest(looked: Looked, values: Map, width_px: int, height_px: int) -> Worst:
    """Return the window of a sixth of the longer side whose mean is largest."""
    rows, columns = values.shape
    side = max(1, round(max(rows, columns) / _WINDOW))
    high, wide = min(side, rows), min(side, columns)
    sums = np.pad(values.astype(np.float64), ((1, 0), (1, 0))).cumsum(axis=0).cumsum(axis=1)
    means = (sums[high:, wide:] - sums[:-high, wide:] - sums[high:, :-wide] + sums[:-high, :-wide]) / (high * wide)
    top, left = (int(i) for i in np.unravel_index(int(np.argmax(means)), means.shape))
    window = (slice(top, top + high), slice(left, left + wide))
    box = _box_px(window, looked.factor, width_px, height_px)
    return Worst(
        box_px=box, mean_de00=float(means[top, left]), where=where_words(box, width_px, height_px),
        colours=_colours(looked.xyz_b[(slice(None), *window)], np.maximum(values[window], 0.0)),
    )  # fmt: skip


def find_places(looked: Looked, width_px: int, height_px: int) -> tuple[Place, ...]:
    """Return connected places over 2 ΔE00 as seen, the weightiest first."""
    from scipy import ndimage

    over = looked.seen_de00 > _SEEN_DE00
    reach = max(1, round(max(over.shape) * _BRIDGE))
    joined = ndimage.binary_dilation(over, np.ones((2 * reach + 1, 2 * reach + 1), bool)) if over.any() else over
    labels, count = ndimage.label(joined)
    if not count:
        return ()
    labels[~over] = 0
    index = np.arange(1, count + 1)
    weight = ndimage.sum_labels(looked.seen_de00, labels, index)
    boxes = ndimage.find_objects(labels, max_label=count)
    places = []
    for which in np.argsort(-weight)[:_MOST_PLACES]:
        window = boxes[which]
        inside = labels[window] == which + 1
        share = float(inside.sum()) / over.size
        if share < _LEAST_SHARE:
            continue
        box = _box_px(window, looked.factor, width_px, height_px)
        seen = looked.seen_de00[window]
        places.append(
            Place(
                box_px=box,
                share=share,
                mean_de00=float(seen[inside].mean()),
                where=where_words(box, width_px, height_px),
                colours=_colours(looked.xyz_b[(slice(None), *window)], np.where(inside, seen, 0.0)),
            )
        )
    return tuple(places)


def _box_px(window: tuple[slice, slice], factor: int, width_px: int, height_px: int) -> Box:
    down, across = window
    x, y = across.start * factor, down.start * factor
    return x, y, min(across.stop * factor, width_px) - x, min(down.stop * factor, height_px) - y


def _colours(xyz: Map, weights: NDArray[np.float64] | Map) -> str:
    """Return the colour words with most weight."""
    names = colour_index(xyz_to_lab(np.moveaxis(xyz, 0, -1)))
    return COLOUR_NAMES[int(np.argmax(np.bincount(names.ravel(), np.ravel(weights), minlength=len(COLOUR_NAMES))))]
