"""Reading a pack that someone sent, believing nothing: names, sizes, pictures and texts are all checked first.

A name must be one that this program writes, so no path leads anywhere; nothing is written to disk. Sizes are
counted while unpacking, since what a ZIP file says of itself may be a lie.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import stat
import unicodedata
import warnings
import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import numpy as np
from PIL import Image
from pydantic import ValidationError

from inkstrain.targets.errors import InkstrainError, LedgerError, WrongUsageError

from ..judge.judge import Verdict
from ..results.crops import Crop
from ..results.firstscore import FIRST_SCHEMA, FirstScore, FirstVerdict
from ..results.pack import LIST_NAME, MEMBER, SCHEMA, TEXT_LENGTH, Pack, PackCrop, PackEntry
from ..results.score import Score
from .values import AnyScore, AnyVerdict, Filing, Kept

if TYPE_CHECKING:
    from .book import Ledger

__all__ = ["import_file"]

_Read = TypeVar("_Read")

_LIST_BYTES: Final = 24 << 20
_JSON_BYTES: Final = 24 << 20  # read, it takes twenty times as much; 72 fades and all else of a large chart take 8 MiB
_PNG_BYTES: Final = 16 << 20
_ALL_BYTES: Final = 4 << 30
_MEMBERS: Final = 60_000  # more need ZIP64; 500 scores of 72 fades, as many as a pack of ours holds, have 42,000
_PNG_SIDE_PX: Final = 16_384  # the longest sheet, 1600 mm, at the 8 px a mm that pictures are kept at
_PICTURES_PX: Final = 64_000_000  # of one score: a sheet of a square metre at 8 px a mm
_RATIO: Final = 200  # the most even score packs 30 to 1
_RATIO_FROM: Final = 1 << 20
_BLOCK: Final = 1 << 16
_TEXT: Final = TEXT_LENGTH
_NAME: Final = 100
_DEPTH: Final = 40
_DIRECTORY_BYTES: Final = 256  # of one member's line in the ZIP file's directory, with room to spare
_HASH: Final = re.compile(r"[0-9a-f]{64}")
_TURNERS: Final = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")  # they show text in another order


def import_file(ledger: Ledger, path: Path, owner: str | None) -> tuple[Kept, ...]:
    """File what a pack or a score file holds, all of it or nothing.

    Parameters
    ----------
    owner : str or None
        Whose it is; ``None`` for one's own score file.

    Raises
    ------
    LedgerError
        If the file is not to be trusted, or the ledger fails; nothing was filed then.
    WrongUsageError
        If a pack comes from nobody, or the name is no name.
    """
    whose = None if owner is None else _harmless(owner).strip()
    if whose is not None and not 0 < len(whose) <= _NAME:
        raise WrongUsageError(f"--from takes a name of 1 to {_NAME} characters.")
    if not _is_pack(path):
        one = _score_file(path, whose)
        return ledger.keep_all(lambda: (one,))
    if whose is None:
        raise WrongUsageError("A pack holds someone's scores. Say whose: --from NAME.")
    with _open_pack(path) as pack:
        return ledger.keep_all(lambda: pack.filings(whose))


def _is_pack(path: Path) -> bool:
    """Return whether a file starts as a ZIP file does."""
    try:
        with path.open("rb") as stream:
            return stream.read(4) in (b"PK\x03\x04", b"PK\x05\x06")
    except OSError as error:
        raise LedgerError(f"{path} cannot be read ({error.strerror}).") from error


@contextmanager
def _open_pack(path: Path) -> Iterator[_OpenPack]:
    """Yield a pack whose list of members was checked.

    Raises
    ------
    LedgerError
        If it is no pack, or not one to be trusted; the sentence says why.
    """
    try:
        with path.open("rb") as stream:
            _check_directory(stream, path)
            with zipfile.ZipFile(stream) as archive:
                yield _OpenPack(archive, path)
    except (zipfile.BadZipFile, EOFError, NotImplementedError, UnicodeDecodeError) as error:
        raise LedgerError(f"{path} is not a pack, or a damaged one ({error}). Ask for it again.") from error
    except OSError as error:
        raise LedgerError(f"{path} cannot be read ({error.strerror or error}).") from error


class _OpenPack:
    """An open pack, its member names, hashes and sizes checked; read from it one score at a time."""

    def __init__(self, archive: zipfile.ZipFile, path: Path) -> None:
        self._archive, self._path = archive, path
        self._infos = self._checked_members()
        self.pack = self._list()
        self._members = {member.name: member for member in self.pack.members}
        if self._members.keys() != self._infos.keys() - {LIST_NAME} or len(self._members) < len(self.pack.members):
            raise self._refused("its list does not name exactly what is in it")
        if sum(member.size for member in self.pack.members) > _ALL_BYTES:
            raise self._refused("it is larger than a pack may be")

    def filings(self, owner: str) -> Iterator[Filing]:
        """Yield every score as checked, marked as someone's; those of third persons say through whom they came."""
        for entry in self.pack.entries:
            theirs = owner if entry.owner is None else f"{_harmless(entry.owner)} (through {owner})"
            yield self._filing(entry, theirs)

    def _filing(self, entry: PackEntry, owner: str) -> Filing:
        data = self._read(entry.score, _JSON_BYTES)
        score = _score(data, f"{self._path}, {entry.score}")
        if self._read(entry.recipe, _BLOCK).decode("utf-8", "replace") != score.recipe:
            raise self._refused(f"{entry.recipe} is not the recipe of {entry.score}")
        verdict: AnyVerdict | None = None
        if entry.verdict is not None:
            data = self._read(entry.verdict, _JSON_BYTES)
            verdict = _verdict(data, f"{self._path}, {entry.verdict}", isinstance(score, FirstScore))
        try:
            kept_at = datetime.fromisoformat(entry.kept_at)
        except ValueError:
            raise self._refused(f"'{entry.kept_at}' is no time") from None
        return Filing(
            score=score,
            verdict=verdict,
            crops=self._pictures(entry.crops),
            label=None if entry.label is None else _harmless(entry.label),
            owner=owner,
            kept_at=kept_at,
        )

    def _pictures(self, crops: Sequence[PackCrop]) -> dict[str, Crop]:
        if len({crop.file for crop in crops}) < len(crops) or len({crop.element for crop in crops}) < len(crops):
            raise self._refused("it names one picture for several elements")
        pictures: dict[str, Crop] = {}
        left = _PICTURES_PX
        for crop in crops:
            image = self._picture(crop.file, left)
            left -= image.shape[0] * image.shape[1]
            pictures[_harmless(crop.element)] = Crop(
                image=image, px_per_mm=crop.px_per_mm, origin_mm=crop.origin_mm
            )
        return pictures

    def _picture(self, name: str, most_px: int) -> np.ndarray[Any, np.dtype[np.uint8]]:
        data = self._read(name, _PNG_BYTES)
        large = self._refused(f"{name} is larger than a picture of a pack may be")
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error", Image.DecompressionBombWarning)
                with Image.open(io.BytesIO(data), formats=["PNG"]) as image:
                    # the size stands in the file's head, before anything is decoded
                    if max(image.size) > _PNG_SIDE_PX or image.width * image.height > most_px:
                        raise large
                    return np.asarray(image.convert("RGB"))
        except (Image.DecompressionBombError, Image.DecompressionBombWarning):
            raise large from None
        except (OSError, SyntaxError, ValueError) as error:
            raise self._refused(f"{name} is not a picture") from error

    def _list(self) -> Pack:
        if LIST_NAME not in self._infos:
            raise self._refused(f"it has no {LIST_NAME}")
        document = _parsed(self._unpacked(LIST_NAME, _LIST_BYTES), f"{self._path}, {LIST_NAME}")
        named = document.get("schema") if isinstance(document, dict) else None
        if isinstance(named, str) and named.startswith("inkstrain/pack/") and named != SCHEMA:
            raise LedgerError(
                f"{self._path} was written by a newer inkstrain ({_harmless(named)}). Update inkstrain, then import it."
            )
        try:
            return Pack.model_validate(document)
        except ValidationError as error:
            raise self._refused(f"its {LIST_NAME} is not of schema {SCHEMA} ({_where(error)})") from error

    def _checked_members(self) -> dict[str, zipfile.ZipInfo]:
        infos: dict[str, zipfile.ZipInfo] = {}
        for info in self._archive.infolist():
            shown = _shown(info.orig_filename)
            mode = info.external_attr >> 16
            if info.flag_bits & 0x1:
                raise self._refused(f"{shown} is encrypted")
            if stat.S_IFMT(mode) not in (0, stat.S_IFREG):
                raise self._refused(f"{shown} is a link or another thing that is no file")
            if info.orig_filename != LIST_NAME and not MEMBER.fullmatch(info.orig_filename):
                raise self._refused(f"{shown} is not a name that a pack may hold")
            if info.filename in infos:
                raise self._refused(f"{shown} is in it twice")
            if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise self._refused(f"{shown} is packed in a way that packs are not")
            infos[info.filename] = info
        return infos

    def _read(self, name: str, most: int) -> bytes:
        """Return a member's bytes, which must have the size and the hash that the list gives."""
        member = self._members.get(name)
        if member is None:
            raise self._refused(f"{name} is missing")
        data = self._unpacked(name, min(most, member.size))
        if hashlib.sha256(data).hexdigest() != member.sha256:
            raise self._refused(f"{name} is not what its hash says; it was damaged or changed")
        return data

    def _unpacked(self, name: str, most: int) -> bytes:
        info = self._infos[name]
        parts, size = [], 0
        try:
            with self._archive.open(info) as stream:
                while block := stream.read(_BLOCK):
                    parts.append(block)
                    size += len(block)
                    if size > most or (size > _RATIO_FROM and size > _RATIO * max(info.compress_size, 1)):
                        raise self._refused(f"{name} unpacks to more than it may")
        except (zipfile.BadZipFile, zlib.error, OSError, EOFError, ValueError, RuntimeError) as error:
            raise self._refused(f"{name} is damaged") from error
        return b"".join(parts)

    def _refused(self, why: str) -> LedgerError:
        return LedgerError(f"{self._path} was refused: {why}. Nothing was imported.")


