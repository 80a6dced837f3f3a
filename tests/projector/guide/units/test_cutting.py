"""The guided cut as scripts: this is seen, it asks for that. And a whole plan, cut by shapely along the light."""

import math
from dataclasses import replace

import numpy as np
import pytest
from shapely import Polygon
from shapely.affinity import rotate, translate
from shapely.geometry.polygon import orient

from projector.guide.meanings import MEANINGS
from projector.guide.units.cutting import IGNORED, KEYS, RULES, begin, kept_of, step
from projector.guide.units.state import HandSeen, KeyPressed, MatCleared, Phase, Seen, wanted
from projector.piecing.planfile import demo_plan
from projector.piecing.plans import Cut, Plan, Strip, Unit
from vision.units import Judged, MeasuredUnit, Verdict, Width

AREA = ((0.0, 0.0), (914.4, 0.0), (914.4, 609.6), (0.0, 609.6))  # 36 x 24 in
PLAN = Plan(
    "two kinds",
    (Strip("wide", 80.0, 300.0), Strip("slim", 60.0, 300.0)),
    (Unit("block", Cut("wide", 2, 50.0)), Unit("kite", Cut("slim", 1, 50.0, math.radians(45)))),
)


def cloth(corners, verdict=Verdict.OTHER, trouble=None):
    """A piece of four corners, measured without error; sides within 5 degrees of parallel have a width."""
    corners = np.asarray(corners, float)
    runs = np.roll(corners, -1, axis=0) - corners
    runs /= np.hypot(*runs.T)[:, None]
    widths = []
    for i in range(len(corners) - 2):
        j = i + 2
        if abs(runs[i][0] * runs[j][1] - runs[i][1] * runs[j][0]) < math.sin(math.radians(5)):
            off = (corners[j] + corners[(j + 1) % len(corners)]) / 2 - corners[i]
            wide = abs(runs[i][0] * off[1] - runs[i][1] * off[0])
            widths.append(Width((i, j), wide, wide, wide, 0.05))
    zeros = np.zeros(len(corners))
    unit = MeasuredUnit(corners, zeros, zeros, zeros, zeros, tuple(widths), (), trouble)
    return Judged(unit, "a unit", zeros, zeros, verdict, 1.0)


def box_at(x, y, wide, deep, verdict=Verdict.OTHER, trouble=None):
    return cloth([(x, y), (x + wide, y), (x + wide, y + deep), (x, y + deep)], verdict, trouble)


WIDE = box_at(100, 300, 300, 80)
TRUED = box_at(100, 300, 296.8, 80)
CUT_ONCE = box_at(100, 300, 246.8, 80)
CUT_TWICE = box_at(100, 300, 196.8, 80)
OFFCUT = box_at(460, 300, 3.2, 80)
UNIT = box_at(500, 100, 50, 80, Verdict.FITS)
SECOND = box_at(650, 100, 50.5, 80, Verdict.CLOSE)
LARGE = box_at(650, 100, 52, 80, Verdict.TRIM)
TRIMMED = box_at(650, 100, 50, 80, Verdict.FITS)
SMALL = box_at(650, 100, 48, 80, Verdict.SHORT)
FACE_DOWN = box_at(500, 100, 50, 80, Verdict.TURNED_OVER)
UNCLEAR = box_at(500, 100, 50, 80, Verdict.LOOK_AGAIN, "blurred")
WRONG = box_at(500, 100, 30, 80)
SLIM = box_at(100, 450, 300, 60)
SLIM_TRUED = cloth([(100, 450), (300, 450), (360, 510), (100, 510)])
SLIM_CUT = cloth([(100, 450), (229.29, 450), (289.29, 510), (100, 510)])
KITE = cloth([(600, 300), (670.71, 300), (730.71, 360), (660, 360)], Verdict.CLOSE)

CLEARED, HAND = MatCleared(), HandSeen()
ON, BACK, END = KeyPressed("space"), KeyPressed("page up"), KeyPressed("q")


def seen(*cloths):
    return Seen(cloths)


def told(event):
    what = event.get("what", "")
    extra = event.get("purpose") or event.get("why") or event.get("name") or ""
    return " ".join(part for part in (event["event"], what, str(extra)) if part)


def play(*script, plan=PLAN):
    """Run a script; the last step and the conversation, records among it."""
    now = begin(plan, AREA)
    said = [told(event) for event in now.events]
    for observation in script:
        now = step(now.state, observation)
        said += [f"keep {record.unit_name} {record.n}/{record.of}" for record in now.records]
        said += [told(event) for event in now.events]
    return now, said


TO_FIRST_CUT = [CLEARED, seen(WIDE), seen(TRUED, OFFCUT)]
OPENING = ["ask clear_mat", "ask strip wide", "seen strip wide", "ask cut true_up", "ask cut unit"]


