"""What the virtual person does with sewn units: lays one down, trims it along the light, turns it, takes it away."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.bench import Bench, Lying
from projector.rehearsal.ledger import Ledger
from projector.rehearsal.person.sewnwork import Ready, SewnToLay, ready
from projector.rehearsal.person.sight import kept_edge, light_line
from projector.rehearsal.person.skill import beside
from projector.rehearsal.setting import Setting
from projector.rehearsal.things.cloth import Piece, Pose, cut

Floats = NDArray[np.float64]
Action = Generator[float, None, None]
Event = Mapping[str, Any]
Sight = Callable[[], tuple[NDArray[np.uint8], tuple[str, Floats] | None]]  # the light now, and which side is kept
Blade = Callable[[float], tuple[float, float, bool]]  # of a cut so long: how far off, how far turned, whether slipped

REACH_S, LOOK_AGAIN_S, PATIENCE_S = 0.4, 0.2, 20.0
LAID_MAT_MM = (420.0, 230.0)  # about where a unit is laid to be trimmed
LAID_SPREAD_MM = 30.0


class Sewing:
    """One person's sewn units: one on the mat at most. `now` is the time, `reach` a hand that goes in."""

    def __init__(
        self,
        units: tuple[SewnToLay, ...],
        bench: Bench,
        ledger: Ledger,
        rng: np.random.Generator,
        now: Callable[[], float],
        reach: Callable[[Floats], None],
    ) -> None:
        self._units = {unit.name: unit for unit in units}
        self._bench, self._ledger, self._rng, self._now, self._reach = bench, ledger, rng, now, reach
        self._piece: Piece | None = None  # as it lies
        self._ready: Ready | None = None  # as it came from the iron
        self._is_block = False

    def knows(self, event: Event) -> bool:
        """Whether a request is about a sewn unit that is ready."""
        return event.get("name") in self._units

    def again(self, event: Event) -> Event | None:
        """What it does of itself when its unit is refused: lay it down anew, flat and alone. None of other cloth."""
        if self._piece is None or event.get("event") != "refused" or event.get("what") not in ("unit", "block"):
            return None
        return {"what": "again", "name": self._piece.source}

    def action(self, event: Event, setting: Setting, sight: Sight, blade: Blade) -> Action:
        """What it does when it is asked."""
        match event.get("what"):
            case "unit" | "block":
                return self._lay(str(event["name"]), event["what"] == "block")
            case "trim":
                return self._trim(setting, sight, blade)
            case "turn_cloth" | "again":
                return self._turn()
            case _:
                return self._take()

    def _lay(self, name: str, is_block: bool) -> Action:
        """A fresh one; what lay on the mat is put away. A whole block was trimmed before."""
        self._ready, self._is_block = ready(self._units[name], self._rng, is_block), is_block
        self._reach(np.array(LAID_MAT_MM))
        yield REACH_S / 2
        turn = float(self._rng.uniform(-np.pi, np.pi))
        goal = np.array(LAID_MAT_MM) + self._rng.uniform(-LAID_SPREAD_MM, LAID_SPREAD_MM, 2)
        self._put(self._ready.piece.moved(_about(self._ready.piece, goal, turn)))
        yield REACH_S / 2

    def _trim(self, setting: Setting, sight: Sight, blade: Blade) -> Action:
        """Cut along the line of light on the unit; what comes off is taken away."""
        light, looked_s = None, self._now()
        while light is None and self._now() - looked_s < PATIENCE_S:
            light = self._look(setting, sight)
            if light is None:
                yield LOOK_AGAIN_S
        piece = self._piece
        if light is None or piece is None or self._ready is None:
            return
        off_mm, turn_rad, slipped = blade(float(np.hypot(*(light[1] - light[0]))))
        made = beside(light, off_mm, turn_rad)
        parts = [part for part in cut(piece, made) if part is not None]
        if len(parts) < 2:
            return
        self._reach(made.mean(axis=0))
        yield REACH_S / 2
        wanted = piece.pose.mat_from_own(self._ready.wanted_mm)
        self._ledger.trim(self._now(), piece.source, wanted, light, made, slipped)
        self._put(max(parts, key=lambda part: part.area_mm2))
        yield REACH_S / 2

    def _turn(self) -> Action:
        """A quarter turn, about where it lies."""
        piece = self._piece
        if piece is None:
            return
        middle = piece.corners_mat_mm.mean(axis=0)
        self._reach(middle)
        yield REACH_S / 2
        turn = piece.pose.turn_rad + np.pi / 2 + float(self._rng.uniform(-0.1, 0.1))
        self._put(piece.moved(_about(piece, middle, turn)))
        yield REACH_S / 2

    def _take(self) -> Action:
        """Away with it; the ledger notes how it is now."""
        piece = self._piece
        if piece is None:
            return
        self._reach(piece.corners_mat_mm.mean(axis=0))
        yield REACH_S / 2
        self._ledger.sewn(self._now(), piece, self._is_block)
        self._piece = None
        self._bench.lay(Lying(), self._now())
        yield REACH_S / 2

    def _look(self, setting: Setting, sight: Sight) -> Floats | None:
        """The cut on the unit as it lies now: its line of light's edge on the side that is kept."""
        if self._piece is None:
            return None
        picture, kept = sight()
        line = light_line(picture, setting.projector, self._piece, self._rng, trim=True)
        if line is None or kept is None:
            return line
        return kept_edge(picture, setting.projector, self._piece, line, *kept, trim=True)

    def _put(self, piece: Piece) -> None:
        self._piece = piece
        self._bench.lay(Lying((piece,)), self._now())


def _about(piece: Piece, goal_mat_mm: Floats, turn_rad: float) -> Pose:
    """The pose that brings the piece's middle to a point of the mat."""
    x, y = goal_mat_mm - Pose(0.0, 0.0, turn_rad).rotation @ piece.corners_mm.mean(axis=0)
    return Pose(float(x), float(y), turn_rad)
