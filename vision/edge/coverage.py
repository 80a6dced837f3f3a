"""What the rim of cloth does to light across it, in closed form and for many sides at once.

Cloth is a few tenths of a millimetre thick, about a pixel. Where its side wall faces the lens the wall is seen
beyond the top's edge; where it faces away the top hides a little of the mat. And the mat close to a wall of height
h sees less of a wide lamp: under an even sky the wall takes (1 - x / sqrt(x^2 + h^2)) / 2 of the light at distance x
(form factor of a long strip: Siegel and Howell, Thermal Radiation Heat Transfer, from memory). A lamp straight
above casts no such shadow, so the truth lies between none and all of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FIRST_PX, LAST_PX, STEP_PX = -5.0, 12.0, 0.1  # of the shadow's table, outward of the wall's foot
NODES = 32
REACH_PX = 12.0
LEAST_HEIGHT_PX = 0.5  # cloth is never thinner, whatever height it is said to lie at
LEAST_CAST_PX = 1.0  # shadows of a light to one side reach about so far at least
LAMP = 0.5  # sine of the half angle under which the mat sees a usual lamp
ROOT_TWO_PI = math.sqrt(2.0 * math.pi)


@dataclass(frozen=True, eq=False, slots=True)
class Rims:
    """The rims of S sides, px across each: the cloth's height and how far its wall is seen (> 0) or hides mat (< 0).

    `reach_px` is how far past the wall's foot a lamp's shadow reaches whose place is known (< 0: it lies under the
    cloth).
    """

    height_px: Floats  # (S,)
    wall_px: Floats  # (S,)
    reach_px: Floats | float = 0.0  # (S,), 0 where no lamp is known


@dataclass(frozen=True, eq=False, slots=True)
class Coverage:
    """At N pixels: shares of the light.

    `top` of the cloth's top, `mat` of the mat as if it lay in even light; of that the wall takes `lamp` from a lamp
    straight above, `sky` from an even sky and `cast` from a light to one side. What is neither top nor mat is the wall.
    """

    top: Floats
    mat: Floats
    lamp: Floats
    sky: Floats
    cast: Floats
    density: Floats  # of the top's edge: minus the slope of `top` outward, per px

    @property
    def wall(self) -> Floats:
        """The wall's share."""
        return 1.0 - self.top - self.mat


class RimLight:
    """Shares of light across the rims of many sides behind Gaussian blurs (S,), standard deviations in px."""

    def __init__(self, rims: Rims, blur_px: Floats) -> None:
        self._blur_px = blur_px
        self._foot_px = np.maximum(rims.wall_px, 0.0)
        self._tables = _shadow_tables(rims, blur_px)

    def at(self, distance_px: Floats, side: Ints) -> Coverage:
        """At distances (N,) outward of the top's edge of the sides `side` (N,)."""
        blur = self._blur_px[side]
        z = distance_px / blur
        density = np.exp(-0.5 * z * z) / (ROOT_TWO_PI * blur)
        top = ndtr(-z)
        foot = self._foot_px[side]
        mat = ndtr((distance_px - foot) / blur)
        place = np.clip((distance_px - foot - FIRST_PX) / STEP_PX, 0.0, self._tables[0].shape[1] - 1.001)
        lamp, sky, cast = (looked_up(table, place, side) for table in self._tables)
        return Coverage(top, mat, lamp, sky, cast, density)


def looked_up(table: Floats, place: Floats, side: Ints) -> Floats:
    """Values at places (N,) of the rows `side` (N,) of a table (S, K)."""
    low = place.astype(np.int64)
    flat, index = table.ravel(), side * table.shape[1] + low
    return np.asarray(flat[index] + (place - low) * (flat[index + 1] - flat[index]))


@cache
def shadow_nodes() -> tuple[Floats, Floats]:
    """Distances (32,) past a wall's foot, px, and their weights, over which what is in shadow is summed."""
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    share = (nodes + 1.0) / 2.0
    # Half of the light that is taken lies close to the foot: nodes are dense there.
    return REACH_PX * share**3, weights / 2.0 * REACH_PX * 3.0 * share**2


def _shadow_tables(rims: Rims, blur_px: Floats) -> tuple[Floats, Floats, Floats]:
    """(S, K) each: what the wall takes of a lamp's, a sky's and a side light, behind the blur, past its foot."""
    past = np.arange(FIRST_PX, LAST_PX, STEP_PX)
    x, weight = shadow_nodes()
    under = x[None] + np.maximum(-rims.wall_px, 0.0)[:, None]
    sine = under / np.hypot(under, np.maximum(rims.height_px, LEAST_HEIGHT_PX)[:, None])
    cast_sine = under / np.hypot(under, np.maximum(rims.height_px, LEAST_CAST_PX)[:, None])
    z = (past[None, :, None] - x[None, None, :]) / blur_px[:, None, None]
    kernel = np.exp(-0.5 * z * z) / (ROOT_TWO_PI * blur_px[:, None, None])
    edge = np.minimum(sine / LAMP, 1.0)
    lamp = (np.arccos(edge) - edge * np.sqrt(1.0 - edge**2)) / math.pi
    sky, cast = 0.5 * (1.0 - sine), 0.5 * (1.0 - cast_sine)
    lamp, sky, cast = (np.asarray(np.einsum("skn,sn->sk", kernel, taken * weight)) for taken in (lamp, sky, cast))
    return lamp, sky, cast
