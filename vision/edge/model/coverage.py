"""What the rim of cloth does to light across it, in closed form and for many sides at once.

Cloth is a few tenths of a millimetre thick, about a pixel. Where its side wall faces the lens the wall is seen
beyond the top's edge; where it faces away the top hides a little of the mat. And the mat close to a wall of height
h sees less of a wide lamp: under an even sky the wall takes (1 - x / sqrt(x^2 + h^2)) / 2 of the light at distance x
(form factor of a long strip: Siegel and Howell, Thermal Radiation Heat Transfer, from memory). A lamp straight
above casts no such shadow, so the truth lies between none and all of it.

A lamp is a disc in the plane of direction sines: there equal areas give a level surface equal light, and a straight
edge cuts off about a segment of it (Nusselt's analogue; Siegel and Howell, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.model.normal import FARTHEST, density, rising

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FIRST_PX, LAST_PX, STEP_PX = -5.0, 12.0, 0.1  # of the shadow's table, outward of the wall's foot
NODES = 32
REACH_PX = 12.0
LEAST_HEIGHT_PX = 0.5  # cloth is never thinner, whatever height it is said to lie at
LAMP = 0.5  # sine of the half angle under which the mat sees a usual lamp
# Light of a lamp straight above, and of an even sky, on an upright wall over that on the level cloth.
LAMP_ON_WALL, SKY_ON_WALL = (math.asin(LAMP) - LAMP * math.sqrt(1.0 - LAMP * LAMP)) / (math.pi * LAMP * LAMP), 0.5
LEAST_CAST_PX = 1.0  # shadows of a light to one side reach about so far at least
ROOT_TWO_PI = math.sqrt(2.0 * math.pi)


@dataclass(frozen=True, eq=False, slots=True)
class Rims:
    """The rims of S sides, px across each: the cloth's height and how far its wall is seen (> 0) or hides mat (< 0).

    `reach_px` is how far past the wall's foot a lamp's shadow reaches whose place is known (< 0: it lies under the
    cloth). `middle` is how far the middle of what the lens sees lies to where the sides face, over the lens' height.
    """

    height_px: Floats  # (S,)
    wall_px: Floats  # (S,)
    reach_px: Floats | float = 0.0  # (S,), 0 where no lamp is known
    middle: Floats | float = 0.0  # (S,)


@dataclass(frozen=True, eq=False, slots=True)
class Coverage:
    """At N pixels: shares of the light.

    `top` of the cloth's top, `mat` of the mat as if it lay in even light; of that the wall takes `lamp` from a lamp
    above, `leans` more of it for each sine by which that lamp stands to the cloth's side, `cast` from a light to one
    side and `sky` from an even sky. What is neither top nor mat is the wall.
    """

    top: Floats
    mat: Floats
    lamp: Floats
    leans: Floats
    cast: Floats
    sky: Floats
    density: Floats  # of the top's edge: minus the slope of `top` outward, per px

    @property
    def wall(self) -> Floats:
        """The wall's share."""
        return 1.0 - self.top - self.mat


class RimLight:
    """Shares of light across the rims of many sides behind Gaussian blurs (S,), standard deviations in px.

    The lamp stands `lean` (S,) off the vertical to the cloth's side, as a sine.
    """

    def __init__(self, rims: Rims, blur_px: Floats, lean: Floats | float = 0.0) -> None:
        self._blur_px = blur_px
        self.foot_px = np.maximum(rims.wall_px, 0.0)
        self.shadows = _shadow_tables(rims, blur_px, np.zeros(len(rims.wall_px)) + lean)

    def at(self, distance_px: Floats, side: Ints) -> Coverage:
        """At distances (N,) outward of the top's edge of the sides `side` (N,)."""
        found = covered(distance_px, side, self.foot_px, self._blur_px, self.shadows)
        return Coverage(*found)


@compiled
def covered(distance_px: Floats, side: Ints, foot_px: Floats, blur_px: Floats, shadows: Floats) -> Floats:
    """(7, N): the parts of a `Coverage`, from tables of shadows (4, S, K) past feet `foot_px` (S,) out, blurs (S,)."""
    result = np.empty((7, len(side)))
    for i in range(len(side)):
        s, e = side[i], distance_px[i]
        result[0, i], result[1, i], result[6, i] = parts_at(e, foot_px[s], blur_px[s])
        for k in range(4):
            result[2 + k, i] = past_foot(shadows[k, s], e - foot_px[s])
    return result


