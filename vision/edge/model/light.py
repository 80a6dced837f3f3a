"""The light across a straight cloth edge as a camera writes it down, and how it follows what is unknown of it.

Across an edge, at `e` px outside it, linear light is a blend of cloth and mat behind the lens' blur s:

    I = F A(e) + G [ M V(e) + s^2 (dM/dn) g(e) ]

A and V are the shares of cloth and mat (`coverage`), g the edge's density. M is the picture of the bare mat at that
very pixel; it is blurred already, and the term with dM/dn mends to first order that blurred mat times blurred mask is
not the blurred product. F is the cloth's light in each short bin along the side (a print changes along it), G one
gain of the mat at this side (shade). What is compared is this light as the camera writes it down (`encoding`): luma
in full, colour differences with a blur of their own.

M has a noise of its own, which is in what is left of the light. Were it in the slopes too, both would go together and
draw the edge outward, by as much as a tenth of a pixel beside cloth near the mat's colour: slopes are taken before the
mat as the pixels beside show it, whose noise is another (an instrument: J. Durbin, Errors in variables, Review of the
International Statistical Institute 22, 1954, from memory).

Whatever depends on `e` alone is looked up in a table of the side, which is made anew when its unknowns have changed.
All that happens to one side's pixels fits into a processor's cache: sides are taken one by one, in single precision.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.common import COMMON, OWN
from vision.edge.model.cast import CastShadow
from vision.edge.model.coverage import LAMP_ON_WALL, LEAST_HEIGHT_PX, SKY_ON_WALL, RimLight, Rims, parts_at, past_foot

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

# Colours are blurred once more when they are written down: places, in standard deviations of that blur, and their
# shares (Gauss-Hermite quadrature of three points).
COLOUR_BLUR = ((0.0, 2.0 / 3.0), (math.sqrt(3.0), 1.0 / 6.0), (-math.sqrt(3.0), 1.0 / 6.0))
REACHES = np.array([reach for reach, _ in COLOUR_BLUR], np.float32)
SOFT_TURN = 0.1  # of a shadow's strength, over which it sets in as a side turns away from the light
MOST_ON_WALL = 2.0  # times a level plane's: a light from 27 degrees up
FIRST_PX, LAST_PX, STEP_PX = -10.0, 14.0, 0.05  # of a side's table, outward of its line
# What the light of one side follows: several unknowns may do the same to it (`follows`).
DOES = ("offset", "turn", "bow", "gain", "blur", "chroma", "wall", "lamp", "lean", "cast", "sky")
DOES_SHADOWED = (*DOES, "share", "reach", "soft")  # with the shadow of a light to one side
OFFSET, TURN, BOW, GAIN, BLUR, CHROMA, WALL, LAMP, LEAN, CAST, SKY, SHARE, REACH, SOFT = range(len(DOES_SHADOWED))


@dataclass(frozen=True, eq=False, slots=True)
class Unknowns:
    """All sides' own unknowns (S, 7) in the order of `OWN`, and the common ones (8,) or (12,) (`Common`)."""

    own: Floats
    common: Floats

    @property
    def blur_px(self) -> Floats:
        """(S,) of luma."""
        return np.asarray(self.common[0] + self.own[:, 4])

    @property
    def lamp(self) -> Floats:
        """(S,) share of a lamp's light that is taken at the foot."""
        return np.asarray(self.common[2] + self.own[:, 5])

    def toward_lamp(self, rims: Rims) -> Floats:
        """(S,) how far the lamp's middle stands off the vertical to where each side faces, as a sine.

        Lamps hang above what is worked on: above the middle of what the camera sees. One near the table so stands
        where the lens does, about: sides that face the lens face it too, throw less of its shadow, and show walls in
        its light.
        """
        return np.asarray(self.common[7] * rims.middle)

    def cast(self, outward: Floats) -> tuple[Floats, Floats]:
        """(S,) each: a side light's shadow beside sides that face `outward` (S, 2), and its slope by that light.

        A light to one side casts its shadow on the sides that it does not reach, not light on the others.
        """
        away = outward @ self.common[3:5]
        root = np.sqrt(away * away + SOFT_TURN * SOFT_TURN)
        return (away + root - SOFT_TURN) / 2.0, (1.0 + away / root) / 2.0

    def reach_px(self, rims: Rims, outward: Floats, px_per_mm: Floats) -> Floats:
        """(S,) how far past a wall's foot a side light's shadow reaches (< 0: that light is on the wall)."""
        return np.asarray(rims.reach_px + outward @ self.common[9:11] * px_per_mm)

    def wall(self, rims: Rims, outward: Floats, px_per_mm: Floats) -> tuple[Floats, Floats]:
        """Brightness (S,) of the wall over the top's, and its slopes (S, X) by the common unknowns.

        An upright wall sees half of an even sky, of the lamp above what its lean gives, and of a light to one side the
        slope by which that comes in (irradiance of an upright plane over a level one's).
        """
        toward, sky = self.toward_lamp(rims), self.common[5]
        of_cast, by_cast = self.cast(-outward)
        root = np.hypot(toward, 2.0 * LAMP_ON_WALL)
        of_lamp, by_lean = (toward + root) / 2.0, (1.0 + toward / root) / 2.0
        share, slopes = 0.0, np.zeros((len(outward), len(self.common)))
        if self.shadowed:
            height_px = np.maximum(rims.height_px, LEAST_HEIGHT_PX)
            of_side = np.clip(-self.reach_px(rims, outward, px_per_mm) / height_px, 0.0, MOST_ON_WALL)
            share = self.common[8]
            slopes[:, 8] = of_side - of_lamp
            on = (of_side > 0.0) & (of_side < MOST_ON_WALL)
            slopes[:, 9:11] = -outward * (share * on * px_per_mm / height_px)[:, None]
        rest = 1.0 - sky - share
        slopes[:, 3:5], slopes[:, 7] = -SKY_ON_WALL * outward * by_cast[:, None], rest * by_lean * rims.middle
        slopes[:, 5], slopes[:, 6] = SKY_ON_WALL - of_lamp, 1.0
        light = (sky + of_cast) * SKY_ON_WALL + rest * of_lamp + (share * of_side if self.shadowed else 0.0)
        return np.maximum(light + self.common[6] + self.own[:, 6], 0.0), slopes

    @property
    def shadowed(self) -> bool:
        """Whether a light to one side is among the unknowns."""
        return len(self.common) > len(COMMON)

    @property
    def does(self) -> tuple[str, ...]:
        """What the light of one side follows."""
        return DOES_SHADOWED if self.shadowed else DOES

    def follows(self, rims: Rims, outward: Floats, px_per_mm: Floats) -> Floats:
        """(S, 15 or 19, 11 or 14): how what the light does (`DOES`) follows the sides' own and the common unknowns.

        Sides face `outward` (S, 2), with `px_per_mm` (S,) across them.
        """
        result = np.zeros((len(outward), len(OWN) + len(self.common), len(self.does)))
        for unknown, does_so in enumerate((OFFSET, TURN, BOW, GAIN, BLUR, LAMP, WALL, BLUR, CHROMA, LAMP)):
            result[:, unknown, does_so] = 1.0
        result[:, len(OWN) :, WALL] = self.wall(rims, outward, px_per_mm)[1]
        result[:, 10:12, CAST] = outward * self.cast(outward)[1][:, None]
        result[:, 12, SKY], result[:, 14, LEAN] = 1.0, -rims.middle
        if self.shadowed:
            result[:, 15, SHARE] = 1.0
            result[:, 16:18, REACH] = self.common[8] * outward * px_per_mm[:, None]
            result[:, 18, SOFT] = self.common[8] * px_per_mm
        return result


