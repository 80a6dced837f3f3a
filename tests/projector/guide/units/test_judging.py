"""What a verdict and a key do to the plan, as scripts: trimmed where it lies, set aside, turned over, taken back."""

import math
from dataclasses import replace

import numpy as np
import pytest

from projector.guide.looks import KeyPressed
from projector.guide.units.blade import LEAST_CUTS, Blade
from projector.guide.units.cutting import begin, step
from projector.guide.units.state import Phase
from projector.piecing.plans import Cut, Plan, Strip, Unit
from tests.projector.guide.units.test_cutting import (
    AREA,
    CLEARED,
    CUT_ONCE,
    CUT_TWICE,
    LARGE,
    OFFCUT,
    PLAN,
    SLIM,
    TRUED,
    UNIT,
    WIDE,
    box_at,
    cloth,
    seen,
    told,
)
from vision.units import Verdict

SMALL = box_at(500, 100, 48, 80, Verdict.SHORT)
LATER = box_at(650, 100, 50, 80, Verdict.FITS)
TOO_WIDE = box_at(500, 100, 52, 80, Verdict.TRIM)
TRIMMED = box_at(500, 100, 50, 80, Verdict.FITS)
BARELY = box_at(500, 100, 51.5, 80, Verdict.TRIM)
CUT_AWAY = box_at(500, 100, 47, 80, Verdict.SHORT)
SLIVER = box_at(560, 100, 2, 80)
MOVED = box_at(520, 90, 52, 80, Verdict.TRIM)
FACE_DOWN = box_at(500, 100, 50, 80, Verdict.TURNED_OVER)
TURNED = box_at(503, 101, 50, 80, Verdict.FITS)
START = [CLEARED, seen(WIDE), seen(TRUED, OFFCUT)]


def key(name):
    return KeyPressed(name)


SPACE, B, M, T, Z, Q = map(key, ("space", "b", "m", "t", "z", "q"))


def play(*script, first=None):
    """Run a script; the last step and the conversation from there on: judgements kept and taken back, events."""
    now, said = first or begin(PLAN, AREA), []
    for observation in script:
        now = step(now.state, observation)
        said += ["take back"] * len(now.undone)
        for record in now.records:
            aside = "" if record.counts else " aside"
            said.append(f"{record.judged.verdict.value} {record.n}/{record.of}{aside}")
        said += [told(event) for event in now.events]
    return now, said


@pytest.mark.parametrize(
    ("script", "phase", "made", "conversation"),
    [
        # Too large: trimmed where it lies, measured again, then counted. Both judgements are kept.
        (
            [seen(CUT_ONCE, TOO_WIDE), seen(CUT_ONCE, TOO_WIDE), seen(CUT_ONCE, TRIMMED, SLIVER)],
            Phase.CUT_UNIT,
            1,
            ["trim 1/2 aside", "ask trim block", "fits 1/2", "ask cut unit"],
        ),
        # Trimmed too little, and once more; trimmed too far.
        (
            [seen(CUT_ONCE, TOO_WIDE), seen(CUT_ONCE, BARELY)],
            Phase.TRIM_UNIT,
            0,
            ["trim 1/2 aside", "ask trim block"],  # less than half of what was due: measured again, not yet trimmed
        ),
        (
            [seen(CUT_ONCE, TOO_WIDE), seen(CUT_ONCE, CUT_AWAY)],
            Phase.CUT_UNIT,
            0,
            ["trim 1/2 aside", "ask trim block", "short 1/2 aside", "refused unit short", "ask cut unit"],
        ),
        # Moved, lifted, carried off, laid back: the line goes with it.
        (
            [seen(CUT_ONCE, TOO_WIDE), seen(CUT_ONCE, MOVED), seen(CUT_ONCE), seen(CUT_ONCE, TOO_WIDE)],
            Phase.TRIM_UNIT,
            0,
            ["trim 1/2 aside", "ask trim block"],
        ),
        # The person keeps it as it is, or leaves it out.
        (
            [seen(CUT_ONCE, TOO_WIDE), SPACE],
            Phase.CUT_UNIT,
            1,
            ["trim 1/2 aside", "ask trim block", "trim 1/2", "ask cut unit"],
        ),
        ([seen(CUT_ONCE, TOO_WIDE), B], Phase.CUT_UNIT, 0, ["trim 1/2 aside", "ask trim block", "ask cut unit"]),
        # Too small: set aside, and the count follows.
        (
            [seen(CUT_ONCE, SMALL), seen(CUT_TWICE, LATER)],
            Phase.CUT_UNIT,
            1,
            ["short 1/2 aside", "refused unit short", "ask cut unit", "fits 1/2", "ask cut unit"],
        ),
        # Turned over: no verdict on it until it is turned.
        (
            [seen(CUT_ONCE, FACE_DOWN), seen(CUT_ONCE, FACE_DOWN), seen(CUT_ONCE, TURNED)],
            Phase.CUT_UNIT,
            1,
            ["turned_over 1/2 aside", "refused unit turned_over", "ask unit block", "fits 1/2", "ask cut unit"],
        ),
        (
            [seen(CUT_ONCE, FACE_DOWN), SPACE],
            Phase.CUT_UNIT,
            0,
            ["turned_over 1/2 aside", "refused unit turned_over", "ask unit block", "ask cut unit"],
        ),
        # Taken back, once and twice, and more often than anything was judged.
        (
            [seen(CUT_ONCE, UNIT), Z],
            Phase.CUT_UNIT,
            0,
            ["fits 1/2", "ask cut unit", "take back", *["seen undone block", "ask cut unit"]],
        ),
        ([Z], Phase.CUT_UNIT, 0, []),
        (
            [seen(CUT_ONCE, UNIT), seen(CUT_TWICE, LATER), Z, Z, Z],
            Phase.LAY_STRIP,
            0,
            [
                "fits 1/2",
                "ask cut unit",
                "fits 2/2",
                "ask strip slim",
                *["take back", "seen undone block", "ask strip wide"] * 2,
            ],
        ),
        (
            [seen(CUT_ONCE, TOO_WIDE), Z],
            Phase.LAY_UNIT,
            0,
            ["trim 1/2 aside", "ask trim block", "take back", "seen undone block", "ask unit block"],
        ),
        # Measured again: the judgement is taken back and made anew; of the strip when no unit lies there.
        (
            [seen(CUT_ONCE, UNIT), M, seen(CUT_ONCE, box_at(500, 100, 50, 80, Verdict.CLOSE))],
            Phase.CUT_UNIT,
            1,
            ["fits 1/2", "ask cut unit", "take back", "seen undone block", "close 1/2", "ask cut unit"],
        ),
        ([M, seen(TRUED)], Phase.CUT_UNIT, 0, ["ask cut unit"]),
        # A truing cut that nothing but the person asks for.
        ([T], Phase.TRUE_END, 0, ["ask cut true_up"]),
        ([T, SPACE], Phase.CUT_UNIT, 0, ["ask cut true_up", "ask cut unit"]),
        ([T, seen(box_at(100, 300, 295.8, 80))], Phase.CUT_UNIT, 0, ["ask cut true_up", "ask cut unit"]),
    ],
)
def test_scripts(script, phase, made, conversation):
    first, _ = play(*START)
    now, said = play(*script, first=first)
    assert (now.state.phase, sum(now.state.made), said) == (phase, made, conversation)