def _score_file(path: Path, owner: str | None) -> Filing:
    """Return what files a score that 'score --json' wrote.

    Raises
    ------
    LedgerError
        If it is not such a file.
    """
    try:
        if path.stat().st_size > _JSON_BYTES:
            raise LedgerError(f"{path} is too large for a score.")
        data = path.read_bytes()
    except OSError as error:
        raise LedgerError(f"{path} cannot be read ({error.strerror}).") from error
    return Filing(score=_score(data, str(path)), owner=owner)


def _check_directory(stream: io.BufferedReader, path: Path) -> None:
    """Refuse a ZIP file whose directory alone would fill the memory."""
    size = stream.seek(0, io.SEEK_END)
    stream.seek(max(0, size - (1 << 16) - 22))
    tail = stream.read()
    at = tail.rfind(b"PK\x05\x06")
    if at < 0 or len(tail) < at + 20:
        raise zipfile.BadZipFile("it has no directory")
    members = int.from_bytes(tail[at + 10 : at + 12], "little")
    directory = int.from_bytes(tail[at + 12 : at + 16], "little")
    if members > _MEMBERS or directory > _DIRECTORY_BYTES * (members + 1):
        raise LedgerError(f"{path} was refused: it has more members than a pack may. Nothing was imported.")
    stream.seek(0)


