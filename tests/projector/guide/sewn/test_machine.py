"""Sewn units as scripts: this is seen, it asks for that. Units are drawn; the person of a test cuts along the light."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString, Polygon
from shapely.ops import split

from projector.guide.looks import HandSeen, KeyPressed, MatCleared, Seen
from projector.guide.meanings import MEANINGS
from projector.guide.scene.scenes import Fill, Words
from projector.guide.sewn.machine import IGNORED, KEYS, RULES, begin, step
from projector.guide.sewn.state import Phase
from projector.guide.units.state import wanted_of
from projector.piecing.plans import Plan, Step, Unit, expected_shape
from tests.projector.guide.sewncloth import larger, measured, placed, plan
from vision.units import Judged, MeasuredUnit, Verdict

IN = 25.4
AREA = ((0.0, 0.0), (914.4, 0.0), (914.4, 609.6), (0.0, 609.6))  # 36 x 24 in
# Two logs in a row, 2 in and 4 in, with a place to match on the upper side; then the whole of two of them.
LOGS = Plan(
    "logs",
    (),
    (
        Unit(
            "row",
            None,
            "polygon(0 in 0 in, 6 1/2 in 0 in, 6 1/2 in 2 1/2 in, 0 in 2 1/2 in)",
            seams_mm=(((2.25 * IN, 0.0), (2.25 * IN, 2.5 * IN)),),
            trims=plan("rail", 6 * IN, fabrics="2").units[-1].trims[:0],
            dots_mm=((2.25 * IN, 2.25 * IN),),
        ),
    ),
    steps=(Step(("short", "long"), "row", 2, "long"),),
)
NINE = plan("nine patch", 6 * IN)
PIECE = NINE.units[2]


def unit_at(
    of: Plan, unit: Unit, by_mm, verdict=Verdict.OTHER, x=200.0, y=150.0, turn_deg=40.0, trouble=None
) -> Judged:
    shape = expected_shape(of, unit)
    cloth = measured(larger(shape.corners_mm, by_mm), shape.seams_mm, x, y, turn_deg, trouble)
    zeros = np.zeros(len(cloth.corners_mat_mm))
    return Judged(cloth, unit.name, zeros, zeros, verdict, 1.0)


def scrap(x: float, y: float) -> Judged:
    corners = placed(np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 8.0], [0.0, 8.0]]), x, y, 0.0)
    zeros = np.zeros(4)
    return Judged(MeasuredUnit(corners, zeros, zeros, zeros, zeros, ()), None, None, None, Verdict.OTHER)


CLEARED, HAND = MatCleared(), HandSeen()
ON, BACK, END = KeyPressed("space"), KeyPressed("page up"), KeyPressed("q")
LARGE = unit_at(NINE, PIECE, [3.0, 0.0, 4.0, 0.0])
HALF = unit_at(NINE, PIECE, [0.0, 0.0, 4.0, 0.0])
DONE = unit_at(NINE, PIECE, [0.0] * 4, Verdict.FITS)
SHORT = unit_at(NINE, PIECE, [3.0, 0.0, -3.0, 0.0])
FLAT = unit_at(NINE, PIECE, [3.0, 0.0, 0.0, 0.0], turn_deg=5.0)
NEXT = unit_at(NINE, PIECE, [2.0, 2.0, 2.0, 2.0], x=230.0)
TROUBLED = unit_at(NINE, PIECE, [3.0] * 4, Verdict.LOOK_AGAIN, trouble="touching")
UNSURE = unit_at(NINE, PIECE, [0.0] * 4, Verdict.LOOK_AGAIN, trouble="unsure")
OPENING = ["ask clear_mat piece 1", "ask unit piece 1 1/1"]


def seen(*cloths):
    return Seen(cloths)


def told(event):
    extra = event.get("why") or event.get("name") or ""
    number = (
        f"{event['n']}/{event['of']}" if event.get("what") in ("unit", "trim", "take_unit") and "n" in event else ""
    )
    return " ".join(part for part in (event["event"], event.get("what", ""), str(extra), number) if part)


def play(*script, of=NINE):
    now = begin(of, AREA)
    said = [told(event) for event in now.events]
    for observation in script:
        now = step(now.state, observation)
        said += [f"undone {len(now.undone)}"] if now.undone else []
        said += [f"keep {one.unit_name} {one.judged.verdict.value} {one.n}/{one.of}" for one in now.records]
        said += [told(event) for event in now.events]
    return now, said


UNDO, AGAIN, NINE_ASKED = KeyPressed("z"), KeyPressed("m"), "ask unit nine patch 1/1"
TAKEN_BACK = ["undone 1", "seen undone piece 1", OPENING[1]]
FOUND = [*OPENING, "seen unit piece 1", "ask trim piece 1 1/1"]
KEPT = ["keep piece 1 fits 1/1", "ask take_unit piece 1 1/1"]


@pytest.mark.parametrize(
    ("script", "phase", "conversation"),
    [
        ([], Phase.CLEAR_MAT, OPENING[:1]),
        ([seen(LARGE)], Phase.CLEAR_MAT, OPENING[:1]),
        ([HAND, CLEARED], Phase.LAY_SEWN, OPENING),
        ([CLEARED, seen()], Phase.LAY_SEWN, OPENING),
        # What is no such unit is said once.
        ([CLEARED, seen(scrap(50, 50)), seen(scrap(50, 50))], Phase.LAY_SEWN, [*OPENING, "refused unit no_seam"]),
        ([CLEARED, seen(TROUBLED), seen(TROUBLED)], Phase.LAY_SEWN, [*OPENING, "refused unit touching"]),
        # One side after the other, and the verdict once nothing is over.
        ([CLEARED, seen(LARGE)], Phase.TRIM, FOUND),
        ([CLEARED, seen(LARGE), seen(LARGE), HAND, seen(LARGE)], Phase.TRIM, FOUND),
        ([CLEARED, seen(LARGE), seen(HALF, scrap(50, 50))], Phase.TRIM, [*FOUND, "ask trim piece 1 1/1"]),
        ([CLEARED, seen(LARGE), seen(HALF), seen(DONE)], Phase.MARK, [*FOUND, "ask trim piece 1 1/1", *KEPT]),
        # One that needs no trim is only measured.
        ([CLEARED, seen(DONE)], Phase.MARK, [*OPENING, *KEPT]),
        # A corner that is hardly seen leaves the sides to be judged by their seams.
        ([CLEARED, seen(UNSURE)], Phase.MARK, [*OPENING, *KEPT]),
        # The marks stay while it lies there, and follow it; then the next kind, here the block itself.
        ([CLEARED, seen(DONE), seen(DONE)], Phase.MARK, [*OPENING, *KEPT]),
        (
            [CLEARED, seen(DONE), seen(unit_at(NINE, PIECE, [0.0] * 4, x=210.0))],
            Phase.MARK,
            [*OPENING, *KEPT],
        ),
        ([CLEARED, seen(DONE), seen()], Phase.LAY_SEWN, [*OPENING, *KEPT, "ask unit nine patch 1/1"]),
        ([CLEARED, seen(DONE), ON], Phase.LAY_SEWN, [*OPENING, *KEPT, "ask unit nine patch 1/1"]),
        # Too small: set aside, and not counted.
        (
            [CLEARED, seen(SHORT), seen(), seen(DONE)],
            Phase.MARK,
            [*OPENING, "keep piece 1 short 1/1", KEPT[1], OPENING[1], *KEPT],
        ),
        # Lifted and laid back: the line is there again, and nothing is asked anew but what is due.
        ([CLEARED, seen(LARGE), seen(), seen()], Phase.TRIM, [*FOUND, "refused unit hidden"]),
        ([CLEARED, seen(LARGE), seen(TROUBLED)], Phase.TRIM, [*FOUND, "refused unit touching"]),
        ([CLEARED, seen(LARGE), seen(unit_at(NINE, PIECE, [3, 0, 4, 0], x=203.0))], Phase.TRIM, FOUND),
        # A cut across the body is not shown: the unit is turned first.
        ([CLEARED, seen(FLAT), seen(FLAT)], Phase.TURN_SEWN, [*FOUND[:-1], "ask turn_cloth piece 1"]),
        ([CLEARED, seen(FLAT), seen(HALF)], Phase.TRIM, [*FOUND[:-1], "ask turn_cloth piece 1", FOUND[-1]]),
        # Keys.
        ([CLEARED, ON], Phase.LAY_SEWN, [*OPENING, "ask unit nine patch 1/1"]),
        ([CLEARED, ON, ON], Phase.DONE, [*OPENING, "ask unit nine patch 1/1"]),
        ([CLEARED, seen(LARGE), BACK], Phase.LAY_SEWN, [*FOUND, OPENING[1]]),
        ([CLEARED, seen(LARGE), KeyPressed("x")], Phase.TRIM, FOUND),
        ([CLEARED, seen(FLAT), ON], Phase.TRIM, [*FOUND[:-1], "ask turn_cloth piece 1", FOUND[-1]]),
        # Taken back, and left alone while it lies there; measured again at once.
        ([CLEARED, seen(DONE), UNDO, seen(DONE)], Phase.LAY_SEWN, [*OPENING, *KEPT, *TAKEN_BACK]),
        ([CLEARED, seen(DONE), UNDO, seen(), seen(DONE)], Phase.MARK, [*OPENING, *KEPT, *TAKEN_BACK, *KEPT]),
        ([CLEARED, seen(DONE), AGAIN, seen(DONE)], Phase.MARK, [*OPENING, *KEPT, "undone 1", OPENING[1], *KEPT]),
        ([CLEARED, seen(DONE), seen(), UNDO], Phase.LAY_SEWN, [*OPENING, *KEPT, NINE_ASKED, *TAKEN_BACK]),
        ([CLEARED, UNDO], Phase.LAY_SEWN, OPENING),
        ([CLEARED, seen(LARGE), END], Phase.DONE, FOUND),
        ([END, ON, seen(LARGE), CLEARED], Phase.DONE, OPENING[:1]),
    ],
)
def test_scripts(script, phase, conversation) -> None:
    now, said = play(*script)
    assert (now.state.phase, said) == (phase, conversation)


def test_a_unit_that_lies_face_down_is_to_be_turned_over() -> None:
    of = plan("flying geese", 4 * IN)
    unit = of.unit("piece 1")
    mirrored = wanted_of(of, unit).mirrored()
    cloth = Judged(measured(larger(mirrored.corners_mm, [2.0] * 5), mirrored.seams_mm), None, None, None, Verdict.OTHER)
    now, said = play(CLEARED, seen(cloth), of=of)
    assert (now.state.phase, said[-1]) == (Phase.LAY_SEWN, "refused unit turned_over")


def test_what_is_judged_by_its_seams_alone_fits_only_if_every_side_has_one() -> None:
    """Of the geese's first piece two sides are ears that no trim belongs to: nobody says that it fits."""
    geese = plan("flying geese", 4 * IN)
    for of, name, verdict in ((NINE, "piece 1", Verdict.FITS), (geese, "piece 1", Verdict.CLOSE)):
        shape = expected_shape(of, of.unit(name))
        cloth = Judged(measured(shape.corners_mm, shape.seams_mm), None, None, None, Verdict.OTHER)
        now, _ = play(CLEARED, seen(cloth), of=of)
        (kept,) = now.records
        assert kept.judged.verdict is verdict
        assert kept.judged.offsets_mm is None  # nothing is said of sides that are not the plan's


