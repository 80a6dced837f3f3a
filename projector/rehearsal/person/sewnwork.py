"""Sewn units and blocks that the virtual person has ready: sewn with a seam of their own, and not yet trimmed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon
from shapely.ops import polygonize, unary_union

from projector.piecing.blockmaking import block_to_make
from projector.piecing.making import Wishes, plan_of
from projector.piecing.plans import Plan, Trim, Unit, expected_shape
from projector.rehearsal.things.cloth import Patch, Piece

Floats = NDArray[np.float64]

LARGER_MM = (2.0, 4.5)  # how far a raw side stands out before it is trimmed
ASKEW_RAD = math.radians(0.4)  # and how far it may lean
DEEPER_SD_MM = 0.05  # of the person's own seam, from unit to unit
BEYOND_MM = 15.0  # seams that run out of a unit are led on so far
HAIR_MM = 0.01
CONVEX = 1e-3
ALIKE = 0.02  # sine of an angle between lines that run alike
SEAM_SPAN_MM = 60.0  # seams of a unit lie about so far apart: that much of it gives way to two seams' depth


@dataclass(frozen=True, eq=False, slots=True)
class SewnToLay:
    """A unit as planned, in its own frame, with the fabric at each place: what the person sews it from."""

    name: str
    corners_mm: Floats  # (N, 2)
    seams_mm: Floats  # (S, 2, 2)
    trims: tuple[Trim, ...]
    fabrics: tuple[tuple[Floats, str], ...]  # finished patches, and what they are made of


@dataclass(frozen=True, eq=False, slots=True)
class Ready:
    """One unit from the iron, and where its own seams want its trimmed sides: lines (T, 2, 2) in the piece's frame.

    Along a lone seam a unit may be pushed: lines across it are then wanted nowhere in particular (not a number).
    """

    piece: Piece
    wanted_mm: Floats


def sewn_to_lay(plan: Plan) -> tuple[SewnToLay, ...]:
    """Every sewn unit of a plan that can be laid on the virtual table: of straight, convex patches."""
    found = []
    for unit in plan.units:
        if unit.cut is None and unit.lay is None and unit.seams_mm:
            shape = expected_shape(plan, unit)
            one = SewnToLay(unit.name, shape.corners_mm, shape.seams_mm, unit.trims, _fabrics(plan, unit))
            if _is_convex(one):
                found.append(one)
    return tuple(found)


def ready(unit: SewnToLay, rng: np.random.Generator, is_trimmed: bool = False) -> Ready:
    """One of them as it comes from the iron: sides that have a trim stand out and lean, until they are trimmed."""
    deeper = rng.normal(0.0, DEEPER_SD_MM)
    middle = unit.corners_mm.mean(axis=0)
    share = 1.0 - 2.0 * deeper / SEAM_SPAN_MM
    seams = middle + share * (unit.seams_mm - middle)
    raw = set[int]() if is_trimmed else {trim.side for trim in unit.trims}
    by = [rng.uniform(*LARGER_MM) if side in raw else 0.0 for side in range(len(unit.corners_mm))]
    turn = [rng.uniform(-ASKEW_RAD, ASKEW_RAD) if side in raw else 0.0 for side in range(len(unit.corners_mm))]
    corners = _moved(middle + share * (unit.corners_mm - middle), by, turn)
    led_on = _led_on(seams, Polygon(middle + share * (unit.corners_mm - middle)))
    outline = Polygon(corners)
    patches = []
    for face in _faces(outline, led_on):
        place = np.array(face.representative_point().coords[0])
        fabric = _fabric_at(unit, middle + (place - middle) / share)
        patches.append(Patch(_counter_clockwise(face), fabric))
    kept = [line.intersection(outline) for line in map(LineString, led_on)]
    lines = np.array([line.coords for line in kept if line.geom_type == "LineString" and line.length > 1.0])
    sides = tuple(f"side {side}" for side in range(len(corners)))
    piece = Piece(unit.name, corners, sides, tuple(patches), lines.reshape(-1, 2, 2))
    return Ready(piece, _wanted(unit, share))


def _wanted(unit: SewnToLay, share: float) -> Floats:
    """Each trim's line from where its seam came to lie."""
    middle, runs = unit.corners_mm.mean(axis=0), np.diff(unit.seams_mm, axis=1)[:, 0]
    runs = runs / np.hypot(*runs.T)[:, None]
    lone = bool(np.all(np.abs(runs[:, 0] * runs[0, 1] - runs[:, 1] * runs[0, 0]) < ALIKE))
    lines = []
    for trim in unit.trims:
        ends = unit.corners_mm[[trim.side, (trim.side + 1) % len(unit.corners_mm)]]
        shift = (share - 1.0) * (np.array(trim.from_mm) - middle)
        free = lone and trim.angle_rad > ALIKE
        lines.append(np.full((2, 2), np.nan) if free else ends + shift)
    return np.array(lines).reshape(-1, 2, 2)