def _score(data: bytes, where: str) -> AnyScore:
    from inkstrain.targets.recipe import parse_recipe

    document = _parsed(data, where)
    named = document.get("schema") if isinstance(document, dict) else None
    if isinstance(named, str) and named not in (FIRST_SCHEMA, Score.model_fields["schema_id"].default):
        newer = named.startswith("inkstrain/score/")
        why = "was written by a newer inkstrain. Update it first" if newer else "is not a score"
        raise LedgerError(f"{where} {why} ({named}).")
    read: Callable[[str], AnyScore] = FirstScore.of if named == FIRST_SCHEMA else Score.model_validate_json
    score = _validated(read, document, where)
    if not all(_HASH.fullmatch(tile.scan_sha256) for tile in score.tiles):
        raise LedgerError(f"{where} does not say which scans it rests on. Nothing was imported.")
    try:
        recipe = parse_recipe(score.recipe)
    except InkstrainError as error:
        raise LedgerError(f"{where} has a recipe that cannot be read ({error}) Nothing was imported.") from error
    if recipe.chart_id != score.chart:
        raise LedgerError(f"{where} names chart {score.chart}, but its recipe is that of {recipe.chart_id}.")
    return score


def _verdict(data: bytes, where: str, first: bool) -> AnyVerdict:
    read: Callable[[str], AnyVerdict] = FirstVerdict.of if first else Verdict.model_validate_json
    return _validated(read, _parsed(data, where), where)


def _validated(read: Callable[[str], _Read], document: Any, where: str) -> _Read:
    try:
        return read(json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":")))
    except ValidationError as error:
        raise LedgerError(f"{where} is not as its schema says ({_where(error)}). Nothing was imported.") from error
    except ValueError as error:
        raise LedgerError(f"{where} is not JSON as a pack has it. Nothing was imported.") from error


def _parsed(data: bytes, where: str) -> Any:
    try:
        return _cleaned(json.loads(data.decode("utf-8")), 0)
    except (ValueError, RecursionError) as error:
        raise LedgerError(f"{where} is not JSON as a pack has it. Nothing was imported.") from error


def _cleaned(value: Any, depth: int) -> Any:
    """Return JSON with every text made harmless; too deep or too long is an error."""
    if depth > _DEPTH:
        raise ValueError("too deep")
    match value:
        case str():
            if len(value) > _TEXT:
                raise ValueError("a text is too long")
            return _harmless(value)
        case list():
            return [_cleaned(item, depth + 1) for item in value]
        case dict():
            return {_cleaned(key, depth + 1): _cleaned(item, depth + 1) for key, item in value.items()}
    return value


def _harmless(text: str) -> str:
    """Return text without characters that steer a terminal or turn a line round; markup is only text."""
    kept = (c for c in text if c == "\n" or (unicodedata.category(c) not in ("Cc", "Cs") and c not in _TURNERS))
    return "".join(kept)


def _shown(name: str) -> str:
    plain = _harmless(name)
    return f"'{plain if len(plain) <= 60 else plain[:60] + '…'}'"


def _where(error: ValidationError) -> str:
    first = error.errors(include_url=False, include_input=False)[0]
    place = ".".join(str(part) for part in first["loc"])
    return f"{_harmless(place)[:80]}: {first['msg'][:120]}"
