"""Folded cloth as the virtual person lays it, and the strips that are cut from it.

A piece of folded cloth is what is seen of it: one outline, as thick as its layers together, its side "lower" on the
fold. Opened, a strip is that outline and its mirror image about the fold.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.person.places import APART_MM, RIM_MM
from projector.rehearsal.things.cloth import Patch, Piece, Pose
from projector.rehearsal.things.sizes import CLOTH_THICKNESS_MM, MAT_MM

Floats = NDArray[np.float64]

RAW_END_DEG = (1.0, 2.0)  # off square to the fold
UNEVEN_DEG = 0.4  # the edges away from the fold lie off its direction by as much (standard deviation)
ASKEW_DEG = 1.5
MOST_REACH_MM = 620.0  # so far to the right its raw end is laid, so that a strip finds room beside it


@dataclass(frozen=True, slots=True)
class YardageToLay:
    """A fabric that the person has bought: `depth_mm` from the fold, `length_mm` along it, so many layers."""

    fabric: str
    layers: int
    depth_mm: float
    length_mm: float


def lay_yardage(cloth: YardageToLay, rng: np.random.Generator) -> Piece:
    """With its fold toward the person and its raw end to the right; what does not fit hangs over the mat's left."""
    depth, length = cloth.depth_mm, cloth.length_mm
    lean = depth * np.tan(np.radians(rng.uniform(*RAW_END_DEG)) * rng.choice((-1.0, 1.0)))
    rise = length * np.tan(np.radians(rng.normal(0.0, UNEVEN_DEG)))
    corners = np.array([[0.0, 0.0], [length, 0.0], [length + lean, depth + rise], [0.0, depth]])
    turn = np.radians(rng.uniform(-ASKEW_DEG, ASKEW_DEG))
    rotation = Pose(0.0, 0.0, turn).rotation
    reach = min(MOST_REACH_MM, length + RIM_MM + rng.uniform(20.0, 40.0))
    # Of what lies on the mat the middle comes to lie in the middle between its near and its far edge.
    on_mat = np.array([max(length - reach, 0.0) / 2.0 + length / 2.0, depth / 2.0]) @ rotation.T
    x = reach - float(np.array([length, 0.0]) @ rotation[0]) - max(0.0, lean)
    y = MAT_MM[1] / 2.0 - float(on_mat[1])
    sides = ("lower", "end", "upper", "far")
    thickness = cloth.layers * CLOTH_THICKNESS_MM
    return Piece(
        cloth.fabric,
        corners,
        sides,
        (Patch(corners, cloth.fabric),),
        np.empty((0, 2, 2)),
        Pose(float(x), y, float(turn)),
        thickness,
        from_bolt=True,
    )


def pulled(yardage: Piece, rng: np.random.Generator) -> Piece:
    """Pulled to the right along its fold until its end lies as far as it first did, or all of it lies on the mat."""
    corners = yardage.corners_mat_mm
    room = min(MOST_REACH_MM - float(corners[:, 0].max()), 2 * MAT_MM[0])
    along = yardage.pose.rotation[:, 0]
    step = max(0.0, min(room, RIM_MM - float(corners[:, 0].min()))) / float(along[0])
    x, y = np.array([yardage.pose.x_mm, yardage.pose.y_mm]) + step * along + rng.normal(0.0, 1.0, 2)
    return yardage.moved(Pose(float(x), float(y), yardage.pose.turn_rad))


def beside(strip: Piece, yardage: Piece | None, rng: np.random.Generator) -> Pose:
    """A place for a strip just cut: clear of the yardage to its right, turned by a degree at most, on the mat."""
    left = RIM_MM if yardage is None else float(yardage.corners_mat_mm[:, 0].max()) + APART_MM
    turn = strip.pose.turn_rad + np.radians(rng.uniform(-1.0, 1.0))
    corners = strip.corners_mm @ Pose(0.0, 0.0, float(turn)).rotation.T
    low, high = corners.min(axis=0), corners.max(axis=0)
    x = min(left + rng.uniform(5.0, 60.0), MAT_MM[0] - RIM_MM - float(high[0] - low[0]))
    room = max(0.0, MAT_MM[1] - 2 * RIM_MM - float(high[1] - low[1]))
    y = RIM_MM + room * rng.uniform(0.3, 0.7)
    return Pose(float(x - low[0]), float(y - low[1]), float(turn))
