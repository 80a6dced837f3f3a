"""The outer loop of the guided cut: devices on one side, the pure state machine on the other."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from calibration.rig import Rig
from projector.events import unit_event
from projector.guide.cutting import MEANINGS, begin, step
from projector.guide.scenes import LAMP, Scene
from projector.guide.stage import scene_of
from projector.guide.state import Cutting, KeyPressed, MatCleared, Observation, Phase, Record, Seen, Step, wanted
from projector.journal import Journal
from projector.piecing.plans import Plan
from projector.render import draw
from projector.setup.glancing import glanced, key_after_bump, tell_glance
from projector.showing import show
from projector.table import Pressed, Still, Table
from vision.compare import judge
from vision.light import mean_light
from vision.mat import MatPicture, compare_with_mat, guessed_mat_picture, mat_picture, on_mat_mask
from vision.measure import PLAIN_CLOTH, Cloth, Trust, measure_units, px_per_mm
from vision.regions import find_regions
from vision.units import Judged

Picture = NDArray[np.uint8]
Kept = Callable[[Picture, tuple[Judged, ...]], None]

EMPTY_FRAMES = 16  # averaged under the lamp for the mat's picture, which all else is held against
FRAMES = 4  # averaged for cloth
LEAST_CLOTH_MM2 = 600.0  # a larger patch that differs from the mat is not a crumb


@dataclass(frozen=True, eq=False)
class Bench:
    """What stays the same while a plan is cut."""

    table: Table
    rig: Rig
    journal: Journal
    session: int
    cloth: Cloth = PLAIN_CLOTH
    kept: Kept | None = None  # is handed each picture that was measured, with what was found

    @property
    def trust(self) -> Trust:
        return Trust(self.rig.camera_over_area().rms_mm, self.rig.scale_u, self.rig.camera)


@dataclass(frozen=True, eq=False, slots=True)
class Guided:
    """What came of it: what was judged in this sitting, in order, and whether the plan was left before its end."""

    units: tuple[Judged, ...]
    stopped: bool


def guide(bench: Bench, plan: Plan, made: tuple[int, ...] | None = None) -> Guided:
    """Lead through a plan. Raises CameraError, JournalError."""
    if bench.rig.projector is None:
        raise ValueError("a rig with a projector is needed")
    _tell_unguided(bench, plan)
    area = tuple((float(x), float(y)) for x, y in bench.rig.area_mat_mm)
    seeing = _Seeing(bench)
    judged: list[Judged] = []
    told = set[str]()
    state, _ = _carried_out(bench, begin(plan, area, made), judged)
    unlike: Still | None = None  # the next measurement waits for a change from this
    while state.phase is not Phase.DONE:
        seen = bench.table.until_still(unlike, after_motion=True)
        if isinstance(seen, Pressed):
            for key in seen.keys:
                if state.phase is Phase.CLEAR_MAT and MEANINGS.get(key) == "on":
                    seeing.take_mat_as_it_is()
                state, _ = _carried_out(bench, step(state, KeyPressed(key)), judged)
            unlike = None
            continue
        observation = seeing.observe(state)
        if observation is None:
            unlike = _not_clear(bench, state)
            continue
        if isinstance(observation, Seen) and bench.kept is not None:
            bench.kept(seeing.latest, observation.cloths)
        turn = step(state, observation)
        if turn.state.phase is Phase.LAY_STRIP is not state.phase and not _still_true(bench, told):
            _keep_records(bench, turn, judged)
            return Guided(tuple(judged), stopped=True)
        state, unlike = _carried_out(bench, turn, judged)
    return Guided(tuple(judged), state.stopped)


def _tell_unguided(bench: Bench, plan: Plan) -> None:
    """Light leads through parallel cuts alone: say which units of a plan the person cuts by the plan's picture."""
    for unit in plan.units:
        if unit.lay:
            way = "every second one turned" if unit.lay.way == "turned" else "laid side by side"
            do = f'cut {unit.lay.make} "{unit.name}" by the plan\'s picture, {way}, and check them'
            bench.table.teller.tell("refused", what="unit", name=unit.name, why="not_guided", do=do)


