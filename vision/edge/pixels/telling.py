"""What pixels tell of a side's place: whether it stands out clearly, and whether colours tell anything."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.pixels.noise import Noise
from vision.edge.pixels.windows import Window

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

CLEAR = 10.0  # standard deviations of one pixel between cloth and mat
BESIDE_PX = 2.0  # of the line: cloth to the one side, mat to the other
# Of what luma tells of a place, that colours tell: without so little it moves by a thirtieth of its uncertainty.
LEAST_TOLD = 1.0 / 1000.0


def told_by(window: Window, noise: Noise) -> tuple[Floats, Bools]:
    """(S,) each: sides' steps of luma, in standard deviations of a pixel; of which the colours tell anything besides.

    A side stands out clearly by more than `CLEAR`.
    """
    steps = steps_of(window.across_px, window.seen, window.side, window.count)
    told = (steps / np.array(noise.sd)[:, None]) ** 2 / np.array(noise.together)[:, None]
    return np.abs(steps[0]) / noise.sd[0], told[1] + told[2] > LEAST_TOLD * told[0]


@compiled
def steps_of(across_px: Floats, seen: Singles, side: Ints, count: int) -> Floats:
    """(3, S): between mean levels inside and outside of `count` sides' lines, as `seen` (3, N); 0 where one is not."""
    pixels, total, steps = np.zeros((2, count)), np.zeros((2, 3, count)), np.zeros((3, count))
    for i in range(len(side)):
        if abs(across_px[i]) > BESIDE_PX:
            where = 1 if across_px[i] > 0.0 else 0
            pixels[where, side[i]] += 1.0
            for c in range(3):
                total[where, c, side[i]] += seen[c, i]
    for s in range(count):
        for c in range(3):
            if pixels[0, s] > 0.0 and pixels[1, s] > 0.0:
                steps[c, s] = total[0, c, s] / pixels[0, s] - total[1, c, s] / pixels[1, s]
    return steps
