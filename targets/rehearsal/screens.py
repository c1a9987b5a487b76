"""Dots of ink: blue-noise screens, drops that scatter, and an uneven head.

A cell of the raster gets a drop of an ink or none. A drop is drawn on a grid of half cells: 3 by 3 of them, so that
solid ink leaves hardly any gap in spite of the scatter that shifts each. How much paper a share of drops covers, drops
lying on drops, is found once a printer by printing it, so that drops can be asked for by the cover they shall give.

Each ink's screen is as wide as a prime number of cells, and no two alike: over a common period each place of one meets
each place of the other exactly once, so that covers multiply (Demichel).
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np
from numpy.typing import NDArray
from pydantic import Field
from pydantic.dataclasses import dataclass as checked

from .layers import generator

__all__ = ["DropScatter", "Screen", "blue_noise", "drops_for", "lay_drops", "screen_sizes", "solid_cover"]

Array = NDArray[np.float64]
Bits = NDArray[np.uint8]

LEVELS: Final = 65535
"""Levels of a screen's thresholds: a cell gets a drop where the amount asked for is above its threshold."""
MARGIN: Final = 3
"""Half cells that a drop may reach beyond its cell to the left and up; to the right and down one more."""

_SIZES: Final = (61, 67, 71, 73, 59, 79, 83)  # primes about 64: some 4000 levels; the period is 2 mm at 720 dpi
_FIRST_SHARE: Final = 0.1  # of cells in void and cluster's first pattern (Ulichney 1993)
_SPREAD: Final = 1.5  # sigma of its Gaussian in cells (Ulichney 1993)
_GAIN_STEP: Final = 0.005
_GAINS: Final = 41  # drop volumes from 0.9 to 1.1
_POOL: Final = 1 << 16
_TRIAL_TILES: Final = 10
_TRIAL_LEVELS: Final = 33
_FINE_LEVELS: Final = 4097
_TRIAL_SEED: Final = 1


@checked(frozen=True, kw_only=True, slots=True)
class Screen:
    """How dots are laid.

    Parameters
    ----------
    dpi
        Cells per inch.
    scatter_um
        Standard deviation of a drop's place, along either axis.
    head_mm
        Length of the head along y: rows this far apart come from the same nozzle.
    head_smooth, head_random
        Unevenness of the head as standard deviations of drop volume: two waves along the head, and nozzle by nozzle.
        The head belongs to the printer: it is the same on every print, though not where on the paper it begins.
    """

    dpi: Annotated[int, Field(ge=360, le=1440)] = 720
    scatter_um: Annotated[float, Field(ge=0, le=15)] = 5.0
    head_mm: Annotated[float, Field(ge=1)] = 25.4
    head_smooth: Annotated[float, Field(ge=0, le=0.04)] = 0.01
    head_random: Annotated[float, Field(ge=0, le=0.04)] = 0.02


def screen_sizes(inks: int) -> tuple[int, ...]:
    """Return the side in cells of each ink's screen."""
    return _SIZES[:inks]


@functools.lru_cache(maxsize=16)
def blue_noise(size: int) -> NDArray[np.uint16]:
    """Return thresholds (size, size), 0 to `LEVELS` - 1, evenly spread, by void and cluster.

    R. Ulichney, "The void-and-cluster method for dither array generation", Proc. SPIE 1913 (1993), 332-343. Its third
    phase, the tightest cluster of empty cells, is the largest void of full ones: the two energies add up to a constant.
    """
    distance = np.minimum(np.arange(size), size - np.arange(size))
    kernel = np.exp(-(distance[:, None] ** 2 + distance**2) / (2 * _SPREAD**2))
    wide = np.tile(kernel, (2, 2))
    cells = size * size
    full = np.zeros(cells, dtype=np.bool_)
    full[np.random.default_rng(size).choice(cells, int(_FIRST_SHARE * cells), replace=False)] = True

    def energy_of(cell: int) -> Array:
        row, column = divmod(cell, size)
        return wide[size - row : 2 * size - row, size - column : 2 * size - column]

    energy = np.zeros((size, size))
    for seeded in np.flatnonzero(full).tolist():
        energy += energy_of(seeded)
    flat = energy.ravel()

    def cluster() -> int:
        return int(np.argmax(np.where(full, flat, -np.inf)))

    def void() -> int:
        return int(np.argmin(np.where(full, np.inf, flat)))

    def move(cell: int, filled: bool) -> None:
        full[cell] = filled
        np.add(energy, energy_of(cell) if filled else -energy_of(cell), out=energy)

    while True:  # spread the first pattern until the tightest cluster would come back to the largest void
        tightest = cluster()
        move(tightest, False)
        largest = void()
        move(largest, True)
        if tightest == largest:
            break
    rank = np.zeros(cells, dtype=np.int64)
    start, first = full.copy(), energy.copy()
    for number in range(int(full.sum()) - 1, -1, -1):
        cell = cluster()
        rank[cell] = number
        move(cell, False)
    full[:], energy[:] = start, first
    for number in range(int(full.sum()), cells):
        cell = void()
        rank[cell] = number
        move(cell, True)
    return np.floor((rank.reshape(size, size) + 0.5) / cells * LEVELS).astype(np.uint16)