def _not_clear(bench: Bench, state: Cutting) -> Still:
    """Ask again for the bare mat, in words and in light."""
    _show(bench, scene_of(state))
    do = "take away what lies on the mat, or press space if nothing does"
    bench.table.teller.tell("refused", what="clear_mat", why="not_clear", do=do)
    return bench.table.glance()


def _carried_out(bench: Bench, turn: Step, judged: list[Judged]) -> tuple[Cutting, Still]:
    """Keep the records, then show and look, then ask: nothing is said of a unit before it is on the disk.

    The look is taken before anybody is asked for anything, so that whatever the person does is a change from it.
    """
    _keep_records(bench, turn, judged)
    _show(bench, turn.scene)
    as_it_lies = bench.table.glance()
    for event in turn.events:
        told = dict(event)
        bench.table.teller.tell(str(told.pop("event")), **told)
    return turn.state, as_it_lies


def _still_true(bench: Bench, told: set[str]) -> bool:
    """A glance before a strip is asked for. False where something moved and the person ends it."""
    found, _ = glanced(bench.table, bench.rig)
    tell_glance(bench.table.teller, found, told)
    return found.quiet or key_after_bump(bench.table, bench.rig, found, realign=False) is not None


def _keep_records(bench: Bench, turn: Step, judged: list[Judged]) -> None:
    for record in turn.records:
        _keep(bench, record)
        judged.append(record.judged)


def _keep(bench: Bench, record: Record) -> None:
    event = unit_event(record.judged, None) | {"name": record.unit_name, "n": record.n, "of": record.of}
    verdict = record.judged.verdict.value if record.judged.verdict else None
    line = json.dumps(event)
    bench.journal.record(bench.session, record.unit_name, verdict, line, datetime.now().astimezone())
    kind = str(event.pop("event"))
    bench.table.teller.tell(kind, **event)


def _show(bench: Bench, scene: Scene) -> None:
    show(bench.table, bench.rig, scene, bench.cloth.height_mm if scene.cut_mat_mm is not None else 0.0)


class _Seeing:
    """Looks at the mat under the lamp. The mat's own picture, once taken, is kept as the reference."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._on_mat = on_mat_mask(bench.rig.camera.pinhole, bench.rig.area_mat_mm)
        self._mat: MatPicture | None = None
        self.latest: Picture = np.zeros((1, 1, 3), np.uint8)

    def observe(self, state: Cutting) -> Observation | None:
        """What there is to tell the state machine; None where the mat is not clear yet."""
        if self._mat is None:
            return MatCleared() if self._take_mat() else None
        light = self._under_lamp(FRAMES)
        camera = self._bench.rig.camera.pinhole
        scene = compare_with_mat(light, self._mat, self._on_mat, self._bench.rig.tone)
        units = measure_units(scene, camera, self._on_mat, self._bench.cloth, self._bench.trust)
        expected = wanted(state)
        return Seen(tuple(judge(unit, [] if expected is None else [expected]) for unit in units))

    def take_mat_as_it_is(self) -> None:
        """Keep the mat's picture though something seems to lie on it: the person says that it is bare."""
        self._mat = mat_picture(self._under_lamp(EMPTY_FRAMES))

    def _take_mat(self) -> bool:
        """Keep the mat's picture if no cloth lies on it."""
        light = self._under_lamp(EMPTY_FRAMES)
        guess = compare_with_mat(light, guessed_mat_picture(light, self._on_mat), self._on_mat, self._bench.rig.tone)
        least_px = LEAST_CLOTH_MM2 * px_per_mm(self._bench.rig.camera.pinhole, self._on_mat) ** 2
        if any(not region.cut_off for region in find_regions(guess, self._on_mat, least_px)):
            return False
        self._mat = mat_picture(light)
        return True

    def _under_lamp(self, frames: int) -> NDArray[np.float32]:
        table = self._bench.table
        table.throw(draw(LAMP, lambda points: points, table.display.size_px))
        pictures = table.looks(frames)
        self.latest = pictures[-1]
        return mean_light(pictures, self._bench.rig.tone)
