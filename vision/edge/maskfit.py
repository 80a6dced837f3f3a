"""What all edges of a picture tell of the unsharp mask that was undone (`vision.edge.model.unmasked`).

It is asked once, when the sides are fitted: the mask's unknowns join their equations, and one step of these is taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.eliminating import Sums, sum_side
from vision.edge.equations import Equations
from vision.edge.evaluating import Rooms, There
from vision.edge.model.light import FIRST_PX
from vision.edge.model.mask import Sharpening
from vision.edge.model.predicting import Light, lay_out, predict
from vision.edge.model.unmasked import MASK, PLACE_PX, before, told_u
from vision.edge.pixels.sidepixels import SidePixels
from vision.edge.weighing import weigh

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

ZERO, FIRST, PER_PX = np.float32(0.0), np.float32(FIRST_PX), np.float32(1.0 / PLACE_PX)


@dataclass(frozen=True, eq=False, slots=True)
class ByMask:
    """What is known of the Q unknowns of a mask, and how S sides, and what these have in common, follow them.

    Q is 0 where no mask was undone.
    """

    values: Floats  # (Q,)
    covariance: Floats  # (Q, Q)
    sides: Floats  # (S, 3, Q): offset, turn and bow, what is common held fast
    common: Floats  # (C, Q)

    def joined(self, covariance: Floats) -> Floats:
        """(C + Q, C + Q): the covariance of what is common and of the mask, from the former's (C, C)."""
        mixed = self.common @ self.covariance
        return np.block([[covariance + mixed @ self.common.T, mixed], [mixed.T, self.covariance]])


def no_mask(sides: int, common: int) -> ByMask:
    """None was undone."""
    return ByMask(np.empty(0), np.empty((0, 0)), np.empty((sides, 3, 0)), np.empty((common, 0)))


def mask_told(told: Equations, asked: Equations, mask: Sharpening, known: tuple[Floats, Floats] | None) -> ByMask:
    """From equations whose last common unknowns are the mask's: of all sides, and of those that are asked.

    Where its values and covariance are `known` already, these stand.
    """
    c = told.prior_normal.shape[0] - len(MASK)
    own = told.normal.shape[1] - c - len(MASK)
    _, follow, reduced, right, _ = asked.parts
    lead = np.asarray(-np.linalg.solve(reduced[:c, :c], reduced[:c, c:]), np.float64)
    if known is None:
        scores = asked.gradient[:, own:] + np.einsum("sxc,sx->sc", follow, asked.gradient[:, :own])
        scores = scores[:, c:] + scores[:, :c] @ lead
        normal, pull = reduced[c:, c:] + reduced[c:, :c] @ lead, right[c:] + lead.T @ right[:c]
        at, u = before(mask)
        inverse = np.linalg.inv(normal + np.diag(u**-2))
        # Midway between what profiles said before and what all pixels say now: on some pictures the one is nearer to
        # the truth, on some the other. Half of what they differ by is doubt, besides what noise leaves; sides' errors
        # are alike along them, noise alone is what the inverse says; and another picture would tell of another mask.
        half = inverse @ (pull + at / u**2) / 2.0
        scattered = inverse @ scores.T @ scores @ inverse
        known = half, inverse + scattered + np.outer(half, half) + np.diag(told_u(mask) ** 2)
    return ByMask(*known, told.parts[1][:, :3, c:], lead)


@compiled
def evaluate_wider(to: Sums, rooms: Rooms, wide: Light, w: SidePixels, there: There, changes: Singles) -> None:
    """Sum the equations of all sides with the mask's unknowns after the others; `wide` is room for their slopes.

    `changes` (S, Q, K) are those of luma across the sides by the mask's unknowns.
    """
    light, room, of, many = rooms.light, rooms.room, rooms.weighed, len(rooms.light.slopes)
    last = np.float32(changes.shape[2] - 1.001)
    for s in range(len(there.own)):
        own, table, figured, gain = there.own[s], there.tables[s], there.figured[s], there.own[s, 3]
        channels = 3 if there.coloured[s] else 1
        if w.side_bins[s + 1] == w.side_bins[s]:
            continue
        n = w.bin_starts[w.side_bins[s + 1]] - w.bin_starts[w.side_bins[s]]
        lay_out(room, w, s, own, there.levels.values, figured, there.linear, there.steps)
        predict(light, room, w, s, gain, there.chroma_px, table, there.steps, there.cuts, channels)
        weigh(of, light, w, s, there.levels.values, there.told[s], there.noise[0], there.noise[1], channels)
        for c in range(channels):
            for x in range(many):
                for i in range(n):
                    wide.slopes[x, c, i] = light.slopes[x, c, i]
            for x in range(many, len(wide.slopes)):
                for i in range(n):
                    wide.slopes[x, c, i] = ZERO
        for x in range(changes.shape[1]):
            change = changes[s, x]
            for i in range(n):
                place = max(ZERO, min((room.edge_px[i] - FIRST) * PER_PX, last))
                k = np.int32(place)
                wide.slopes[many + x, 0, i] = change[k] + (place - np.float32(k)) * (change[k + 1] - change[k])
        sum_side(to, room.mixed, wide, of, w, s, there.levels, figured, channels)
