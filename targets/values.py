"""What all models share: frozen values that are written as JSON and read back."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Self, TypeVar

from pydantic import BaseModel, ConfigDict

from .errors import CannotMeasureError

__all__ = ["AliasedValue", "Value", "read_value"]


class Value(BaseModel):
    """A frozen value; fields that a later program added are ignored on reading."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)

    def revised(self, **fields: Any) -> Self:
        """Return a copy with other values in some fields, checked and rounded as when it was made."""
        return type(self)(**{**dict(self), **fields})


class AliasedValue(Value):
    """A value some of whose fields have names in JSON that Python has other uses for, such as ``schema``."""

    model_config = ConfigDict(validate_by_name=True, validate_by_alias=True, serialize_by_alias=True)


_Read = TypeVar("_Read", bound=Value)


def read_value(path: Path, model: type[_Read], name: str, otherwise: str = ".") -> _Read:
    """Read a value from its JSON file; ``name`` and ``otherwise`` go into the sentence if the file holds another.

    Raises
    ------
    CannotMeasureError
        If the file cannot be read or is not such a value.
    """
    try:
        return model.model_validate_json(path.read_bytes())
    except OSError as error:
        raise CannotMeasureError(f"The {name} {path} cannot be read: {error.strerror or error}.") from error
    except ValueError as error:
        raise CannotMeasureError(f"{path} is not a {name}{otherwise}") from error
