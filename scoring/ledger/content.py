"""From a score to the rows that keep it, and back."""

from __future__ import annotations

import base64
import hashlib
import io
import json
import re
import zlib
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Row

from ..results.firstscore import FIRST_SCHEMA, FirstElement, FirstScore, FirstVerdict
from ..results.score import Conditions, RingScore, Score
from .tables import CONDITIONS
from .values import AnyScore, AnyVerdict, Entry

if TYPE_CHECKING:
    from ..results.crops import Crop

__all__ = [
    "content_hash",
    "crop_of",
    "crop_row",
    "document_row",
    "entry_of",
    "entry_row",
    "long_id",
    "moment_text",
    "pictures",
    "reading_rows",
    "scan_hashes",
    "score_of",
    "score_text",
    "unpacked",
    "verdict_of",
    "verdict_text",
]

_CROP_PX_PER_MM: Final = 8.0
"""A kept picture is for looking at: 200 dpi shows every ring that can be seen, at a fifth of the bytes of 450."""

_DATE: Final = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:[T ].*)?)?)?")


def score_text(score: AnyScore) -> str:
    """Return a score as JSON; one of the first definition as it was written."""
    return score.document if isinstance(score, FirstScore) else score.model_dump_json()


def scan_hashes(score: AnyScore) -> tuple[str, ...]:
    """Return the hashes of the scans, each once, sorted; readings of an instrument are their own hash."""
    if not score.tiles:
        return (_hash("".join(_element_texts(score))),)
    return tuple(sorted({tile.scan_sha256 for tile in score.tiles}))


def content_hash(score: AnyScore) -> str:
    """Return a hash over the scans and the way of measuring: chart, program, colour basis, viewing, measures."""
    way = [
        score.chart, *scan_hashes(score), score.made_by.version, score.colour_basis.model_dump_json(),
        score.viewing.model_dump_json(),
    ]  # fmt: skip
    if not isinstance(score, FirstScore):
        way.append(f"measures {score.made_by.measures}")
    return _hash("\n".join(way))


def long_id(content: str, owner: str) -> str:
    """Return the id at full length; the ledger uses as much of its start as tells it from others."""
    digest = hashlib.sha256(f"{content}\n{owner}".encode()).digest()
    return base64.b32encode(digest).decode("ascii").rstrip("=").lower()


def moment_text(moment: datetime) -> str:
    """Return a moment as the ledger holds it: UTC, to the second."""
    return moment.astimezone(UTC).replace(microsecond=0, tzinfo=None).isoformat() + "Z"


def entry_row(
    score: AnyScore, verdict: AnyVerdict | None, label: str | None, owner: str, kept_at: datetime
) -> dict[str, Any]:
    """Return the light row of a score, all but its id."""
    kept = moment_text(kept_at)
    flags = dict.fromkeys(map(str, (*score.flags, *(flag for tile in score.tiles for flag in tile.flags))))
    return {
        "content": content_hash(score),
        "owner": owner,
        "label": None if label is None else _storable(label),
        "kept_at": kept,
        "measured_at": _date_text(score.conditions.date) or kept,
        "chart": score.chart,
        "scan_set": _hash("\n".join(scan_hashes(score))),
        "basis": score.colour_basis.kind,
        "dpi": min((min(tile.dpi) for tile in score.tiles), default=0.0),
        "made_by": score.made_by.version,
        "flags": "\n".join(_storable(flag) for flag in flags),
        "within": None if verdict is None else verdict.within,
        **_figures(score),
        **{name: _condition(getattr(score.conditions, name)) for name in CONDITIONS},
    }


def entry_of(row: Row[Any]) -> Entry:
    """Return the value of a light row."""
    return Entry(
        id=row.id,
        label=row.label,
        kept_at=datetime.fromisoformat(row.kept_at),
        measured_at=datetime.fromisoformat(row.measured_at),
        chart=row.chart,
        conditions=Conditions.model_construct(**{name: getattr(row, name) for name in CONDITIONS}),
        owner=row.owner or None,
        flags=tuple(row.flags.splitlines()),
        scan_set=row.scan_set,
        basis=row.basis,
        dpi=row.dpi,
        made_by=row.made_by,
        within=row.within,
        contours=row.contours,
        evenness=row.evenness,
        reach=row.reach,
        measures=row.measures,
    )


def _figures(score: AnyScore) -> dict[str, Any]:
    if isinstance(score, FirstScore):
        return {"measures": 1, **score.totals.model_dump()}
    totals = score.totals
    rings = [element for element in score.elements if isinstance(element, RingScore)]
    return {
        "measures": score.made_by.measures,
        "contours": sum(len(ring.contours) for ring in rings),
        "evenness": None if totals.evenness is None else totals.evenness.value,
        "reach": None if totals.reach is None else totals.reach.value,
    }


def document_row(score: AnyScore, verdict: AnyVerdict | None) -> dict[str, Any]:
    """Return score and verdict as packed JSON, with the hash of both."""
    text = score_text(score)
    judged = None if verdict is None else verdict_text(verdict)
    return {
        "score": zlib.compress(text.encode("utf-8")),
        "verdict": None if judged is None else zlib.compress(judged.encode("utf-8")),
        "sha256": _hash(text + (judged or "")),
    }


def unpacked(row: Row[Any]) -> tuple[str, str | None]:
    """Return the JSON of score and verdict.

    Raises
    ------
    ValueError
        If they are not what was written.
    """
    try:
        text = zlib.decompress(row.score).decode("utf-8")
        judged = None if row.verdict is None else zlib.decompress(row.verdict).decode("utf-8")
    except (zlib.error, UnicodeDecodeError) as error:
        raise ValueError(str(error)) from error
    if _hash(text + (judged or "")) != row.sha256:
        raise ValueError("its hash is not that of what was kept")
    return text, judged


