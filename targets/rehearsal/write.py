"""Scan files: TIFF in strips, PNG and JPEG, with or without profile and resolution."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ..errors import WrongUsageError
from .options import ScanOptions

__all__ = ["check_name", "write_image"]

_TIFF: Final = (".tif", ".tiff")
_JPEG: Final = (".jpg", ".jpeg")
_PNG: Final = (".png",)
_COMPRESSION: Final = {"none": None, "lzw": "lzw", "deflate": "zlib"}


def check_name(path: Path, options: ScanOptions) -> None:
    """Refuse a file name that says no kind, or one that cannot hold the bits asked for.

    Raises
    ------
    WrongUsageError
        If so.
    """
    suffix = path.suffix.lower()
    if suffix not in (*_TIFF, *_JPEG, *_PNG):
        raise WrongUsageError(f"{path.name}: a scan is written as .tif, .png or .jpg; name it so.")
    if suffix in _JPEG and options.bits != 8:
        raise WrongUsageError(f"{path.name}: a JPEG holds 8 bits; ask for 8 bits, or name the scan .tif or .png.")


def write_image(
    path: Path,
    strips: Iterator[NDArray[Any]],
    shape: tuple[int, int],
    options: ScanOptions,
    profile: bytes | None,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Write an image of (height, width) from its strips; TIFF holds one strip at a time in memory."""
    seen = _counted(strips, shape[0], progress)
    if path.suffix.lower() in _TIFF:
        _write_tiff(path, seen, shape, options, profile)
        return
    image = np.concatenate(list(seen))
    if path.suffix.lower() in _PNG:
        _write_png(path, image, options, profile)
    else:
        _write_jpeg(path, image, options, profile)


def _counted(
    strips: Iterator[NDArray[Any]], height: int, progress: Callable[[float], None] | None
) -> Iterator[NDArray[Any]]:
    done = 0
    for strip in strips:
        yield strip[..., 0] if strip.shape[-1] == 1 else strip
        done += strip.shape[0]
        if progress is not None:
            progress(done / height)


def _write_tiff(
    path: Path,
    strips: Iterator[NDArray[Any]],
    shape: tuple[int, int],
    options: ScanOptions,
    profile: bytes | None,
) -> None:
    import tifffile

    from .scan import STRIP_ROWS

    density = (options.dpi, options.dpi) if options.resolution_tag else None
    tifffile.imwrite(
        path,
        strips if options.compression == "none" else (_packed(strip, options.compression) for strip in strips),
        shape=shape if options.grey else (*shape, 3),
        dtype=np.uint8 if options.bits == 8 else np.uint16,
        byteorder="<",
        photometric="minisblack" if options.grey else "rgb",
        rowsperstrip=STRIP_ROWS,
        compression=_COMPRESSION[options.compression],
        predictor=options.compression != "none",
        resolution=density,
        resolutionunit="INCH" if density else None,
        iccprofile=profile,
        software=False,
        metadata=None,
    )


def _packed(strip: NDArray[Any], compression: str) -> bytes:
    """Compress a strip of rows, as differences between neighbours (TIFF 6.0, sections 13 and 14)."""
    import imagecodecs

    differences = strip.copy()
    differences[:, 1:] -= strip[:, :-1]
    data = differences.astype(strip.dtype.newbyteorder("<"), copy=False).tobytes()
    return bytes(imagecodecs.lzw_encode(data)) if compression == "lzw" else zlib.compress(data, 1)


def _write_jpeg(path: Path, image: NDArray[Any], options: ScanOptions, profile: bytes | None) -> None:
    from PIL import Image

    extra: dict[str, Any] = {}
    if options.resolution_tag:
        extra["dpi"] = (round(options.dpi), round(options.dpi))
    if profile is not None:
        extra["icc_profile"] = profile
    Image.fromarray(image).save(path, "JPEG", quality=options.jpeg_quality, **extra)


def _write_png(path: Path, image: NDArray[Any], options: ScanOptions, profile: bytes | None) -> None:
    import imagecodecs

    body = imagecodecs.png_encode(image, level=1)
    extra = b""
    if profile is not None:  # PNG (ISO/IEC 15948) 11.3.3.3 and 11.3.5.3: both stand before the image data
        extra += _chunk(b"iCCP", b"scan\0\0" + zlib.compress(profile))
    if options.resolution_tag:
        per_metre = round(options.dpi / 0.0254)
        extra += _chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1))
    header_end = 8 + 25
    path.write_bytes(body[:header_end] + extra + body[header_end:])


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
