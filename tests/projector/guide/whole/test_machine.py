"""The finished block as scripts, and its distances by hand: blocks are drawn without error."""

from __future__ import annotations

import math

import numpy as np
import pytest

from projector.guide.looks import BlockSeen, HandSeen, KeyPressed, MatCleared
from projector.guide.whole.machine import IGNORED, RULES, begin, step
from projector.guide.whole.stage import block_rows
from projector.guide.whole.state import Phase, block_unit, star_tips
from projector.piecing.foresight.forecast import SeamErrors
from projector.piecing.foresight.piles import Pile
from projector.piecing.plans import Plan, expected_shape
from tests.projector.guide.sewncloth import measured, placed, plan
from vision.blocks.measure import MeasuredBlock

IN = 25.4
AREA = ((0.0, 0.0), (914.4, 0.0), (914.4, 609.6), (0.0, 609.6))  # 36 x 24 in
NINE = plan("nine patch", 12 * IN, make=2)
STAR = plan("compass star", 18 * IN)
RAW = 12.5 * IN
CLEARED, HAND = MatCleared(), HandSeen()
ON, END = KeyPressed("space"), KeyPressed("q")


def square(side: float, **where):
    corners = np.array([[0.0, 0.0], [side, 0.0], [side, side], [0.0, side]])
    return measured(corners, np.empty((0, 2, 2)), **where)


def seen(*units, block=None):
    return BlockSeen(block, units)


def told(event):
    return " ".join(str(event[key]) for key in ("event", "what", "why", "n") if key in event)


def play(*script, of=NINE, **known):
    now = begin(of, AREA, **known)
    said = [told(event) for event in now.events]
    for observation in script:
        now = step(now.state, observation)
        said += [f"keep {one.n}/{one.of}" for one in now.records] + [told(event) for event in now.events]
    return now, said


RIGHT, SMALL = square(RAW), square(RAW - 1.5)
OPENING = ["ask clear_mat 1", "ask block 1"]
TOLD = [*OPENING, "keep 1/2", "ask take_unit 1"]
ALL = [*TOLD, "ask block 2", "keep 2/2", "ask take_unit 2"]


@pytest.mark.parametrize(
    ("script", "phase", "conversation"),
    [
        ([seen(RIGHT)], Phase.CLEAR_MAT, OPENING[:1]),
        ([HAND, CLEARED, seen()], Phase.LAY_BLOCK, OPENING),
        ([CLEARED, seen(square(200.0)), seen(square(200.0))], Phase.LAY_BLOCK, [*OPENING, "refused block other"]),
        ([CLEARED, seen(square(RAW, trouble="cut_off"))], Phase.LAY_BLOCK, [*OPENING, "refused block cut_off"]),
        ([CLEARED, seen(square(60.0, x=20.0), RIGHT), seen(RIGHT)], Phase.TOLD, TOLD),
        ([CLEARED, seen(RIGHT), seen()], Phase.LAY_BLOCK, [*TOLD, "ask block 2"]),
        ([CLEARED, seen(RIGHT), ON], Phase.LAY_BLOCK, [*TOLD, "ask block 2"]),
        (
            [CLEARED, seen(RIGHT), seen(), seen(SMALL), seen()],
            Phase.DONE,
            [*TOLD, "ask block 2", "keep 2/2", "ask take_unit 2"],
        ),
        # The next one laid in its place at once.
        (
            [CLEARED, seen(RIGHT), seen(square(RAW, x=215.0))],
            Phase.TOLD,
            [*TOLD, "keep 2/2", "ask take_unit 2"],
        ),
        ([CLEARED, ON], Phase.DONE, OPENING),
        ([CLEARED, END, seen(RIGHT), ON, CLEARED], Phase.DONE, OPENING),
    ],
)
def test_scripts(script, phase, conversation) -> None:
    now, said = play(*script)
    assert (now.state.phase, said) == (phase, conversation)


def test_every_pair_of_phase_and_observation_is_a_rule_or_ignored_on_purpose() -> None:
    pairs = {(phase, kind) for phase in Phase for kind in (MatCleared, BlockSeen, HandSeen, KeyPressed)}
    assert pairs == set(RULES) | IGNORED
    assert not set(RULES) & IGNORED


