"""A printer's ICC profile: what it holds, and what it says will come out, through Little CMS in floating point.

Device classes output and display, RGB, CMYK or grey, versions 2 and 4 (ISO 15076-1). Black point compensation is that
of ISO 18619, as Little CMS has it: for a version 4 profile's perceptual and saturation tables it is always on, and it
has no meaning for absolute.
"""

from __future__ import annotations

import functools
import hashlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .colorimetry import WHITE_D50
from .errors import CannotMeasureError
from .spaces import icc_profile, profile_description

__all__ = ["INTENTS", "Device", "Intent", "OutputProfile", "read_output_profile"]

Array = NDArray[np.float64]
Triple = tuple[float, float, float]
Intent = Literal["perceptual", "relative", "saturation", "absolute"]
Device = Literal["rgb", "cmyk", "gray"]

INTENTS: Final[tuple[Intent, ...]] = ("perceptual", "relative", "saturation", "absolute")

_D50: Final[Triple] = (0.9642, 1.0, 0.8249)
_LARGEST_BYTES: Final = 64 * 2**20
_MOST_TAGS: Final = 200
_SPACES: Final[dict[bytes, Device]] = {b"RGB ": "rgb", b"CMYK": "cmyk", b"GRAY": "gray"}
_CHANNELS: Final = {"rgb": 3, "cmyk": 4, "gray": 1}
_FULL: Final = {"rgb": 1.0, "cmyk": 100.0, "gray": 1.0}  # Little CMS counts ink in per cent
_REFUSED: Final = {
    b"link": "a device link, which has no colours of its own",
    b"abst": "an abstract profile, which belongs to no device",
    b"nmcl": "a list of named colours",
    b"scnr": "an input profile, for a scanner or a camera",
    b"spac": "a profile of a colour space",
}
_INSTEAD: Final = "Give the output profile that the print is made with."


