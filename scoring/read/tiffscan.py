"""TIFF scans in windows: plain rows straight from the file, compressed strips and tiles through a cache."""

from __future__ import annotations

import logging
import threading
from collections import OrderedDict
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import tifffile

from inkstrain.targets.errors import CannotMeasureError

from .scanfile import WHOLE_LIMIT_BYTES, Header, Pixels, PixelSource, refuse, tidy_dpi, tidy_orientation

__all__ = ["open_tiff"]

_PHOTOMETRIC: Final = {  # TIFF 6.0, tag PhotometricInterpretation, and TIFF/EP
    0: "is grey", 1: "is grey", 3: "uses a palette", 4: "is a mask", 5: "is CMYK", 8: "is Lab", 9: "is Lab",
    10: "is Lab", 32803: "is undeveloped raw data",
}  # fmt: skip
_CACHE_BYTES: Final = 64 << 20
_SEGMENT_LIMIT_BYTES: Final = 3 * WHOLE_LIMIT_BYTES // 4  # packed bytes stand beside it
_PAGES: Final = 64  # a scan has one, with a few small pictures at most
_CHUNK_BYTES: Final = 4 << 20

# tifffile logs what it finds odd in a file; a person who scores a scan has no use for that
logging.getLogger("tifffile").addHandler(logging.NullHandler())


def open_tiff(path: Path, *, photograph: bool = False) -> tuple[Header, PixelSource]:
    """Return header and pixels of the one full-size picture in a TIFF file.

    Parameters
    ----------
    photograph
        Take grey (one channel, black at 0 only) and RGB with alpha as well; pixels then have 1, 3 or 4 channels.

    Raises
    ------
    CannotMeasureError
        If the picture is not RGB with 8 or 16 bits a channel, or the file holds several, or ends early.
    """
    tif = tifffile.TiffFile(path)
    try:
        page = _largest_page(path, tif)
        _check_kind(path, page, photograph)
        _check_complete(path, page, path.stat().st_size)
        header = _header(page)
        direct = page.compression == 1 and not page.is_tiled and page.fillorder == 1 and page.predictor == 1
        source: PixelSource = _Rows(path, page) if direct else _Segments(path, page)
    finally:
        tif.close()
    return header, source


def _largest_page(path: Path, tif: Any) -> Any:
    if len(tif.pages) > _PAGES:
        raise CannotMeasureError(f"{path} holds {len(tif.pages)} pictures. Save each scan as a file of its own.")
    pages = [page for page in tif.pages if isinstance(page, tifffile.TiffPage) or page.keyframe is not None]
    pages = [page if isinstance(page, tifffile.TiffPage) else page.aspage() for page in pages]
    if not pages:
        raise CannotMeasureError(f"{path} holds no picture. Save or copy the scan again.")
    areas = [page.imagewidth * page.imagelength for page in pages]
    alike = [page for page, area in zip(pages, areas, strict=True) if 2 * area > max(areas)]
    if len(alike) > 1:
        raise CannotMeasureError(
            f"{path} holds {len(alike)} pictures of like size. Save each scan as a file of its own."
        )
    return alike[0]


def _check_kind(path: Path, page: Any, photograph: bool) -> None:
    photometric = int(page.photometric)
    bits = page.bitspersample
    if bits == 1:
        raise refuse(path, "has 1 bit a pixel")
    grey = photograph and photometric == 1 and page.samplesperpixel == 1
    if photometric not in (2, 6) and not grey:
        raise refuse(path, _PHOTOMETRIC.get(photometric, f"has the photometric interpretation {photometric}"))
    if page.samplesperpixel > (4 if photograph and photometric == 2 else 3):
        raise refuse(path, f"has {page.samplesperpixel} channels (an alpha or infrared channel beside RGB)")
    if (page.samplesperpixel < 3 and not grey) or page.imagedepth > 1:
        raise refuse(path, "does not have three channels")
    if page.sampleformat == 3:
        raise refuse(path, "holds floating-point numbers")
    if page.sampleformat != 1 or bits not in (8, 16):
        sign = "" if page.sampleformat == 1 else "signed "
        raise refuse(path, f"has {bits} {sign}bits a channel")
    if photometric == 6 and page.compression not in (6, 7):
        raise refuse(path, "is YCbCr without JPEG compression")