def test_every_distance_stands_beside_the_plan_and_what_was_foretold() -> None:
    """By hand: 12 in finished, 12 1/2 in raw. Seams 0.25 mm deeper: of six lines along a side the outer two are not
    sewn yet, so the raw side is 4 x 0.25 = 1 mm smaller, and its diagonal root 2 of that."""
    now, _ = play(CLEARED, seen(SMALL), seam=SeamErrors(0.25, 0.0, 0.02))
    distances = now.state.record.distances
    assert [one.points for one in distances] == [(0, 1), (1, 2), (2, 3), (3, 0), (0, 2), (1, 3)]
    for one in distances:
        whole = 1.0 if one.kind == "side" else math.sqrt(2.0)
        assert one.planned_mm == pytest.approx(RAW * whole)
        assert one.measured_mm == pytest.approx((RAW - 1.5) * whole)
        assert one.foretold_mm == pytest.approx((RAW - 1.0) * whole, abs=0.01)
        assert one.u_mm == pytest.approx(0.05 * math.sqrt(2.0))
        assert one.foretold_u_mm == pytest.approx(4 * 0.02 * whole, abs=0.01)
    rows = [row.text for row in block_rows(now.state.record)]
    assert rows[0] == "block 1 of 2: 1/16 in too small"
    assert rows[1].startswith("12 7/16 in, planned 12 1/2 in")
    assert rows[2] == "foretold 12 29/64 in: 1/64 in smaller"  # 0.5 mm, and within 0.21 it would be so
    assert rows[3] == "it is square"


def test_a_block_that_leans_is_told_by_its_diagonals() -> None:
    lean = np.array([[0.0, 0.0], [RAW, 0.0], [RAW + 2.0, RAW], [2.0, RAW]])
    now, _ = play(CLEARED, seen(measured(lean, np.empty((0, 2, 2)))))
    across = [one for one in now.state.record.distances if one.kind == "across"]
    assert abs(across[0].measured_mm - across[1].measured_mm) == pytest.approx(2 * math.sqrt(2.0), abs=0.02)
    rows = [row.text for row in block_rows(now.state.record)]
    assert "corner to corner differs by 7/64 in: it leans" in rows
    assert not any(row.startswith("foretold") for row in rows)  # nothing was measured before


def test_sides_that_are_planned_unlike_are_told_apart() -> None:
    geese = plan("flying geese", 6 * IN)
    shape = expected_shape(geese, geese.units[-1])
    now, _ = play(CLEARED, seen(measured(shape.corners_mm, np.empty((0, 2, 2)))), of=geese)
    rows = [row.text for row in block_rows(now.state.record)]
    assert rows[1:3] == [
        "6 1/2 in, planned 6 1/2 in, give or take 0.1 mm",
        "3 1/2 in, planned 3 1/2 in, give or take 0.1 mm",
    ]


def test_units_that_were_measured_foretell_the_block() -> None:
    """Segments 0.4 mm too wide, three of them in a row: 1.2 mm (sides of a segment's cut are its second and fourth)."""
    name = "A dark-light-dark segment"
    rows = np.tile([0.0, 0.2, 0.0, 0.2], (4, 1))
    pile = Pile(name, rows, np.full((4, 4), 0.02), np.full((4, 4), math.pi / 2))
    now, _ = play(CLEARED, seen(RIGHT), piles=(pile,))
    wide = max(one.foretold_mm for one in now.state.record.distances if one.kind == "side")
    assert wide == pytest.approx(RAW + 2 * 0.4, abs=0.02)  # two of the three rows are of that kind


@pytest.mark.parametrize("turn_deg", [0.0, 10.0, 100.0, 275.0])
def test_opposite_points_of_a_star_stand_beside_the_plans_own(turn_deg: float) -> None:
    """The compass star's points reach to several radii; side 0 is the one that points most to the right."""
    allowance, side = IN / 4, 18.5 * IN
    tips = np.array(star_tips(STAR)) + allowance
    n, corners = len(tips), np.array([[0.0, 0.0], [side, 0.0], [side, side], [0.0, side]])
    laid, outline = placed(tips, 300.0, 80.0, turn_deg), placed(corners, 300.0, 80.0, turn_deg)
    ahead = np.roll(outline, -1, axis=0) - outline
    outline = np.roll(outline, -int(np.argmax(ahead[:, 0])), axis=0)
    laid[3] += [1.0, 0.0]
    away = laid[: n // 2] - laid[n // 2 :]
    u = np.full(n // 2, 0.1)
    star = MeasuredBlock(outline, np.full(4, 0.1), laid, np.full(n, 0.1), np.hypot(*away.T), u)
    now, _ = play(CLEARED, seen(block=star), of=STAR, seam=SeamErrors(0.1, 0.0, 0.02))
    told_tips = [one for one in now.state.record.distances if one.kind == "tips"]
    assert len(told_tips) == n // 2
    planned = np.array(star_tips(STAR))
    assert [one.planned_mm for one in told_tips] == pytest.approx(np.hypot(*(planned[: n // 2] - planned[n // 2 :]).T))
    assert all(abs(one.off_mm) < 0.01 for one in told_tips if 3 not in one.points)
    assert all(one.foretold_mm < one.planned_mm for one in told_tips)  # deeper seams draw the points in
    assert block_rows(now.state.record)[-1].text.startswith("points 4 and 12: ")


def test_a_plan_is_taken_up_where_it_stopped_and_one_without_a_block_has_none() -> None:
    assert begin(NINE, AREA, done=1).state.number == 2
    assert begin(NINE, AREA, done=2).state.phase is Phase.DONE
    assert block_unit(Plan("none")) is None
    with pytest.raises(ValueError, match="no block"):
        begin(Plan("none"), AREA)
