"""The seam check as scripts, and its figures by hand: sets are drawn, in either direction, without error."""

from __future__ import annotations

import numpy as np
import pytest

from projector.guide.carried import Carried, StripWidth, widths_before
from projector.guide.looks import HandSeen, KeyPressed, MatCleared, StripsSeen
from projector.guide.scene.scenes import Words
from projector.guide.setcheck.machine import ASSUMED_U_MM, IGNORED, KEYS, RULES, begin, step
from projector.guide.setcheck.state import Phase, first_set
from projector.piecing.foresight.seamtest import Length
from projector.piecing.plans import Making, Plan, Strip
from vision.strips.measure import MeasuredStrip, StripLine

IN = 25.4
AREA = ((0.0, 0.0), (914.4, 0.0), (914.4, 609.6), (0.0, 609.6))  # 36 x 24 in
# Three strips of 2 1/2 in sewn with 1/4 in: 6 1/2 in wide. A block of 9 squares of 2 in.
SET = Strip("A set", 6.5 * IN, 30 * IN, (2.25 * IN, 4.25 * IN), ("sea", "sand", "sea"), bands_mm=(2.5 * IN,) * 3)
PLAN = Plan("nine", (Strip("plain", 3 * IN, 30 * IN), SET), making=Making("nine patch", 6 * IN, 2))
THREAD = IN / 64


def strip_of(width, seams, x=80.0, y=300.0, turned=False, u=0.05, trouble=None) -> MeasuredStrip:
    """A set that lies across, its first side the lower one; `turned` by half a turn."""
    left, right = x, x + 600.0

    def line(at: float) -> StripLine:
        ends = np.array([[left, y + at], [right, y + at]])
        return StripLine(ends[::-1] if turned else ends, u, 0.0, 0.0)

    levels = [0.0, *seams, width]
    lines = [line(width - at if turned else at) for at in levels]
    order = lines[::-1] if turned else lines
    inner = sorted(order[1:-1], key=lambda one: one.ends_mat_mm[0, 1], reverse=turned)
    sides = (line(width), line(0.0)) if turned else (line(0.0), line(width))
    return MeasuredStrip(sides, tuple(inner), width, u, (), trouble)


def deep(by: float) -> tuple[float, tuple[float, float]]:
    """Width and seams of the set, every seam deeper by so much: four depths narrower."""
    return 6.5 * IN - 4 * by, (2.25 * IN - by, 4.25 * IN - 3 * by)


CLEARED, HAND = MatCleared(), HandSeen()
ON, BACK, END = KeyPressed("space"), KeyPressed("page up"), KeyPressed("q")
RIGHT = strip_of(*deep(0.0))
WIDE = strip_of(*deep(THREAD))
OTHER = strip_of(3 * IN, (1.5 * IN,))
BLURRED = strip_of(*deep(0.0), trouble="blurred")


def seen(*strips):
    return StripsSeen(strips)


def told(event):
    return " ".join(str(event.get(key)) for key in ("event", "what", "why") if event.get(key))


def play(*script, strips=(), known_from="plan"):
    now = begin(PLAN, AREA, strips, known_from)
    said = [told(event) for event in now.events]
    for observation in script:
        now = step(now.state, observation)
        said += [f"keep {one.strip_name}" for one in now.records] + [told(event) for event in now.events]
    return now, said


def words(now) -> list[str]:
    return [mark.text for mark in now.scene.marks if isinstance(mark, Words)]


OPENING = ["ask clear_mat", "ask strip_set"]
TOLD = [*OPENING, "keep A set", "ask confirm"]


@pytest.mark.parametrize(
    ("script", "phase", "conversation"),
    [
        ([seen(RIGHT)], Phase.CLEAR_MAT, OPENING[:1]),
        ([HAND, CLEARED, seen()], Phase.LAY_SET, OPENING),
        ([CLEARED, seen(OTHER), seen(OTHER)], Phase.LAY_SET, [*OPENING, "refused strip_set other"]),
        ([CLEARED, seen(BLURRED)], Phase.LAY_SET, [*OPENING, "refused strip_set blurred"]),
        ([CLEARED, seen(OTHER, RIGHT)], Phase.TOLD, [*OPENING, "keep A set", "ask confirm"]),
        # It is read until the set is taken up, moved, or a key says so.
        ([CLEARED, seen(RIGHT), seen(RIGHT), HAND], Phase.TOLD, TOLD),
        ([CLEARED, seen(RIGHT), seen()], Phase.DONE, TOLD),
        ([CLEARED, seen(RIGHT), seen(strip_of(*deep(0.0), x=90.0))], Phase.DONE, TOLD),
        ([CLEARED, seen(RIGHT), ON], Phase.DONE, TOLD),
        ([CLEARED, seen(RIGHT), BACK, seen(WIDE)], Phase.TOLD, [*TOLD, "ask strip_set", *TOLD[2:]]),
        ([CLEARED, ON], Phase.DONE, OPENING),
        ([CLEARED, seen(RIGHT), END, ON, seen(RIGHT), CLEARED], Phase.DONE, TOLD),
    ],
)
def test_scripts(script, phase, conversation) -> None:
    now, said = play(*script)
    assert (now.state.phase, said) == (phase, conversation)