def test_cloth_without_all_of_its_seams_is_not_cut() -> None:
    """Of two rows only the seam between them is seen: nothing tells where its short sides belong."""
    shape = expected_shape(NINE, PIECE)
    cloth = Judged(measured(larger(shape.corners_mm, [3.0] * 4), shape.seams_mm[4:]), None, None, None, Verdict.OTHER)
    now, said = play(CLEARED, seen(cloth), seen(cloth))
    assert (now.state.phase, now.scene.cut_mat_mm) == (Phase.LAY_SEWN, None)
    assert said == [*OPENING, "refused unit no_seam"]


def test_the_next_one_laid_in_the_same_place_is_the_next_one() -> None:
    of = replace(NINE, steps=(replace(NINE.steps[0], count=2), NINE.steps[1]))
    now, said = play(CLEARED, seen(DONE), seen(NEXT), of=of)
    assert now.state.phase is Phase.TRIM
    assert said[-3:] == [KEPT[1].replace("1/1", "1/2"), "seen unit piece 1", "ask trim piece 1 2/2"]


def test_every_pair_of_phase_and_observation_is_a_rule_or_ignored_on_purpose() -> None:
    pairs = {(phase, kind) for phase in Phase for kind in (MatCleared, Seen, HandSeen, KeyPressed)}
    assert pairs == set(RULES) | IGNORED
    assert not set(RULES) & IGNORED
    assert {meaning for _, meaning in KEYS} <= set(MEANINGS.values())


