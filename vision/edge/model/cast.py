"""The shadow that a light to one side casts beside straight cloth edges.

It is the cloth's own outline, shifted away from the light, with a soft edge, and takes one share of the mat's light:
where the light shines from the cloth it lies under it, on the far sides it reaches out by as much of the shift as
runs across them. Shift and softness are the same for all sides of a picture: from them the share is told, for beside
one side alone dimmed mat and dark cloth are hardly told apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from vision.edge.model.coverage import ROOT_TWO_PI, Rims, blurred_shadows, past_feet, shadow_nodes

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CAST = ("share", "shift_x", "shift_y", "soft")  # common unknowns: of the light; mm along the mat's axes; mm
# A light that stands by the table: about half of the light, from 45 degrees over cloth of 0.4 mm, as wide as that.
CAST_VALUES = (0.3, 0.0, 0.0, 0.25)
CAST_U = (0.3, 0.5, 0.5, 0.2)
CAST_LEAST = (0.0, -2.0, -2.0, 0.05)
CAST_MOST = (1.0, 2.0, 2.0, 1.0)
# Softer than the nodes lie apart; and where the shadow is searched for, soft enough that its slopes tell where it lies.
LEAST_SOFT_PX, LEAST_SEARCHED_PX = 0.12, 0.25


@dataclass(frozen=True, eq=False, slots=True)
class Cast:
    """At N pixels: what the shadow takes of its light, behind the blur, and its slopes."""

    taken: Floats
    by_reach: Floats  # per px that the shadow reaches farther out
    by_soft: Floats  # per px of its softness


class CastShadow:
    """Of many sides behind Gaussian blurs (S,) px: shadows that reach `reach_px` (S,) past the walls' feet."""

    def __init__(self, rims: Rims, blur_px: Floats, reach_px: Floats, soft_px: Floats) -> None:
        self.foot_px = np.maximum(rims.wall_px, 0.0)
        least_px = np.where(rims.reach_px == 0.0, LEAST_SEARCHED_PX, LEAST_SOFT_PX)
        self.shadows = _tables(rims, blur_px, reach_px, np.maximum(soft_px, least_px))

    def at(self, distance_px: Floats, side: Ints) -> Cast:
        """At distances (N,) outward of the top's edge of the sides `side` (N,)."""
        return Cast(*past_feet(distance_px, side, self.foot_px, self.shadows))


def _tables(rims: Rims, blur_px: Floats, reach_px: Floats, soft_px: Floats) -> Floats:
    """(3, S, K): the share taken, past the foot, and its slopes by reach and softness."""
    x, _ = shadow_nodes()
    under = x + np.maximum(-rims.wall_px, 0.0)[:, None]  # of the mat there as much is hidden by the top
    inside = (reach_px[:, None] - under) / soft_px[:, None]
    edge = np.exp(-0.5 * inside * inside) / (ROOT_TWO_PI * soft_px[:, None])
    return blurred_shadows(np.stack([ndtr(inside), edge, -inside * edge]), blur_px)
