"""The pile's machine: what counts, what counts once, what is marked and not counted.

Units, hands and nudges are generated here; no outside source: what a pile is, is the project's own.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from projector.guide.looks import Glimpsed, HandSeen, KeyPressed, MatCleared, Seen
from projector.guide.pile.machine import IGNORED, RULES, begin, between, step
from projector.guide.pile.rounds import Rounds
from projector.guide.pile.stage import LIT, standing_text
from projector.guide.pile.state import Phase
from projector.guide.scene.scenes import Ink, Stroke, Words
from vision.comparing.expected import ExpectedShape
from vision.units import Judged, MeasuredUnit, Verdict, Width

SIDE = 80.0
SQUARE = np.array([[0.0, 0.0], [SIDE, 0.0], [SIDE, SIDE], [0.0, SIDE]])
EXPECTED = ExpectedShape("a square", SQUARE)
AREA = ((0.0, 0.0), (900.0, 0.0), (900.0, 600.0), (0.0, 600.0))
OBSERVATIONS = (MatCleared, Seen, Glimpsed, HandSeen, KeyPressed)


def unit_at(x, y, wide=SIDE, turn=0.0, verdict=Verdict.FITS, trouble=None):
    c, s = np.cos(turn), np.sin(turn)
    corners = (SQUARE * [wide / SIDE, 1.0] - SIDE / 2.0) @ np.array([[c, s], [-s, c]]) + [x, y]
    widths = (Width((1, 3), wide, wide, wide, 0.03), Width((0, 2), SIDE, SIDE, SIDE, 0.03))
    four = np.full(4, 0.05)
    unit = MeasuredUnit(corners, four, four, four * 0.01, np.zeros(4), widths, trouble=trouble)
    return Judged(unit, "a square", verdict=None if trouble else verdict)


def begun(wanted=None):
    return step(begin(EXPECTED, AREA, wanted=wanted).state, MatCleared()).state


def seen(*cloths):
    return Seen(tuple(cloths))


def glimpsed(*cloths):
    return Glimpsed(tuple(cloth.unit.corners_mat_mm for cloth in cloths))


def count(state, *observations):
    for one in observations:
        state = step(state, one).state
    return state.number


A, B, C = unit_at(100, 100), unit_at(300, 100), unit_at(500, 100)


def test_every_pair_of_a_phase_and_an_observation_is_spoken_of() -> None:
    pairs = set(product(Phase, OBSERVATIONS))
    assert set(RULES) | IGNORED == pairs
    assert not set(RULES) & IGNORED


@pytest.mark.parametrize(
    ("script", "counts"),
    [
        pytest.param([seen(A)], 1, id="one"),
        pytest.param([seen(A, B, C)], 3, id="three at once"),
        pytest.param([seen(A), seen(A)], 1, id="looked at twice"),
        pytest.param([seen(A), seen(unit_at(140, 120, turn=0.4))], 1, id="nudged"),
        pytest.param([seen(A), seen(unit_at(700, 450, turn=2.0))], 1, id="slid across the mat"),
        pytest.param([seen(A, B), seen(unit_at(310, 90), unit_at(108, 93))], 2, id="both nudged"),
        pytest.param([seen(A), glimpsed(), seen(A)], 2, id="taken away, the next laid in its place"),
        pytest.param([seen(A), seen(), seen(A)], 2, id="taken away and seen so at rest"),
        pytest.param([seen(A), glimpsed(A), seen(A, B)], 2, id="another beside it"),
        pytest.param([seen(A, B), glimpsed(B), seen(B, A)], 3, id="one of two taken, a third laid"),
        pytest.param([seen(A, B), glimpsed(unit_at(160, 100)), seen(A, B)], 3, id="the nearer one stayed"),
        pytest.param([seen(A), seen(unit_at(100, 100, wide=81.0))], 2, id="swapped unseen for a wider one"),
        pytest.param([seen(unit_at(100, 100, trouble="touching"))], 0, id="touching does not count"),
        pytest.param([seen(unit_at(100, 100, trouble="touching")), seen(A, unit_at(185, 100))], 2, id="pulled apart"),
        pytest.param([seen(A), seen(A, unit_at(250, 100, verdict=Verdict.LOOK_AGAIN)), seen(A, B)], 2, id="laid again"),
    ],
)
def test_no_unit_counts_twice(script, counts) -> None:
    assert count(begun(), *script) == counts


def test_two_counted_units_that_are_pushed_together_are_still_two() -> None:
    both = unit_at(200, 100, wide=2 * SIDE, trouble="touching")
    state = step(begun(), seen(A, B)).state
    assert count(state, seen(both)) == 2
    assert count(state, glimpsed(both), seen(both), seen(A, B)) == 2
    assert count(state, seen(both), seen(unit_at(200, 100)), seen(A, B)) == 3  # one was taken away, one is new


def test_a_unit_pushed_against_a_counted_one_counts_once_they_are_apart() -> None:
    both = unit_at(140, 100, wide=2 * SIDE, trouble="touching")
    state = step(step(begun(), seen(A)).state, seen(both)).state
    assert state.number == 1
    assert count(state, seen(A, unit_at(190, 100))) == 2


def test_a_unit_that_is_turned_to_its_right_side_is_judged_anew() -> None:
    over = unit_at(100, 100, verdict=Verdict.TURNED_OVER)
    state = step(begun(), seen(over)).state
    turn = step(state, seen(A))
    assert turn.state.number == 1
    assert turn.state.verdicts == {Verdict.FITS: 1}
    assert len(turn.records) == 1
    assert turn.undone == (1,)
    assert [one.undone for one in turn.state.counted] == [True, False]


OTHER = {"verdict": Verdict.OTHER}


def test_cloth_as_large_as_two_is_two_that_touch_though_it_seemed_another_shape() -> None:
    turn = step(begun(), seen(unit_at(140, 100, wide=2 * SIDE, **OTHER)))
    assert turn.state.number == 0
    assert [(one["event"], one["why"]) for one in turn.events] == [("refused", "touching")]


def test_two_that_lay_one_on_the_other_count_as_two_and_not_as_another_shape_once_they_are_apart() -> None:
    state = step(begun(), seen(unit_at(115, 100, wide=1.4 * SIDE, **OTHER))).state
    assert state.verdicts == {Verdict.OTHER: 1}
    turn = step(state, seen(A, unit_at(220, 100)))
    assert (turn.state.number, turn.state.verdicts) == (2, {Verdict.FITS: 2})
    assert turn.undone == (1,)


def test_notched_cloth_is_two_that_touch() -> None:
    notched = unit_at(100, 100, **OTHER)
    corners = np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 90.0], [45.0, 90.0], [45.0, 45.0], [0.0, 45.0]])
    apart = replace(notched, unit=replace(notched.unit, corners_mat_mm=corners + 50.0))
    assert step(begun(), seen(apart)).events[0]["why"] == "touching"


def test_another_shape_of_a_units_size_counts_as_that() -> None:
    assert step(begun(), seen(unit_at(100, 100, wide=1.2 * SIDE, **OTHER))).state.verdicts == {Verdict.OTHER: 1}


def test_a_unit_to_be_trimmed_has_its_line_on_itself_and_the_cautions_are_in_the_light() -> None:
    turn = step(begun(), seen(A, unit_at(300, 300, wide=SIDE + 2.0, verdict=Verdict.TRIM)))
    assert turn.scene.caution
    lines = [mark for mark in turn.scene.marks if isinstance(mark, Stroke) and mark.ink is Ink.CUT]
    (line,) = [mark for mark in lines if np.hypot(*np.subtract(*mark.points_mat_mm)) > SIDE]
    xs = np.array(line.points_mat_mm)[:, 0]
    assert np.allclose(xs, xs[0])  # along one of the two sides that are too far apart
    cut = xs[0] - line.width_mm / 2.0  # the line's own width lies outside; the unit reaches from 260 to 342
    assert cut == pytest.approx(260.0 + SIDE, abs=1e-6)
    assert not step(turn.state, seen(A)).scene.caution


def test_a_unit_that_was_trimmed_where_it_lies_is_judged_anew() -> None:
    state = step(begun(), seen(unit_at(300, 300, wide=SIDE + 2.0, verdict=Verdict.TRIM))).state
    turn = step(state, seen(unit_at(299, 300)))
    assert (turn.state.number, turn.state.verdicts, turn.undone) == (1, {Verdict.FITS: 1}, (1,))


def test_a_unit_that_was_taken_away_to_be_trimmed_counts_once_if_the_person_says_that_it_is_back() -> None:
    """Two are too large, by 1 and by 2 mm one way, and differ by 0.3 the other way; the second comes back trimmed."""
    large = [unit_at(100, 100, wide=SIDE + 1.0, verdict=Verdict.TRIM), other_way(300, SIDE + 2.0, SIDE - 0.3)]
    state = step(begun(), seen(*large)).state
    assert step(state, KeyPressed("t")).undone == ()  # both lie there
    lifted = step(state, seen())
    assert "2 away to be trimmed, t if the last one is it" in title_of(lifted)
    assert step(lifted.state, KeyPressed("t")).undone == ()  # none is back yet
    back = step(lifted.state, seen(other_way(100, SIDE, SIDE - 0.31, Verdict.FITS)))
    assert back.state.number == 3
    once = step(back.state, KeyPressed("t"))
    assert (once.state.number, once.undone, once.state.verdicts) == (2, (2,), {Verdict.TRIM: 1, Verdict.FITS: 1})
    assert [event["number"] for event in once.events if event["what"] == "undone"] == [2]


def other_way(x, wide, high, verdict=Verdict.TRIM):
    one = unit_at(x, 100, wide=wide, verdict=verdict)
    widths = (one.unit.widths[0], Width((0, 2), high, high, high, 0.03))
    return replace(one, unit=replace(one.unit, widths=widths))


def test_help_lies_in_the_same_light_until_any_key() -> None:
    state = step(begun(), seen(A)).state
    helped = step(state, KeyPressed("h"))
    assert (helped.scene.name, helped.scene.lamp) == ("help", LIT)
    assert step(helped.state, KeyPressed("z")).state.number == 1  # it only closed the page
    assert step(helped.state, KeyPressed("q")).state.stopped
    assert step(helped.state, seen(A)).scene.name == "pile_lay_units"


def test_what_was_unclear_is_looked_at_anew_on_request() -> None:
    touching = unit_at(100, 100, trouble="touching")
    state = step(begun(), seen(touching)).state
    assert step(state, seen(touching)).events == ()  # told once
    assert [one["event"] for one in step(step(state, KeyPressed("m")).state, seen(touching)).events] == ["refused"]


def test_the_last_judgement_can_be_taken_back() -> None:
    state = step(begun(), seen(A, B)).state
    turn = step(state, KeyPressed("z"))
    assert (turn.state.number, turn.undone) == (1, (1,))
    assert [one.undone for one in turn.state.counted] == [False, True]
    assert step(begun(), KeyPressed("z")).state.number == 0


def test_a_pile_of_a_known_size_ends_when_all_are_lifted() -> None:
    state = step(begun(wanted=2), seen(A, B)).state
    assert not state.done
    assert step(state, seen()).state.done


def test_signs_lie_on_the_units_and_the_light_is_never_dark() -> None:
    turn = step(begun(), seen(A, unit_at(300, 300, verdict=Verdict.TRIM)))
    assert turn.scene.lamp == LIT
    strokes = [mark for mark in turn.scene.marks if isinstance(mark, Stroke)]
    middles = [np.mean(stroke.points_mat_mm, axis=0) for stroke in strokes]
    assert any(np.hypot(*(middle - [100, 100])) < 15 for middle in middles)
    assert any(np.hypot(*(middle - [300, 300])) < 15 for middle in middles)
    assert standing_text(turn.state) == "1 fits, 1 trim"


STUDY = Rounds(units=2, rounds=2, people=2)


def studied():
    return step(begin(EXPECTED, AREA, rounds=STUDY).state, MatCleared())


def title_of(turn):
    return " ".join(mark.text for mark in turn.scene.marks if isinstance(mark, Words))


def test_a_gauge_study_asks_for_unit_after_unit_round_after_round_person_after_person() -> None:
    turn, asked = studied(), []
    while not turn.state.done:
        asked.append(title_of(turn))
        measured = step(turn.state, seen(unit_at(100, 100, wide=SIDE + 3.0, verdict=Verdict.TRIM)))
        assert "is measured" in title_of(measured)
        assert not measured.scene.caution  # nothing is to be cut
        assert "trim" not in title_of(measured)
        turn = step(measured.state, seen())
    assert [text.partition(" the same")[0] for text in asked] == [
        f"lay down unit {unit} round {turn} of 2, person {person}"
        for person in "AB"
        for turn in (1, 2)
        for unit in (1, 2)
    ]
    assert (turn.state.number, turn.state.stopped) == (8, False)


def test_in_a_gauge_study_what_is_no_reading_of_the_one_unit_does_not_count() -> None:
    for cloths, why in (
        ([A, B], "one_at_a_time"),
        ([unit_at(100, 100, verdict=Verdict.TURNED_OVER)], "turned_over"),
        ([unit_at(100, 100, wide=1.2 * SIDE, verdict=Verdict.OTHER)], "other"),
    ):
        turn = step(studied().state, seen(*cloths))
        assert turn.state.number == 0
        assert {one["why"] for one in turn.events if one["event"] == "refused"} == {why}
        assert "lay" in title_of(turn)
        assert step(turn.state, seen(A)).state.number == 1


def test_a_reading_that_is_taken_back_is_asked_for_again() -> None:
    turn = step(step(studied().state, seen(A)).state, seen())
    assert turn.events[-1]["number"] == 2
    back = step(turn.state, KeyPressed("z"))
    assert (back.undone, title_of(back).startswith("lay down unit 1")) == ((1,), True)


def test_a_study_or_a_pile_that_had_all_before_it_was_left_is_done() -> None:
    for rounds, wanted in ((STUDY, None), (None, 8)):
        first = begin(EXPECTED, AREA, wanted=wanted, before=(Verdict.FITS,) * 8, rounds=rounds)
        assert step(first.state, MatCleared()).state.done


class Feeder:
    """Hands at a pile: lay, nudge, push together and apart, take; a glimpse whenever no hand is in the picture."""

    def __init__(self, seed):
        self.rng = np.random.default_rng(seed)
        self.places = {}  # by number of the true unit
        self.laid = 0
        self.widths = {}

    def free_place(self, but=None):
        while True:
            at = self.rng.uniform([60.0, 60.0], [840.0, 540.0])
            others = [place for number, place in self.places.items() if number != but]
            if all(np.hypot(*(at - place)) > 1.5 * SIDE for place in others):
                return at

    def act(self):
        """One visit of the hands, and the glimpses that follow from it."""
        what = self.rng.choice(["lay", "lay", "nudge", "take", "shuffle", "wait"])
        if what == "lay" and len(self.places) < 8:
            self.laid += 1
            self.widths[self.laid] = SIDE + self.rng.normal(0.0, 0.2)
            self.places[self.laid] = self.free_place()
        elif what == "take" and self.places:
            del self.places[int(self.rng.choice(list(self.places)))]
        elif what in ("nudge", "shuffle"):
            for number in list(self.places) if what == "shuffle" else list(self.places)[:1]:
                self.places[number] = self.free_place(but=number)

    def cloths(self):
        return [
            unit_at(*place, wide=self.widths[number] + self.rng.normal(0.0, 0.02))
            for number, place in self.places.items()
        ]


def test_five_hundred_units_count_five_hundred() -> None:
    """Generated: hands that lay, take and shuffle, a look after each visit; which are which does not matter."""
    feeder, state = Feeder(1), begun()
    while feeder.laid < 500:
        feeder.act()
        cloths = feeder.cloths()
        state = RULES[Phase.LAY_UNITS, Seen](between(state, glimpsed(*cloths)), seen(*cloths)).state  # undrawn
    assert state.number == feeder.laid