@dataclass(frozen=True, slots=True, eq=False)
class DropScatter:
    """Shapes of drops, drawn once a print: a bit for each half cell from `MARGIN` before a cell's own to four beyond.

    Attributes
    ----------
    across, down
        (volumes, many) the half columns and half rows that a drop lies on.
    """

    across: Bits
    down: Bits

    @classmethod
    def draw(cls, screen: Screen, rng: np.random.Generator) -> DropScatter:
        """Draw drops of every volume, `_GAIN_STEP` apart."""
        half_cell_um = 25400.0 / screen.dpi / 2
        shapes = (_GAINS, _POOL)
        volume = 1.0 + _GAIN_STEP * (np.arange(_GAINS) - _GAINS // 2)[:, None]
        # a drop of 9 half cells; of 12 or of 6 as often as the volume wants it
        odd = rng.random(shapes)
        wide = rng.random(shapes) < 0.5
        large, small = odd < 9 * (volume - 1) / 3, odd < 9 * (1 - volume) / 3
        masks = []
        for turned in (wide, ~wide):
            length = 3 + (large & turned).astype(int) - (small & turned)
            # its middle is the cell's middle, or half a half cell to either side
            start = 1 - length // 2 - ((length == 3) & (rng.random(shapes) < 0.5))
            start = start + np.rint(screen.scatter_um / half_cell_um * rng.standard_normal(shapes)).astype(int)
            start = np.clip(start, -MARGIN, 5 - length)
            masks.append((((1 << length) - 1) << (start + MARGIN)).astype(np.uint8))
        return cls(*masks)


def head_volumes(screen: Screen, ink: int) -> NDArray[np.intp]:
    """Return the volume of each nozzle of one ink's head, as a row of `DropScatter`; 1 on average."""
    nozzles = max(round(screen.head_mm / 25.4 * screen.dpi), 1)
    rng = np.random.default_rng((ink, nozzles))
    place = np.arange(nozzles) / nozzles
    smooth = sum(np.sin(2 * np.pi * (waves * place + rng.random())) for waves in (1, 2))
    volume = screen.head_smooth * smooth + screen.head_random * rng.standard_normal(nozzles)
    volume -= volume.mean()
    # to whole steps by chance, so that small unevenness is not lost
    steps = np.floor(volume / _GAIN_STEP + rng.random(nozzles)).astype(np.intp)
    return np.clip(steps + _GAINS // 2, 0, _GAINS - 1)


def lay_drops(page: Bits, drops: NDArray[np.bool_], across: Bits, down: Bits, ink: int) -> None:
    """Set an ink's bit wherever its drops lie, in place.

    Parameters
    ----------
    page
        (2 rows + 8, 2 columns + 8) half cells; the first cell's own begin at (`MARGIN`, `MARGIN`).
    drops, across, down
        (rows, columns) whether a cell gets a drop, and the drop's shape.
    """
    rows, columns = drops.shape
    lines = down * drops
    spread = np.zeros((rows, page.shape[1]), dtype=np.uint8)
    for bit in range(8):
        spread[:, bit : bit + 2 * columns : 2] |= lines * ((across >> bit) & 1)
    for bit in range(8):
        page[bit : bit + 2 * rows : 2] |= ((spread >> bit) & 1) << ink


@functools.lru_cache(maxsize=4)
def _trial_scatter(screen: Screen) -> DropScatter:
    return DropScatter.draw(screen, np.random.default_rng(_TRIAL_SEED))


@functools.lru_cache(maxsize=64)
def _covers(screen: Screen, ink: int) -> tuple[Array, Array]:
    """Return shares of cells with drops, and the shares of paper that they cover on average, both from 0 up."""
    from scipy.interpolate import PchipInterpolator

    size = _SIZES[ink]
    thresholds = np.tile(blue_noise(size), (_TRIAL_TILES, _TRIAL_TILES))
    rng = np.random.default_rng((_TRIAL_SEED, ink))
    scatter = _trial_scatter(screen)
    head = np.sort(head_volumes(screen, ink))  # all of it in fair shares
    volumes = rng.permutation(head[np.linspace(0, len(head) - 1, len(thresholds)).astype(np.intp)])
    place = rng.integers(0, _POOL, thresholds.shape)
    across, down = scatter.across[volumes[:, None], place], scatter.down[volumes[:, None], place]
    # closer together towards solid, where covers bend most
    share = np.sin(np.linspace(0.0, np.pi / 2, _TRIAL_LEVELS))
    covered = np.zeros(_TRIAL_LEVELS)
    for number in range(1, _TRIAL_LEVELS):
        page = np.zeros([2 * len(thresholds) + 8] * 2, dtype=np.uint8)
        lay_drops(page, thresholds < share[number] * LEVELS, across, down, 0)
        # what hangs over one side belongs to the other: the trial is a torus
        edge = 2 * len(thresholds)
        page[:8] |= page[edge:]
        page[:, :8] |= page[:, edge:]
        covered[number] = page[:edge, :edge].mean()
    fine = np.linspace(0.0, 1.0, _FINE_LEVELS)
    return fine, PchipInterpolator(share, covered)(fine)


def solid_cover(screen: Screen, inks: int) -> Array:
    """Return the share of paper that each ink covers where every cell has a drop: a little less than 1."""
    return np.array([_covers(screen, ink)[1][-1] for ink in range(inks)])


def drops_for(screen: Screen, covers: Array) -> NDArray[np.uint16]:
    """Return amounts (n, inks), 0 to `LEVELS`, whose drops cover a share of the paper (n, inks) on average."""
    shares = [np.interp(column, *_covers(screen, ink)[::-1]) for ink, column in enumerate(covers.T)]
    amounts: NDArray[np.uint16] = np.rint(np.clip(np.stack(shares, axis=-1), 0.0, 1.0) * LEVELS).astype(np.uint16)
    return amounts


def drop_stream(seed: int, *block: int) -> np.random.Generator:
    """Return the random stream of a print's drops."""
    return generator(seed, "drops", *block)
