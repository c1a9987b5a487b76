"""JSON Schemas (Draft 2020-12) of what the program writes, generated from the models.

``python -m inkstrain.scoring.results.schema`` writes them again into ``scoring/results/schemas``.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from pydantic import BaseModel

__all__ = ["SCHEMA_FOLDER", "schema_text", "schemas", "write_schemas"]

SCHEMA_FOLDER: Final = Path(__file__).parent / "schemas"
"""Where the generated files are kept, one a kind of document."""

_DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


def schemas() -> dict[str, dict[str, Any]]:
    """Return every schema by the name of its document: ``key``, ``score``, ``compare``, ``pack`` and so on."""
    from inkstrain.targets.key import Key

    from .comparison import Comparison
    from .fit import ScannerFit
    from .forecast import Forecast
    from .pack import Pack
    from .photos import Photos
    from .score import Score
    from .trend import Trend

    models: dict[str, type[BaseModel]] = {
        "key": Key, "score": Score, "compare": Comparison, "forecast": Forecast, "photos": Photos,
        "scanner-fit": ScannerFit, "pack": Pack, "trend": Trend,
    }  # fmt: skip
    return {name: _schema(model) for name, model in models.items()}


def schema_text(schema: dict[str, Any]) -> str:
    """Return a schema as its file holds it."""
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"


def write_schemas(folder: Path = SCHEMA_FOLDER) -> tuple[Path, ...]:
    """Write every schema into a folder and return the paths."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, schema in schemas().items():
        paths.append(folder / f"{name}.schema.json")
        paths[-1].write_text(schema_text(schema), encoding="utf-8")
    return tuple(paths)


def _schema(model: type[BaseModel]) -> dict[str, Any]:
    schema = model.model_json_schema(mode="serialization", by_alias=True)
    # a document that does not say what it is is none of ours, though the model fills the name in
    required = ["schema", *(name for name in schema.get("required", []) if name != "schema")]
    return {"$schema": _DIALECT, **schema, "required": required}


if __name__ == "__main__":
    for path in write_schemas():
        print(path)