@dataclass(frozen=True, slots=True)
class OutputProfile:
    """A checked profile; hashable by its bytes.

    Parameters
    ----------
    data
        The profile's bytes.
    name
        What to call it in messages.

    Raises
    ------
    CannotMeasureError
        If the bytes are no whole ICC profile, or not one of a device that prints RGB, CMYK or grey.
    """

    data: bytes = field(repr=False)
    name: str = field(default="That", compare=False)

    def __post_init__(self) -> None:
        _check(self.data, self.name)

    @property
    def device(self) -> Device:
        """The device's colours: ``rgb``, ``cmyk`` or ``gray``."""
        return _SPACES[self.data[16:20]]

    @property
    def version(self) -> str:
        """The ICC version, such as ``2.1``."""
        return f"{self.data[8]}.{self.data[9] >> 4}"

    @property
    def is_display(self) -> bool:
        """Whether the profile is one of a display, which can stand for a printer that behaves like one."""
        return self.data[12:16] == b"mntr"

    @property
    def sha256(self) -> str:
        """SHA-256 of the bytes, in hexadecimal."""
        return hashlib.sha256(self.data).hexdigest()

    @property
    def description(self) -> str:
        """What the profile calls itself, or the name it was given."""
        return profile_description(self.data)[:200] or self.name

    @property
    def paper_xyz(self) -> Triple:
        """The media white point: XYZ of the paper relative to a perfect white under D50."""
        return _media_white(self.data)

    def table(self, intent: Intent) -> str | None:
        """Return what serves an intent: the name of its own or another's table, ``matrix``, or ``None`` if nothing.

        Little CMS takes the perceptual table where one is missing (as ISO 15076-1, 8.10 has it); absolute is the
        relative table with the paper's colour.
        """
        return _tables(self.data)[intent]

    @property
    def unserved(self) -> tuple[Intent, ...]:
        """Intents that nothing in the profile serves."""
        return tuple(intent for intent in INTENTS if self.table(intent) is None)

    def to_device(self, space: str, rgb: ArrayLike, intent: Intent, bpc: bool) -> Array:
        """Return device values (..., channels), in Little CMS's own scale, for encoded RGB of a chart's space."""
        return self._convert(icc_profile(space), rgb, "rgb", intent, bpc)

    def xyz_to_device(self, xyz: ArrayLike, intent: Intent, bpc: bool) -> Array:
        """Return device values for XYZ relative to white, such as of a colour printed before."""
        import imagecodecs

        return self._convert(imagecodecs.cms_profile("xyz"), xyz, "xyz", intent, bpc)

    def picture_to_device(self, source: bytes, values: ArrayLike, intent: Intent, bpc: bool) -> Array:
        """Return device values for a picture's own, by the ICC profile that says what they mean.

        Parameters
        ----------
        source
            Profile of RGB or of grey.
        values
            (n, 3) or (n, 1), 0 to 1.
        """
        values = np.asarray(values, dtype=np.float64)
        return self._convert(source, values, "rgb" if values.shape[-1] == 3 else "gray", intent, bpc)

    def straight_device(self, rgb: ArrayLike) -> Array:
        """Return encoded RGB taken for device values: RGB as it is, inks as 1 - RGB without black, grey as the mean."""
        rgb = np.asarray(rgb, dtype=np.float64)
        if self.device == "rgb":
            return rgb
        if self.device == "gray":
            return np.asarray(rgb.mean(axis=-1, keepdims=True))
        return 100.0 * np.concatenate([1.0 - rgb, np.zeros_like(rgb[..., :1])], axis=-1)

    def device_xyz(self, device: ArrayLike) -> Array:
        """Return XYZ relative to the paper (paper exactly `WHITE_D50`), (..., 3), of device values."""
        return np.asarray(_forward(self.data, np.asarray(device, dtype=np.float64)) / _white(self.data) * WHITE_D50)

    def printed_xyz(self, space: str, rgb: ArrayLike, intent: Intent, bpc: bool) -> Array:
        """Return XYZ relative to the paper, (..., 3), of what comes out for encoded RGB of a chart's space.

        Raises
        ------
        CannotMeasureError
            If nothing in the profile serves the intent.
        """
        return self.device_xyz(self.to_device(space, rgb, intent, bpc))

    def _convert(self, source: bytes, values: ArrayLike, kind: str, intent: Intent, bpc: bool) -> Array:
        import imagecodecs

        values = np.asarray(values, dtype=np.float64)
        flat = np.ascontiguousarray(values.reshape(1, -1) if kind == "gray" else values.reshape(1, -1, 3))
        flags = imagecodecs.CMS.FLAGS.NOOPTIMIZE | imagecodecs.CMS.FLAGS.NOCACHE
        flags |= imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION if bpc else 0
        try:
            out = imagecodecs.cms_transform(
                flat, source, self.data, colorspace=kind, outcolorspace=self.device,
                outdtype=np.float64, intent=INTENTS.index(intent), flags=flags,
            )  # fmt: skip
        except (RuntimeError, ValueError) as error:
            raise CannotMeasureError(
                f"{self.name}: the profile cannot convert colours for the intent {intent}; its table is missing or "
                "damaged. Use another intent, or get the profile again."
            ) from error
        return np.asarray(out, dtype=np.float64).reshape(*values.shape[:-1], _CHANNELS[self.device])


def read_output_profile(path: Path) -> OutputProfile:
    """Read a printer's profile from its file.

    Raises
    ------
    CannotMeasureError
        If the file cannot be read, or is not such a profile.
    """
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise CannotMeasureError(f"{path} is larger than any printer profile. {_INSTEAD}")
        data = path.read_bytes()
    except OSError as error:
        raise CannotMeasureError(f"The profile {path} cannot be read: {error.strerror}.") from error
    return OutputProfile(data, str(path))