def test_every_trim_in_the_light_comes_with_the_cautions_and_no_other_scene_shows_a_cut() -> None:
    for script in ([], [CLEARED], [CLEARED, seen(LARGE)], [CLEARED, seen(DONE)], [CLEARED, seen(FLAT)]):
        now, _ = play(*script)
        trims = now.state.phase is Phase.TRIM
        assert (now.scene.cut_mat_mm is not None, now.scene.caution) == (trims, trims)


def test_dots_and_the_arrow_lie_on_the_cloth() -> None:
    cloth = unit_at(LOGS, LOGS.units[0], [0.0] * 4, Verdict.FITS)
    now, _ = play(CLEARED, seen(cloth), of=LOGS)
    outline = Polygon(cloth.unit.corners_mat_mm)
    marks = [Polygon(mark.corners_mat_mm) for mark in now.scene.marks if isinstance(mark, Fill)]
    assert sum(outline.contains(mark) for mark in marks) == 2  # the dot, and the arrow's head


def test_the_arrow_is_spoken_of_where_it_is_drawn() -> None:
    """A row of two unlike logs has one; two rows that look the same turned round have words alone."""
    logs, _ = play(CLEARED, seen(unit_at(LOGS, LOGS.units[0], [0.0] * 4, Verdict.FITS)), of=LOGS)
    rows, _ = play(CLEARED, seen(DONE))
    assert "arrow: pressed toward long" in [mark.text for mark in logs.scene.marks if isinstance(mark, Words)]
    assert f"pressed toward {NINE.steps[0].press}" in [m.text for m in rows.scene.marks if isinstance(m, Words)]