def score_of(row: Row[Any]) -> AnyScore:
    """Return the score of a document's row."""
    text = unpacked(row)[0]
    return FirstScore.of(text) if json.loads(text)["schema"] == FIRST_SCHEMA else Score.model_validate_json(text)


def verdict_of(row: Row[Any], measures: int) -> AnyVerdict | None:
    """Return the verdict of a document's row, whose score is of these measures."""
    judged = unpacked(row)[1]
    if judged is None:
        return None
    from ..judge.judge import Verdict

    return FirstVerdict.of(judged) if measures == 1 else Verdict.model_validate_json(judged)


def reading_rows(score: AnyScore) -> dict[tuple[str, str, str], dict[str, float | None]]:
    """Return every reading that can be compared, by (element, measure, unit).

    Of a score of the first definition: what stands in it as it is, for the table, by the names it was kept by.
    """
    if isinstance(score, FirstScore):
        return _first_readings(score)
    # numbers are loaded where they are worked with: a list needs none
    from ..compare.comparable import MEASURES, read_all

    rows = {}
    for (element, measure), reading in read_all(score).items():
        unit = MEASURES[measure].unit if measure in MEASURES else ""
        rows[_storable(element), measure, unit] = {
            "value": None if reading is None else reading.value,
            # 0 is what a reading has where none was estimated
            "standard_error": None if reading is None else reading.standard_error or None,
            "hidden_below": None if reading is None else reading.hidden_below,
        }
    return rows


def crop_row(element: str, crop: Crop) -> dict[str, Any]:
    """Return a picture as the ledger keeps it: PNG, at most 200 dpi."""
    from PIL import Image

    image, scale = Image.fromarray(crop.image), 1.0
    if crop.px_per_mm > _CROP_PX_PER_MM:
        scale = _CROP_PX_PER_MM / crop.px_per_mm
        size = (max(1, round(image.width * scale)), max(1, round(image.height * scale)))
        scale, image = size[0] / image.width, image.resize(size, Image.Resampling.BOX)
    stream = io.BytesIO()
    image.save(stream, "PNG", optimize=False)
    return {
        "element": _storable(element),
        "px_per_mm": crop.px_per_mm * scale,
        "x_mm": crop.origin_mm[0],
        "y_mm": crop.origin_mm[1],
        "png": stream.getvalue(),
    }


def crop_of(row: Row[Any]) -> Crop:
    """Return the picture of a row."""
    import numpy as np
    from PIL import Image

    from ..results.crops import Crop

    with Image.open(io.BytesIO(row.png), formats=["PNG"]) as image:
        pixels = np.asarray(image.convert("RGB"))
    return Crop(image=pixels, px_per_mm=row.px_per_mm, origin_mm=(row.x_mm, row.y_mm))


def pictures(crops: Mapping[str, Crop]) -> list[dict[str, Any]]:
    """Return the rows of all pictures."""
    return [crop_row(element, crop) for element, crop in crops.items()]


def verdict_text(verdict: AnyVerdict) -> str:
    """Return a verdict as JSON; one of the first definition as it was written."""
    return verdict.document if isinstance(verdict, FirstVerdict) else verdict.model_dump_json()


def _element_texts(score: AnyScore) -> list[str]:
    if isinstance(score, FirstScore):
        elements = json.loads(score.document)["elements"]
        return [json.dumps(element, ensure_ascii=False, separators=(",", ":")) for element in elements]
    return [element.model_dump_json() for element in score.elements]


def _first_readings(score: FirstScore) -> dict[tuple[str, str, str], dict[str, float | None]]:
    found: dict[tuple[str, str, str], float | None] = {}
    for element in score.elements:
        found |= {(element.id, *named): value for named, value in _first_figures(element).items()}
    found["print", "black_l", "L*"] = score.black.lab[0] if score.black else None
    return {
        (_storable(key[0]), *key[1:]): {"value": value, "standard_error": None, "hidden_below": None}
        for key, value in found.items()
    }


def _first_figures(element: FirstElement) -> dict[tuple[str, str], float | None]:
    if element.kind.startswith("ring-"):
        figures = {("evenness", ""): element.evenness, ("reach", ""): element.reach, ("core", "mm"): element.core_mm}
        return figures if element.reach is not None else dict.fromkeys(figures)
    if element.cast is None:
        return {}
    return {
        ("first_from_black", ""): element.first_from_black,
        ("mean_cast", "C*"): element.cast.mean_c,
        ("worst_cast", "C*"): element.cast.max_c,
    }


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _storable(text: str) -> str:
    # PostgreSQL holds no NUL, and neither holds half a surrogate pair
    return text.replace("\x00", "").encode("utf-8", "replace").decode("utf-8")


def _condition(value: object) -> object:
    return _storable(value) if isinstance(value, str) else value


def _date_text(date: str | None) -> str | None:
    """Return the moment that a print's date names, if it is one: a year, a month, a day or more."""
    match = _DATE.fullmatch((date or "").strip())
    if match is None:
        return None
    year, month, day = match.groups()
    try:
        moment = datetime.fromisoformat(match[0]) if day else datetime(int(year), int(month or 1), 1)
        return moment_text(moment if moment.tzinfo else moment.replace(tzinfo=UTC))
    except (ValueError, OverflowError):
        return None