@pytest.mark.parametrize(
    ("script", "phase", "conversation"),
    [
        ([], Phase.CLEAR_MAT, OPENING[:1]),
        ([seen(WIDE)], Phase.CLEAR_MAT, OPENING[:1]),  # without a picture of the mat nothing is measured
        ([HAND, CLEARED], Phase.LAY_STRIP, OPENING[:2]),
        ([ON], Phase.LAY_STRIP, OPENING[:2]),
        ([CLEARED, seen()], Phase.LAY_STRIP, OPENING[:2]),
        # Another strip is told from the one that is wanted, once.
        ([CLEARED, seen(SLIM), seen(SLIM)], Phase.LAY_STRIP, [*OPENING[:2], "refused strip other"]),
        ([CLEARED, seen(SLIM), seen(SLIM, WIDE)], Phase.TRUE_END, [*OPENING[:2], "refused strip other", *OPENING[2:4]]),
        # A short piece of the right width is no strip.
        ([CLEARED, seen(box_at(9, 9, 40, 80))], Phase.LAY_STRIP, [*OPENING[:2], "refused strip other"]),
        # A raw end is always trued first, however straight it is.
        ([CLEARED, seen(WIDE)], Phase.TRUE_END, OPENING[:4]),
        ([CLEARED, seen(WIDE), seen(WIDE), HAND], Phase.TRUE_END, OPENING[:4]),
        (TO_FIRST_CUT, Phase.CUT_UNIT, OPENING),
        ([CLEARED, seen(WIDE), ON], Phase.CUT_UNIT, OPENING),  # the person says the end will do
        ([*TO_FIRST_CUT, ON], Phase.CUT_UNIT, OPENING),
        # Nothing was cut: the off-cut put away, a hand, the same view again.
        ([*TO_FIRST_CUT, seen(TRUED), HAND, seen(TRUED)], Phase.CUT_UNIT, OPENING),
        # One unit, and the next line at once; the unit may stay, be nudged, or go.
        (
            [*TO_FIRST_CUT, seen(CUT_ONCE, UNIT, OFFCUT)],
            Phase.CUT_UNIT,
            [*OPENING, "keep block 1/2", "ask cut unit"],
        ),
        (
            [
                *TO_FIRST_CUT,
                seen(CUT_ONCE, UNIT, OFFCUT),
                seen(CUT_ONCE, UNIT),
                seen(CUT_ONCE, box_at(506, 96, 50, 80, Verdict.FITS)),
                seen(CUT_ONCE),
            ],
            Phase.CUT_UNIT,
            [*OPENING, "keep block 1/2", "ask cut unit"],
        ),
        # The second, the first still lying there nudged; then the next kind's strip is due.
        (
            [
                *TO_FIRST_CUT,
                seen(CUT_ONCE, UNIT),
                seen(CUT_TWICE, SECOND, box_at(506, 96, 50, 80, Verdict.FITS)),
            ],
            Phase.LAY_STRIP,
            [*OPENING, "keep block 1/2", "ask cut unit", "keep block 2/2", "ask strip slim"],
        ),
        # The second, in the very place from which the first was taken.
        (
            [*TO_FIRST_CUT, seen(CUT_ONCE, UNIT), seen(CUT_TWICE, box_at(503, 98, 50.5, 80, Verdict.CLOSE))],
            Phase.LAY_STRIP,
            [*OPENING, "keep block 1/2", "ask cut unit", "keep block 2/2", "ask strip slim"],
        ),
        # A unit that cannot be measured is asked for again and counted when it can.
        (
            [*TO_FIRST_CUT, seen(CUT_ONCE, UNCLEAR), seen(CUT_ONCE, UNCLEAR), seen(CUT_ONCE, UNIT)],
            Phase.CUT_UNIT,
            [*OPENING, "refused unit blurred", "ask unit block", "keep block 1/2", "ask cut unit"],
        ),
        (
            [*TO_FIRST_CUT, seen(CUT_ONCE, UNCLEAR), ON],
            Phase.CUT_UNIT,
            [*OPENING, "refused unit blurred", "ask unit block", "ask cut unit"],
        ),
        # A unit that was carried off before it was measured.
        (
            [*TO_FIRST_CUT, seen(CUT_ONCE), seen(CUT_ONCE, UNIT)],
            Phase.CUT_UNIT,
            [*OPENING, "refused unit missing", "ask unit block", "keep block 1/2", "ask cut unit"],
        ),
        # The strip put away with the unit on the mat, and laid back.
        (
            [*TO_FIRST_CUT, seen(UNIT), seen(UNIT), seen(CUT_ONCE, UNIT)],
            Phase.CUT_UNIT,
            [*OPENING, "refused strip hidden", "keep block 1/2", "ask cut unit"],
        ),
        # What is no unit of the plan does not count.
        ([*TO_FIRST_CUT, seen(CUT_ONCE, WRONG)], Phase.CUT_UNIT, [*OPENING, "refused unit other", "ask cut unit"]),
        # The strip is lifted and laid back; and the unit touches the strip.
        (
            [*TO_FIRST_CUT, seen(), seen(), seen(TRUED)],
            Phase.CUT_UNIT,
            [*OPENING, "refused strip hidden", "ask cut unit"],
        ),
        (
            [*TO_FIRST_CUT, seen(box_at(100, 300, 300, 80, trouble="touching")), seen(CUT_ONCE, UNIT)],
            Phase.CUT_UNIT,
            [*OPENING, "refused strip touching", "keep block 1/2", "ask cut unit"],
        ),
        # The strip is moved: the line goes with it. A longer one is another strip.
        ([*TO_FIRST_CUT, seen(box_at(103, 299, 296.8, 80))], Phase.CUT_UNIT, OPENING),
        ([*TO_FIRST_CUT, seen(box_at(100, 300, 400, 80))], Phase.TRUE_END, [*OPENING, *OPENING[2:4]]),
        # Keys.
        ([*TO_FIRST_CUT, BACK], Phase.LAY_STRIP, [*OPENING, "ask strip wide"]),
        ([*TO_FIRST_CUT, KeyPressed("x")], Phase.CUT_UNIT, OPENING),
        ([*TO_FIRST_CUT, END], Phase.DONE, OPENING),
        ([END, ON, seen(WIDE), CLEARED], Phase.DONE, OPENING[:1]),
    ],
)
def test_scripts(script, phase, conversation):
    now, said = play(*script)
    assert (now.state.phase, said) == (phase, conversation)


