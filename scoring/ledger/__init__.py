"""The ledger: where scores are kept with their conditions, so that they can be found and compared later.

One SQLite file by default, or a PostgreSQL database that several people file into; the same code for both.
"""

from typing import TYPE_CHECKING, Any

from .book import Ledger
from .opening import default_ledger, open_ledger
from .values import Entry, Kept, KeptReading

if TYPE_CHECKING:
    from .packing import write_pack
    from .unpacking import import_file

__all__ = ["Entry", "Kept", "KeptReading", "Ledger", "default_ledger", "import_file", "open_ledger", "write_pack"]


def __getattr__(name: str) -> Any:
    # packs bring pictures and numbers along, which a list has no use for
    from importlib import import_module

    rooms = {"write_pack": "packing", "import_file": "unpacking"}
    if name not in rooms:
        raise AttributeError(name)
    return getattr(import_module(f".{rooms[name]}", __name__), name)
