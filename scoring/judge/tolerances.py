"""Tolerances: what a print is held to, read from a TOML file."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from inkstrain.targets.errors import WrongUsageError

__all__ = [
    "EXAMPLE_TOLERANCES",
    "FlatFieldLimits",
    "HueSweepLimits",
    "NeutralWedgeLimits",
    "PatchFieldLimits",
    "RingLimits",
    "Tolerances",
    "read_tolerances",
]

_RENAMED = {
    "max_contours": "max_visible_rings",
    "max_visible_contours": "max_visible_rings",
    "max_contour_contrast_de00": "max_excess_de00",
    "max_flat_band_mm": "max_merged_mm",
    "max_hue_swing_deg": "max_hue_swing_delta_h",
    "monotonic": "runs_back, with max_merged_steps for steps that are not seen",
}


def _off_is_none(value: object) -> object:
    # TOML has no null, so a limit is switched off in words
    return None if value == "off" else value


_Off = BeforeValidator(_off_is_none)
_Limit = Annotated[Annotated[float, Field(ge=0)] | None, _Off]
_Fraction = Annotated[Annotated[float, Field(ge=0, le=1)] | None, _Off]
_Count = Annotated[Annotated[int, Field(ge=0)] | None, _Off]


class _Limits(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class RingLimits(_Limits):
    """Limits for every fade; ``None`` (in a file: ``"off"``) is not judged."""

    max_excess_de00: _Limit = 0.7
    max_visible_rings: _Count = 0
    max_missing_de00: _Limit = None
    max_merged_mm: _Limit = 1.0
    min_evenness: _Fraction = 0.75
    min_reach: _Limit = None
    max_hue_swing_delta_h: _Limit = 2.5
    max_reversal_l: _Limit = 0.5
    max_ripple_l: _Limit = 0.2
    max_banding_l: _Limit = 0.2
    max_core_mm: _Limit = None
    max_mean_de00: _Limit = None
    max_p95_de00: _Limit = None


class HueSweepLimits(_Limits):
    """Limits for every row of a hue sweep."""

    max_order_breaks: _Count = 0
    max_merged_deg: _Limit = 15.0
    max_mean_de00: _Limit = None
    max_p95_de00: _Limit = None


class NeutralWedgeLimits(_Limits):
    """Limits for the neutral wedge. With ``runs_back = false`` no step may be darker than the one before it."""

    runs_back: bool = False
    max_merged_steps: _Count = None
    max_first_from_black: _Count = None
    max_first_from_white: _Count = None
    max_cast_c: _Limit = 2.0
    max_mean_de00: _Limit = None
    max_p95_de00: _Limit = None


class PatchFieldLimits(_Limits):
    """Limits for a patch field."""

    max_mean_de00: _Limit = None
    max_p95_de00: _Limit = None


class FlatFieldLimits(_Limits):
    """Limits for an even tint."""

    max_unevenness_l: _Limit = None
    max_banding_l: _Limit = 0.2


class Tolerances(_Limits):
    """What a print is held to. Defaults and their sources are in :data:`EXAMPLE_TOLERANCES`."""

    ring: RingLimits = RingLimits()
    hue_sweep: HueSweepLimits = HueSweepLimits()
    neutral_wedge: NeutralWedgeLimits = NeutralWedgeLimits()
    patch_field: PatchFieldLimits = PatchFieldLimits()
    flat_field: FlatFieldLimits = FlatFieldLimits()


EXAMPLE_TOLERANCES = """\
# Tolerances for judging a score. Every line is optional; these are the defaults.
# A limit of "off" is not judged. A value equal to its limit is within; so is one that passes it by less than its error.
# Where the colour basis is "assumed", limits marked (colour) are listed but not judged.

[ring]
max_excess_de00 = 0.7            # (colour) strongest ring: a hard step of 1.8 ΔE00, which half of all observers accept
                                 # (Paravina et al. 2015, ceramics, not prints), where the share is 3 ΔE00 a mm
max_visible_rings = 0            # rings and faint rings of 1 threshold or more, as the score states viewing
max_missing_de00 = "off"         # (colour) merged tones: colour missing from half the share
max_merged_mm = 1.0              # width of merged tones; common practice, no source
min_evenness = 0.75              # common practice, no source
min_reach = "off"                # a smaller paper or ink gamut is not a fault by itself
max_hue_swing_delta_h = 2.5      # (colour) as for solid inks: ISO 12647-7, from memory
max_reversal_l = 0.5             # the smallest reversal that a score reports
max_ripple_l = 0.2               # can be objectionable: J. Electron. Imaging 19(1):011017, 2010
max_banding_l = 0.2              # the same
max_core_mm = "off"
max_mean_de00 = "off"            # (colour) against the file; out of gamut is no fault of the print
max_p95_de00 = "off"             # (colour)

[hue_sweep]
max_order_breaks = 0             # per row
max_merged_deg = 15.0            # common practice, no source
max_mean_de00 = "off"            # (colour)
max_p95_de00 = "off"             # (colour)

[neutral_wedge]
runs_back = false                # no step seen darker than the one before it; true: not judged
max_merged_steps = "off"         # steps not seen apart from the one before; paper and inks bound the deepest
max_first_from_black = "off"     # step number
max_first_from_white = "off"     # step number, counted from white
max_cast_c = 2.0                 # (colour) chroma, media-relative; ISO 12647-7 grey balance, from memory
max_mean_de00 = "off"            # (colour)
max_p95_de00 = "off"             # (colour)

[patch_field]
max_mean_de00 = "off"            # (colour)
max_p95_de00 = "off"             # (colour)

[flat_field]
max_unevenness_l = "off"
max_banding_l = 0.2              # as for rings
"""


def read_tolerances(path: Path) -> Tolerances:
    """Read tolerances from a TOML file.

    Raises
    ------
    WrongUsageError
        If the file cannot be read, is not TOML, or holds an unknown key or a value of the wrong type.
    """
    try:
        with path.open("rb") as file:
            content = tomllib.load(file)
    except OSError as error:
        raise WrongUsageError(f"Tolerances {path} cannot be read: {error.strerror or error}.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise WrongUsageError(f"Tolerances {path} are not valid TOML: {error}.") from error
    try:
        return Tolerances.model_validate(content)
    except ValidationError as error:
        raise WrongUsageError(f"Tolerances {path}: {_complaint(error)}") from error


def _complaint(error: ValidationError) -> str:
    """Say the first problem in a plain sentence, with what would be right."""
    problem = error.errors()[0]
    path = ".".join(str(part) for part in problem["loc"])
    if problem["type"] == "extra_forbidden":
        new = _RENAMED.get(str(problem["loc"][-1]))
        if new is not None:
            return f"{path!r} is of an earlier definition of the measures; now it is {new}."
        known = Tolerances.model_fields
        section = str(problem["loc"][0])
        if len(problem["loc"]) > 1:
            known = type(getattr(Tolerances(), section)).model_fields
        return f"unknown key {path!r}. Known here: {', '.join(known)}."
    if problem["type"] == "model_type":
        return f"{path} should be a table, [{path}], not {problem['input']!r}."
    message = problem["msg"].removeprefix("Input should be ")
    return f"{path} should be {message}, not {problem['input']!r}."
