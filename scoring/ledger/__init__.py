"""The ledger: where scores are kept with their conditions, so that they can be found and compared later.

One SQLite file by default, or a PostgreSQL database that several people file into; the same code for both.
"""

from .book import Ledger
from .opening import default_ledger, open_ledger
from .packing import write_pack
from .unpacking import import_file
from .values import Entry, Kept, KeptReading

__all__ = ["Entry", "Kept", "KeptReading", "Ledger", "default_ledger", "import_file", "open_ledger", "write_pack"]
