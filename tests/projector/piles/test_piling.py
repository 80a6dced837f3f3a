"""A whole pile through the real loop, at a virtual table whose person is clumsy. Pictures are generated.

The full count is `python -m tests.measure.piles`; what a pile is, is the project's own.
"""

from __future__ import annotations

from datetime import datetime
from io import StringIO
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from projector.guide.steps import Record, Step
from projector.records.journal import Journal
from projector.records.opening import open_records
from projector.table.bench import Judgements
from projector.table.clock import WallClock
from projector.telling.events import Event, Teller
from tests.measure.piles import counted
from tests.projector.drawn import drawn_unit, expected
from vision.comparing.compare import judge

UNITS = 10
SIZE_PX = (800, 450)
CLUMSY = {"touching": 0.3, "turned": 0.2, "nudge": 0.3, "again": 0.1}


def test_every_unit_counts_once_however_clumsily_it_is_laid() -> None:
    found = counted(2, UNITS, SIZE_PX, (2, 3), CLUMSY)
    assert found.counted == found.kept == len(found.truth.units) == UNITS
    assert not {"other", "turned_over", "look_again"} & found.verdicts.keys()  # each was laid right in the end
    refused = [one for one in found.events if (one["event"], one.get("what")) == ("refused", "unit")]
    assert "touching" in {one["why"] for one in refused}
    # A tone belongs to a unit, upon which the hands move: by then the light is there, and it is known how all lies.
    kinds = ["undone" if one.get("what") == "undone" else one["event"] for one in found.events]
    before = [last for last, kind in pairwise(kinds) if kind == "unit"]
    assert set(before) <= {"shown", "undone", "unit"}


def test_nothing_is_told_of_a_lot_before_all_of_it_is_on_the_disk(tmp_path: Path) -> None:
    shape, told = expected("square(2 in)"), []

    def hears(event: Event) -> None:
        with open_records(tmp_path / "j") as records:
            told.append((event["event"], event["n"], len(records.units(session))))

    with Journal.open(tmp_path / "j") as journal:
        session = journal.begin(datetime.now().astimezone(), "pile", "", "drawn")
        teller = Teller(WallClock(), out=StringIO(), listeners=[hears])
        table = SimpleNamespace(teller=teller)
        bench: Any = SimpleNamespace(journal=journal, session=session, table=table, pictures=None)
        judged, stands = judge(drawn_unit(shape), [shape]), Judgements()
        state: Any = None
        lot = Step(state, state, (), tuple(Record(judged, shape.name, n, 3) for n in (1, 2, 3)), ())
        for event in stands.keep(bench, lot):
            teller.pass_on(event)
    assert told == [("unit", n, 3) for n in (1, 2, 3)]
    assert stands.records == lot.records


def test_what_is_taken_back_is_marked_in_the_records_wherever_it_stands_among_them(tmp_path: Path) -> None:
    """Of four that stand, two of them from an earlier sitting, the second and the third from the end."""
    shape = expected("square(2 in)")
    judged = judge(drawn_unit(shape), [shape])
    state: Any = None
    with Journal.open(tmp_path / "j") as journal:
        session = journal.begin(datetime.now().astimezone(), "pile", "", "drawn")
        table = SimpleNamespace(teller=Teller(WallClock(), out=StringIO()))
        bench: Any = SimpleNamespace(journal=journal, session=session, table=table, pictures=None)
        for _ in (1, 2):
            journal.record(session, shape.name, "fits", "{}", datetime.now().astimezone())
        stands = Judgements([1, 2])
        first, second = (Record(judged, shape.name, n, 5) for n in (3, 4))
        stands.keep(bench, Step(state, state, (), (first, second)))
        stands.keep(bench, Step(state, state, (), (Record(judged, shape.name, 3, 5),), (2, 3)))
        stands.keep(bench, Step(state, state, (), (), (3,)))
        assert [(one.n, one.undone is not None) for one in journal.records.entries(session)] == [
            (1, True),
            (2, True),
            (3, True),
            (4, False),
            (5, False),
        ]
        assert [record.n for record in stands.records if isinstance(record, Record)] == [4, 3]