def test_a_plan_is_cut_to_its_end():
    now, said = play(
        *TO_FIRST_CUT,
        seen(CUT_ONCE, UNIT),
        seen(CUT_TWICE, SECOND),
        seen(SLIM),
        seen(SLIM_TRUED),
        seen(SLIM_CUT, KITE),
    )
    assert now.state.phase is Phase.DONE
    assert said[-5:] == [
        "ask strip slim",
        "seen strip slim",
        "ask cut true_up",
        "ask cut unit",
        "keep kite 1/1",
    ]
    assert now.state.made == (2, 1)


def test_every_pair_of_phase_and_observation_is_a_rule_or_ignored_on_purpose():
    pairs = {(phase, kind) for phase in Phase for kind in (MatCleared, Seen, HandSeen, KeyPressed)}
    assert pairs == set(RULES) | IGNORED
    assert not set(RULES) & IGNORED
    assert {meaning for _, meaning in KEYS} == set(MEANINGS.values()) - {"help"}  # that lies over all chapters


def test_what_is_ignored_changes_nothing():
    for pair in IGNORED:
        phase, kind = pair
        state = replace(begin(PLAN, AREA).state, phase=phase)
        observation = {MatCleared: CLEARED, Seen: seen(), HandSeen: HAND, KeyPressed: ON}[kind]
        after = step(state, observation)
        assert after.state is state
        assert (after.events, after.records) == ((), ())


def test_a_later_end_is_trued_when_it_drifted():
    drifted = cloth([(100, 300), (346.8, 300), (347.6, 380), (100, 380)])  # 0.57 degrees
    now, said = play(*TO_FIRST_CUT, seen(drifted, UNIT))
    assert now.state.phase is Phase.TRUE_END
    assert said[-1] == "ask cut true_up"
    assert "0.6 deg off" in now.state.line.why


def test_the_line_follows_a_strip_that_is_moved_and_stays_where_it_was_only_measured_again():
    first, _ = play(*TO_FIRST_CUT)
    noisy = step(first.state, seen(box_at(100.1, 299.9, 296.8, 80)))
    moved = step(first.state, seen(box_at(103, 299, 296.8, 80)))
    assert noisy.scene.cut_mat_mm == first.scene.cut_mat_mm
    shift = np.array(moved.scene.cut_mat_mm) - np.array(first.scene.cut_mat_mm)
    assert shift == pytest.approx(np.array([[3, -1], [3, -1]]))


def test_asks_count_over_the_whole_plan():
    now, _ = play(*TO_FIRST_CUT, seen(CUT_ONCE, UNIT))
    assert now.events[-1] == {
        "event": "ask",
        "what": "cut",
        "purpose": "unit",
        "n": 2,
        "of": 3,
        "unit": "block",
    }


def test_a_plan_is_taken_up_where_it_stopped():
    now = begin(PLAN, AREA, kept_of((2, 0)))
    assert now.state.unit.name == "kite"
    assert begin(PLAN, AREA, kept_of((2, 1))).state.phase is Phase.DONE