def test_what_was_taken_back_is_said_in_light_and_its_mark_is_gone():
    now, _ = play(*START, seen(CUT_ONCE, UNIT), Z)
    assert now.state.note == "taken back: 0 of 2 done"
    assert not any(lying.record for lying in now.state.lying)


def test_judgements_of_an_earlier_sitting_can_be_taken_back_too():
    from projector.guide.units.state import Kept

    first = begin(PLAN, AREA, (Kept(0, True, None, 1), Kept(0, False, None, 2), Kept(0, True, None, 3)))
    assert first.state.unit.name == "kite"
    now, said = play(Z, Z, Z, CLEARED, first=first)
    assert said == [*["take back", "seen undone block"] * 3, "ask strip wide"]
    assert now.state.made == (0, 0)


def test_the_trim_line_lies_on_the_unit_where_it_lies_and_moves_with_it():
    now, _ = play(*START, seen(CUT_ONCE, TOO_WIDE))
    assert now.scene.name == "trim_unit"
    assert now.scene.caution
    assert np.array(now.scene.cut_mat_mm)[:, 0] == pytest.approx([550, 550], abs=0.02)
    assert now.scene.keep == "left"
    moved = step(now.state, seen(CUT_ONCE, MOVED))
    assert np.array(moved.scene.cut_mat_mm)[:, 0] == pytest.approx([570, 570], abs=0.02)
    assert moved.records == ()


def test_a_unit_is_to_be_turned_where_its_trim_would_run_across_the_body():
    too_deep = box_at(500, 100, 50, 82, Verdict.TRIM)
    upright = cloth([(500, 100), (582, 100), (582, 150), (500, 150)], Verdict.TRIM)
    first, _ = play(*START)
    now, said = play(seen(CUT_ONCE, too_deep), seen(CUT_ONCE, too_deep), first=first)
    assert said == ["trim 1/2 aside", "ask turn_cloth block"]
    assert now.scene.cut_mat_mm is None
    assert now.state.note == "turn the unit; about 90 deg counter-clockwise; the cut would run across your body"
    turned, said = play(seen(CUT_ONCE, upright), first=now)
    assert said == ["ask trim block"]
    assert np.array(turned.scene.cut_mat_mm)[:, 0] == pytest.approx([580, 580], abs=0.02)
    as_it_lies, said = play(SPACE, first=now)
    assert said == ["ask trim block"]
    assert as_it_lies.scene.cut_mat_mm is not None


def test_a_strip_is_to_be_turned_where_its_cut_would_run_across_the_body():
    """A strip that lies away from the person, to be cut square."""
    along = cloth([(480, 100), (480, 400), (400, 400), (400, 100)])
    now, said = play(CLEARED, seen(along), seen(along))
    assert (now.state.phase, said[1:]) == (Phase.TURN_CLOTH, ["seen strip wide", "ask turn_cloth"])
    assert now.scene.cut_mat_mm is None
    assert play(seen(WIDE), first=now)[1] == ["ask cut true_up"]
    assert play(SPACE, first=now)[1] == ["ask cut true_up"]
    assert play(B, first=now)[1] == ["ask strip wide"]


