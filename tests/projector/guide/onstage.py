"""A scene of every kind, with the cloth that lies there: for looking at them, and for holding them to be legible.

The cloth is made up; its outlines are those that the chapters' own tests lay.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import box

from projector.guide.looks import MatCleared, Seen
from projector.guide.pile.machine import charted
from projector.guide.pile.machine import step as pile_step
from projector.guide.scene.cautions import longer_list
from projector.guide.scene.helppage import help_scene
from projector.guide.scene.room import CLEARANCE_MM, Room
from projector.guide.scene.scenes import Scene
from projector.guide.sitting import Sitting
from projector.guide.units.cutting import begin, step
from projector.guide.whole import machine as whole
from projector.piecing.plans import Cut, Plan, Strip, Unit
from tests.projector.guide.pile import test_charts
from tests.projector.guide.pile import test_machine as test_pile
from tests.projector.guide.setcheck import test_machine as test_setcheck
from tests.projector.guide.sewn import test_machine as test_sewn
from tests.projector.guide.whole import test_machine as test_whole
from tests.projector.guide.yardage import test_striping
from vision.units import Judged, MeasuredUnit, Seam, Verdict, Width

Floats = NDArray[np.float64]
IN = 25.4
AREA = ((0.0, 0.0), (914.4, 0.0), (914.4, 609.6), (0.0, 609.6))  # 36 x 24 in


@dataclass(frozen=True, eq=False)
class OnStage:
    """A scene on a 36 x 24 in mat, and the outlines (N, 2) of what lies there."""

    name: str
    scene: Scene
    cloths: tuple[Floats, ...] = ()


def every_scene() -> Iterator[OnStage]:
    """One or two of every kind that there is."""
    room = Room(box(0, 0, *AREA[2]).buffer(-CLEARANCE_MM))
    yield OnStage("longer list", Scene("cautions", longer_list(room), caution=True))
    yield OnStage("help", help_scene(AREA, Sitting()))
    yield from _units()
    yield from _yardage()
    yield from _set_check()
    yield from _sewn()
    yield from _block()
    yield from _pile()


def _quad(corners: list[tuple[float, float]], wide: float, cut: float, verdict: Verdict = Verdict.OTHER) -> Judged:
    zeros, outline = np.zeros(4), np.array(corners)
    widths = (Width((0, 2), wide, wide, wide, 0.05), Width((1, 3), cut, cut, cut, 0.05))
    middle = (outline[0] + outline[3]) / 2, (outline[1] + outline[2]) / 2
    seams = (Seam(np.array(middle), 0.05),)
    sides = np.hypot(*(np.roll(outline, -1, axis=0) - outline).T)
    unit = MeasuredUnit(outline, zeros, sides, zeros, zeros, widths, seams)
    why = "cut edge 1/16 in too wide" if verdict is Verdict.TRIM else ""
    return Judged(unit, "wave", zeros, zeros, verdict, 1.0, why)


def _strip(long_mm: float, slanted: bool) -> Judged:
    """A strip set 88.9 mm wide; its right end leans by 45 degrees where it was trued."""
    lean = 88.9 if slanted else 3.0
    wide = 88.9
    return _quad([(70, 300), (70 + long_mm, 300), (70 + long_mm + lean, 300 + wide), (70, 300 + wide)], wide, long_mm)


def _unit(x: float, y: float, cut: float, verdict: Verdict) -> Judged:
    along = cut * math.sqrt(2)
    return _quad([(x, y), (x + along, y), (x + along + 88.9, y + 88.9), (x + 88.9, y + 88.9)], 88.9, cut, verdict)


def _units() -> Iterator[OnStage]:
    cut = Cut("tide set", 12, 2 * IN, math.radians(45.0))
    plan = Plan("waves", (Strip("tide set", 88.9, 500.0, (44.45,)),), (Unit("wave", cut),))
    by_along = 2 * IN * math.sqrt(2)
    script = [
        ("bare mat", [], None),
        ("lay the strip", [], MatCleared()),
        ("truing cut", [_strip(520.0, slanted=False)], None),
        ("first cut", [_strip(420.0, slanted=True)], None),
        ("fits", [_strip(420.0 - by_along, slanted=True), _unit(560, 130, 2 * IN, Verdict.FITS)], None),
        ("trim", [_strip(420.0 - 2 * by_along, slanted=True), _unit(560, 130, 2.0625 * IN, Verdict.TRIM)], None),
    ]
    now = begin(plan, AREA, sitting=Sitting(ruler_mm=3.0))
    for name, cloths, told in script:
        if name != "bare mat":
            now = step(now.state, told or Seen(tuple(cloths)))
        yield OnStage(name, now.scene, tuple(cloth.unit.corners_mat_mm for cloth in cloths))


def _yardage() -> Iterator[OnStage]:
    for name, script in (
        ("square the end", test_striping.TO_FIRST_CUT[:2]),
        ("first strip", test_striping.TO_FIRST_CUT),
        ("next strip", [*test_striping.TO_FIRST_CUT, test_striping.CUT]),
    ):
        now, _ = test_striping.play(*script)
        yield OnStage(name, now.scene, tuple(one.corners_mat_mm for one in script[-1].cloths))


def _set_check() -> Iterator[OnStage]:
    now, _ = test_setcheck.play(test_setcheck.CLEARED, test_setcheck.seen(test_setcheck.WIDE))
    low, high = (side.ends_mat_mm for side in test_setcheck.WIDE.long_sides)
    yield OnStage("seam check", now.scene, (np.concatenate([low, high[::-1]]),))


def _sewn() -> Iterator[OnStage]:
    for name, cloth in (("trim to shape", test_sewn.LARGE), ("sewn unit done", test_sewn.DONE)):
        now, _ = test_sewn.play(test_sewn.CLEARED, test_sewn.seen(cloth))
        yield OnStage(name, now.scene, (cloth.unit.corners_mat_mm,))


def _block() -> Iterator[OnStage]:
    now = whole.begin(test_whole.NINE, AREA)
    for observation in (test_whole.CLEARED, test_whole.seen(test_whole.SMALL)):
        now = whole.step(now.state, observation)
    yield OnStage("whole block", now.scene, (test_whole.SMALL.corners_mat_mm,))


def _pile() -> Iterator[OnStage]:
    cloths = [
        test_pile.unit_at(150, 450, turn=0.2),
        test_pile.unit_at(330, 430, turn=-0.4),
        test_pile.unit_at(520, 460, wide=81.6, verdict=Verdict.TRIM),
        test_pile.unit_at(180, 220, turn=0.1),
        test_pile.unit_at(380, 200, wide=78.3, verdict=Verdict.SHORT),
    ]
    turn = charted(pile_step(test_pile.begun(), test_pile.seen(*cloths)), test_charts.BOTH)
    yield OnStage("pile", turn.scene, tuple(cloth.unit.corners_mat_mm for cloth in cloths))