@compiled
def parts_at(e: float, foot_px: float, blur_px: float) -> tuple[float, float, float]:
    """Shares of top and mat, and the density of the top's edge, `e` px outward of it."""
    return rising(-e / blur_px), rising((e - foot_px) / blur_px), density(e / blur_px) / blur_px


@compiled
def past_foot(table: Floats, distance_px: float) -> float:
    """Of a table (K,) of a shadow, at a distance past the wall's foot."""
    place = max(0.0, min((distance_px - FIRST_PX) / STEP_PX, len(table) - 1.001))
    low = np.int32(place)
    return float(table[low] + (place - low) * (table[low + 1] - table[low]))


@compiled
def past_feet(distance_px: Floats, side: Ints, foot_px: Floats, shadows: Floats) -> Floats:
    """(P, N): of shadows (P, S, K) past feet (S,), at distances (N,) outward of the edges of sides `side` (N,)."""
    result = np.empty((len(shadows), len(side)))
    for p in range(len(shadows)):
        for i in range(len(side)):
            result[p, i] = past_foot(shadows[p, side[i]], distance_px[i] - foot_px[side[i]])
    return result


@cache
def shadow_nodes() -> tuple[Floats, Floats]:
    """Distances (32,) past a wall's foot, px, and their weights, over which what is in shadow is summed."""
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    share = (nodes + 1.0) / 2.0
    # Half of the light that is taken lies close to the foot: nodes are dense there.
    return REACH_PX * share**3, weights / 2.0 * REACH_PX * 3.0 * share**2


def _shadow_tables(rims: Rims, blur_px: Floats, lean: Floats) -> Floats:
    """(4, S, K): what the wall takes of a lamp, how that grows with its lean (S,), of a side light's and of a sky's.

    Behind the blur, past the wall's foot.
    """
    x, _ = shadow_nodes()
    under = x[None] + np.maximum(-rims.wall_px, 0.0)[:, None]
    sine = under / np.hypot(under, np.maximum(rims.height_px, LEAST_HEIGHT_PX)[:, None])
    edge = np.clip((sine - lean[:, None]) / LAMP, -1.0, 1.0)
    chord = np.sqrt(1.0 - edge**2)
    cast_sine = under / np.hypot(under, np.maximum(rims.height_px, LEAST_CAST_PX)[:, None])
    lamp, leans = (np.arccos(edge) - edge * chord) / math.pi, 2.0 * chord / (math.pi * LAMP)
    return blurred_shadows(np.stack([lamp, leans, 0.5 * (1.0 - cast_sine), 0.5 * (1.0 - sine)]), blur_px)


def blurred_shadows(taken: Floats, blur_px: Floats) -> Floats:
    """(P, S, K): shadows behind blurs (S,), past the walls' feet, of what is taken (P, S, 32) at the nodes."""
    return _blurred(taken, *shadow_nodes(), np.asarray(blur_px, np.float64), np.arange(FIRST_PX, LAST_PX, STEP_PX))


@compiled
def _blurred(taken: Floats, nodes_px: Floats, weights: Floats, blur_px: Floats, past_px: Floats) -> Floats:
    many, step_px = len(past_px), past_px[1] - past_px[0]
    result, shape = np.zeros((len(taken), len(blur_px), many)), np.empty(many)
    for s in range(len(blur_px)):
        for n in range(len(nodes_px)):
            middle, reach = (nodes_px[n] - past_px[0]) / step_px, FARTHEST * blur_px[s] / step_px
            low, high = max(0, math.ceil(middle - reach)), min(many, math.floor(middle + reach) + 1)
            for k in range(high - low):
                shape[k] = density((past_px[low:][k] - nodes_px[n]) / blur_px[s]) * (weights[n] / blur_px[s])
            for p in range(len(taken)):
                shadow, here = result[p, s, low:high], taken[p, s, n]
                for k in range(high - low):
                    shadow[k] += here * shape[k]
    return result