MANY = Plan("many", (Strip("wide", 80.0, 900.0),), (Unit("block", Cut("wide", 30, 50.0)),))


def cut_row(besides, tilts_deg=None, plan=MANY, answer=None):
    """Cut units from a strip 850 mm long, each so far beside its line, away from the ruler, and so much off square.

    Ends are cut at the line that is shown, less that; `answer` is pressed when a shift is offered.
    """
    now, said = play(CLEARED, first=begin(plan, AREA))
    end, lean = 850.0, 0.0
    for beside, tilt in zip([0.0, *besides], [0.0, *(tilts_deg or [0.0] * len(besides))], strict=True):
        strip = cloth([(20, 300), (end, 300), (end + lean, 380), (20, 380)])
        if now.state.strip is None:
            now, more = play(seen(strip), first=now)
            said += more
        if now.state.offered and answer is not None:
            now, more = play(answer, first=now)
            said += more
        shown = float(now.state.line.cloth_mat_mm[:, 0].mean())
        lean = 80.0 * math.tan(math.radians(tilt))
        old, end = end, shown + beside - lean / 2.0  # a right hand's ruler lies on the left, on the strip
        left = cloth([(20, 300), (end, 300), (end + lean, 380), (20, 380)])
        unit = box_at(end + 40, 100, old - end, 80, Verdict.FITS)
        now, more = play(seen(left, *([unit] if now.state.phase is Phase.CUT_UNIT else [])), first=now)
        said += more
        if now.state.phase is Phase.TRUE_END and now.state.true_for:
            break
    return now, said


def test_the_blade_is_learned_from_the_strip_s_end_truing_cuts_among_them():
    now, _ = cut_row([0.3] * 4)
    assert now.state.blade.beside_mm == pytest.approx([0.0, 0.3, 0.3, 0.3, 0.3])


@pytest.mark.parametrize(("answer", "shift"), [(SPACE, True), (B, False)])
def test_a_shift_is_offered_once_it_is_sure_and_carried_out_if_wanted(answer, shift):
    now, said = cut_row([0.4] * 9, answer=answer)
    assert said.count("ask confirm blade") == 1
    assert said.index("ask confirm blade") > LEAST_CUTS
    assert (now.state.blade.shift_mm > 0.2) is shift
    assert now.state.blade.beside_mm[1:] == pytest.approx([0.4] * 9)  # from the line as it is shown
    line, end = now.state.line, now.state.strip.end_middle_mat_mm
    # The blade runs to the right of the ruler: shifted to the left, the unit comes out as wide as planned.
    assert end[0] - line.cloth_mat_mm[:, 0].mean() == pytest.approx(50.0 + now.state.blade.shift_mm)


def test_the_line_stands_while_a_shift_is_offered_and_cutting_on_is_an_answer_too():
    now, said = cut_row([0.4] * 9)
    assert now.scene.cut_mat_mm is not None
    assert sum(now.state.made) == 9
    assert said.count("ask confirm blade") == 1
    assert now.state.blade.shift_mm == 0.0


def test_a_left_hand_s_ruler_lies_on_the_other_side():
    plan = replace(PLAN, hand="left")
    shifted = begin(plan, AREA, blade=Blade((0.4,) * 10, 0.4))
    now, _ = play(CLEARED, seen(WIDE), seen(box_at(103.2, 300, 296.8, 80)), first=shifted)
    assert now.state.line.ruler == "right"
    assert now.state.line.cloth_mat_mm[:, 0].mean() == pytest.approx(103.2 + 50.0 + 0.4)


def test_a_creep_of_the_angle_is_said_and_truing_proposed_before_the_ends_are_off():
    tilts = [0.0, 0.01, -0.01, 0.0, 0.01, 0.0, 0.04, 0.08, 0.12, 0.16, 0.2, 0.24, 0.28]
    now, said = cut_row([0.0] * len(tilts), tilts)
    assert now.state.phase is Phase.TRUE_END
    assert now.state.line.why.startswith("the angle creeps by 0.0")
    assert said[-1] == "ask cut true_up"
    assert now.state.watched == ()


def test_a_creep_of_the_width_is_said():
    besides = [0.0, 0.02, -0.02, 0.0, 0.02, 0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7]
    now, _ = cut_row(besides, answer=B)
    assert now.state.phase is Phase.TRUE_END
    assert now.state.line.why.startswith("widths creep by 0.10 mm a cut")


def test_another_strip_is_laid_when_set_aside_units_used_it_up():
    now, said = play(*START, seen(CUT_ONCE, SMALL), seen(CUT_TWICE, LARGE), B)
    assert sum(now.state.made) == 0
    assert said[-1] == "ask cut unit"
    assert play(seen(SLIM), first=play(*START)[0])[1] == ["refused strip hidden"]
