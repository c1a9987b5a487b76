"""Scans that come in from a page: written as they come, to a limit, under names of the desk's choosing."""

from __future__ import annotations

import secrets
import shutil
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import BinaryIO, Final

from python_multipart.multipart import MultipartParser, parse_options_header

from inkstrain.scoring.jobs.watching import SUFFIXES

__all__ = ["FILE_LIMIT", "Intake", "TooMuchError", "room"]

FILE_LIMIT: Final = 4 * 2**30
"""Bytes of one scan: what a TIFF's 32-bit offsets reach (TIFF 6.0, section 2)."""
_SPARE: Final = 2**30  # bytes left free for the ledger, reports and everything else on this disk
_FIELD_LIMIT: Final = 4096  # bytes of a field that is not a file: a setup's name
_FILES: Final = 1000  # of one drop
_LOOK: Final = 64 * 2**20  # bytes between two looks at the disk's free room


class TooMuchError(Exception):
    """More comes than can be taken; the text says so."""


def room(folder: Path) -> int:
    """Return how many bytes may be written to a folder."""
    return shutil.disk_usage(folder).free - _SPARE


@dataclass(slots=True)
class _Part:
    headers: dict[bytes, bytes] = field(default_factory=dict)
    name: str = ""
    shown: str | None = None
    path: Path | None = None
    file: BinaryIO | None = None
    size: int = 0
    text: bytearray = field(default_factory=bytearray)


class Intake:
    """Reads one form of files and short fields (multipart, RFC 7578).

    Attributes
    ----------
    files : list of (Path, str)
        Each file as written, and the name it had, for reading only.
    fields : dict
        Texts by name.
    refused : list of str
        Sentences on files that were not taken.
    """

    def __init__(self, folder: Path, content_type: str) -> None:
        kind, options = parse_options_header(content_type)
        if kind != b"multipart/form-data" or b"boundary" not in options:
            raise TooMuchError("That is no form of this page.")
        self._folder = folder
        self.files: list[tuple[Path, str]] = []
        self.fields: dict[str, str] = {}
        self.refused: list[str] = []
        self._part = _Part()
        self._header = bytearray()
        self._value = bytearray()
        self._parser = MultipartParser(
            options[b"boundary"],
            {
                "on_part_begin": self._begin,
                "on_header_field": lambda data, start, end: self._header.extend(data[start:end]),
                "on_header_value": lambda data, start, end: self._value.extend(data[start:end]),
                "on_header_end": self._header_end,
                "on_headers_finished": self._headers_finished,
                "on_part_data": self._data,
                "on_part_end": self._end,
            },
        )

    async def read(self, stream: AsyncIterator[bytes]) -> None:
        """Read to the end; should that fail, nothing of it stays.

        Raises
        ------
        TooMuchError
            If the disk has no room for it.
        """
        since = 0
        try:
            async for chunk in stream:
                since += len(chunk)
                if since > _LOOK:
                    since = 0
                    if room(self._folder) < 0:
                        raise TooMuchError("The disk is nearly full. Make room, and drop the scans again.")
                self._parser.write(chunk)
            self._parser.finalize()
        except BaseException:
            self.forget()
            raise
        finally:
            if self._part.file is not None:
                self._part.file.close()

    def forget(self) -> None:
        """Remove every file that was written."""
        if self._part.file is not None:
            self._part.file.close()
        for path in (self._part.path, *(path for path, _ in self.files)):
            if path is not None:
                path.unlink(missing_ok=True)

    def _begin(self) -> None:
        self._part = _Part()

    def _header_end(self) -> None:
        self._part.headers[bytes(self._header).lower()] = bytes(self._value)
        self._header.clear()
        self._value.clear()

    def _headers_finished(self) -> None:
        part = self._part
        _, options = parse_options_header(part.headers.get(b"content-disposition", b""))
        part.name = options.get(b"name", b"").decode("utf-8", "replace")
        if b"filename" not in options:
            return
        # a name to read: whatever folders it speaks of are left out, and it opens nothing
        name = options[b"filename"].decode("utf-8", "replace")
        part.shown = PureWindowsPath(PurePosixPath(name).name).name[:120]
        suffix = PurePosixPath(part.shown).suffix.lower()
        if not part.shown:
            return  # a form sent with no file chosen
        if suffix not in SUFFIXES:
            self.refused.append(f"{part.shown} is no scan: a file that ends in {', '.join(sorted(SUFFIXES))}.")
        elif len(self.files) >= _FILES:
            self.refused.append(f"{part.shown} was one too many: drop up to {_FILES} at once.")
        else:
            part.path = self._folder / f"{secrets.token_hex(8)}{suffix}"
            part.file = part.path.open("xb")

    def _data(self, data: bytes, start: int, end: int) -> None:
        part = self._part
        part.size += end - start
        if part.file is not None:
            if part.size > FILE_LIMIT:
                self.refused.append(f"{part.shown} is larger than a scan may be, {FILE_LIMIT >> 20} MiB.")
                self._drop()
            else:
                part.file.write(data[start:end])
        elif part.shown is None:
            if part.size > _FIELD_LIMIT:
                raise TooMuchError("A text of that form is too long.")
            part.text += data[start:end]

    def _drop(self) -> None:
        part = self._part
        if part.file is not None and part.path is not None:
            part.file.close()
            part.path.unlink(missing_ok=True)
        part.file = part.path = None

    def _end(self) -> None:
        part = self._part
        if part.file is not None and part.path is not None and part.shown is not None:
            part.file.close()
            if part.size:
                self.files.append((part.path, part.shown))
            else:
                self.refused.append(f"{part.shown} is empty.")
                self._drop()
        elif part.shown is None:
            with suppress(UnicodeDecodeError):
                self.fields[part.name] = part.text.decode("utf-8")
        self._part = _Part()
