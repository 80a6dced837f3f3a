"""Where the virtual person puts things: sheets over the mat, strips on its far part, units on its near
part."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from projector.rehearsal.setting import Setting
from projector.rehearsal.things.cloth import ClothToLay, Patch, Piece, Pose, strip
from projector.rehearsal.things.sheet import PrintedSheet, SheetPose, flat, tilted
from projector.rehearsal.things.sizes import MAT_MM

Floats = NDArray[np.float64]

# Middle first, then corners, then the middles of the sides: (column, row) as shares of the mat.
PLACES = (
    (0.5, 0.5),
    (0.2, 0.22),
    (0.8, 0.78),
    (0.8, 0.22),
    (0.2, 0.78),
    (0.5, 0.2),
    (0.5, 0.8),
    (0.2, 0.5),
    (0.8, 0.5),
)
DISC_MM, DISC_HIGH_MM, DISC_SIDES = 20.0, 1.5, 48  # something like a coin
DISC_SD_MM = 0.4
APART_MM = 15.0  # between a unit that was slid aside and all else
RIM_MM = 8.0  # kept free at the mat's rim
SEEN_PX = 8.0  # kept free at the rim of both pictures


def sheet_flat_at(setting: Setting, sheet: PrintedSheet, index: int, rng: np.random.Generator) -> SheetPose:
    """The sheet at the index-th place; the first upright within 10 degrees, the others turned anyhow."""
    column, row = PLACES[index % len(PLACES)]
    turn = rng.uniform(-1.0, 1.0) * (np.radians(10) if index == 0 else np.pi)
    jitter = rng.uniform(-15.0, 15.0, 2)
    middle = np.array(MAT_MM) / 2
    goal = np.array([column * MAT_MM[0], row * MAT_MM[1]]) + jitter
    return _seen(setting, sheet, lambda share: flat(sheet, _pair(middle + share * (goal - middle)), turn))


def sheet_tilted_at(setting: Setting, sheet: PrintedSheet, index: int, rng: np.random.Generator) -> SheetPose:
    """The sheet held at a slant of 12 to 32 degrees; the axis goes round from view to view."""
    axis = index * np.radians(67.0) + rng.uniform(-0.2, 0.2)
    tilt, turn = np.radians(rng.uniform(12.0, 32.0)), rng.uniform(-0.4, 0.4)
    middle = np.array(MAT_MM) / 2
    goal = middle + rng.uniform(-1.0, 1.0, 2) * [130.0, 70.0]
    return _seen(setting, sheet, lambda share: tilted(sheet, _pair(middle + share * (goal - middle)), turn, axis, tilt))


def _pair(point: Floats) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _seen(setting: Setting, sheet: PrintedSheet, pose_at: Callable[[float], SheetPose]) -> SheetPose:
    """The pose furthest from the middle (share 1) that the camera sees whole."""
    camera = setting.camera
    for share in np.linspace(1.0, 0.0, 21):
        pose = pose_at(float(share))
        pixels = camera.px_from_world(pose.world_from_own(sheet.corners_mm))
        if np.all((pixels > SEEN_PX) & (pixels < np.array(camera.size_px) - 1 - SEEN_PX)):
            break
    return pose


def disc(middle_mat_mm: Floats, setting: Setting, rng: np.random.Generator) -> Piece:
    """Something round and flat laid on a point, as well as one does by eye; it stands out from the mat."""
    angle = np.linspace(0.0, 2.0 * np.pi, DISC_SIDES, endpoint=False)
    outline = DISC_MM / 2 * np.column_stack([np.cos(angle), np.sin(angle)])
    colour = "navy" if setting.mat.look == "light" else "white"
    x, y = middle_mat_mm + rng.normal(0.0, DISC_SD_MM, 2)
    sides = tuple(f"side {k}" for k in range(DISC_SIDES))
    pose = Pose(float(x), float(y))
    return Piece("disc", outline, sides, (Patch(outline, colour),), np.empty((0, 2, 2)), pose, DISC_HIGH_MM)


def strip_place(cloth: ClothToLay, rng: np.random.Generator) -> Piece:
    """A strip, its raw ends off square by 0.5 to 2 degrees, a few degrees askew across the far part of the
    mat."""
    raw = np.radians(rng.uniform(0.5, 2.0, 2)) * rng.choice((-1.0, 1.0), 2)
    piece = strip(cloth, (float(raw[0]), float(raw[1])), width_error_mm=rng.normal(0.0, 0.1))
    middle = np.array([cloth.length_mm, cloth.width_mm]) / 2
    goal = np.array([MAT_MM[0] / 2 + rng.uniform(-20, 20), MAT_MM[1] * 0.72 + rng.uniform(-10, 10)])
    turn = np.radians(rng.uniform(-4.0, 4.0))
    for share in np.linspace(1.0, 0.0, 21):  # straighter until it lies on the mat
        pose = _pose_about(middle, goal, turn * float(share))
        corners = pose.mat_from_own(piece.corners_mm)
        over = np.maximum(corners.max(axis=0) - (np.array(MAT_MM) - 2 * RIM_MM), 0.0)
        pose = replace(pose, x_mm=pose.x_mm - over[0], y_mm=pose.y_mm - over[1])
        if np.all(pose.mat_from_own(piece.corners_mm) > RIM_MM):
            break
    return piece.moved(pose)


def free_place(setting: Setting, piece: Piece, others: Iterable[Piece], rng: np.random.Generator) -> Pose:
    """A place for a cut unit: 60 to 140 mm away, turned by up to 20 degrees, nearer to the person if it can
    be.

    It touches nothing and lies on the mat, lit and seen. Where that is not to be had so near, anywhere.
    """
    taken = [Polygon(other.corners_mat_mm) for other in others]
    middle = piece.corners_mm.mean(axis=0)
    start = piece.corners_mat_mm.mean(axis=0)
    for tries in range(1000):
        away, course = rng.uniform(60.0, 140.0), rng.uniform(-np.pi, 0.0)  # towards the person
        goal = start + away * np.array([np.cos(course), np.sin(course)])
        if tries > 100:
            goal = rng.uniform(0.0, MAT_MM)
        pose = _pose_about(middle, goal, piece.pose.turn_rad + np.radians(rng.uniform(-20.0, 20.0)))
        if _is_free(setting, piece.moved(pose), taken):
            return pose
    raise ValueError(f"the virtual person finds no room beside {piece.source}: the mat is too full")


def _pose_about(own_mm: Floats, goal_mat_mm: Floats, turn_rad: float) -> Pose:
    """The pose that brings a point of the piece to a point of the mat."""
    x, y = goal_mat_mm - Pose(0.0, 0.0, turn_rad).rotation @ own_mm
    return Pose(float(x), float(y), turn_rad)


def _is_free(setting: Setting, piece: Piece, taken: list[Polygon]) -> bool:
    corners = piece.corners_mat_mm
    on_mat = bool(np.all((corners > RIM_MM) & (corners < np.array(MAT_MM) - RIM_MM)))
    seen = all(d.holds(corners, piece.thickness_mm, 2 * SEEN_PX) for d in (setting.camera, setting.projector))
    return on_mat and seen and all(Polygon(corners).distance(other) >= APART_MM for other in taken)
