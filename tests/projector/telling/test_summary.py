"""The first line of a rehearsal's summary, and how clumsy its person is told to be. No outside source: plain words."""

from __future__ import annotations

import argparse
import math

import pytest

from projector.commands import rehearse
from projector.commands.options import share
from projector.piecing.plans import Cut, Plan, Strip, Unit
from projector.rehearsing import Stage
from projector.telling.summary import counts_text
from vision.pile import Pile

CLOTH = Strip("tide", 63.5, 400.0)


def plan_of(make: int) -> Plan:
    """A plan that cuts so many squares from a strip."""
    units = (Unit("lamp", Cut("tide", make, 63.5, math.pi / 2)),) if make else ()
    return Plan("harbour", (CLOTH,), units)


@pytest.mark.parametrize(
    ("make", "verdicts", "said"),
    [
        pytest.param(3, {"fits": 3, "look_again": 1}, "4 judgements, 3 units to cut: 3 fits, 1 look again.", id="cut"),
        pytest.param(1, {"short": 1}, "1 judgement, 1 unit to cut: 1 short.", id="one of each"),
        pytest.param(0, {"fits": 1}, "1 judgement: 1 fits.", id="a plan that only sews"),
        pytest.param(2, {}, "No judgements, 2 units to cut.", id="nothing was judged"),
    ],
)
def test_the_summary_counts_in_words_that_hold_for_every_plan(make: int, verdicts: dict[str, int], said: str) -> None:
    pile = Pile(sum(verdicts.values()), sum(verdicts.values()), verdicts, {})
    assert counts_text(plan_of(make), pile) == said


@pytest.mark.parametrize("text", ["-0.1", "1.01", "nan", "inf", "ten", "", "10 %"])
def test_a_share_lies_between_none_and_all(text: str) -> None:
    assert [share(fine) for fine in ("0", "0.25", "1")] == [0.0, 0.25, 1.0]
    with pytest.raises(argparse.ArgumentTypeError, match="from 0 to 1"):
        share(text)


def test_the_virtual_person_is_as_clumsy_as_was_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    stages: list[Stage] = []

    def rehearsed(plan: Plan, stage: Stage, teller_of: object) -> dict[str, object]:
        stages.append(stage)
        raise ZeroDivisionError

    monkeypatch.setattr(rehearse, "rehearse", rehearsed)
    parser = argparse.ArgumentParser()
    rehearse.add(parser.add_subparsers())
    for words in ([], ["--clumsy", "0.3"]):
        args = parser.parse_args(["rehearse", "-o", "out", *words])
        with pytest.raises(ZeroDivisionError):
            args.run(args)
    assert [stage.skill.clumsy for stage in stages if stage.skill] == [0.0, 0.3]
