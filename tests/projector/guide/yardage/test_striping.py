"""Strips from yardage as scripts: this is seen, it asks for that. And whole fabrics, cut by shapely along the light."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from shapely import Polygon
from shapely.affinity import rotate, translate
from shapely.geometry.polygon import orient

from projector.guide.chapters import SetCheckChapter, UnitsChapter, YardageChapter, chapters_of, due_strips
from projector.guide.looks import HandSeen, KeyPressed, MatCleared, YardageSeen
from projector.guide.meanings import MEANINGS
from projector.guide.yardage.keys import KEYS
from projector.guide.yardage.state import Phase
from projector.guide.yardage.striping import IGNORED, RULES, begin, step
from projector.piecing.plans import Cut, Fabric, Plan, Strip, Unit
from tests.projector.guide.yardage.cloths import AREA, cloth, strip_of
from vision.units import Verdict

IN = 25.4
PLAN = Plan(
    "two fabrics",
    (
        Strip("A set", 4 * IN, 40 * IN, (2 * IN,), ("sea", "sand"), IN / 8, 2, (2.25 * IN, 2.25 * IN)),
        Strip("B strip", 3 * IN, 40 * IN, (), ("sea",)),
        Strip("C set", 4 * IN, 40 * IN, (2 * IN,), ("sea", "sand")),  # how wide its strips are cut is not known
    ),
    (Unit("block", Cut("A set", 2, 50.0)),),
    fabrics=(Fabric("sea", 8 * IN, 9 * IN), Fabric("sand", 5 * IN, 9 * IN), Fabric("moss", 1.0, 9 * IN)),
)
SEA, SAND, CHECK, UNITS = chapters_of(PLAN, layers=2)

CLEARED, HAND = MatCleared(), HandSeen()
TRUE, UNDO, AGAIN = KeyPressed("t"), KeyPressed("z"), KeyPressed("m")
TAKEN_BACK = "seen undone sea for B strip"
ON, BACK, END = KeyPressed("space"), KeyPressed("page up"), KeyPressed("q")

FOLDED = cloth([(60, 30), (460, 30), (466, 565), (60, 565)])  # 400 mm of fold, 535 deep, its end 0.6 degrees off
SQUARED = cloth([(60, 30), (456, 30), (456, 565), (60, 565)])
SLIVER = cloth([(500, 30), (503, 30), (506, 565), (500, 565)])
REST = cloth([(60, 30), (379.8, 30), (379.8, 565), (60, 565)])
BENT = cloth([(60, 30), (379.8, 30), (375.3, 565), (60, 565)])  # the next strip would bend by 0.96 degree
STRIP_AT = [(540, 30), (616.2, 30), (616.2, 565), (540, 565)]
NARROW_AT = [(540, 30), (614.2, 30), (614.2, 565), (540, 565)]


def seen(*cloths, strips=()):
    """`strips` are corners of what is seen as a strip, and as cloth too."""
    return YardageSeen((*cloths, *(cloth(corners) for corners in strips)), tuple(strip_of(one) for one in strips))


CUT = seen(REST, strips=[STRIP_AT])


def told(event):
    extra = event.get("purpose") or (event["why"] if event["event"] == "refused" else event.get("name")) or ""
    return " ".join(part for part in (event["event"], event.get("what", ""), str(extra)) if part)


def play(*script, chapter=SEA, plan=PLAN, made=None):
    """Run a script; the last step and the conversation, records among it."""
    now = begin(chapter, plan, AREA, made)
    said = [told(event) for event in now.events]
    for observation in script:
        now = step(now.state, observation)
        said += [f"keep {one.strip_name} {one.band} {one.n}/{one.of}" for one in now.records]
        said += [told(event) for event in now.events]
    return now, said


OPENING = ["ask clear_mat", "ask cloth sea", "seen cloth sea", "ask cut true_up", "ask cut strip"]
TO_FIRST_CUT = [CLEARED, seen(FOLDED), seen(SQUARED, SLIVER)]
MISSING, HIDDEN = ["refused strip missing", "ask strip B strip"], "refused cloth hidden"
FIRST = [*OPENING, "keep B strip 0 1/3", "ask cut strip"]


def test_chapters_come_from_what_the_plan_knows_of_its_cloth():
    assert isinstance(SEA, YardageChapter)
    assert (SetCheckChapter(), UnitsChapter()) == (CHECK, UNITS)
    assert [(one.strip, one.band, one.width_mm, one.count) for one in SEA.due] == [
        ("B strip", 0, 3.0 * IN, 1),
        ("A set", 0, 2.25 * IN, 2),
    ]
    assert [(one.strip, one.band) for one in SAND.due] == [("A set", 1)]
    assert due_strips(PLAN, "moss") == ()
    assert chapters_of(Plan("no cloth", PLAN.strips, PLAN.units), 2) == (CHECK, UNITS)
    assert chapters_of(PLAN, layers=0) == (CHECK, UNITS)


@pytest.mark.parametrize(
    ("script", "phase", "conversation"),
    [
        ([], Phase.CLEAR_MAT, OPENING[:1]),
        ([seen(FOLDED)], Phase.CLEAR_MAT, OPENING[:1]),  # without a picture of the mat nothing is measured
        ([HAND, CLEARED, seen()], Phase.LAY_CLOTH, OPENING[:2]),
        # The strips are cut already.
        ([CLEARED, ON], Phase.DONE, OPENING[:2]),
        # Cloth that will not do is told once, until it does.
        (
            [CLEARED, *[seen(cloth([(60, 0), (400, 0), (400, 535), (60, 535)], "cut_off"))] * 2, seen(FOLDED)],
            Phase.SQUARE_END,
            [*OPENING[:2], "refused cloth other", *OPENING[2:4]],
        ),
        ([CLEARED, seen(cloth([(60, 30), (130, 30), (130, 565), (60, 565)]))], Phase.LAY_CLOTH, None),  # too short
        # A single layer of it would give strips of half the length; the person may want just that.
        (
            [CLEARED, seen(cloth([(60, 30), (460, 30), (460, 330), (60, 330)]))],
            Phase.LAY_CLOTH,
            [*OPENING[:2], "refused cloth other"],
        ),
        (
            [CLEARED, seen(cloth([(60, 30), (460, 30), (460, 330), (60, 330)])), ON],
            Phase.SQUARE_END,
            [*OPENING[:2], "refused cloth other", *OPENING[2:4]],
        ),
        # A raw end is always squared first; the person may say that it will do.
        ([CLEARED, seen(FOLDED), seen(FOLDED), HAND], Phase.SQUARE_END, OPENING[:4]),
        ([CLEARED, seen(FOLDED), ON], Phase.CUT_STRIP, OPENING),
        ([CLEARED, seen(SQUARED)], Phase.SQUARE_END, OPENING[:4]),
        (TO_FIRST_CUT, Phase.CUT_STRIP, OPENING),
        ([*TO_FIRST_CUT, seen(SQUARED), HAND, ON, seen(SQUARED)], Phase.CUT_STRIP, OPENING),
        # A strip, and the next line at once; it may stay or go.
        ([*TO_FIRST_CUT, CUT], Phase.CUT_STRIP, FIRST),
        ([*TO_FIRST_CUT, CUT, CUT, seen(REST)], Phase.CUT_STRIP, FIRST),
        # One that is not seen well is asked for again; one that is too narrow does not count.
        (
            [*TO_FIRST_CUT, seen(REST), seen(REST, strips=[STRIP_AT])],
            Phase.CUT_STRIP,
            [*OPENING, *MISSING, *FIRST[5:]],
        ),
        ([*TO_FIRST_CUT, seen(REST), ON], Phase.CUT_STRIP, [*OPENING, *MISSING, FIRST[6]]),
        (
            [*TO_FIRST_CUT, seen(cloth([(60, 30), (381.8, 30), (381.8, 565), (60, 565)]), strips=[NARROW_AT])],
            Phase.CUT_STRIP,
            [*OPENING, "keep B strip 0 1/3", "ask cut strip"],
        ),
        # A bend is said before it is cut again; who will have it so may.
        ([*TO_FIRST_CUT, seen(BENT, strips=[STRIP_AT])], Phase.SQUARE_END, [*FIRST[:6], "ask cut true_up"]),
        ([*TO_FIRST_CUT, seen(BENT, strips=[STRIP_AT]), ON], Phase.CUT_STRIP, [*FIRST[:6], OPENING[3], FIRST[6]]),
        # The cloth was pushed, covered, taken away, laid anew.
        ([*TO_FIRST_CUT, seen(cloth(SQUARED.corners_mat_mm + 9.0))], Phase.CUT_STRIP, OPENING),
        ([*TO_FIRST_CUT, seen(), seen(), seen(SQUARED)], Phase.CUT_STRIP, [*OPENING, HIDDEN, OPENING[4]]),
        ([*TO_FIRST_CUT, BACK], Phase.LAY_CLOTH, [*OPENING, OPENING[1]]),
        ([*TO_FIRST_CUT, END], Phase.DONE, OPENING),
        # On wish the end is squared though it is not off, and the last strip taken back or measured again.
        ([*TO_FIRST_CUT, TRUE], Phase.SQUARE_END, [*OPENING, OPENING[3]]),
        ([*TO_FIRST_CUT, UNDO, CUT], Phase.CUT_STRIP, FIRST),
        ([*TO_FIRST_CUT, CUT, UNDO, CUT], Phase.CUT_STRIP, [*FIRST, TAKEN_BACK, FIRST[6]]),
        ([*TO_FIRST_CUT, CUT, AGAIN, CUT, CUT], Phase.CUT_STRIP, [*FIRST, TAKEN_BACK, *FIRST[5:]]),
    ],
)  # fmt: skip
def test_the_conversation(script, phase, conversation):
    now, said = play(*script)
    assert now.state.phase is phase
    if conversation is not None:
        assert said == conversation


def test_a_short_strip_is_kept_and_cut_again():
    now, _ = play(*TO_FIRST_CUT, seen(cloth([(60, 30), (381.8, 30), (381.8, 565), (60, 565)]), strips=[NARROW_AT]))
    assert now.records[0].judged.verdict is Verdict.SHORT
    assert now.state.made == (0, 0)


def test_the_bend_is_told_in_words_figures_and_light():
    now, _ = play(*TO_FIRST_CUT, seen(BENT, strips=[STRIP_AT]))
    asked, record = now.events[-1], now.records[0]
    assert asked["why"] == "the next strip would bend by 1.0 deg at the fold, true the end"
    assert asked["bend_deg"] == pytest.approx(2 * math.degrees(math.atan2(4.5, 535)), abs=1e-3)
    in_light = " ".join(getattr(mark, "text", "") for mark in now.scene.marks)
    assert asked["why"] in in_light
    # The strip that was cut is square at one side and half a degree off at the other.
    assert math.degrees(record.bend_rad) == pytest.approx(math.degrees(math.atan2(4.5, 535)), abs=1e-3)
    assert (now.scene.layers, now.scene.caution) == (2, True)


def test_an_end_that_will_do_is_not_asked_about_again_until_the_next_cut():
    nudged = cloth(BENT.corners_mat_mm + 3.0)
    now, said = play(*TO_FIRST_CUT, seen(BENT, strips=[STRIP_AT]), ON, seen(nudged), seen(nudged))
    assert (now.state.phase, said.count("ask cut true_up")) == (Phase.CUT_STRIP, 2)


def test_what_is_taken_back_is_counted_back_and_measured_again_it_has_the_same_bend():
    now, _ = play(*TO_FIRST_CUT, seen(BENT, strips=[STRIP_AT]))
    first = now.records[0]
    back = step(now.state, UNDO)
    assert (back.undone, back.state.made, back.state.records) == ((1,), (0, 0), ())
    again = step(step(now.state, AGAIN).state, seen(BENT, strips=[STRIP_AT]))
    assert again.state.made == (1, 0)
    assert again.records[0].bend_rad == first.bend_rad


def test_who_goes_on_later_is_asked_for_the_rest():
    now, said = play(CLEARED, seen(FOLDED), seen(SQUARED), made=(1, 1))
    assert [(event["n"], event["of"], event["name"]) for event in now.events] == [(3, 3, "A set")]
    assert said == OPENING
    assert play(made=(1, 2))[0].state.done


def test_cloth_that_hangs_over_the_mats_end_is_cut_and_pulled_along():
    """Of what hangs down nothing is known: that a strip was cut is told by its end and by the strip, not by either."""
    long = cloth([(0, 30), (460, 30), (460, 565), (0, 565)], "cut_off")
    pulled = cloth([(0, 30), (420, 30), (420, 565), (0, 565)], "cut_off")
    cut = cloth([(0, 30), (340.8, 30), (340.8, 565), (0, 565)], "cut_off")
    script = [CLEARED, seen(long), ON, seen(pulled), seen(cut, strips=[STRIP_AT])]
    assert play(*script)[1] == [*OPENING, *FIRST[5:]]
    assert play(*script[:-1])[1] == OPENING


def test_of_cloth_that_hangs_over_the_mats_end_more_is_asked_for_where_the_next_line_would_leave_it():
    little = cloth([(0, 30), (70, 30), (70, 565), (0, 565)], "cut_off")
    more = cloth([(0, 30), (470, 30), (470, 565), (0, 565)], "cut_off")
    seen_little = [CLEARED, seen(cloth([(0, 30), (460, 30), (460, 565), (0, 565)], "cut_off")), ON, seen(little)]
    now, said = play(*seen_little)
    assert (now.state.phase, said) == (Phase.PULL_CLOTH, [*OPENING, "ask cloth pull"])
    assert (now.events[0]["how"], now.state.waits_for_cloth) == ("pull more of it onto the mat", True)
    now, said = play(*seen_little, seen(little), seen(more))
    assert (now.state.phase, said[-2:]) == (Phase.CUT_STRIP, ["ask cloth pull", "ask cut strip"])
    assert play(*seen_little, ON)[0].state.phase is Phase.LAY_CLOTH


def test_the_last_strip_may_leave_nothing():
    thin = cloth([(60, 30), (140, 30), (140, 565), (60, 565)])
    now, said = play(CLEARED, seen(thin), ON, seen(strips=[STRIP_AT]), made=(0, 2))
    assert now.state.done
    assert said[-1] == "keep B strip 0 3/3"


def test_every_pair_of_phase_and_observation_is_ruled_or_ignored_on_purpose():
    pairs = set(product(Phase, (MatCleared, YardageSeen, HandSeen, KeyPressed)))
    assert pairs == set(RULES) | IGNORED
    assert not set(RULES) & IGNORED
    assert {meaning for _, meaning in KEYS} <= {*MEANINGS.values()}


class Table:
    """Folded cloth that is cut along the light, a little off, and pulled apart."""

    def __init__(self, seed):
        self.rng = np.random.default_rng(seed)
        self.strip = None
        self.fold = None

    def lay(self):
        lean = self.rng.choice((-1, 1)) * 535 * math.tan(math.radians(self.rng.uniform(1, 2)))
        sag = self.rng.normal(0.0, 2.0)
        at = self.rng.uniform(-4, 4)
        self.cloth = rotate(Polygon([(60, 35), (360, 35), (360 + lean, 560), (60, 560 + sag)]), at, origin=(200, 300))
        self.fold = math.radians(at)
        self.strip = None

    def cut(self, scene):
        start, end = np.array(scene.cut_mat_mm)
        middle, along = (start + end) / 2, (end - start) / math.dist(start, end)
        turn = self.rng.normal(0.0, math.radians(0.06))
        along = along * math.cos(turn) + np.array([-along[1], along[0]]) * math.sin(turn)
        side = np.array([-along[1], along[0]])
        start = middle + self.rng.normal(0.0, 0.3) * side - 3000 * along
        halves = [
            self.cloth & Polygon([start, start + 6000 * along, start + 6000 * (along + way), start + 6000 * way])
            for way in (side, -side)
        ]
        self.cloth = halves[0]
        if scene.name == "cut_strip":
            self.strip = rotate(translate(halves[1], 90 + self.rng.uniform(0, 60), 0), self.rng.uniform(-1, 1))
            off = math.atan2(*along[::-1]) - math.pi / 2 - self.fold
            self.bends = (getattr(self, "bends", (0.0, 0.0))[1], off)

    def look(self):
        pieces = [self.cloth, *([self.strip] if self.strip else [])]
        outlines = [np.array(orient(piece).exterior.coords[:-1]) for piece in pieces]
        strips = [self._as_strip(outlines[1])] if self.strip else []
        return YardageSeen(tuple(cloth(one) for one in outlines), tuple(strip_of(one) for one in strips))

    @staticmethod
    def _as_strip(corners):
        low = corners[np.argsort(corners[:, 1])]
        (a, b), (d, c) = (sorted(pair.tolist()) for pair in (low[:2], low[2:]))
        return np.array([a, b, c, d])


@pytest.mark.parametrize("seed", range(6))
def test_a_fabric_cut_by_a_hand_along_the_light_gives_its_strips(seed):
    """Cuts off by 0.3 mm and 0.06 degree (one standard deviation): widths follow, bends stay within the tolerance."""
    table = Table(seed)
    now, records, cuts = step(begin(SEA, PLAN, AREA).state, CLEARED), [], []
    while not now.state.done:
        if now.state.phase is Phase.LAY_CLOTH:
            table.lay()
        else:
            assert now.scene.caution
            cuts.append(now.scene.name)
            table.cut(now.scene)
        for _ in range(2):
            now = step(now.state, table.look())
            records += now.records
            assert not [event for event in now.events if event["event"] == "refused"]
        assert len(cuts) < 20
    counted = [one for one in records if one.judged.verdict is not Verdict.SHORT]
    assert [(one.strip_name, one.n) for one in counted] == [("B strip", 1), ("A set", 2), ("A set", 3)]
    assert all(abs(one.judged.strip.width_mm - one.band_mm) < 1.5 for one in records)
    assert all(abs(one.bend_rad) < math.radians(0.5) + 0.01 for one in records)
    assert cuts[0] == "square_end"
