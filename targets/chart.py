"""Charts as files: the key, and one 16-bit RGB TIFF a sheet with its space's ICC profile."""

from __future__ import annotations

import functools
import os
import zlib
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Final

from .key import Key, Sheet
from .layout import lay_out
from .recipe import Recipe
from .render import SheetPainter
from .spaces import icc_profile
from .values import read_value

__all__ = ["build_key", "read_key", "write_chart", "write_sheet"]

_ROWS_PER_STRIP: Final = 64
_DEFLATE_LEVEL: Final = 1
_THREADS: Final = 2


@functools.lru_cache(maxsize=16)
def build_key(recipe: Recipe) -> Key:
    """Return the key of a recipe: where everything lies and what colour it is asked to have."""
    return Key(
        chart=recipe.chart_id,
        space=recipe.space,
        path="even" if recipe.path == "even" else "straight",
        dpi=recipe.dpi,
        recipe=recipe.text,
        sheets=lay_out(recipe),
    )


def read_key(path: Path) -> Key:
    """Read a key from its JSON file.

    Raises
    ------
    CannotMeasureError
        If the file cannot be read or is not a key.
    """
    return read_value(path, Key, "key", " of an inkstrain chart. 'inkstrain make' writes one beside the chart.")


def write_chart(recipe: Recipe, folder: Path, progress: Callable[[str, float], None] | None = None) -> tuple[Path, ...]:
    """Write a chart's sheets and its key into a folder, which is made if need be; return the paths, key last.

    Parameters
    ----------
    progress
        Called with the sheet's file name and the share of it that is done, 0 to 1.
    """
    key = build_key(recipe)
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for sheet in key.sheets:
        paths.append(folder / sheet.file)
        write_sheet(recipe, sheet, paths[-1], progress)
    paths.append(folder / f"{key.chart}.key.json")
    _replace(paths[-1], lambda part: part.write_text(key.model_dump_json(indent=1) + "\n", encoding="utf-8"))
    return tuple(paths)


def write_sheet(recipe: Recipe, sheet: Sheet, path: Path, progress: Callable[[str, float], None] | None = None) -> None:
    """Write one sheet strip by strip: Deflate (TIFF 6.0 and its supplement 2), horizontal predictor, true size."""
    import tifffile

    painter = SheetPainter(sheet, recipe, recipe.dpi)

    def write(part: Path) -> None:
        tifffile.imwrite(
            part,
            _packed_strips(painter, progress and functools.partial(progress, sheet.file)),
            shape=(painter.height_px, painter.width_px, 3),
            dtype="<u2",
            byteorder="<",
            photometric="rgb",
            rowsperstrip=_ROWS_PER_STRIP,
            compression="zlib",
            predictor=True,
            resolution=(recipe.dpi, recipe.dpi),
            resolutionunit="INCH",
            iccprofile=icc_profile(recipe.space),
            description=recipe.text,
            software="inkstrain",
            metadata=None,
        )

    _replace(path, write)


def _packed_strips(painter: SheetPainter, progress: Callable[[float], None] | None) -> Iterator[bytes]:
    """Paint and compress strips in two threads, a few ahead, in order: tifffile takes encoded strips as bytes."""
    starts = range(0, painter.height_px, _ROWS_PER_STRIP)
    waiting: deque[Future[bytes]] = deque()
    with ThreadPoolExecutor(_THREADS) as pool:
        for done, row in enumerate(starts, start=1):
            waiting.append(pool.submit(_pack, painter, row))
            if len(waiting) > 2 * _THREADS:
                yield waiting.popleft().result()
                if progress is not None:
                    progress(done / len(starts))
        while waiting:
            yield waiting.popleft().result()
    if progress is not None:
        progress(1.0)


def _pack(painter: SheetPainter, row: int) -> bytes:
    pixels = painter.rows(row, min(row + _ROWS_PER_STRIP, painter.height_px))
    packed = pixels.copy()
    packed[:, 1:] -= pixels[:, :-1]  # TIFF 6.0, section 14: differences wrap around
    return zlib.compress(packed.astype("<u2", copy=False).data, _DEFLATE_LEVEL)


def _replace(path: Path, write: Callable[[Path], object]) -> None:
    """Write beside a path, then put in place: what stands there is whole, old or new."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        write(part)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)
