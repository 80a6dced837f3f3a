"""From a block to a plan: which strips, which cuts, which steps of sewing, how much cloth."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from projector.piecing.cutting.nesting import nested
from projector.piecing.cutting.segments import Segment, segment_of
from projector.piecing.cutting.straight import straight_patches
from projector.piecing.cutting.yardage import bought_mm
from projector.piecing.lengths import INCH_MM, inches_text, length_source
from projector.piecing.patchwork import stages
from projector.piecing.patchwork.patches import Block, Patch, Sewn, area_mm2, inner_angles_rad
from projector.piecing.patchwork.sameness import Kind, kinds_of
from projector.piecing.patchwork.stages import Stage, Stages
from projector.piecing.plans import (
    Cut,
    Fabric,
    Hand,
    Lay,
    Making,
    Plan,
    Step,
    Strip,
    Trim,
    Unit,
    Way,
    strips_needed,
)
from projector.piecing.tables import MOST_UNITS, PlanError

Floats = NDArray[np.float64]

SHARP_RAD = math.radians(30.0)  # a patch with a sharper corner is cut with its tips trimmed: mitres would be too long
HAIR_RAD = 1e-9
CLEARLY_LESS = 1.03  # straight cuts are easier by hand: nesting must spare more of the cloth than this
ROUND_CORNERS = 64  # of the polygon that stands for a disc
WORDS = {3: "triangle", 4: "patch", 5: "five-sided patch", 6: "six-sided patch"}


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the person settles beside the block: how exact, with which seams, which hand."""

    seam_allowance_mm: float = INCH_MM / 4
    tolerance_mm: float = INCH_MM / 32
    angle_tolerance_rad: float = math.radians(0.5)
    hand: Hand = "right"
    margin_mm: float = INCH_MM / 8  # cut off beyond the innermost point of a raw end


@dataclass(frozen=True, eq=False, slots=True)
class Made:
    """A plan, the stages of its block, and which pieces of the block each of its units is."""

    plan: Plan
    stages: Stages
    kinds: Mapping[str, Kind]


def plan_of(block: Block, making: Making, wishes: Wishes) -> Made:
    """The whole plan of a block.

    Raises
    ------
    PlanError
        A piece that does not fit on a strip of the usable width, or more units of one kind than a plan holds.
    """
    return _Maker(block, making, wishes).made()


