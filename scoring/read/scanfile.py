"""Scan files, read in windows: TIFF of any usual make, PNG, JPEG and WebP, in 8 or 16 bits a channel.

A TIFF is never held whole: uncompressed rows are read from the file where they lie, compressed strips and
tiles are decoded one by one and kept in a cache of bounded size. The other formats can only be decoded whole.
Pixels are given as the file stores them; an orientation tag is reported, not applied.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Literal, Protocol

import numpy as np
import numpy.typing as npt

from inkstrain.targets.errors import CannotMeasureError

__all__ = ["WHOLE_LIMIT_BYTES", "Pixels", "ScanFile", "open_scan"]

Pixels = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]

WHOLE_LIMIT_BYTES: Final = 800 << 20
"""What decoding may hold of a picture at once: with all else under 1 GiB. A4 at 1200 dpi and 16 bits takes 796 MiB."""
_MIRRORED_ORIENTATIONS: Final = (2, 4, 5, 7)  # TIFF 6.0, section 8, tag Orientation; Exif has the same
_ASK_FOR: Final = "Save the scan as plain RGB, 8 or 16 bits a channel (TIFF is best), and score that."


class PixelSource(Protocol):
    """Where pixels come from: any window, in the file's own channel depth."""

    def read(self, x0: int, y0: int, x1: int, y1: int) -> Pixels:
        """Return the window as an array (y1 - y0, x1 - x0, 3)."""

    def close(self) -> None:
        """Let go of files and caches."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """What a file says about its picture."""

    width: int
    height: int
    bits: int
    icc: bytes | None
    dpi_tag: tuple[float, float] | None
    orientation: int = 1
    flags: tuple[str, ...] = ()


class ScanFile:
    """An opened scan; use it in a ``with`` statement.

    Attributes
    ----------
    path : Path
    width, height : int
        Size of the stored picture in px.
    dtype : numpy dtype
        uint8 or uint16 in native byte order.
    icc : bytes or None
        The embedded ICC profile.
    dpi_tag : (x, y) or None
        Resolution that the file states, px per inch. None when it states none.
    orientation : int
        TIFF 6.0 orientation tag, 1 to 8. Pixels are given as stored whatever it says.
    flags : tuple of str
    """

    def __init__(self, path: Path, header: Header, source: PixelSource) -> None:
        self.path = path
        self.width = header.width
        self.height = header.height
        self.dtype: np.dtype[Any] = np.dtype(np.uint8 if header.bits == 8 else np.uint16)
        self.icc = header.icc
        self.dpi_tag = header.dpi_tag
        self.orientation = header.orientation
        self.flags = header.flags
        self._source: PixelSource | None = source

    @property
    def bits(self) -> int:
        """Bits per channel, 8 or 16."""
        return 8 * self.dtype.itemsize

    @property
    def full_scale(self) -> int:
        """The code value of full signal: 255 or 65535."""
        return int(np.iinfo(self.dtype).max)

    @property
    def stored_mirrored(self) -> bool:
        """Whether the orientation tag says that the stored picture is a mirror image of the scan."""
        return self.orientation in _MIRRORED_ORIENTATIONS

    @cached_property
    def sha256(self) -> str:
        """SHA-256 of the file's bytes, in hexadecimal; read when first asked for."""
        with self.path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()

    def read(self, x0: int, y0: int, x1: int, y1: int) -> Pixels:
        """Return the pixels with x0 <= x < x1 and y0 <= y < y1.

        Returns
        -------
        uint8 or uint16 array, shape (y1 - y0, x1 - x0, 3)

        Raises
        ------
        ValueError
            If the window is empty or reaches outside the picture, or the scan is closed.
        CannotMeasureError
            If the file is damaged there.
        """
        if not (0 <= x0 < x1 <= self.width and 0 <= y0 < y1 <= self.height):
            raise ValueError(f"window ({x0}, {y0}, {x1}, {y1}) is not inside {self.width} x {self.height} px")
        if self._source is None:
            raise ValueError(f"{self.path} is closed")
        return self._source.read(x0, y0, x1, y1)

    def close(self) -> None:
        """Close the file and drop what was cached."""
        if self._source is not None:
            self._source.close()
            self._source = None

    def __enter__(self) -> ScanFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_scan(path: Path | str) -> ScanFile:
    """Open a scan for reading in windows.

    Parameters
    ----------
    path
        TIFF (classic or BigTIFF, strips or tiles, any compression that imagecodecs knows), PNG, JPEG, WebP.

    Raises
    ------
    CannotMeasureError
        If it is no such file, is damaged, or is not RGB with 8 or 16 bits a channel. Alpha, even an opaque
        one, is refused: what lies under it may not be what was scanned.
    """
    path = Path(path)
    opener = _opener(path)
    try:
        header, source = opener(path)
    except (CannotMeasureError, MemoryError):
        raise
    except Exception as error:  # decoders raise every kind of error on a damaged file
        raise CannotMeasureError(
            f"{path} is damaged or cut short and cannot be read ({_first_line(error)}). Save or copy the scan again."
        ) from error
    return ScanFile(path, header, source)


def _opener(path: Path) -> Callable[[Path], tuple[Header, PixelSource]]:
    try:
        if path.is_dir():
            raise CannotMeasureError(f"{path} is a folder. Name the scans in it, such as {path}/scan.tif.")
        with path.open("rb") as file:
            start = file.read(32)
    except FileNotFoundError as error:
        raise CannotMeasureError(f"{path} does not exist. Check the name and the folder.") from error
    except OSError as error:
        raise CannotMeasureError(
            f"{path} cannot be opened ({error.strerror or error}). Check the name, and that you may read it."
        ) from error
    if not start:
        raise CannotMeasureError(f"{path} is empty (0 bytes). Save or copy the scan again.")
    kind = picture_kind(start)
    if kind is None:
        raise CannotMeasureError(f"{path} is not a picture of a known kind. Give a TIFF, PNG, JPEG or WebP scan.")
    if kind == "tiff":
        from .tiffscan import open_tiff

        return open_tiff
    return {"png": _open_png, "jpeg": _open_jpeg, "webp": _open_webp}[kind]


