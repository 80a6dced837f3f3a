"""How luma across an edge follows what is not known of an unsharp mask that was undone.

The mask may have been a little stronger or wider; and compression, which has few steps for the finest detail, may have
dropped some of what it added. Each changes all edges of a picture alike, and moves them. What is seen had the mask
undone, so all of this is seen behind that.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vision.edge.model.encoding import YCC_OF_BGR, Encoder
from vision.edge.model.light import STEP_PX
from vision.edge.model.mask import RADIUS_LOG_U, RADIUS_PX, Sharpening

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

MASK = ("strength", "log_radius", "loss")  # against what was undone; the last is a share of what is finest
EVERY = 2  # steps of a side's table, from one place of a change to the next
PLACE_PX = STEP_PX * EVERY
LITTLE = 0.05  # of a radius, for its slope
STRENGTH_U = 2.0  # of a mask 1 px wide, before a picture is seen
FINEST, TAPER_PX = 0.42, 3.0  # cycles a pixel from which compression drops most, and how far it rings
LOSS_U = 0.3
# What pictures of one camera tell of its mask differs by so much, however sure each is: a share of its strength, the
# logarithm of its radius (four pictures of one mask: 0.23).
TOLD_STRENGTH_U, TOLD_LOG_RADIUS_U = 0.1, 0.2


def before(mask: Sharpening) -> tuple[Floats, Floats]:
    """(3,) each: the mask's unknowns before edges are seen, and their standard uncertainties."""
    r = mask.radius_px
    return np.array([0.0, math.log(RADIUS_PX / r), 0.0]), np.array([STRENGTH_U * r * r, RADIUS_LOG_U, LOSS_U])


def told_u(mask: Sharpening) -> Floats:
    """(3,): what comes to the doubt of the mask's unknowns, however sure the edges of a picture are of them."""
    return np.array([TOLD_STRENGTH_U * mask.strength, TOLD_LOG_RADIUS_U, 0.0])


def changes(mask: Sharpening, tables: Singles, cloth: Floats, mat: Floats, encoder: Encoder) -> Singles:
    """(S, 3, K): how luma across S sides follows the mask's unknowns, every `EVERY` steps of their `tables`.

    `cloth` and `mat` (S, 3) are their linear light.
    """
    shares = tables[:, :2, ::EVERY].astype(np.float64)[:, :, None]  # of cloth and mat
    light = shares[:, 0] * cloth[..., None] + shares[:, 1] * mat[..., None]
    luma = np.einsum("c,sck->sk", YCC_OF_BGR[0], encoder.encode(light)[0])
    return np.stack([luma @ one.T for one in _follows(mask, luma.shape[1])], axis=1).astype(np.float32)


@lru_cache(maxsize=4)
def _follows(mask: Sharpening, many: int) -> tuple[Floats, Floats, Floats]:
    """(K, K) each, that make of luma at K places before the mask its change by the mask's unknowns.

    The mask makes of E what is seen, E + s / r^2 (E - B_r E).
    """
    away = np.asarray((np.arange(many)[:, None] - np.arange(many)) * PLACE_PX, np.float64)
    r, a, same = mask.radius_px, mask.amount, np.eye(many)
    taken = same - _blur(away, r)
    by_log_radius = (_blur(away, r * (1.0 + LITTLE)) - _blur(away, r * (1.0 - LITTLE))) / (2.0 * LITTLE)
    masked = same + a * taken
    fine = same - _even(np.sinc(2.0 * FINEST * away) * np.exp(-0.5 * (away / TAPER_PX) ** 2))
    undo = np.asarray(np.linalg.inv(masked), np.float64)
    return undo @ taken / r**2, undo @ (-2.0 * a * taken - a * by_log_radius), -undo @ fine @ masked


def _blur(away: Floats, radius_px: float) -> Floats:
    return _even(np.exp(-0.5 * (away / radius_px) ** 2))


def _even(weights: Floats) -> Floats:
    """Weights whose rows leave an even level as it is."""
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))
