"""Photographs as they are: TIFF, JPEG, PNG and WebP, 8 or 16 bits, colour or grey, any way up, profile or none.

A TIFF is read in rows where its make allows that; the other formats can only be decoded whole. Nothing is ever written
to a picture, and none of its metadata but profile and orientation is used.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from inkstrain.targets.errors import CannotMeasureError
from inkstrain.targets.spaces import DESCRIPTIONS, icc_profile, profile_description

from ..read.scanfile import WHOLE_LIMIT_BYTES, Header, PixelSource, WholePicture, picture_kind, tidy_orientation
from ..results.photos import Reason

__all__ = ["Picture", "SkippedError", "Source", "open_picture", "upright"]

Array = npt.NDArray[np.float64]
Box = tuple[int, int, int, int]
_TIFF_MOST_PX: Final = 4_000_000_000
_SMALLEST_PX: Final = 8
_LARGEST_PROFILE: Final = 16 << 20
# of stored rows and columns, then of axes: TIFF 6.0, section 8, tag Orientation; Exif has the same
_TURNS: Final = {
    1: (False, False, False), 2: (False, True, False), 3: (True, True, False), 4: (True, False, False),
    5: (False, False, True), 6: (True, False, True), 7: (True, True, True), 8: (False, True, True),
}  # fmt: skip


class SkippedError(CannotMeasureError):
    """A picture that cannot be looked at; the others still can."""

    def __init__(self, reason: Reason, text: str) -> None:
        super().__init__(text)
        self.reason: Reason = reason


@dataclass(frozen=True, slots=True)
class Source:
    """What a picture's numbers mean: an ICC profile of RGB or grey; hashable by its bytes."""

    icc: bytes
    name: str
    assumed: bool = False

    @property
    def channels(self) -> int:
        """1 for grey, 3 for RGB."""
        return 1 if self.icc[16:20] == b"GRAY" else 3

    def to_xyz(self, values: npt.ArrayLike) -> Array:
        """Return XYZ (n, 3) relative to the space's white, of encoded values (n, channels), 0 to 1.

        Raises
        ------
        SkippedError
            If the profile cannot be used.
        """
        import imagecodecs

        values = np.ascontiguousarray(values, dtype=np.float64)
        kind = "gray" if self.channels == 1 else "rgb"
        try:
            out = imagecodecs.cms_transform(
                values[None, :, 0] if kind == "gray" else values[None], self.icc, imagecodecs.cms_profile("xyz"),
                colorspace=kind, outcolorspace="xyz", outdtype=np.float64, intent=1,
                flags=imagecodecs.CMS.FLAGS.NOOPTIMIZE | imagecodecs.CMS.FLAGS.NOCACHE,
            )  # fmt: skip
        except (RuntimeError, ValueError) as error:
            raise SkippedError("broken-profile", "Its embedded profile is damaged.") from error
        return np.asarray(out, dtype=np.float64).reshape(-1, 3)


class Picture:
    """An opened photograph; use it in a ``with`` statement.

    Attributes
    ----------
    width, height : int
        Size as it is looked at, in px.
    source : Source
    bits : int
        8 or 16.
    orientation : int
        TIFF 6.0 orientation tag, 1 to 8: how the stored rows are to be turned.
    grey : bool
        Whether the file has one channel.
    flags : tuple of str
    """

    def __init__(self, header: Header, pixels: PixelSource, source: Source, flags: tuple[str, ...]) -> None:
        self.stored_width, self.stored_height = header.width, header.height
        self.orientation, self.bits = header.orientation, header.bits
        turned = _TURNS[header.orientation][2]
        self.width, self.height = (header.height, header.width) if turned else (header.width, header.height)
        self.source, self.flags = source, flags
        self._pixels = pixels
        self.grey = pixels.read(0, 0, 1, 1).shape[2] in (1, 2)

    def rows(self, start: int, stop: int) -> npt.NDArray[Any]:
        """Return stored rows, (stop - start, stored width, 1 or 3)."""
        return self._window(0, start, self.stored_width, stop)

    def box(self, box_px: Box) -> npt.NDArray[Any]:
        """Return a box (x, y, width, height) of the picture as it is looked at."""
        x0, y0, x1, y1 = box_px[0], box_px[1], box_px[0] + box_px[2], box_px[1] + box_px[3]
        rows, columns, transposed = _TURNS[self.orientation]
        if transposed:
            x0, y0, x1, y1 = y0, x0, y1, x1
        if columns:
            x0, x1 = self.stored_width - x1, self.stored_width - x0
        if rows:
            y0, y1 = self.stored_height - y1, self.stored_height - y0
        return upright(self._window(x0, y0, x1, y1), self.orientation)

    def _window(self, x0: int, y0: int, x1: int, y1: int) -> npt.NDArray[Any]:
        pixels = self._pixels.read(x0, y0, x1, y1)
        if pixels.shape[2] in (2, 4):
            pixels = _on_white(pixels)
        return pixels

    def values(self, pixels: npt.NDArray[Any]) -> Array:
        """Return encoded values (n, channels of the source), 0 to 1, of pixels (rows, columns, channels)."""
        values = pixels.reshape(-1, pixels.shape[2]) / float(np.iinfo(pixels.dtype).max)
        return np.repeat(values, 3, axis=1) if values.shape[1] < self.source.channels else values

    def close(self) -> None:
        """Close the file and drop what was cached."""
        self._pixels.close()

    def __enter__(self) -> Picture:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def upright(stored: npt.NDArray[Any], orientation: int) -> npt.NDArray[Any]:
    """Return an array (rows, columns, ...) turned as its orientation tag says."""
    rows, columns, transposed = _TURNS[orientation]
    turned = stored[:: -1 if rows else 1, :: -1 if columns else 1]
    return turned.swapaxes(0, 1) if transposed else turned


