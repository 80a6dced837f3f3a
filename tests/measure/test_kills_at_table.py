"""The count of what kills did can tell right from wrong. Made-up records; no outside source."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from projector.records.journal import Journal
from tests.measure.kills_at_table import CUT, PILE, PLAN, Found, Led, compared

AT = datetime(2024, 5, 3, tzinfo=UTC)
NAME = PLAN.units[0].name


def unit(n: int, **keys: object) -> dict[str, Any]:
    return {"event": "unit", "name": NAME, "n": n, "verdict": "fits"} | keys


def kept(path: Path, *events: dict[str, Any], ended: bool = False, led: Led = CUT) -> str:
    with Journal.open(path) as journal:
        session = journal.begin(AT, led.command, led.text, "rig.json")
        for event in events:
            journal.keep(session, event, AT)
        if ended:
            journal.end(session, AT)
    return str(path)


def test_what_is_told_and_kept_is_right(tmp_path: Path) -> None:
    whole = [unit(n) for n in range(1, PLAN.wanted + 1)]
    address = kept(tmp_path / "a", *whole, ended=True)
    told = [event | {"t": 1.5} for event in whole]
    assert compared(CUT, told, False, {}, address) == Found(finished=1, told=PLAN.wanted)
    assert compared(CUT, told[2:], False, {1: 2}, address) == Found(finished=1, told=PLAN.wanted - 2)
    assert compared(CUT, told[:-1], True, {}, address) == Found(kills=1, told=PLAN.wanted - 1, untold=1)


def test_what_is_lost_double_or_wrong_at_the_end_is_found(tmp_path: Path) -> None:
    lacking = kept(tmp_path / "a", unit(1))
    assert compared(CUT, [unit(1), unit(2)], True, {}, lacking).lost == 1
    assert compared(CUT, [unit(1, verdict="trim")], True, {}, lacking).lost == 1  # told otherwise than it was kept
    assert compared(CUT, [], True, {}, kept(tmp_path / "b", unit(1), unit(1))).double == 1
    assert compared(CUT, [], True, {}, kept(tmp_path / "c", unit(1, counts=False), unit(1))).double == 0
    assert compared(CUT, [], True, {}, kept(tmp_path / "d", unit(1), ended=True)).wrong_end == 1


def test_a_pile_is_held_against_the_units_it_has(tmp_path: Path) -> None:
    whole = [unit(n) for n in range(1, PILE.wanted + 1)]
    address = kept(tmp_path / "a", *whole, ended=True, led=PILE)
    assert compared(PILE, whole, False, {}, address) == Found(finished=1, told=PILE.wanted)
    found = compared(PILE, [], True, {}, kept(tmp_path / "b", *whole[:3], led=PILE))
    assert found == Found(kills=1, untold=3)
    assert found.good(PILE.at_once)
    assert not found.good(1)
    assert compared(PILE, [], True, {}, kept(tmp_path / "c", *whole, unit(9), ended=True, led=PILE)).wrong_end == 1
    assert compared(CUT, [], True, {}, kept(tmp_path / "d", unit(1), led=PILE)).not_offered == 1