@functools.lru_cache(maxsize=32)
def _check(data: bytes, name: str) -> None:
    """Refuse what is no whole output profile, before Little CMS sees it."""
    if len(data) < 132 or data[36:40] != b"acsp":
        raise CannotMeasureError(f"{name} is not an ICC profile: its signature is missing. {_INSTEAD}")
    stated = int.from_bytes(data[:4], "big")
    if stated > len(data):
        raise CannotMeasureError(
            f"{name} is cut short: the profile should have {stated} bytes and has {len(data)}. Copy it again."
        )
    kind = data[12:16]
    if kind not in (b"prtr", b"mntr"):
        what = _REFUSED.get(kind, f"of class {kind.decode('ascii', 'replace')!r}")
        raise CannotMeasureError(f"{name} is {what}: it is not one of a printer. {_INSTEAD}")
    if data[16:20] not in _SPACES:
        inks = data[16:20].decode("ascii", "replace").strip()
        raise CannotMeasureError(f"{name} is for {inks!r} colours; only RGB, CMYK and grey printers can be forecast.")
    tags = _tags(data)
    if tags is None:
        raise CannotMeasureError(f"{name} is damaged: its table of contents points outside the file. Copy it again.")
    additive = {"rTRC", "gTRC", "bTRC", "rXYZ", "gXYZ", "bXYZ"} <= tags.keys() or "kTRC" in tags
    if not additive and not any(tag in tags for tag in ("B2A0", "B2A1", "B2D0", "B2D1")):
        raise CannotMeasureError(
            f"{name} has no table from colours to inks (B2A0 or B2A1), so it cannot forecast a print. {_INSTEAD}"
        )
    if not additive and not any(tag in tags for tag in ("A2B0", "A2B1", "D2B0", "D2B1")):
        raise CannotMeasureError(
            f"{name} has no table from inks to colours (A2B0 or A2B1), so what it prints is not known. {_INSTEAD}"
        )
    try:
        white = _white(data)
    except (RuntimeError, ValueError) as error:
        raise CannotMeasureError(f"{name} is damaged: its tables cannot be read. Get the profile again.") from error
    if not np.all(np.isfinite(white)) or white[1] < 0.05:
        raise CannotMeasureError(f"{name} is damaged: by its tables bare paper is black. Get the profile again.")


def _tags(data: bytes) -> dict[str, tuple[int, int]] | None:
    """Return offset and size by tag, or ``None`` if they cannot be."""
    count = int.from_bytes(data[128:132], "big")
    if not 0 < count <= _MOST_TAGS or 132 + 12 * count > len(data):
        return None
    tags = {}
    for index in range(count):
        entry = data[132 + 12 * index : 144 + 12 * index]
        offset, size = int.from_bytes(entry[4:8], "big"), int.from_bytes(entry[8:12], "big")
        if offset < 132 + 12 * count or size < 8 or offset + size > len(data):
            return None
        tags[entry[:4].decode("latin-1")] = (offset, size)
    return tags


@functools.lru_cache(maxsize=32)
def _tables(data: bytes) -> dict[Intent, str | None]:
    tags = _tags(data) or {}
    own: dict[Intent, int] = {"perceptual": 0, "relative": 1, "saturation": 2, "absolute": 1}
    named: dict[Intent, str] = {**{intent: intent for intent in INTENTS}, "absolute": "relative"}
    fallback = "perceptual" if "B2A0" in tags else "matrix" if "rTRC" in tags or "kTRC" in tags else None
    return {
        intent: named[intent] if f"B2A{number}" in tags or f"B2D{number}" in tags else fallback
        for intent, number in own.items()
    }


@functools.lru_cache(maxsize=32)
@functools.lru_cache(maxsize=32)
def _media_white(data: bytes) -> Triple:
    offset, size = (_tags(data) or {}).get("wtpt", (0, 0))
    if size < 20:
        return _D50
    x, y, z = np.frombuffer(data[offset + 8 : offset + 20], ">i4") / 65536.0
    # a media white of nothing would turn every absolute colour into nothing
    return (float(x), float(y), float(z)) if min(x, y, z) > 0.05 else _D50


def _forward(data: bytes, device: Array) -> Array:
    """Return XYZ of device values by the colorimetric table, as Little CMS gives it."""
    import imagecodecs

    kind = _SPACES[data[16:20]]
    flat = np.ascontiguousarray(device.reshape(1, -1, _CHANNELS[kind]))
    out = imagecodecs.cms_transform(
        flat[..., 0] if kind == "gray" else flat,
        data, imagecodecs.cms_profile("xyz"), colorspace=kind, outcolorspace="xyz", outdtype=np.float64,
        intent=INTENTS.index("relative"), flags=imagecodecs.CMS.FLAGS.NOOPTIMIZE | imagecodecs.CMS.FLAGS.NOCACHE,
    )  # fmt: skip
    return np.asarray(out, dtype=np.float64).reshape(*device.shape[:-1], 3)


@functools.lru_cache(maxsize=32)
def _white(data: bytes) -> Array:
    """Return what the profile's table says for bare paper, which rounding leaves beside D50 by a hair."""
    kind = _SPACES[data[16:20]]
    bare = np.zeros(4) if kind == "cmyk" else np.full(_CHANNELS[kind], _FULL[kind])
    return _forward(data, bare)
