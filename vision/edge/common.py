"""The unknowns of edges: what is each side's own, and what all sides of a picture have in common."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from vision.edge.model.cast import CAST, CAST_U, CAST_VALUES

Floats = NDArray[np.float64]

USUAL_HEIGHT_PX = 0.5
OWN = ("offset", "turn", "bow", "gain", "focus", "lamp", "wall")  # of each side; the last three against the picture's
SHADOW = slice(2, 6)  # of the common ones
COMMON = ("luma", "chroma", "lamp", "cast_x", "cast_y", "sky", "wall", "near")  # of the whole picture
CONTRADICTED = 16.0  # chi-square of 4 degrees of freedom that usual light exceeds in 3 of 1000 pictures
LEAST_REST = 0.05  # of the light: what walls and people throw back
LENS_SOFT_MM, LENS_SOFT_U_MM = 0.03, 0.03  # of the shadow that a lens throws of thin cloth: as its edge is woven
SHARE_U = 0.02
HELD_U = 1e-4
SHAPE_U = 0.25  # of each shadow: lamps are no even discs, rooms no even skies
# The lamp's shadow as a share of the picture's; what is expected of a bow says `straightness`.
OWN_U = np.array([np.inf, np.inf, np.inf, 0.15, 0.05, 0.3, 0.1])


@dataclass(frozen=True, eq=False, slots=True)
class Common:
    """What all sides of a picture have in common, in the order of `COMMON`, and its covariance.

    Blurs of luma and of colours, standard deviations in px; the share of the light that the foot of a side does not
    get because its wall is in the way of a wide lamp, of a light along the mat's x and y (a lamp to one side throws its
    shadow to the other), and of an even sky; the wall's brightness over the top's, beyond what those lights give it;
    how near the lamp hangs, as the lens' height over its. Where a light to one side is needed to explain what is seen,
    its shadow's four unknowns follow (`vision.edge.model.cast`).
    """

    values: Floats  # (8,) or (12,)
    covariance: Floats  # of the same size, each way, and that of the mask's after it
    mask: Floats = field(default_factory=lambda: np.empty(0))  # (Q,) or none (`vision.edge.model.unmasked`)

    @property
    def shadowed(self) -> bool:
        """Whether a light to one side is among the unknowns."""
        return len(self.values) > len(COMMON)


def unseen(height_px: float, shadowed: bool = False) -> Common:
    """What is common before a picture is seen: blurs, shadow and wall, the middle and the spread of what is possible.

    In usual light, from above, cloth throws little shadow, and cloth of no height none. `shadowed` is the light where
    that does not explain what is seen: a lamp or window to one side, a shadow that the height does not account for.
    """
    thick = min(1.0, height_px / USUAL_HEIGHT_PX)
    # Of a room's light a tenth to a half comes from all around: ceiling, walls, a sky behind a window. A mat throws
    # some of it on the walls. Lamps hang twice as high as the lens, about, or so high that all sides see them alike.
    values = [0.85, 1.0, thick, 0.0, 0.0, 0.25 * thick, 0.04, 0.5]
    u = [0.3, 0.4, 0.05 + 0.4 * thick, 0.05 + 0.2 * thick, 0.05 + 0.2 * thick, 0.02 + 0.2 * thick, 0.06, 0.3]
    if shadowed:
        values, u = [*values, *CAST_VALUES], [*u, *CAST_U]
    return Common(np.array(values), np.diag(np.array(u) ** 2))


def in_known_light(height_px: float, share: float) -> Common:
    """What is common where most of the light, a `share` of the mat's, comes from a lamp whose place is known.

    Its shadow is then no unknown of the fit: beside dark cloth it is hardly told from more cloth, and a fit that were
    free to move it would. What is not known of it is `doubted_light`. Only what other light there is falls from above.
    """
    usual, rest = unseen(height_px), max(1.0 - share, LEAST_REST)
    by_rest = np.array([rest if SHADOW.start <= k < SHADOW.stop else 1.0 for k in range(len(COMMON))])
    values = np.concatenate([usual.values * by_rest, [share, 0.0, 0.0, LENS_SOFT_MM]])
    u = np.concatenate([np.sqrt(np.diag(usual.covariance)) * by_rest, np.full(len(CAST), HELD_U)])
    return Common(values, np.diag(u**2))


def held_light(known: Common) -> Common:
    """The same with a lamp's shadow held again, for a fit that begins from what is known already."""
    covariance = known.covariance.copy()
    held = slice(len(COMMON), len(COMMON) + len(CAST))
    covariance[held], covariance[:, held] = 0.0, 0.0
    covariance[held, held] = HELD_U**2 * np.eye(len(CAST))
    return replace(known, covariance=covariance)


def doubted_light(fitted: Common, reach_u_mm: float) -> Common:
    """The same with what is not known of a lamp's shadow that was held; `reach_u_mm`: of how far it reaches."""
    held = [*np.zeros(len(COMMON)), SHARE_U, reach_u_mm, reach_u_mm, LENS_SOFT_U_MM]
    return _doubted(fitted, np.array(held))


def doubted_shape(fitted: Common) -> Common:
    """The same with what is not known of how the shadows that were fitted fall off, away from the cloth.

    Pixels tell closely how much of each assumed shape there is; but the true shape is another, and beside dark cloth
    what is left of it looks like more cloth. Where there is no shadow, nothing is doubted.
    """
    shadows = fitted.values.copy()
    shadows[: SHADOW.start], shadows[SHADOW.stop : len(COMMON)], shadows[len(COMMON) + 3 :] = 0.0, 0.0, 0.0
    return _doubted(fitted, SHAPE_U * shadows)


def unexplained(fitted: Common, chi_square: float) -> Common:
    """The same with its shadows known worse by as much as the sides contradict them, more than chance would have it.

    `chi_square` is that of the four of usual light. What scatters by more than its uncertainties is given uncertainties
    that it scatters by (R. T. Birge, The calculation of errors by the method of least squares, Physical Review 40,
    1932, from memory); where the sides agree nothing is taken away.
    """
    if chi_square <= CONTRADICTED:
        return fitted
    times = np.ones(len(fitted.covariance))
    times[SHADOW] = times[len(COMMON) : len(fitted.values)] = math.sqrt(chi_square / (SHADOW.stop - SHADOW.start))
    return replace(fitted, covariance=fitted.covariance * np.outer(times, times))


def _doubted(fitted: Common, u: Floats) -> Common:
    """The same, its values (8,) or (12,) less sure by `u`."""
    more = np.diag(np.concatenate([u, np.zeros(len(fitted.mask))]) ** 2)
    return replace(fitted, covariance=fitted.covariance + more)