def _check_complete(path: Path, page: Any, size: int) -> None:
    offsets = np.asarray(page.dataoffsets, dtype=np.int64)
    counts = np.asarray(page.databytecounts, dtype=np.int64)
    if page.is_tiled:
        down = -(-page.imagelength // page.tilelength) * -(-page.imagewidth // page.tilewidth)
    else:
        down = -(-page.imagelength // page.rowsperstrip)
    needed = down * (page.samplesperpixel if page.planarconfig == 2 else 1)
    if page.compression == 1:  # a writer may state too much for the last strip, never too little for all
        row_bytes = page.imagewidth * page.samplesperpixel * page.bitspersample // 8
        too_short = int(counts.sum()) < row_bytes * page.imagelength
    else:
        too_short = bool((counts[:needed] <= 0).any())
    if len(offsets) < needed or len(counts) < needed or too_short or bool((offsets + counts > size).any()):
        raise CannotMeasureError(f"{path} is cut short: its pixels end early. Save or copy the scan again.")


def _header(page: Any) -> Header:
    tags = page.tags
    unit = tags.valueof(296, 2)
    dpi = None
    if unit in (2, 3) and 282 in tags and 283 in tags:
        scale = 1.0 if unit == 2 else 2.54
        dpi = tuple(scale * _ratio(tags.valueof(number)) for number in (282, 283))
    profile = tags.valueof(34675)
    lossy = page.compression in (6, 7, 34892, 33007, 50001)
    return Header(
        width=page.imagewidth, height=page.imagelength, bits=page.bitspersample,
        icc=bytes(profile) if profile else None, dpi_tag=tidy_dpi(dpi),
        orientation=tidy_orientation(tags.valueof(274, 1)),
        flags=("lossy: JPEG compression changes fine tones; TIFF without it is better",) if lossy else (),
    )  # fmt: skip


def _ratio(value: Any) -> float:
    """Return a tag's number: a fraction, as TIFF 6.0 has resolutions, or a plain number, as some programs write."""
    over, under = value if isinstance(value, tuple) and len(value) == 2 else (value, 1)
    return float(over / under) if isinstance(over, int | float) and under else 0.0


class _Rows:
    """Uncompressed strips, chunky or in planes: rows are read where they lie in the file."""

    def __init__(self, path: Path, page: Any) -> None:
        self._planes = page.samplesperpixel if page.planarconfig == 2 else 1
        self._samples = page.samplesperpixel // self._planes
        self._dtype = np.dtype(page.parent.byteorder + f"u{page.bitspersample // 8}")
        self._pixel_bytes = self._samples * self._dtype.itemsize
        self._row_bytes = page.imagewidth * self._pixel_bytes
        rows = np.arange(page.imagelength)
        strips = -(-page.imagelength // page.rowsperstrip)
        offsets = np.asarray(page.dataoffsets, dtype=np.int64)[: self._planes * strips]
        offsets = offsets.reshape(self._planes, strips)
        self._offsets = offsets[:, rows // page.rowsperstrip] + rows % page.rowsperstrip * self._row_bytes
        self._path = path
        self._file = path.open("rb", buffering=0)
        self._lock = threading.Lock()

    def read(self, x0: int, y0: int, x1: int, y1: int) -> Pixels:
        with self._lock:
            planes = [self._read_plane(plane, x0, y0, x1, y1) for plane in range(self._planes)]
        pixels = planes[0] if self._planes == 1 else np.concatenate(planes, axis=2)
        native: Pixels = pixels.astype(self._dtype.newbyteorder("="), copy=False)
        return native

    def _read_plane(self, plane: int, x0: int, y0: int, x1: int, y1: int) -> npt.NDArray[Any]:
        offsets = self._offsets[plane, y0:y1]
        out = np.empty((y1 - y0, x1 - x0, self._samples), self._dtype)
        bytes_out = out.view(np.uint8).reshape(y1 - y0, -1)
        first, last = x0 * self._pixel_bytes, x1 * self._pixel_bytes
        if 3 * (last - first) < self._row_bytes:
            for row, offset in enumerate(offsets.tolist()):
                self._fill(bytes_out[row].data, offset + first)
            return out
        most = max(1, _CHUNK_BYTES // self._row_bytes)
        breaks = np.flatnonzero(np.diff(offsets) != self._row_bytes) + 1
        for start, stop in zip([0, *breaks], [*breaks, len(offsets)], strict=True):
            if last - first == self._row_bytes:
                self._fill(bytes_out[start:stop].reshape(-1).data, int(offsets[start]))
                continue
            for begin in range(start, stop, most):
                rows = np.empty((min(most, stop - begin), self._row_bytes), np.uint8)
                self._fill(rows.reshape(-1).data, int(offsets[begin]))
                bytes_out[begin : begin + len(rows)] = rows[:, first:last]
        return out

    def _fill(self, buffer: memoryview, offset: int) -> None:
        self._file.seek(offset)
        filled = 0
        while filled < len(buffer):
            count = self._file.readinto(buffer[filled:])
            if not count:
                raise CannotMeasureError(f"{self._path} ended early while being read. Copy the scan again.")
            filled += count

    def close(self) -> None:
        self._file.close()


class _Segments:
    """Strips or tiles that must be decoded: each once while it stays in a cache of bounded size."""

    def __init__(self, path: Path, page: Any) -> None:
        self._path = path
        self._page = page
        self._dtype = np.dtype(f"u{page.bitspersample // 8}")
        tiled = page.is_tiled
        self._length = int(page.tilelength if tiled else page.rowsperstrip)
        self._width = int(page.tilewidth if tiled else page.imagewidth)
        self._across = -(-page.imagewidth // self._width)
        self._down = -(-page.imagelength // self._length)
        self._channels = int(page.samplesperpixel)
        self._planes = self._channels if page.planarconfig == 2 else 1
        size = self._width * min(self._length, page.imagelength) * self._channels // self._planes * self._dtype.itemsize
        if size > _SEGMENT_LIMIT_BYTES:
            raise CannotMeasureError(
                f"{path} is compressed in one piece of {size >> 20} MiB, too much to decode at once. "
                "Save it uncompressed."
            )
        self._decode = page.decode
        self._arguments: dict[str, Any] = {}
        if page.compression in (6, 7, 34892, 33007):
            self._arguments = {"jpegtables": page.jpegtables, "jpegheader": page.jpegheader}
        self._cache: OrderedDict[int, npt.NDArray[Any]] = OrderedDict()
        self._held = 0
        self._file = path.open("rb", buffering=0)
        self._lock = threading.Lock()

    def read(self, x0: int, y0: int, x1: int, y1: int) -> Pixels:
        out: Pixels = np.empty((y1 - y0, x1 - x0, self._channels), self._dtype)
        samples = self._channels // self._planes
        with self._lock:
            for down in range(y0 // self._length, (y1 - 1) // self._length + 1):
                for across in range(x0 // self._width, (x1 - 1) // self._width + 1):
                    top, left = down * self._length, across * self._width
                    rows = slice(max(top, y0), min(top + self._length, y1))
                    columns = slice(max(left, x0), min(left + self._width, x1))
                    for plane in range(self._planes):
                        segment = self._segment((plane * self._down + down) * self._across + across)
                        out[rows.start - y0 : rows.stop - y0, columns.start - x0 : columns.stop - x0,
                            plane * samples : (plane + 1) * samples] = segment[
                            rows.start - top : rows.stop - top, columns.start - left : columns.stop - left
                        ]  # fmt: skip
        return out

    def _segment(self, index: int) -> npt.NDArray[Any]:
        if index in self._cache:
            self._cache.move_to_end(index)
            return self._cache[index]
        self._file.seek(self._page.dataoffsets[index])
        data = self._file.read(self._page.databytecounts[index])
        try:
            decoded = self._decode(data, index, **self._arguments)[0]
            if decoded is None:
                raise ValueError("empty")
            segment = np.asarray(decoded).reshape(decoded.shape[-3:])
        except MemoryError:
            raise
        except Exception as error:  # decoders raise every kind of error on damaged data
            place = f"strip or tile {index + 1} of {self._planes * self._down * self._across}"
            raise CannotMeasureError(
                f"{self._path} is damaged: {place} cannot be decoded. Save or copy the scan again."
            ) from error
        while self._cache and self._held + segment.nbytes > _CACHE_BYTES:
            self._held -= self._cache.popitem(last=False)[1].nbytes
        self._cache[index] = segment
        self._held += segment.nbytes
        return segment

    def close(self) -> None:
        self._file.close()
        self._cache.clear()
        self._held = 0