def _on_white(pixels: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Lay a picture with transparency on white."""
    full = np.iinfo(pixels.dtype).max
    alpha = pixels[..., -1:] / np.float32(full)
    laid = pixels[..., :-1] * alpha + np.float32(full) * (1 - alpha)
    return np.asarray(np.rint(laid), dtype=pixels.dtype)


def open_picture(path: Path) -> Picture:
    """Open a photograph.

    Raises
    ------
    SkippedError
        With a named reason, if it cannot be looked at.
    """
    try:
        if path.exists() and not path.is_file():
            raise SkippedError("not-a-picture", "It is no file.")
        with path.open("rb") as file:
            start = file.read(32)
        if not start:
            raise SkippedError("truncated", "It is empty (0 bytes).")
        header, pixels, hint = _opener(start)(path)
    except (SkippedError, MemoryError):
        raise
    except OSError as error:
        text = f"It cannot be read: {error.strerror}." if error.strerror else "It is damaged or cut short."
        raise SkippedError("unreadable" if error.strerror else "truncated", text) from error
    except CannotMeasureError as error:
        raise _reasoned(str(error), path) from error
    except Exception as error:  # decoders raise every kind of error on a damaged file
        raise SkippedError("truncated", "It is damaged or cut short.") from error
    if min(header.width, header.height) < _SMALLEST_PX:
        raise SkippedError("not-a-picture", f"It has {header.width} × {header.height} pixels: too few to look at.")
    source, flags = _source(header, pixels, hint)
    return Picture(header, pixels, source, (*flags, *header.flags))


def _reasoned(text: str, path: Path) -> SkippedError:
    """Put what the TIFF reader says into one of the named reasons."""
    said = text.removeprefix(str(path)).strip()
    if "CMYK" in said:
        return SkippedError("cmyk", "It is CMYK: already made for one press. Give the RGB picture it came from.")
    if any(word in said for word in ("cut short", "damaged", "ended early")):
        return SkippedError("truncated", "It is damaged or cut short.")
    if "too much to decode" in said:
        return SkippedError("too-large", "It is compressed in one piece too large to decode. Save it uncompressed.")
    return SkippedError("not-rgb-or-grey", f"It {said.split('. ')[0]}.")


Opened = tuple[Header, PixelSource, str]


def _opener(start: bytes) -> Callable[[Path], Opened]:
    kind = picture_kind(start)
    if kind is None:
        raise SkippedError("not-a-picture", "It is no TIFF, JPEG, PNG or WebP picture.")
    return {"tiff": _open_tiff, "png": _open_png, "jpeg": _open_jpeg, "webp": _open_webp}[kind]


def _check_size(width: int, height: int, most: int) -> None:
    if width * height > most:
        raise SkippedError(
            "too-large", f"Its header says {width} × {height} pixels; more than {most / 1e6:.0f} million are not read."
        )


def _open_tiff(path: Path) -> Opened:
    import tifffile

    from ..read.tiffscan import open_tiff

    with tifffile.TiffFile(path) as tif:
        page = tif.pages[0]
        _check_size(page.imagewidth, page.imagelength, _TIFF_MOST_PX)
    header, pixels = open_tiff(path, photograph=True)
    return header, pixels, ""


def _open_png(path: Path) -> Opened:
    import imagecodecs
    from PIL import PngImagePlugin

    data = path.read_bytes()
    width, height, depth, colour = struct.unpack(">IIBB", data[16:26])  # ISO/IEC 15948, 11.2.2: IHDR
    # of 16 bits a decoder gives the pixels; of fewer, Pillow keeps four bytes each, twice where it converts them
    pixel_bytes = (8 if colour in (4, 6) else 6) if depth == 16 else (7 if colour == 2 else 12)
    _check_size(width, height, WHOLE_LIMIT_BYTES // pixel_bytes)
    # the class itself, not Image.open, which has a limit on pixels of its own
    with PngImagePlugin.PngImageFile(io.BytesIO(data)) as image:
        icc, exif = image.info.get("icc_profile"), image.getexif()
        if depth == 16:
            return _whole(imagecodecs.png_decode(data), icc, exif)
        clear = "transparency" in image.info or image.mode in ("LA", "PA", "RGBA")
        grey = image.mode in ("1", "L", "LA")
        mode = ("LA" if clear else "L") if grey else ("RGBA" if clear else "RGB")
        return _whole(np.asarray(image if image.mode == mode else image.convert(mode)), icc, exif)


def _open_jpeg(path: Path) -> Opened:
    import imagecodecs
    from PIL import JpegImagePlugin

    data = path.read_bytes()
    with JpegImagePlugin.JpegImageFile(io.BytesIO(data)) as image:
        _check_size(*image.size, WHOLE_LIMIT_BYTES // 3)
        mode, icc, exif = image.mode, image.info.get("icc_profile"), image.getexif()
        if mode == "CMYK":
            raise SkippedError("cmyk", "It is CMYK: already made for one press. Give the RGB picture it came from.")
    if data.find(b"\xff\xd9", _scan_start(data)) < 0:  # ITU-T T.81, B.2.1: EOI; a decoder fills up with grey
        raise SkippedError("truncated", "It is cut short: its end is missing.")
    pixels = imagecodecs.jpeg8_decode(data, outcolorspace="RGB" if mode == "RGB" else None)
    return _whole(pixels, icc, exif)


def _scan_start(data: bytes) -> int:
    """Return where a JPEG's coded picture begins: behind the segments, one of which may hold a small picture."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF and data[at + 1] != 0xDA:
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return at


def _open_webp(path: Path) -> Opened:
    import imagecodecs
    from PIL import WebPImagePlugin

    data = path.read_bytes()
    with WebPImagePlugin.WebPImageFile(io.BytesIO(data)) as image:
        _check_size(*image.size, WHOLE_LIMIT_BYTES // 4)
        icc, exif = image.info.get("icc_profile"), image.getexif()
    return _whole(imagecodecs.webp_decode(data), icc, exif)


def _whole(pixels: npt.NDArray[Any], icc: bytes | None, exif: Any) -> Opened:
    header = Header(
        width=pixels.shape[1], height=pixels.shape[0], bits=8 * pixels.dtype.itemsize, icc=icc, dpi_tag=None,
        orientation=tidy_orientation(exif.get(274, 1)),
    )  # fmt: skip
    return header, WholePicture(pixels if pixels.ndim == 3 else pixels[..., None]), _space_hint(exif)


def _space_hint(exif: Any) -> str:
    """Return the space that an interoperability index hints at: R03 says Adobe RGB (1998) (Exif 2.3, 4.6.5)."""
    try:
        return "adobe-rgb" if exif.get_ifd(0xA005).get(1) == "R03" else ""
    except KeyError:
        # Pillow before 13, where a picture has no such directory
        return ""


def _source(header: Header, pixels: PixelSource, hint: str) -> tuple[Source, tuple[str, ...]]:
    channels = pixels.read(0, 0, 1, 1).shape[2]
    flags: tuple[str, ...] = ("alpha: transparent parts are laid on white",) if channels in (2, 4) else ()
    grey = channels in (1, 2)
    if not header.icc:
        space = hint or "srgb"
        flags += (f"no-profile: {DESCRIPTIONS[space]} is assumed",)
        return Source(icc_profile(space), DESCRIPTIONS[space], assumed=True), flags
    icc = header.icc
    _check_profile(icc, grey)
    source = Source(icc, profile_description(icc)[:120] or "embedded profile")
    probe = source.to_xyz(np.repeat(np.linspace(0.0, 1.0, 9)[:, None], source.channels, axis=1))
    if not np.isfinite(probe).all() or probe[-1, 1] < 0.1:
        raise SkippedError("broken-profile", "Its embedded profile is damaged: by it, white is black.")
    return source, flags


def _check_profile(icc: bytes, grey: bool) -> None:
    damaged = len(icc) < 132 or icc[36:40] != b"acsp" or int.from_bytes(icc[:4], "big") > len(icc)
    if damaged or len(icc) > _LARGEST_PROFILE:
        raise SkippedError("broken-profile", "Its embedded profile is damaged. Assign the right one and save it again.")
    space = icc[16:20]
    if space == b"CMYK":
        raise SkippedError("cmyk", "Its embedded profile is for CMYK. Give the RGB picture it came from.")
    if space not in ((b"RGB ", b"GRAY") if grey else (b"RGB ",)):
        kind = space.decode("latin-1").strip()
        raise SkippedError("broken-profile", f"Its embedded profile is for {kind!r} colours, which it does not have.")