@dataclass(slots=True)
class _Maker:
    block: Block
    making: Making
    wishes: Wishes
    strips: list[Strip] = field(default_factory=list)
    units: list[Unit] = field(default_factory=list)
    steps: list[Step] = field(default_factory=list)
    taken_mm: dict[str, float] = field(default_factory=dict)  # of each fabric, along the selvage
    kinds: dict[str, Kind] = field(default_factory=dict)

    def made(self) -> Made:
        wishes = self.wishes
        staged = Stages(self.block, wishes.seam_allowance_mm)
        kinds = kinds_of(staged)
        kind_of = {id(piece): number for number, kind in enumerate(kinds) for piece in kind.pieces}
        last = kind_of[id(self.block.piece)]
        counts, segments = self._wanted(kinds, kind_of, last)
        names: dict[int, str] = {}
        for number in sorted(counts):
            kind, count, segment = kinds[number], counts[number], segments.get(number)
            piece = kind.stage.piece
            if segment is not None:
                cloth = "-".join(band.fabric for band in segment.bands)
                names[number] = self._name(cloth, "segment" if len(segment.bands) > 1 else "patch")
                self._from_set(names[number], segment, count)
            elif isinstance(piece, Patch):
                names[number] = self._name(piece.fabric, WORDS.get(len(kind.stage.finished_mm), "patch"))
                self._from_strip(names[number], piece.fabric, kind.stage, count)
            else:
                sewn = sum(step.makes.startswith("piece ") for step in self.steps)
                names[number] = self.block.name if number == last else f"piece {sewn + 1}"
                self._sewn(names, kind_of, piece, staged, kind, names[number], count)
            self.kinds[names[number]] = kind
        for disc in self.block.discs:
            self._disc(self._name(disc.fabric, "disc"), disc.fabric, disc.radius_mm)
        plan = Plan(
            name=f"{self.block.name}, {_size(self.making.finish_mm)}",
            strips=tuple(self.strips),
            units=tuple(self.units),
            hand=wishes.hand,
            tolerance_mm=wishes.tolerance_mm,
            angle_tolerance_rad=wishes.angle_tolerance_rad,
            seam_allowance_mm=wishes.seam_allowance_mm,
            making=self.making,
            fabrics=tuple(Fabric(name, _exact(mm), _exact(bought_mm(mm))) for name, mm in self.taken_mm.items()),
            steps=tuple(self.steps),
        )
        return Made(plan, staged, self.kinds)

    def _wanted(
        self, kinds: Sequence[Kind], kind_of: dict[int, int], last: int
    ) -> tuple[dict[int, int], dict[int, Segment]]:
        """How many of each kind are made, the block first; what a strip set gives needs none of its own parts."""
        counts, segments = {last: self.making.make}, dict[int, Segment]()
        for number in range(last, -1, -1):  # a piece comes after its parts
            if number not in counts:
                continue
            stage = kinds[number].stage
            segment = segment_of(stage.finished_mm, [self.block.patches[i] for i in stage.patches])
            if segment is not None and self._fits(segment):
                segments[number] = segment
            elif isinstance(stage.piece, Sewn):
                for part in (stage.piece.first, stage.piece.second):
                    own = kind_of[id(part)]
                    counts[own] = counts.get(own, 0) + counts[number]
        most = max(counts.values())
        if most > MOST_UNITS:
            raise PlanError(
                f"{self.block.name}: {most} units of one kind are more than {MOST_UNITS}; make fewer blocks"
            )
        return counts, segments

    def _fits(self, segment: Segment) -> bool:
        strip, cut = self._set_of("", segment, 1)
        return strips_needed(strip, cut) is not None

    def _name(self, cloth: str, word: str) -> str:
        number = len(self.units) - len(self.steps)
        letters = ""
        while True:
            letters = chr(ord("A") + number % 26) + letters
            number = number // 26 - 1
            if number < 0:
                return f"{letters} {cloth} {word}" if len(cloth) < 60 else f"{letters} {word}"

    # -- how units are cut -----------------------------------------------------------------------------------------

    def _set_of(self, name: str, segment: Segment, make: int) -> tuple[Strip, Cut]:
        s = self.wishes.seam_allowance_mm
        heights = [band.height_mm for band in segment.bands]
        seams = tuple(float(at) + s for at in np.cumsum(heights)[:-1])
        sign = 1.0 if segment.lean == "right" else -1.0
        slanted = segment.angle_rad < math.pi / 2 and len(heights) > 1
        stagger = tuple(sign * segment.step_mm(k) for k in range(len(heights) - 1)) if slanted else ()
        strip = Strip(
            name,
            _exact(segment.height_mm + 2.0 * s),
            self.making.usable_mm,
            tuple(_exact(seam) for seam in seams),
            tuple(band.fabric for band in segment.bands),
            self.wishes.margin_mm,
            1,
            tuple(_exact(height + 2.0 * s) for height in heights) if len(heights) > 1 else (),
            tuple(_exact(step) for step in stagger),
        )
        return strip, Cut(name, make, _exact(segment.width_mm + 2.0 * s), _exact_rad(segment.angle_rad), segment.lean)

    def _from_set(self, name: str, segment: Segment, make: int) -> None:
        strip, cut = self._set_of(f"{name.split()[0]} strip{' set' if len(segment.bands) > 1 else ''}", segment, make)
        count = strips_needed(strip, cut)
        assert count is not None  # `_wanted` takes only segments that fit
        self._add(strip, count)
        self.units.append(Unit(name, cut))

    def _from_strip(self, name: str, fabric: str, stage: Stage, make: int) -> None:
        """A patch of another shape: cut straight across, unless nesting takes clearly less cloth."""
        usable, margin = self.making.usable_mm, self.wishes.margin_mm
        grain = stage.piece.grain_rad if isinstance(stage.piece, Patch) else None
        straight, cost = None, math.inf
        if inner_angles_rad(stage.finished_mm).min() >= SHARP_RAD - HAIR_RAD:
            ways = straight_patches(stage.finished_mm, self.wishes.seam_allowance_mm, grain)
            costs = [_cost(one.strip_mm, one.per_strip(usable, margin), make) for one in ways]
            cost, _, straight = min(
                ((round(cost, 3), one.bias_mm, one) for cost, one in zip(costs, ways, strict=True)),
                key=lambda way: way[:2],
                default=(math.inf, 0.0, None),
            )
        if cost * usable > CLEARLY_LESS * make * area_mm2(stage.raw_mm):
            nest = nested(stage.raw_mm, usable - margin, grain, make)
            gives = nest.per_strip(usable - margin)
            if straight is None or cost > CLEARLY_LESS * _cost(nest.strip_mm, gives, make):
                self._laid(name, fabric, nest.cycle_mm[0], _NESTED, nest.strip_mm, gives, make)
                return
        assert straight is not None
        gives = straight.per_strip(usable, margin)
        self._laid(name, fabric, straight.corners_mm, _TURNED, straight.strip_mm, gives, make)

    def _disc(self, name: str, fabric: str, radius_mm: float) -> None:
        turns = np.arange(ROUND_CORNERS) * 2.0 * math.pi / ROUND_CORNERS
        raw = radius_mm + self.wishes.seam_allowance_mm
        corners = raw * (1.0 + np.column_stack([np.cos(turns), np.sin(turns)]))
        room, make = self.making.usable_mm - self.wishes.margin_mm, self.making.make
        nest = nested(corners, room, 0.0, make)  # however it is turned it is the same
        self._laid(name, fabric, nest.cycle_mm[0], _NESTED, nest.strip_mm, nest.per_strip(room), make)

    def _laid(self, name: str, fabric: str, corners: Floats, way: Way, strip_mm: float, gives: int, make: int) -> None:
        if not gives:
            raise self._too_large(name, float(np.ptp(corners, axis=0).max()))
        strip = Strip(
            f"{name.split()[0]} strip", _exact(strip_mm), self.making.usable_mm, (), (fabric,), self.wishes.margin_mm
        )
        self._add(strip, math.ceil(make / gives))
        self.units.append(Unit(name, None, _written(corners), lay=Lay(strip.name, make, gives, way)))

    def _add(self, strip: Strip, count: int) -> None:
        self.strips.append(replace(strip, count=count))
        for fabric, width_mm in zip(strip.fabrics, strip.bands_mm or (strip.width_mm,), strict=True):
            self.taken_mm[fabric] = self.taken_mm.get(fabric, 0.0) + count * width_mm

    # -- how they are sewn -------------------------------------------------------------------------------------------

    def _sewn(
        self,
        names: dict[int, str],
        kind_of: dict[int, int],
        piece: Sewn,
        staged: Stages,
        kind: Kind,
        name: str,
        count: int,
    ) -> None:
        first, second = names[kind_of[id(piece.first)]], names[kind_of[id(piece.second)]]
        press = {"first": first, "second": second, "open": "open"}[piece.press]
        match = len(staged.stage(piece.first).match_mm)
        self.steps.append(Step((first, second), name, count, press, match, len(piece.set_in_mm)))
        stage = kind.stage
        low = stage.raw_mm.min(axis=0)
        self.units.append(
            Unit(
                name,
                None,
                _written(stage.raw_mm - low),
                seams_mm=tuple((_place(a - low), _place(b - low)) for a, b in stage.seams_mm),
                trims=tuple(_trim(one, low) for one in stage.trims),
                dots_mm=tuple(_place(dot - low) for dot in stage.match_mm),
            )
        )

    def _too_large(self, name: str, needs_mm: float) -> PlanError:
        usable = _size(self.making.usable_mm)
        return PlanError(
            f"{self.block.name}, {name}: {_size(needs_mm)} of raw cloth do not fit on a strip of {usable}; "
            "make the block smaller or the usable width larger"
        )


