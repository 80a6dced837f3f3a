"""Run charts in the light: what lies where on them, and that they give way to cloth and to the pile's count.

No outside source: how a chart is drawn here is the project's own; its limits are tested where they are reckoned.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from projector.guide.looks import KeyPressed, MatCleared
from projector.guide.pile.charts import DEEP_MM, MOST, SPAN, WIDE_MM, Chart, curve_marks
from projector.guide.pile.machine import begin, charted, step
from projector.guide.scene.scenes import Fill, Stroke, Words
from projector.guide.sitting import Sitting
from tests.projector.guide.pile import test_machine as test_pile
from vision.units import Verdict

WIDTH = Chart("cut edge to cut edge", 0.8, (0.1, -0.2, 0.0, 0.9), (-0.7, 0.9), "shift upward at number 9")
ANGLE = Chart("corner 1, strip edge to cut edge", 0.5, (0.1, -0.3, 0.2, -0.6))
BOTH = (WIDTH, ANGLE)


def middles(marks, turn_rad):
    """Of the units' marks, as the person sees them: how far right and up of the curve's middle."""
    cos, sin = math.cos(-turn_rad), math.sin(-turn_rad)
    fills = [np.mean(mark.corners_mat_mm, axis=0) for mark in marks if isinstance(mark, Fill)]
    return np.array(fills) @ np.array([[cos, sin], [-sin, cos]])


@pytest.mark.parametrize("turn_rad", [0.0, math.pi, math.pi / 2])
def test_units_stand_in_order_from_left_to_right_and_upward_is_more(turn_rad):
    right, up = middles(curve_marks(WIDTH, np.zeros(2), turn_rad), turn_rad).T
    assert np.all(np.diff(right) > 0.0)
    assert np.allclose(np.diff(right), WIDE_MM / MOST)
    assert up[:3] == pytest.approx(np.array([0.1, -0.2, 0.0]) / (SPAN * 0.8) * (DEEP_MM / 2 - 2.6), abs=1e-6)
    assert up[3] > up[0]


def test_what_is_beyond_the_tolerance_has_another_form_and_only_the_latest_are_shown():
    marks = curve_marks(WIDTH, np.zeros(2), 0.0)
    fills = [mark for mark in marks if isinstance(mark, Fill)]
    assert [len(mark.corners_mat_mm) for mark in fills] == [12, 12, 12, 3]
    lines = [mark for mark in marks if isinstance(mark, Stroke)]
    assert [line.dash_mm is None for line in lines] == [True, True, False, False]  # tolerance, then control limits
    many = curve_marks(Chart("a", 1.0, (0.0,) * 500), np.zeros(2), 0.0)
    assert sum(isinstance(mark, Fill) for mark in many) == MOST
    far = middles(curve_marks(Chart("a", 1.0, (50.0, -50.0)), np.zeros(2), 0.0), 0.0)
    assert np.all(np.abs(far[:, 1]) < DEEP_MM / 2)


def texts(scene):
    return [mark.text for mark in scene.marks if isinstance(mark, Words)]


def test_charts_stand_on_the_free_mat_for_whoever_stands_there():
    for stand in ("near", "far", "left", "right"):
        first = begin(test_pile.EXPECTED, test_pile.AREA, Sitting(stand))
        turn = charted(step(step(first.state, MatCleared()).state, test_pile.seen(test_pile.A)), BOTH)
        said = texts(turn.scene)
        assert {"cut edge to cut edge", "shift upward at number 9"} <= set(said)
        fills = [np.array(mark.corners_mat_mm) for mark in turn.scene.marks if isinstance(mark, Fill)]
        assert len(fills) == len(WIDTH.offs) + len(ANGLE.offs)
        a = test_pile.A.unit.corners_mat_mm
        assert not any(np.any(np.all((one > a.min(axis=0)) & (one < a.max(axis=0)), axis=1)) for one in fills)
        low, high = np.min(test_pile.AREA, axis=0), np.max(test_pile.AREA, axis=0)
        assert all(np.all((one > low) & (one < high)) for one in fills)


def test_on_a_full_mat_the_count_is_there_and_the_charts_wait_until_it_is_lifted():
    full = [test_pile.unit_at(55 + 95 * i, 55 + 95 * j) for i in range(9) for j in range(6)]
    turn = charted(step(test_pile.begun(), test_pile.seen(*full)), BOTH)
    assert texts(turn.scene) == ["54 fits"]
    lifted = step(turn.state, test_pile.seen())
    assert {"54 fits", "cut edge to cut edge"} <= set(texts(lifted.scene))


def test_the_count_of_every_verdict_is_in_the_light_and_told_and_what_is_taken_back_leaves_it():
    clear = [test_pile.unit_at(100 + 120 * i, 100, verdict=verdict) for i, verdict in enumerate(list(Verdict)[:6])]
    unclear = test_pile.unit_at(400, 400, trouble="touching")
    turn = step(test_pile.begun(), test_pile.seen(*clear, unclear))
    every = "1 fits, 1 trim, 1 short, 1 close, 1 turned over, 1 other, 1 look again"
    assert every in " ".join(texts(turn.scene))
    (told,) = [event for event in turn.events if event.get("what") == "pile"]
    assert told["words"] == f"6 judged: {every}"
    assert told["verdicts"] == {verdict.value: 1 for verdict in Verdict}
    back = step(turn.state, KeyPressed("z"))
    assert "1 other" not in " ".join(texts(back.scene))
    assert [event["verdicts"].get("other") for event in back.events if event["what"] == "pile"] == [None]
