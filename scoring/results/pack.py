"""A pack's own list of what is in it: ``pack.json``, schema ``inkstrain/pack/1``.

A pack is a ZIP file. Its members have names of this program's making only, and text that a person typed stands in
JSON, never in a name.
"""

from __future__ import annotations

import re
from typing import Annotated, Final, Literal

from pydantic import Field

from inkstrain.targets.values import AliasedValue

from .score import MadeBy

__all__ = ["LIST_NAME", "MEMBER", "SCHEMA", "TEXT_LENGTH", "Pack", "PackCrop", "PackEntry", "PackMember"]

SCHEMA: Final = "inkstrain/pack/1"
LIST_NAME: Final = "pack.json"
MEMBER: Final = re.compile(
    r"scores/[a-z2-7]{8,52}\.json|verdicts/[a-z2-7]{8,52}\.json|crops/[a-z2-7]{8,52}/[0-9]{1,4}\.png"
    r"|recipes/[A-Z2-7]{8}\.txt"
)
"""Every name that a member may have, ``pack.json`` aside."""

_Name = Annotated[str, Field(pattern=f"^(?:{MEMBER.pattern})$")]
_Hash = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
TEXT_LENGTH: Final = 200_000
"""The longest text that a pack may hold, in characters: Linux takes words of up to 131,072 bytes on a command line."""

_Text = Annotated[str, Field(max_length=TEXT_LENGTH)]
_Moment = Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$")]


class PackMember(AliasedValue):
    """One file of the pack; ``size`` in bytes."""

    name: _Name
    size: Annotated[int, Field(ge=0)]
    sha256: _Hash


class PackCrop(AliasedValue):
    """The picture of one element; see `inkstrain.scoring.results.crops.Crop`."""

    element: _Text
    file: _Name
    px_per_mm: Annotated[float, Field(gt=0, le=1000)]
    origin_mm: tuple[float, float]


class PackEntry(AliasedValue):
    """One score. ``owner`` is set if it was someone else's already in the ledger that it comes from."""

    id: Annotated[str, Field(pattern=r"^[a-z2-7]{8,52}$")]
    label: _Text | None
    owner: _Text | None
    kept_at: _Moment
    score: _Name
    verdict: _Name | None
    recipe: _Name
    crops: tuple[PackCrop, ...]


class Pack(AliasedValue):
    """Everything in the pack."""

    schema_id: Literal["inkstrain/pack/1"] = Field(default=SCHEMA, alias="schema")
    made_by: MadeBy
    entries: Annotated[tuple[PackEntry, ...], Field(max_length=5_000)]
    members: Annotated[tuple[PackMember, ...], Field(max_length=60_000)]