def _is_convex(unit: SewnToLay) -> bool:
    outline = Polygon(unit.corners_mm)
    faces = _faces(outline, _led_on(unit.seams_mm, outline))
    return all(one.convex_hull.area - one.area < CONVEX * one.area for one in (outline, *faces))


def _fabrics(plan: Plan, unit: Unit) -> tuple[tuple[Floats, str], ...]:
    """Finished patches in the unit's own frame; without a block nobody says, and neighbours differ."""
    shape = expected_shape(plan, unit)
    if plan.making is not None:
        wishes = Wishes(plan.seam_allowance_mm, plan.tolerance_mm, plan.angle_tolerance_rad, plan.hand)
        made = plan_of(block_to_make(plan.making), plan.making, wishes)
        if unit.name in made.kinds:
            stage = made.kinds[unit.name].stage
            low, patches = stage.raw_mm.min(axis=0), made.stages.block.patches
            return tuple((patches[i].corners_mm - low, patches[i].fabric) for i in stage.patches)
    outline = Polygon(shape.corners_mm)
    faces = _faces(outline, _led_on(shape.seams_mm, outline))
    colours = ("sand", "navy", "rose", "sky")
    return tuple((_counter_clockwise(face), colours[i % len(colours)]) for i, face in enumerate(faces))


def _led_on(seams: Floats, outline: Polygon) -> list[Floats]:
    """Seams (2, 2) led on where they run out of the outline, and by a hair where they end on another one."""
    found = []
    for seam in seams:
        along = (seam[1] - seam[0]) / np.hypot(*(seam[1] - seam[0]))
        ends = seam.copy()
        for k, way in ((0, -along), (1, along)):
            is_out = outline.exterior.distance(shapely.Point(seam[k])) < 0.01
            ends[k] = seam[k] + (BEYOND_MM if is_out else HAIR_MM) * way
        found.append(ends)
    return found


def _faces(outline: Polygon, seams: Sequence[Floats]) -> list[Polygon]:
    """What the seams divide an outline into."""
    faces = polygonize(unary_union([outline.exterior, *map(LineString, seams)]))
    inside = outline.buffer(HAIR_MM)
    return [face for face in faces if isinstance(face, Polygon) and face.area > 1.0 and inside.covers(face)]


def _fabric_at(unit: SewnToLay, place: Floats) -> str:
    """Of the nearest finished patch: its seam allowance is of the same cloth."""
    point = shapely.Point(place)
    return min(unit.fabrics, key=lambda one: Polygon(one[0]).distance(point))[1]


def _moved(corners: Floats, by_mm: Sequence[float], turn_rad: Sequence[float]) -> Floats:
    """Every side moved outward and turned about its middle; where neighbours then meet."""
    runs = np.roll(corners, -1, axis=0) - corners
    outward = np.column_stack([runs[:, 1], -runs[:, 0]]) / np.hypot(*runs.T)[:, None]
    middles = corners + runs / 2.0 + outward * np.array(by_mm)[:, None]
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    ways = np.column_stack([c * runs[:, 0] - s * runs[:, 1], s * runs[:, 0] + c * runs[:, 1]])
    found = []
    for i in range(len(corners)):
        t = np.linalg.solve(np.column_stack([ways[i - 1], -ways[i]]), middles[i] - middles[i - 1])
        found.append(middles[i - 1] + t[0] * ways[i - 1])
    return np.array(found)


def _counter_clockwise(face: Polygon) -> Floats:
    """Its corners, without points along its sides."""
    ring = face.exterior.simplify(2.0 * HAIR_MM)
    corners = np.array(ring.coords)[:-1]
    return corners if face.exterior.is_ccw else corners[::-1]
