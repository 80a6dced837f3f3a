"""Where do a print's figures end? Beside a seam nearly every place differs from the one across it, and none goes on.

A print's own line is another thing: where no stripe lies along it, most of what is on one side goes on beyond. So a
line is best where most places along it differ from those across by more than plain cloth does; and what varies along
its two sides must not vary together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.pixels.noise import Noise
from vision.edge.pixels.windows import Window
from vision.edge.start.valley import WEAVE

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

GAP, DEPTH_PX, PLACE_PX = 1.5, 3.0, 2.0  # blurs that are left out beside the line; what is held against what is across
FEWEST, MOSTLY = 2, 0.6  # pixels of a place, on either side; of all places must have them
STEPS_PX, TURNS = 0.5, 9  # between offsets that are tried, and how many turns each way
FAR_PX, FAR_RAD = 8.0, math.radians(6.0)  # from where colours see the line
LIKELY = 0.05  # of all places, that a cell farther off must gain
AS_GOOD, AS_NEAR_PX = 0.02, 2.0  # of all places; lines that differ by no more are one
SURE_PX = 0.7  # within the gap on either side nothing tells: its half, were all places in it as likely, over root 3


@dataclass(frozen=True, slots=True)
class Meeting:
    """A line beside its window's axis: offset (px, outward), turn (px per px), and how two sides meet there."""

    offset_px: float
    turn: float
    differ: float  # of the places along it, the share at which both sides differ
    together: float  # -1 to 1: how far what varies along it varies alike on both sides


def sharpest(window: Window, blur_px: float, noise: Noise, cell_px: float) -> Meeting:
    """The line at which most places differ from those across, near a window's axis.

    There the line was seen in cells of `cell_px`: one farther off must have more for it.
    """
    half_px = max(float(np.ptp(window.along_px)) / 2.0, 1.0)
    offsets = np.arange(-FAR_PX, FAR_PX + STEPS_PX / 2.0, STEPS_PX)
    most = min(math.tan(FAR_RAD), FAR_PX / half_px)
    turns = np.linspace(-most, most, 2 * TURNS + 1)
    level = float(np.median(window.seen[0]))
    # Two pixels of each place at least.
    usual = 3.0 * np.array(noise.sd) / math.sqrt(FEWEST) + WEAVE * np.array([level, 0.5, 0.5])
    differ, together = _meetings(window.across_px, window.along_px, window.seen, usual, GAP * blur_px, offsets, turns)
    away = (offsets[:, None] / cell_px) ** 2 + (turns * half_px / cell_px) ** 2
    good = differ - LIKELY * away
    i, j = (int(k) for k in np.unravel_index(int(np.argmax(good)), good.shape))
    near = np.abs(offsets - offsets[i])[:, None] <= AS_NEAR_PX
    alike = (good > good[i, j] - AS_GOOD) & near & (np.abs(turns - turns[j]) * half_px <= AS_NEAR_PX)
    offset, turn = (float(np.mean(np.broadcast_to(one, good.shape)[alike])) for one in (offsets[:, None], turns))
    return Meeting(offset, turn, float(differ[i, j]), float(together[i, j]))


@compiled
def _meetings(
    across: Floats, along: Floats, seen: Singles, usual: Floats, gap: float, offsets: Floats, turns: Floats
) -> tuple[Floats, Floats]:
    """(O, T) each: the share of places that differ, and how far both sides vary together, for every line.

    `across` and `along` (N,) are in px, `seen` (3, N); differences count in `usual` (3,) ones. Pixels are summed once,
    in steps across each place.
    """
    low, left = along.min(), across.min()
    places, steps = int((along.max() - low) / PLACE_PX) + 1, int((across.max() - left) / STEPS_PX) + 1
    sums = np.zeros((4, places, steps + 1))  # of pixels, and of what they show, up to each step
    for i in range(len(across)):
        place, step = int((along[i] - low) / PLACE_PX), int((across[i] - left) / STEPS_PX) + 1
        sums[3, place, step] += 1.0
        for c in range(3):
            sums[c, place, step] += seen[c, i] / usual[c]
    for step in range(1, steps + 1):
        sums[:, :, step] += sums[:, :, step - 1]
    differ, together = np.zeros((len(offsets), len(turns))), np.zeros((len(offsets), len(turns)))
    level = np.empty((2, 3, places))
    for o in range(len(offsets)):
        for t in range(len(turns)):
            many, apart, mean = 0, 0.0, np.zeros((2, 3))
            for p in range(places):
                at = offsets[o] + turns[t] * (low + (p + 0.5) * PLACE_PX) - left
                least, squares = np.inf, 0.0
                for k in range(2):
                    near, far = (at + gap, at + gap + DEPTH_PX) if k else (at - gap - DEPTH_PX, at - gap)
                    a, b = min(max(int(near / STEPS_PX + 0.5), 0), steps), min(max(int(far / STEPS_PX + 0.5), 0), steps)
                    count = sums[3, p, b] - sums[3, p, a]
                    least = min(least, count)
                    for c in range(3):
                        level[k, c, many] = (sums[c, p, b] - sums[c, p, a]) / max(count, 1.0)
                if least < FEWEST:
                    continue
                for c in range(3):
                    squares += (level[0, c, many] - level[1, c, many]) ** 2
                    mean[0, c] += level[0, c, many]
                    mean[1, c] += level[1, c, many]
                apart += squares / (1.0 + squares)
                many += 1
            if many < MOSTLY * places:
                continue
            differ[o, t] = apart / many
            both, each = 0.0, 0.0
            for p in range(many):
                for c in range(3):
                    one, other = level[0, c, p] - mean[0, c] / many, level[1, c, p] - mean[1, c] / many
                    both += one * other
                    each += (one * one + other * other) / 2.0
            together[o, t] = both / max(each, float(many))
    return differ, together