def test_a_judged_unit_counts_where_a_plan_is_taken_up_again() -> None:
    assert begin(NINE, AREA, (0, 0, 1, 0)).state.unit.name == "nine patch"
    assert begin(NINE, AREA, (0, 0, 1, 1)).state.phase is Phase.DONE
    with pytest.raises(ValueError, match="sewn"):
        begin(Plan("nothing"), AREA)


@pytest.mark.parametrize("block", ["nine patch", "flying geese", "half-square triangles", "log cabin"])
def test_a_person_who_cuts_along_the_light_ends_with_the_planned_unit(block: str) -> None:
    """A unit 1 to 5 mm larger, sewn right: cut by shapely along every line that is shown, it is the planned one."""
    of, rng = plan(block, 6 * IN), np.random.default_rng(5)
    for unit in of.units:
        if unit.cut is not None or unit.lay is not None:
            continue
        shape = expected_shape(of, unit)
        trimmed = {trim.side for trim in unit.trims}
        by = [rng.uniform(1.0, 5.0) if side in trimmed else 0.0 for side in range(len(shape.corners_mm))]
        cloth = measured(larger(shape.corners_mm, by), shape.seams_mm, 300.0, 250.0, 33.0)
        only = replace(of, units=(replace(unit, trims=unit.trims),), steps=())
        now = step(begin(only, AREA).state, CLEARED)
        now = step(now.state, Seen((_judged(cloth),)))
        cuts = 0
        while now.state.phase in (Phase.TRIM, Phase.TURN_SEWN):
            cloth = _cut(cloth, now.state.line) if now.state.phase is Phase.TRIM else _turned(cloth)
            cuts += 1
            assert cuts < 20, unit.name
            now = step(now.state, Seen((_judged(cloth),)))
        assert now.state.phase is Phase.MARK, (unit.name, now.state.note)
        expected = Polygon(now.state.laid.corners_mat_mm)
        # Within the tolerance over its sides, which is all that is asked of the trims.
        assert Polygon(cloth.corners_mat_mm).symmetric_difference(expected).area < 1.0 * expected.length, unit.name


def _judged(cloth: MeasuredUnit) -> Judged:
    return Judged(cloth, "a unit", None, None, Verdict.OTHER, 1.0)


def _cut(cloth: MeasuredUnit, line) -> MeasuredUnit:
    """What is kept of it, by shapely."""
    start, end = line.shown_mat_mm
    parts = split(Polygon(cloth.corners_mat_mm), LineString([start, end])).geoms
    run = end - start

    def left(part) -> float:
        off = np.array(part.centroid.coords[0]) - start
        return float(run[0] * off[1] - run[1] * off[0])

    kept = next(part for part in parts if (left(part) > 0) == (line.keep == "left"))
    corners = np.array(kept.simplify(1e-6).exterior.coords)[:-1]
    corners = corners if Polygon(corners).exterior.is_ccw else corners[::-1]
    full = np.full(len(corners), 0.05)
    return MeasuredUnit(corners, full, full, full / 100, np.zeros(len(corners)), (), cloth.seams)


def _turned(cloth: MeasuredUnit) -> MeasuredUnit:
    middle = cloth.corners_mat_mm.mean(axis=0)

    def turned(points):
        return placed(points - middle, middle[0], middle[1], 90.0)

    seams = tuple(replace(seam, ends_mat_mm=turned(seam.ends_mat_mm)) for seam in cloth.seams)
    return replace(cloth, corners_mat_mm=turned(cloth.corners_mat_mm), seams=seams)
