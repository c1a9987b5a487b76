"""Writing a pack: scores that someone else's ledger takes."""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from ..results.pack import LIST_NAME, Pack, PackCrop, PackEntry, PackMember
from ..results.score import MadeBy
from .content import crop_row, moment_text, score_text, verdict_text
from .values import Kept

__all__ = ["PACK_SCORES", "write_pack"]

PACK_SCORES: Final = 500
"""The most scores that a pack should hold, so that reading it never takes much memory; more go into several packs."""

_SAME_TIME: Final = (1980, 1, 1, 0, 0, 0)  # the same scores give the same bytes


def write_pack(kept: Iterable[Kept], path: Path) -> int:
    """Write scores with verdicts, pictures and recipes into a pack, and return how many.

    Parameters
    ----------
    kept : iterable of Kept
        Read one after the other: memory holds one score at a time.
    path : Path
        Overwritten.
    """
    from importlib.metadata import version

    entries: list[PackEntry] = []
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        writer = _Writer(archive)
        for one in kept:
            entries.append(_entry(one, writer))
        listed = Pack(
            made_by=MadeBy(version=version("inkstrain")), entries=tuple(entries), members=tuple(writer.members.values())
        )
        writer.put(LIST_NAME, listed.model_dump_json(indent=1).encode("utf-8"), listed=False)
    return len(entries)


class _Writer:
    """Writes members and notes what they are."""

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self._archive = archive
        self.members: dict[str, PackMember] = {}

    def put(self, name: str, data: bytes, *, listed: bool = True) -> str:
        if name in self.members:
            return name
        info = zipfile.ZipInfo(name, _SAME_TIME)
        # pictures are packed already
        info.compress_type = zipfile.ZIP_STORED if name.endswith(".png") else zipfile.ZIP_DEFLATED
        info.external_attr = 0o644 << 16
        self._archive.writestr(info, data)
        if listed:
            digest = hashlib.sha256(data).hexdigest()
            self.members[name] = PackMember(name=name, size=len(data), sha256=digest)
        return name


def _entry(kept: Kept, writer: _Writer) -> PackEntry:
    score, verdict = kept.any_score, kept.any_verdict
    crops = []
    for number, (element, crop) in enumerate(kept.crops().items()):
        row = crop_row(element, crop)
        name = writer.put(f"crops/{kept.id}/{number}.png", row["png"])
        crops.append(
            PackCrop(element=element, file=name, px_per_mm=row["px_per_mm"], origin_mm=(row["x_mm"], row["y_mm"]))
        )
    return PackEntry(
        id=kept.id,
        label=kept.label,
        owner=kept.owner,
        kept_at=moment_text(kept.kept_at),
        score=writer.put(f"scores/{kept.id}.json", score_text(score).encode("utf-8")),
        verdict=None
        if verdict is None
        else writer.put(f"verdicts/{kept.id}.json", verdict_text(verdict).encode("utf-8")),
        recipe=writer.put(f"recipes/{score.chart}.txt", score.recipe.encode("utf-8")),
        crops=tuple(crops),
    )
