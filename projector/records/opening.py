"""The door to records. SQLAlchemy takes a quarter of a second to load: commands that keep nothing do without."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from projector.records.store import Store


def open_records(address: str | Path, make: bool = False) -> Store:
    """Open records for reading, or, with `make`, begin them where there are none. Raises RecordsError."""
    from projector.records.store import Store

    return Store(address, make)