_TURNED: Way = "turned"
_NESTED: Way = "nested"


def _cost(strip_mm: float, gives: int, make: int) -> float:
    """How wide all strips for so many patches are together."""
    return math.ceil(make / gives) * strip_mm if gives else math.inf


def _written(corners: Floats) -> str:
    """A raw outline as a plan writes it, its lower left at the origin; rounded to a millionth of a millimetre."""
    places = corners - corners.min(axis=0)
    return "polygon(" + ", ".join(f"{_mm(x)} {_mm(y)}" for x, y in places) + ")"


def _trim(trim: stages.Trim, low: Floats) -> Trim:
    """A trim of a stage as the plan has it, in the unit's own frame."""
    place = _place(trim.from_mm - low)
    return Trim(trim.side, trim.seam, place, _exact(trim.distance_mm), _exact_rad(trim.angle_rad))


def _exact(value_mm: float) -> float:
    """Without the last digits that sums leave behind: to a millionth of a millimetre."""
    return round(value_mm, 6)


def _exact_rad(angle_rad: float) -> float:
    """To a billionth of a degree."""
    return math.radians(round(math.degrees(angle_rad), 9))


def _mm(value_mm: float) -> str:
    return length_source(abs(_exact(float(value_mm))))


def _place(point: Floats) -> tuple[float, float]:
    return _exact(float(point[0])), _exact(float(point[1]))


def _size(value_mm: float) -> str:
    return inches_text(value_mm, 64)