def picture_kind(start: bytes) -> Literal["tiff", "png", "jpeg", "webp"] | None:
    """Return the format that a file's first 12 bytes belong to; ``None`` for any other."""
    if start[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "tiff"
    if start[:8] == b"\x89PNG\r\n\x1a\n":
        return "png"
    if start[:3] == b"\xff\xd8\xff":
        return "jpeg"
    if start[:4] == b"RIFF" and start[8:12] == b"WEBP":
        return "webp"
    return None


def _first_line(error: Exception) -> str:
    text = str(error).strip().splitlines()
    return text[0][:120] if text else type(error).__name__


def refuse(path: Path, what: str) -> CannotMeasureError:
    """Return the error for a picture of a kind that is not measured."""
    return CannotMeasureError(f"{path} {what}. {_ASK_FOR}")


class WholePicture:
    """A picture that had to be decoded whole."""

    def __init__(self, pixels: Pixels) -> None:
        self._pixels = pixels

    def read(self, x0: int, y0: int, x1: int, y1: int) -> Pixels:
        # a copy, so that nobody can change the picture for the next reader
        return self._pixels[y0:y1, x0:x1].copy()

    def close(self) -> None:
        self._pixels = np.empty((0, 0, 3), np.uint8)


def _check_size(path: Path, width: int, height: int, pixel_bytes: int) -> None:
    if width * height * pixel_bytes > WHOLE_LIMIT_BYTES:
        raise CannotMeasureError(
            f"{path} has {width} x {height} pixels, too many for a format that must be decoded whole. Save it as TIFF."
        )


def _open_png(path: Path) -> tuple[Header, PixelSource]:
    import imagecodecs
    from PIL import PngImagePlugin

    data = path.read_bytes()
    width, height, depth, colour = struct.unpack(">IIBB", data[16:26])  # ISO/IEC 15948, 11.2.2: IHDR
    kinds = {0: "is grey", 3: "uses a palette", 4: "is grey with an alpha channel", 6: "has an alpha channel"}
    if colour in kinds:
        raise refuse(path, kinds[colour])
    _check_size(path, width, height, 3 * max(depth // 8, 1))
    # the class itself, not Image.open: its limit on pixels is below an A3+ sheet at 1200 dpi
    with PngImagePlugin.PngImageFile(path) as image:
        info = dict(image.info)
    if "transparency" in info:
        raise refuse(path, "has a transparent colour")
    pixels = imagecodecs.png_decode(data)
    if pixels.shape != (height, width, 3) or pixels.dtype not in (np.uint8, np.uint16):
        raise refuse(path, f"has {depth} bits and shape {pixels.shape}")
    header = Header(
        width=width, height=height, bits=8 * pixels.dtype.itemsize, icc=info.get("icc_profile"),
        dpi_tag=tidy_dpi(info.get("dpi")), orientation=1,
    )  # fmt: skip
    return header, WholePicture(pixels)


def _open_jpeg(path: Path) -> tuple[Header, PixelSource]:
    from PIL import JpegImagePlugin

    with JpegImagePlugin.JpegImageFile(path) as image:
        return _from_pillow(path, image, "lossy: JPEG compression changes fine tones; TIFF is better")


def _open_webp(path: Path) -> tuple[Header, PixelSource]:
    from PIL import WebPImagePlugin

    with WebPImagePlugin.WebPImageFile(path) as image:
        return _from_pillow(path, image, "lossy: WebP compression may change fine tones; TIFF is better")


def _from_pillow(path: Path, image: Any, flag: str) -> tuple[Header, PixelSource]:
    kinds = {"L": "is grey", "CMYK": "is CMYK", "RGBA": "has an alpha channel", "P": "uses a palette"}
    if image.mode != "RGB":
        raise refuse(path, kinds.get(image.mode, f"is of the kind {image.mode}"))
    _check_size(path, image.width, image.height, 7)  # Pillow keeps four bytes a pixel, and three are handed on
    exif = image.getexif()
    dpi = None
    if image.info.get("jfif_unit") in (1, 2):  # ITU-T T.871: 1 per inch, 2 per cm, 0 an aspect ratio
        scale = 1.0 if image.info["jfif_unit"] == 1 else 2.54
        dpi = tuple(scale * density for density in image.info["jfif_density"])
    elif 282 in exif and 283 in exif:  # Exif 2.3: XResolution, YResolution, ResolutionUnit (296)
        scale = 2.54 if exif.get(296, 2) == 3 else 1.0
        dpi = (scale * float(exif[282]), scale * float(exif[283]))
    header = Header(
        width=image.width, height=image.height, bits=8, icc=image.info.get("icc_profile"),
        dpi_tag=tidy_dpi(dpi), orientation=tidy_orientation(exif.get(274, 1)), flags=(flag,),
    )  # fmt: skip
    return header, WholePicture(np.asarray(image))


def tidy_dpi(dpi: Any) -> tuple[float, float] | None:
    """Return a resolution as two floats, or None if it is no resolution at all."""
    if dpi is None:
        return None
    x, y = (float(value) for value in dpi)
    return (x, y) if 1 < x < 1e5 and 1 < y < 1e5 else None


def tidy_orientation(value: Any) -> int:
    """Return the orientation tag's value, or 1 if it is not one of the eight."""
    return int(value) if value in range(1, 9) else 1
