"""The virtual person: hears what the app asks for, thinks, reaches in and does it, with small errors.

What it does is a queue of actions; an action is a generator that yields the seconds until its next step, so
time is an argument and nothing here waits. A cut follows the edge of the light that lies on the true cloth, on
the side that is kept; numbers in the app's events are never looked at, but for which way round that side is said.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.bench import Bench, Lying, Reach
from projector.rehearsal.ledger import Ledger
from projector.rehearsal.person.clumsy import NOTICED_S, Mishap, mishap, nudged, turned_over
from projector.rehearsal.person.hearing import anew, kept_side, request
from projector.rehearsal.person.laying import Laying, Misstep
from projector.rehearsal.person.places import disc, free_place, strip_place
from projector.rehearsal.person.sewing import Sewing
from projector.rehearsal.person.sewnwork import SewnToLay
from projector.rehearsal.person.sight import kept_edge, light_line
from projector.rehearsal.person.skill import Skill as Skill
from projector.rehearsal.person.skill import beside
from projector.rehearsal.person.trimming import said_turn_rad, trim_light, trimmed, turned_by
from projector.rehearsal.person.yardage import YardageToLay, lay_yardage, pulled
from projector.rehearsal.person.yardage import beside as beside_strip
from projector.rehearsal.setting import Setting
from projector.rehearsal.things.cloth import ClothToLay, Piece, Pose, cut
from projector.rehearsal.things.sheet import PrintedSheet, SheetPose
from projector.rehearsal.things.sizes import MAT_CORNERS_MM
from projector.rehearsal.truth import CutDemand, across

Floats = NDArray[np.float64]
Action = Generator[float, None, None]
Event = Mapping[str, Any]

REACH_S = 0.4  # the hand is in the picture for so long
LINGER_S = 5.0  # a hand that forgets to go
SLIDE_AFTER_S = 0.5
LOOK_AGAIN_S, PATIENCE_S = 0.2, 20.0  # between two looks for the light, and until the person gives up


@dataclass(frozen=True, eq=False, slots=True)
class Work:
    """What the person has at hand: the sheet, the strips, and what the plan wants of each cut."""

    sheet: PrintedSheet | None = None
    cloths: tuple[ClothToLay, ...] = ()
    demands: tuple[CutDemand, ...] = ()
    yardage: tuple[YardageToLay, ...] = ()
    sewn: tuple[SewnToLay, ...] = ()


class VirtualPerson:
    """One pair of hands at the bench. Drive it with `hears` and `advance`."""

    def __init__(self, bench: Bench, setting: Setting, work: Work, ledger: Ledger, seed: int, skill: Skill) -> None:
        self._bench, self.setting, self._work, self._ledger = bench, setting, work, ledger
        self._skill = skill
        self._rng, self._special = (np.random.default_rng([seed, k]) for k in (2, 9))
        self._laying = Laying(work.sheet, self._rng, self._special)
        self._queue: deque[tuple[Event, float]] = deque()
        self._action: Action | None = None
        self._doing: tuple[object, ...] | None = None
        self._wake_s = 0.0
        self._strip: Piece | None = None
        self._unit: Piece | None = None
        self._trued = False  # whether the strip's end was cut
        self._laid: set[str] = set()
        self._made: dict[str, int] = {}
        self._pressed: list[str] = []
        self._shift_mm = 0.0  # of the lines, as it was agreed to
        self._face_down = False  # whether the unit lies so
        self._kept: tuple[str, Floats] | None = None  # which side of the cut in the light is kept, and along what
        self._sewing = Sewing(work.sewn, bench, ledger, self._rng, lambda: self._wake_s, self._reach)

    @property
    def busy(self) -> bool:
        """Whether something asked for is not yet done."""
        return self._action is not None or bool(self._queue)

    def hears(self, event: Event, t_s: float) -> None:
        """Take note of what the app says. A request that is already being met is not met twice."""
        if event.get("event") == "refused" and str(event.get("what")).startswith("sheet"):
            self._laying.refused(str(event.get("why")))
            self._doing = None  # asked again, it is done again, though a hand may still be there
        if event.get("event") == "shown":
            self._kept = kept_side(event)
        refused = self._sewing.again(event) or self._set_again(event)
        if refused is not None:
            self._queue.append((refused, t_s))
        if event.get("event") != "ask" or event.get("what") not in self._actions():
            return
        if request(event) != self._doing and all(request(event) != request(e) for e, _ in self._queue):
            self._queue.append((event, t_s))

    def advance(self, t_s: float) -> None:
        """Do all that is due until then."""
        while True:
            if self._action is None:
                if not self._queue or self._queue[0][1] > t_s:
                    return
                event, asked_s = self._queue.popleft()
                self._wake_s = max(asked_s, self._wake_s) + self._rng.uniform(0.15, 0.35)
                self._action, self._doing = self._begun(event), request(event)
            if self._wake_s > t_s:
                return
            try:
                self._wake_s += next(self._action)
            except StopIteration:
                self._action, self._doing = None, None

    def _set_again(self, event: Event) -> Event | None:
        """What it does of itself when its strip set is refused."""
        if self._strip is None or event.get("event") != "refused" or event.get("what") != "strip_set":
            return None
        return {"what": "again", "name": self._strip.source}

    def _begun(self, event: Event) -> Action:
        if event["what"] != "again":
            return self._once(event)
        return anew(lambda: self._once(event), lambda: bool(self._queue), lambda: self._pressed.append("space"))

    def _once(self, event: Event) -> Action:
        if not self._sewing.knows(event):
            return self._actions()[str(event["what"])](event)
        self._strip = self._unit = None  # put away
        return self._sewing.action(event, self.setting, self._sight, self._off)

    def keys(self) -> list[str]:
        """Keys pressed since the last call."""
        pressed, self._pressed = self._pressed, []
        return pressed

    def _actions(self) -> dict[str, Callable[[Event], Action]]:
        return {
            "sheet_flat": self._lay_sheet,
            "sheet_tilted": self._lay_sheet,
            "mat_corners": self._point_out,
            "bars": self._read_bars,
            "clear_mat": self._clear,
            "cloth": self._lay_yardage,
            "strip": self._lay_strip,
            "strip_set": self._lay_strip,
            "again": self._lay_strip,
            "cut": self._cut,
            "unit": self._lay_unit_again,
            "take_unit": self._take_unit,
            "trim": self._trim,
            "block": self._press,
            "turn_cloth": self._turn_cloth,
            "confirm": self._agree,
        }

    def _reach(self, to_mat_mm: Floats, for_s: float = REACH_S) -> None:
        to = (float(to_mat_mm[0]), float(to_mat_mm[1]))
        self._bench.reach(Reach(self._wake_s, self._wake_s + for_s, to))

    def _lay_sheet(self, event: Event) -> Action:
        misstep = self._laying.misstep(self.setting)
        pose, before = self._laying.pose(self.setting, event), self._bench.lying.sheet
        if misstep is Misstep.SAME_PLACE and before is not None:
            pose = before
        stays_s = LINGER_S if misstep is Misstep.HAND_STAYS else REACH_S
        self._reach(pose.world_from_own(self._laying.sheet.corners_mm).mean(axis=0)[:2], stays_s)
        yield REACH_S / 2
        self._put_down(event, pose)
        yield stays_s - REACH_S / 2
        if misstep is Misstep.SLIDES:
            yield SLIDE_AFTER_S
            self._put_down(event, self._laying.slid(pose))

    def _put_down(self, event: Event, pose: SheetPose) -> None:
        self._bench.lay(Lying((), pose), self._wake_s)
        self._ledger.sheet(self._wake_s, str(event["what"]), pose)

    def _point_out(self, event: Event) -> Action:
        """Lay the disc on a corner of the mat, counted from the lower left, counter-clockwise."""
        corner = MAT_CORNERS_MM[(int(event.get("n") or 1) - 1) % len(MAT_CORNERS_MM)]
        self._reach(corner)
        yield REACH_S / 2
        self._bench.lay(Lying((disc(corner, self.setting, self._special),)), self._wake_s)
        yield REACH_S / 2

    def _read_bars(self, _: Event) -> Action:
        """The ruler is read beside the table (`VirtualTable.read_bars`)."""
        yield 0.0

    def _clear(self, _: Event) -> Action:
        self._reach(np.array([450.0, 300.0]))
        yield REACH_S / 2
        self._strip = self._unit = None
        self._bench.lay(Lying(), self._wake_s)
        yield REACH_S / 2

    def _lay_yardage(self, event: Event) -> Action:
        """Another piece of the fabric that was named, or more of the one that lies there; without any they are cut."""
        cloth = next((one for one in self._work.yardage if one.fabric == event.get("name")), None)
        if cloth is None:
            yield from self._press(event)
            return
        if event.get("purpose") == "pull" and self._strip is not None:
            self._strip, self._unit = pulled(self._strip, self._rng), None
        else:
            self._strip, self._unit, self._trued = lay_yardage(cloth, self._rng), None, False
        self._reach(np.array([MAT_CORNERS_MM[:, 0].mean(), 300.0]))
        yield REACH_S / 2
        self._tidy()
        yield REACH_S / 2

    def _lay_strip(self, event: Event) -> Action:
        if event.get("fabric") and self._unit is not None:
            yield from self._lay_unit_again(event)
            return
        cloth = self._next_cloth(event)
        piece = strip_place(cloth, self._rng)
        self._reach(piece.corners_mat_mm.mean(axis=0))
        yield REACH_S / 2
        self._laid.add(cloth.name)
        self._strip, self._unit, self._trued = piece, None, False
        self._bench.lay(Lying((piece,)), self._wake_s)
        yield REACH_S / 2

    def _next_cloth(self, event: Event) -> ClothToLay:
        """The strip that was named, else the next one of the plan."""
        named = [c for c in self._work.cloths if c.name == event.get("name")]
        fresh = [c for c in self._work.cloths if c.name not in self._laid]
        found = named or fresh
        if not found:
            raise ValueError("the virtual person was asked for a strip that is not in its plan")
        return found[0]

    def _cut(self, event: Event) -> Action:
        light, looked_s = None, self._wake_s
        while light is None and not self._queue and self._wake_s - looked_s < PATIENCE_S:
            light = self._look()
            if light is None:
                yield LOOK_AGAIN_S
        strip = self._strip
        if light is None and self._trued and not self._queue:
            self._pressed.append("space")  # the line runs along the fresh end: that will do
        if light is None or strip is None or not {"lower", "end", "upper"} <= set(strip.sides):
            return
        purpose = str(event.get("purpose") or ("unit" if self._trued else "true_up"))
        again = purpose == "true_up" and self._trued
        made, slipped = self._blade(light, strip)
        kept, off_cut = cut(strip, made)
        if kept is None or off_cut is None:
            return
        self._reach(made.mean(axis=0))
        yield REACH_S / 2
        demand = self._demand(event, strip.source)
        noted = "true_again" if again else purpose
        self._ledger.cut(self._wake_s, strip, demand, noted, light, made, slipped, self._shift_mm)
        self._strip, self._trued = kept, True
        if purpose != "true_up":
            yield from self._after_cut(off_cut, demand)
        self._tidy()
        yield REACH_S / 2

    def _after_cut(self, off_cut: Piece, demand: CutDemand | None) -> Action:
        """Slide the unit aside, if nothing goes wrong."""
        what = None if off_cut.from_bolt else mishap(self._skill.clumsy, self._special)
        if what is Mishap.TOUCHING:
            self._ledger.mishap(self._wake_s, what)
            yield NOTICED_S  # it was cut, and nobody can see it
        if what is Mishap.NUDGED and self._strip is not None:
            self._ledger.mishap(self._wake_s, what)
            self._strip = nudged(self._strip, self._special)
        if what is Mishap.FACE_DOWN:
            self._ledger.mishap(self._wake_s, what)
            self._face_down, off_cut = True, turned_over(off_cut)
        self._slide_aside(off_cut, demand)

    def _trim(self, event: Event) -> Action:
        """Cut along the light on the unit where it lies; what comes off is taken away."""
        light, looked_s = None, self._wake_s
        while light is None and not self._queue and self._wake_s - looked_s < PATIENCE_S:
            light = None if self._unit is None else trim_light(*self._sight(), self.setting, self._unit, self._rng)
            if light is None:
                yield LOOK_AGAIN_S
        if light is None or self._unit is None:
            self._pressed.append("space")  # it is kept as it is
            return
        off, turn, _ = self._off(float(np.hypot(*(light[1] - light[0]))))
        left = trimmed(self._unit, light, off, turn, self._skill.blade_mm)
        if left is None:
            return
        self._reach(light.mean(axis=0))
        yield REACH_S / 2
        self._unit = left
        self._ledger.trimmed(self._wake_s, left)
        self._tidy()
        yield REACH_S / 2

    def _turn_cloth(self, event: Event) -> Action:
        """Turn a unit as far as was said; a strip is cut as it lies."""
        turn = None if self._unit is None or event.get("name") is None else said_turn_rad(str(event.get("do")))
        if turn is None or self._unit is None:
            yield from self._press(event)
            return
        self._reach(self._unit.corners_mat_mm.mean(axis=0))
        yield REACH_S / 2
        self._unit = turned_by(self._unit, turn + float(self._special.uniform(-0.1, 0.1)))
        self._ledger.laid_again(self._unit)
        self._tidy()
        yield REACH_S / 2

    def _look(self) -> Floats | None:
        """The cut on the strip as it lies now, if there is a line of light: its edge on the side that is kept."""
        if self._strip is None:
            return None
        picture = self._bench.picture_at(self._wake_s - self.setting.beam.latency_s)
        line = light_line(picture, self.setting.projector, self._strip, self._rng)
        if line is None or self._kept is None:
            return line
        return kept_edge(picture, self.setting.projector, self._strip, line, *self._kept)

    def _sight(self) -> tuple[NDArray[np.uint8], tuple[str, Floats] | None]:
        """What the projector shows, and which side of a cut in it is kept."""
        return self._bench.picture_at(self._wake_s - self.setting.beam.latency_s), self._kept

    def _off(self, length_mm: float) -> tuple[float, float, bool]:
        """How far off a cut is, how far it is turned, and whether the blade slipped."""
        return self._skill.off(self._rng, length_mm)

    def _blade(self, light_mat_mm: Floats, strip: Piece) -> tuple[Floats, bool]:
        """The cut (2, 2) that follows the light, a little off, and whether the blade slipped."""
        line = across(strip, light_mat_mm)
        off, turn, slipped = self._off(float(np.hypot(*(line[1] - line[0]))))
        off -= self._skill.blade_mm  # the ruler lies on the strip, to the left
        return beside(line, off, turn), slipped

    def _demand(self, event: Event, source: str) -> CutDemand | None:
        """What the plan wants next of this strip: the unit that was named, else the first not yet made."""
        of_strip = [d for d in self._work.demands if d.source == source]
        named = [d for d in of_strip if d.name in (event.get("name"), event.get("unit"))]
        left = [d for d in of_strip if self._made.get(d.name, 0) < d.make]
        return next(iter(named or left or of_strip[-1:]), None)

    def _slide_aside(self, off_cut: Piece, demand: CutDemand | None) -> None:
        """Lay a unit where it touches nothing; one that still lay there goes to the pile."""
        name = demand.name if demand else off_cut.source
        self._made[name] = self._made.get(name, 0) + 1
        self._unit = off_cut.moved(self._place_beside(off_cut))
        if off_cut.from_bolt:
            self._ledger.strip(self._wake_s, name, self._unit)
        else:
            self._ledger.unit(self._wake_s, name, self._unit)

    def _place_beside(self, piece: Piece) -> Pose:
        if piece.from_bolt:
            return beside_strip(piece, self._strip, self._rng)
        others = [] if self._strip is None else [self._strip]
        return free_place(self.setting, piece, others, self._rng)

    def _tidy(self) -> None:
        """What is at hand lies on the mat, and nothing else."""
        pieces = tuple(piece for piece in (self._strip, self._unit) if piece is not None)
        self._bench.lay(Lying(pieces), self._wake_s)

    def _lay_unit_again(self, event: Event) -> Action:
        """The unit could not be measured where it lies: lay it elsewhere. A sewn one is asked for that is not ready."""
        if event.get("purpose") == "sewn":
            yield from self._press(event)
        if event.get("purpose") == "sewn" or self._unit is None:
            return
        self._reach(self._unit.corners_mat_mm.mean(axis=0))
        yield REACH_S / 2
        unit = turned_over(self._unit) if self._face_down else self._unit
        self._face_down = False
        self._unit = unit.moved(self._place_beside(unit))
        self._ledger.laid_again(self._unit)
        self._tidy()
        yield REACH_S / 2

    def _take_unit(self, _: Event) -> Action:
        if self._unit is None:
            return
        self._reach(self._unit.corners_mat_mm.mean(axis=0))
        yield REACH_S / 2
        self._unit = None
        self._tidy()
        yield REACH_S / 2

    def _agree(self, event: Event) -> Action:
        """Yes, whatever is asked; how far lines are shifted for the blade is remembered, for the ledger alone."""
        if event.get("why") == "blade":
            self._shift_mm = float(event["offset_mm"])
        yield from self._press(event)

    def _press(self, _: Event) -> Action:
        self._pressed.append("space")
        yield 0.0