def test_what_is_refused_says_how_to_go_on_without() -> None:
    now, _ = play(CLEARED, seen(BLURRED))
    assert any("blurred" in line for line in words(now))
    assert any("space" in line for line in words(now))


def test_every_pair_of_phase_and_observation_is_a_rule_or_ignored_on_purpose() -> None:
    pairs = {(phase, kind) for phase in Phase for kind in (MatCleared, StripsSeen, HandSeen, KeyPressed)}
    assert pairs == set(RULES) | IGNORED
    assert not set(RULES) & IGNORED
    assert {phase for phase, _ in KEYS} <= set(Phase)


@pytest.mark.parametrize("turned", [False, True])
def test_seams_a_thread_wide_are_told_with_what_they_do_to_the_block(turned: bool) -> None:
    """By hand: strips measured as 2 1/2 in, a set of 6 1/2 in - 4/64 in: 1/64 in more a seam. Three squares in a row
    are sewn along six lines of their own: 6 in - 6/64 in = 5 29/32 in."""
    strips = [Length(2.5 * IN, 0.05)] * 3
    now, _ = play(CLEARED, seen(strip_of(*deep(THREAD), turned=turned)), strips=strips, known_from="measured")
    assert now.state.test.deeper_mm == pytest.approx(THREAD)
    assert [one.mm for one in now.state.test.each] == pytest.approx([IN / 4 + THREAD] * 2)
    # Three strips that err alike by 0.05 and the set with them: (3 - 1) x 0.05 / 4 = 0.025; all for themselves:
    # root(4) x 0.05 / 4 = 0.025, too.
    assert now.state.test.depth.u_mm == pytest.approx(0.025)
    said = words(now)
    assert said[0] == "seams are 1/64 in wide: sew a thread narrower"
    assert "the block will finish at 5 29/32 in, not 6 in" in said
    assert not any("taken as the plan has them" in line for line in said)


def test_a_set_that_lies_the_other_way_has_its_seams_in_the_plans_order() -> None:
    """One seam of two is deeper by 1 mm: it is the same one whichever way the set lies."""
    bands = (2.5 * IN, 4.5 * IN, 3.5 * IN)
    uneven = Plan("uneven", (Strip("A set", 9.5 * IN, 1.0, (2.25 * IN, 6.25 * IN), bands_mm=bands),))
    for turned in (False, True):
        laid = strip_of(9.5 * IN - 2.0, (2.25 * IN - 1.0, 6.25 * IN - 2.0), turned=turned)
        now = step(step(begin(uneven, AREA).state, CLEARED).state, seen(laid))
        assert [one.mm for one in now.state.test.each] == pytest.approx([IN / 4 + 1.0, IN / 4])


def test_strips_that_nobody_measured_are_in_doubt_and_that_is_said() -> None:
    """By hand: each strip in doubt by 1/64 in, the set hardly: root(3) / 4 of it if they err alone, 3 / 4 if alike."""
    now, _ = play(CLEARED, seen(WIDE))
    assert now.state.test.depth.u_mm == pytest.approx(0.75 * ASSUMED_U_MM, rel=0.05)
    assert words(now)[0] == "seams are as planned"  # a thread is less than twice that
    assert any("taken as the plan has them" in line for line in words(now))
    (kept,) = now.records
    assert (kept.strip_name, kept.strips_from, len(kept.sizes)) == ("A set", "plan", 4)


def test_widths_before_are_those_told_else_those_measured_of_every_band() -> None:
    cut = [StripWidth("A set", band, "sea", 63.5 + 0.1 * k, 0.04) for band in range(3) for k in range(3)]
    assert first_set(PLAN) is SET
    widths, known_from = widths_before(Carried(strips=tuple(cut)), SET)
    assert known_from == "measured"
    assert [one.mm for one in widths] == pytest.approx([63.6] * 3)
    assert widths[0].u_mm == pytest.approx(np.hypot(0.1, 0.04))  # the three were 0.1 apart
    assert widths_before(Carried(strips=tuple(cut[:4])), SET) == ((), "plan")  # a band of which none was measured
    own = tuple(Length(63.0, 0.1) for _ in range(3))
    assert widths_before(Carried(strips=tuple(cut), told_strips=own), SET) == (own, "typed")


def test_a_plan_without_such_a_set_has_no_check() -> None:
    with pytest.raises(ValueError, match="strip set"):
        begin(Plan("none", (Strip("plain", 60.0, 400.0),)), AREA)
    assert begin(PLAN, AREA, is_over=True).state.done