def tables(rims: Rims, at: Unknowns, outward: Floats, px_per_mm: Floats) -> Singles:
    """(S, 14 or 17, K): what depends on the place across S sides alone, in K steps of `STEP_PX` from `FIRST_PX` on.

    At a step's beginning the shares of cloth with its wall, of mat, and of the mat's mending; their slopes per px
    within it; about its middle two slopes by the blur, the share of the cloth's top, and slopes by what the light does
    to the wall and to the mat, in the order of `DOES` from the wall on.
    """
    rim, nothing = RimLight(rims, at.blur_px, -at.toward_lamp(rims)), np.zeros(len(at.own))
    shadows = rim.shadows
    shadows[1] *= at.lamp[:, None]  # as it leans
    shares = np.stack([at.lamp, nothing, at.cast(outward)[0], nothing + at.common[5]])
    if at.shadowed:
        reach_px = at.reach_px(rims, outward, px_per_mm)
        thrown = CastShadow(rims, at.blur_px, reach_px, at.common[11] * px_per_mm).shadows
        shadows = np.concatenate([shadows, thrown])
        shares = np.concatenate([shares, [nothing + at.common[8], nothing, nothing]])
    return tabled(rim.foot_px, at.blur_px, at.wall(rims, outward, px_per_mm)[0], shares, shadows)


@compiled
def tabled(foot_px: Floats, blur_px: Floats, wall: Floats, shares: Floats, shadows: Floats) -> Singles:
    """The tables of S sides from shadows (P, S, J) past their feet (S,), of which the mat loses `shares` (P, S).

    The wall is `wall` (S,) times as bright as the top.
    """
    many, steps = len(shadows), round((LAST_PX - FIRST_PX) / STEP_PX)
    tables = np.empty((len(foot_px), 10 + many, steps - 1), np.float32)
    # At a place: shares of cloth, mat, mend; slopes by blur of the cloth's share and of the mend; top, wall, shadows.
    rows = np.empty((7 + many, steps))
    for s in range(len(foot_px)):
        blur, foot = blur_px[s], foot_px[s]
        for k in range(steps):
            e = FIRST_PX + STEP_PX * k
            top, mat, steep = parts_at(e, foot, blur)
            rows[0, k], rows[1, k], rows[2, k] = top + wall[s] * (1.0 - top - mat), mat, blur * blur * steep
            rows[3, k], rows[4, k] = e * steep / blur, steep * (blur + e * e / blur)
            rows[5, k], rows[6, k] = top, 1.0 - top - mat
        for p in range(many):
            for k in range(steps):
                rows[7 + p, k] = past_foot(shadows[p, s], FIRST_PX + STEP_PX * k - foot)
                rows[1, k] -= shares[p, s] * rows[7 + p, k]
        for r in range(7 + many):
            for k in range(steps - 1):
                if r < 3:
                    tables[s, r, k], tables[s, 3 + r, k] = rows[r, k], (rows[r, k + 1] - rows[r, k]) / STEP_PX
                else:
                    tables[s, 3 + r, k] = (rows[r, k] + rows[r, k + 1]) / 2.0
    return tables
