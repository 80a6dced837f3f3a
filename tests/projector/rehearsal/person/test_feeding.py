"""The person who feeds a pile does what the app asks of what it could not judge. The app is told here, not run."""

from __future__ import annotations

from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import pytest

from projector.rehearsal.bench import Lying
from projector.rehearsal.person.feeding import AGAIN, Feeder, PileToFeed
from projector.rehearsal.setting import setting_of
from projector.rehearsal.things.cloth import Piece
from tests.measure.piles import DIAMOND

LOT = 3
ANSWERS_S = 1.0  # after a lot lies there


def fed(refusals: int) -> tuple[list[tuple[Piece, ...]], list[Piece]]:
    """One lot whose second unit is refused so many times: what lay there after each visit, and what was taken away."""
    visits: list[tuple[Piece, ...]] = []
    noted: list[Piece] = []
    answers: list[tuple[float, dict[str, Any]]] = []
    counted: list[float] = []  # x of the middles of what has a verdict where it lies

    def lay(lying: Lying, t_s: float) -> None:
        visits.append(lying.pieces)
        for piece in lying.pieces:
            x_mm = float(piece.corners_mat_mm.mean(axis=0)[0])
            if x_mm in counted:
                continue
            unit = {"event": "unit", "verdict": "fits", "outline_mat_mm": piece.corners_mat_mm.tolist()}
            if piece is lying.pieces[1] and len(visits) <= refusals:
                unit = {"event": "refused", "what": "unit", "why": "blurred"}
            else:
                counted.append(x_mm)
            answers.append((t_s + ANSWERS_S, unit))

    bench: Any = SimpleNamespace(reach=lambda reach: None, lay=lay)
    ledger: Any = SimpleNamespace(unit=lambda t_s, of, piece: noted.append(piece))
    feeder = Feeder(bench, setting_of(1, (960, 540), (960, 540)), PileToFeed(DIAMOND, LOT, (LOT,)), ledger, 1)
    feeder.hears({"event": "ask", "what": "unit"}, 0.0)
    for tick in range(1200):
        while answers and answers[0][0] <= tick / 10:
            feeder.hears(answers.pop(0)[1], tick / 10)
        feeder.advance(tick / 10)
    assert not feeder.busy
    return visits, noted


@pytest.mark.parametrize("refusals", [0, 1, 2])
def test_what_is_refused_is_laid_elsewhere_until_it_has_a_verdict_and_nothing_else_is_moved(refusals: int) -> None:
    visits, noted = fed(refusals)
    assert len(visits) == 1 + refusals + 1  # laid, each time again, and taken away
    assert visits[-1] == ()
    for before, after in pairwise(visits[:-1]):
        assert [a is b for a, b in zip(before, after, strict=True)] == [True, False, True]
    assert len(noted) == LOT


def test_what_is_never_judged_is_given_up() -> None:
    visits, noted = fed(1000)
    assert len(visits) == 1 + AGAIN + 1
    assert len(noted) == LOT
