"""All sides of a picture at some unknowns, one after another: their light, its weights, their equations."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.eliminating import Sums, sum_side, take_back
from vision.edge.levels import Levels
from vision.edge.misfit import add_rests
from vision.edge.model.cuts import Cuts
from vision.edge.model.predicting import Light, Room, lay_out, predict, room_for
from vision.edge.pixels.sidepixels import SidePixels
from vision.edge.weighing import Weighed, room_to_weigh, weigh

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]


class There(NamedTuple):
    """S sides at some unknowns."""

    tables: Singles  # (S, 14 or 17, K)
    own: Floats  # (S, 7) each side's unknowns
    chroma_px: float  # the colours' own blur
    levels: Levels
    figured: Bools  # (S,) prints, whose level changes across the side too
    coloured: Bools  # (S,) whether colours tell anything, and not luma alone
    told: Bools  # (S,) whether residuals tell how noisy a side is
    noise: Singles  # (2, 3): standard deviations, and how many neighbours err alike
    linear: Floats  # the encoder's tables
    steps: Singles
    cuts: Cuts  # of bars


class Rooms(NamedTuple):
    """Where one side after the other is worked out."""

    light: Light
    room: Room
    weighed: Weighed


def rooms_for(most: int, shadowed: bool) -> Rooms:
    """For sides of so many pixels at most, `shadowed` by a light to one side or not."""
    return Rooms(*room_for(most, shadowed), room_to_weigh(most))


@compiled
def evaluate(to: Sums, rooms: Rooms, w: SidePixels, there: There, by_bars: bool, others: Cuts) -> None:
    """Sum the equations of all sides; `by_bars` of those beside bars alone, residuals being what `others` show more."""
    light, room, of, chroma_px, steps = rooms.light, rooms.room, rooms.weighed, there.chroma_px, there.steps
    levels, shown = there.levels, np.empty_like(light.seen)
    if by_bars:
        nothing = np.zeros_like(levels.values), np.zeros_like(levels.mean)
        falls = levels.falls.copy()
        falls[0] = 0.0
        levels = Levels(*nothing, falls[0], falls, levels.u, levels.flat_u, levels.borders)
    for s in range(len(there.own)):
        own, table, figured, gain = there.own[s], there.tables[s], there.figured[s], there.own[s, 3]
        channels = 3 if there.coloured[s] else 1
        barred = there.cuts.starts[s + 1] > there.cuts.starts[s]
        if w.side_bins[s + 1] == w.side_bins[s] or (by_bars and not barred):
            continue
        lay_out(room, w, s, own, there.levels.values, figured, there.linear, steps)
        if by_bars:
            predict(light, room, w, s, gain, chroma_px, table, steps, others, channels)
            for c in range(channels):
                for i in range(light.seen.shape[1]):
                    shown[c, i] = light.seen[c, i]
        predict(light, room, w, s, gain, chroma_px, table, steps, there.cuts, channels)
        weigh(of, light, w, s, there.levels.values, there.told[s], there.noise[0], there.noise[1], channels)
        if by_bars:
            for c in range(channels):
                for i in range(light.seen.shape[1]):
                    of.rest[c, i] = shown[c, i] - light.seen[c, i]
        sum_side(to, room.mixed, light, of, w, s, levels, figured, channels)
        if not by_bars:
            take_back(to, light, of, w, s, channels)
            add_rests(
                to.rests, room.edge_px, light, of, s, w.bin_starts[w.side_bins[s + 1]] - w.bin_starts[w.side_bins[s]]
            )
