"""A whole pile through the real loop, at a virtual table whose person is clumsy. Pictures are generated.

The full count is `python -m tests.measure.piles`; what a pile is, is the project's own.
"""

from __future__ import annotations

from datetime import datetime
from io import StringIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from projector.clock import WallClock
from projector.events import Event, Teller
from projector.guide.pile import Step
from projector.guide.steps import Record
from projector.piling import _lit
from projector.records.journal import Journal
from projector.records.opening import open_records
from tests.measure.piles import counted
from tests.projector.drawn import drawn_unit, expected
from vision.compare import judge

UNITS = 10
SIZE_PX = (800, 450)
CLUMSY = {"touching": 0.3, "turned": 0.2, "nudge": 0.3, "again": 0.1}


def test_every_unit_counts_once_however_clumsily_it_is_laid() -> None:
    found = counted(2, UNITS, SIZE_PX, (2, 3), CLUMSY)
    assert found.counted == found.kept == len(found.truth.units) == UNITS
    assert not {"other", "turned_over", "look_again"} & found.verdicts.keys()  # each was laid right in the end
    refused = [one for one in found.events if (one["event"], one.get("what")) == ("refused", "unit")]
    assert "touching" in {one["why"] for one in refused}


def test_nothing_is_told_of_a_lot_before_all_of_it_is_on_the_disk(tmp_path: Path) -> None:
    shape, told = expected("square(2 in)"), []

    def hears(event: Event) -> None:
        with open_records(tmp_path / "j") as records:
            told.append((event["event"], event["n"], len(records.units(session))))

    with Journal.open(tmp_path / "j") as journal:
        session = journal.begin(datetime.now().astimezone(), "pile", "", "drawn")
        teller = Teller(WallClock(), out=StringIO(), listeners=[hears])
        table = SimpleNamespace(teller=teller, glance=lambda: None)
        bench: Any = SimpleNamespace(
            journal=journal, session=session, table=table, lighting=SimpleNamespace(show=lambda scene: None)
        )
        judged, entries = judge(drawn_unit(shape), [shape]), list[int]()
        state: Any = None
        lot = Step(state, state, (), tuple(Record(judged, shape.name, n, 3) for n in (1, 2, 3)), ())
        _lit(bench, lot, entries)
    assert told == [("unit", n, 3) for n in (1, 2, 3)]
    assert entries == [1, 2, 3]