def test_a_plan_without_cuts_is_refused():
    with pytest.raises(ValueError, match="no unit"):
        begin(Plan("nothing", (), (Unit("seen only", None, "square(4 in)"),)), AREA)


def test_a_unit_brings_its_tolerance():
    plan = replace(PLAN, units=(replace(PLAN.units[0], tolerance_mm=0.3), PLAN.units[1]))
    expected = wanted(begin(plan, AREA).state)
    assert expected.tolerance.width_mm == 0.3
    assert expected.tolerance.angle_rad == PLAN.angle_tolerance_rad
    assert expected.side_names == ("strip edge", "cut edge", "strip edge", "cut edge")


class Table:
    """A person who lays strips down, cuts along the light, slides each unit aside. Exact, or clumsy by chance."""

    def __init__(self, turn_deg, rng=None):
        self.turn_deg, self.rng = turn_deg, rng
        self.strip = self.unit = None

    def error(self, sd):
        return self.rng.normal(0.0, sd) if self.rng else 0.0

    def lay(self, strip):
        long, wide = strip.length_mm, strip.width_mm
        flat = Polygon([(0, 0), (long, 0), (long + self.error(2.0), wide), (self.error(2.0), wide)])
        self.strip = translate(rotate(flat, self.turn_deg, origin=(0, 0)), 130, 250)
        self.unit = None

    def cut(self, scene):
        start, end = np.array(scene.cut_mat_mm)
        middle, along = (start + end) / 2, (end - start) / math.dist(start, end)
        turn = math.radians(self.error(0.15))
        along = along * math.cos(turn) + np.array([-along[1], along[0]]) * math.sin(turn)
        side = np.array([-along[1], along[0]])
        start = middle + self.error(0.3) * side - 3000 * along
        kept, rest = (
            self.strip & Polygon([start, start + 6000 * along, start + 6000 * (along + way), start + 6000 * way])
            for way in ((side, -side) if scene.keep == "left" else (-side, side))
        )
        self.strip = kept if scene.name == "true_end" else rest
        if scene.name == "cut_unit":
            aside = rotate(kept, self.error(10.0))
            self.unit = translate(aside, 30 + self.error(20.0), -130 + self.error(20.0))

    def look(self):
        """What is measured, with noise at each corner if the table is clumsy."""
        pieces = [(self.strip, Verdict.OTHER)] + ([(self.unit, Verdict.FITS)] if self.unit else [])
        outlines = [(np.array(orient(piece).exterior.coords[:-1]), verdict) for piece, verdict in pieces]
        noise = (lambda at: self.rng.normal(0.0, 0.08, at.shape)) if self.rng else np.zeros_like
        return Seen(tuple(cloth(outline + noise(outline), verdict) for outline, verdict in outlines))


def run(plan, table):
    """Cut a plan to its end, looking twice after each cut; the units kept and the scenes of the cuts."""
    now, made, cuts = step(begin(plan, AREA).state, CLEARED), [], []
    while now.state.phase is not Phase.DONE:
        if now.state.phase is Phase.LAY_STRIP:
            table.lay(now.state.source)
        else:
            assert now.scene.caution
            cuts.append(now.scene.name)
            table.cut(now.scene)
        for _ in range(2):
            now = step(now.state, table.look())
            made += [(record.unit_name, table.unit) for record in now.records]
            assert not [event for event in now.events if event["event"] == "refused"]
        assert len(cuts) < 40
    return made, cuts


@pytest.mark.parametrize("turn_deg", [0.0, 4.0, -6.0])
def test_the_demo_plan_cut_along_the_light_gives_its_thirteen_units(turn_deg):
    plan = demo_plan()
    made, cuts = run(plan, Table(turn_deg))
    assert [name for name, _ in made] == ["wave"] * 7 + ["lamp"] * 6
    assert cuts == ["true_end"] + ["cut_unit"] * 7 + ["true_end"] + ["cut_unit"] * 6
    for name, unit in made:
        cut = plan.unit(name).cut
        width = plan.strip(cut.strip).width_mm
        assert unit.area == pytest.approx(width * cut.width_mm / math.sin(cut.angle_rad))


@pytest.mark.parametrize("seed", range(8))
def test_a_clumsy_hand_and_a_noisy_eye_bring_the_plan_to_its_end_too(seed):
    """Cuts off by 0.3 mm and 0.15 degree, corners by 0.08 mm (one standard deviation), every view measured twice."""
    rng = np.random.default_rng(seed)
    made, cuts = run(demo_plan(), Table(rng.uniform(-4, 4), rng))
    assert [name for name, _ in made] == ["wave"] * 7 + ["lamp"] * 6
    assert len(cuts) >= 15
