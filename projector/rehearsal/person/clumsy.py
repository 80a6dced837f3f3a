"""What goes wrong beside the cut itself: the strip is nudged, the unit is left where it was cut, or lies face down."""

from __future__ import annotations

from dataclasses import replace
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.things.cloth import Patch, Piece, Pose

Floats = NDArray[np.float64]

NUDGE_MM, NUDGE_RAD = 3.0, np.radians(0.5)  # at most
NOTICED_S = 4.0  # until the person sees that a unit still touches its strip, and nothing happens


class Mishap(Enum):
    """One thing that goes wrong after a cut."""

    NUDGED = "the strip is nudged"
    TOUCHING = "the unit is left where it was cut"
    FACE_DOWN = "the unit is laid face down"


def mishap(share: float, rng: np.random.Generator) -> Mishap | None:
    """What goes wrong this time, in a share of all times."""
    if share == 0.0 or rng.random() >= share:
        return None
    return list(Mishap)[rng.integers(len(Mishap))]


def nudged(piece: Piece, rng: np.random.Generator) -> Piece:
    """The piece a little elsewhere, turned a little about its middle."""
    turn = rng.uniform(-NUDGE_RAD, NUDGE_RAD)
    middle = piece.corners_mm.mean(axis=0)
    goal = piece.corners_mat_mm.mean(axis=0) + rng.uniform(-NUDGE_MM, NUDGE_MM, 2)
    x, y = goal - Pose(0.0, 0.0, piece.pose.turn_rad + turn).rotation @ middle
    return piece.moved(Pose(float(x), float(y), float(piece.pose.turn_rad + turn)))


def turned_over(piece: Piece) -> Piece:
    """The piece with its other face up, about its own y axis; twice is the piece itself. Its back looks the same."""
    flip = np.array([-1.0, 1.0])
    count = len(piece.sides)
    # Side i ran from corner i to i + 1; the corners in reverse begin with what was the last.
    return replace(
        piece,
        corners_mm=(piece.corners_mm * flip)[::-1],
        sides=tuple(piece.sides[(count - 2 - i) % count] for i in range(count)),
        patches=tuple(Patch((patch.corners_mm * flip)[::-1], patch.fabric) for patch in piece.patches),
        seams_mm=(piece.seams_mm * flip)[:, ::-1],
    )
