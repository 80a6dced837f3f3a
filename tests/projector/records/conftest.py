"""Both kinds of records, for every test that asks for an `address`."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.projector.records.server import Server, programs, running


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    found = programs()
    if found is None:
        pytest.skip("needs PostgreSQL (on Debian: apt install postgresql)")
    with running(found) as server:
        yield server


@pytest.fixture(params=["sqlite", "postgresql"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where there are no records yet."""
    if request.param == "sqlite":
        return str(tmp_path / "journal.sqlite")
    server: Server = request.getfixturevalue("server")
    return server.database()
