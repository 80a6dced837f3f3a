"""Several processes write at once, and some are killed: nothing lost, nothing double, nothing mixed."""

from __future__ import annotations

import random
from pathlib import Path

from projector.records.opening import open_records
from tests.measure.kills import Found, Told, compared, processes, round_of
from tests.projector.records.server import Server
from tests.projector.records.writer import plan_of

UNITS = 24


def write_at_once(address: str, names: list[str], many: int) -> None:
    with processes(address, many, names) as lines:
        said = [line.split() for line in lines]
    for name in names:
        assert [which for who, what, which in said if (who, what) == (name, "unit")] == [
            f"{name}-{i}" for i in range(many)
        ]
    with open_records(address) as records:
        assert sorted(session.plan for session in records.sessions()) == sorted(map(plan_of, names))
        for session in records.sessions():
            entries = records.entries(session.id)
            assert [entry.name for entry in entries] == [f"{session.plan_name}-{i}" for i in range(many)]
            assert [entry.event()["name"] for entry in entries] == [entry.name for entry in entries]
            assert [entry.n for entry in entries] == list(range(1, many + 1))
            assert len(records.units(session.id)) == many - many // 4


def test_two_processes_write_to_one_file(tmp_path: Path) -> None:
    write_at_once(str(tmp_path / "journal.sqlite"), ["left", "right"], UNITS)


def test_eight_processes_write_to_one_server(server: Server) -> None:
    write_at_once(server.database(), [f"table{i}" for i in range(8)], UNITS)


def test_killed_processes_lose_nothing(address: str) -> None:
    """The full count is `python -m tests.measure.kills`."""
    found = round_of(address, [f"table{i}" for i in range(4)], random.Random(5))
    assert found.good(), found
    assert found.kills == 4
    assert found.told > 0


def test_the_count_of_losses_can_tell(tmp_path: Path) -> None:
    """Records that lack a unit, or have one double, in another's session or not taken back, are called so."""
    address = str(tmp_path / "j")
    write_at_once(address, ["a"], 5)
    told = Told("a", [1], [f"a-{i}" for i in range(5)], ["a-3"])
    with open_records(address) as store:
        assert compared(store, told) == Found(kills=1, told=5)
        assert compared(store, Told("a", [1, 2], [*told.units, "a-5"], ["a-2"])) == Found(
            kills=1, told=6, lost=2, not_back=1, untold=-1
        )
        (session,) = store.sessions()
        store.add(session.id, "again", store.entries(session.id)[0])
        found = compared(store, told)
        assert (found.double, found.mixed, found.untold) == (1, 1, 1)
        assert not found.good()
