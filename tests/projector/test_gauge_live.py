"""A gauge study at the table: units fed in a fixed order, at a virtual table with generated pictures, and gone on with.

What the study makes of readings is tested against published examples elsewhere; here it is which reading is whose.
"""

from __future__ import annotations

from argparse import Namespace
from contextlib import nullcontext
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from projector.commands import benches, gaugelive
from projector.gauge.study import SelfStudy
from projector.guide.sitting import USUAL
from projector.piles.piling import Piled
from projector.records.journal import Journal
from projector.rehearsal.person.feeding import PileToFeed
from projector.rehearsal.setting import setting_of
from projector.seeing.beside import AtOnce
from projector.telling.events import Event, unit_event
from tests.measure.piles import DIAMOND, feeder_table
from tests.projector.drawn import drawn_unit, expected
from tests.projector.exactrig import exact_rig
from vision.comparing.compare import judge
from vision.comparing.expected import ExpectedShape

SIZE_PX = (800, 450)
SEED, UNITS, ROUNDS = 3, 2, 2


def told(units: int, rounds: int, people: int = 1, resume: bool = False) -> Namespace:
    said = {"units": units, "rounds": rounds, "people": people, "resume": resume, "anew": False}
    return Namespace(**said, rig="rig.json", cloth=None, quiet=True, monitor=False)


@pytest.fixture(autouse=True)
def readied(monkeypatch: pytest.MonkeyPatch) -> None:
    """The rig holds, the cautions were read; measured at once, as the virtual table's time stands still meanwhile."""
    rig = exact_rig(setting_of(SEED, SIZE_PX, SIZE_PX))
    monkeypatch.setattr(gaugelive, "ready", lambda *args: (rig, USUAL))
    monkeypatch.setattr(benches, "InThread", lambda: nullcontext(AtOnce()))


def test_the_tool_examines_itself_at_the_table(tmp_path: Path) -> None:
    """What comes of each unit's readings are its own true widths, round for round."""
    events: list[Event] = []
    feed = PileToFeed(DIAMOND, UNITS, rounds=ROUNDS, turned_rad=0.3, sd_mm=0.4)
    world, table, teller = feeder_table(SEED, feed, SIZE_PX, events)
    shape, rig = ExpectedShape("fed", DIAMOND), exact_rig(setting_of(SEED, SIZE_PX, SIZE_PX))
    board: Any = None
    with Journal.open(tmp_path / "j.sqlite", teller.tell) as journal:
        study = gaugelive.fed(told(UNITS, ROUNDS), shape, rig, board, journal, table)
        (session,) = journal.records.sessions()
        assert session.ended is not None
    assert isinstance(study, SelfStudy)
    asked = [event for event in events if (event["event"], event.get("what")) == ("ask", "unit")]
    assert (asked[0]["number"], asked[0]["round"], asked[0]["of"]) == (1, 1, UNITS * ROUNDS)
    width = next(one for one in study.gauged if one.dimension.kind == "width" and one.dimension.places == (0, 2))
    true = [true_width(unit.corners_mm) for unit in world.close().units]
    assert len(true) == UNITS * ROUNDS
    assert width.readings[:, 0].T.ravel() == pytest.approx(true, abs=0.15)
    assert abs(true[0] - true[1]) > 0.3  # two units that cannot be taken one for the other


def true_width(corners_mm: np.ndarray) -> float:
    """Between the middles of sides 0 and 2, across them: the mean of both distances, by the definition."""
    (a, b), (c, d) = (corners_mm[[0, 1]], corners_mm[[2, 3]])
    across = [abs(_cross((q - p) / np.hypot(*(q - p)), (r + s) / 2 - p)) for p, q, r, s in ((a, b, c, d), (c, d, a, b))]
    return float(np.mean(across))


def _cross(u: np.ndarray, v: np.ndarray) -> float:
    return float(u[0] * v[1] - u[1] * v[0])


def test_a_study_that_was_left_is_gone_on_with_and_its_readings_are_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two units, two rounds, two people; left after three readings. The loop is a stand-in; units are 0.3 mm apart."""
    shape = expected("square(2 in)")
    sittings, events = iter((3, 5)), list[Event]()
    _, table, _ = feeder_table(SEED, PileToFeed(DIAMOND, 1), SIZE_PX, events)

    def fed(bench: Any, shape: ExpectedShape, *others: Any, before: Any, rounds: Any) -> Piled:
        count = next(sittings)
        found = []
        for reading in range(len(before), len(before) + count):
            unit, turn, person = rounds.place(reading)
            wider = 0.3 * unit + 0.02 * turn + 0.1 * person
            judged = judge(drawn_unit(shape, wider_mm=wider), [shape])
            bench.journal.keep(bench.session, unit_event(judged, None), datetime.now().astimezone())
            found.append(judged)
        return Piled(tuple(found), stopped=len(before) + count < rounds.readings)

    monkeypatch.setattr(gaugelive, "pile", fed)
    rig = exact_rig(setting_of(SEED, SIZE_PX, SIZE_PX))
    board: Any = None
    with Journal.open(tmp_path / "j.sqlite") as journal:
        assert gaugelive.fed(told(2, 2, 2), shape, rig, board, journal, table) is None
        assert events[-1]["words"] == ["3 of 8 readings are made; --resume goes on with them"]
        study = gaugelive.fed(told(2, 2, 2, resume=True), shape, rig, board, journal, table)
        assert len(journal.records.sessions()) == 1
    assert study is not None
    readings = next(one for one in study.gauged if one.dimension.places == (1, 3)).readings - 50.8
    wanted = [[[0.3 * u + 0.02 * t + 0.1 * p for t in (1, 2)] for p in (1, 2)] for u in (1, 2)]
    assert readings == pytest.approx(np.array(wanted), abs=1e-3)  # units, people, rounds
