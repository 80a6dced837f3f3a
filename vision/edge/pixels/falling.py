"""How the light on plain cloth changes along its sides, told by pixels deeper inside than those of the fit.

Light falls off over a table. Where levels of cloth are expected to be alike along a side, the change turns the edge
instead: cloth that grows darker looks as if it ended sooner.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.pixels.windows import Window

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]

DEEPEST_PX = 9.5  # inside the line
FEWEST_PX, FEWEST = 12.0, 4  # pixels of a bin, bins of a side, that tell how it changes
POOLED = 4.0  # bins' worth: how far sides scatter alike
ANYWHERE_PX = 1e3  # of the encoded range a px: nothing is told


def falling(window: Window, ends_px: Floats, inside_px: float) -> Floats:
    """(2, 3, S): by how much encoded levels grow a px along each side, and the standard uncertainty of that.

    From pixels farther inside than `inside_px`, between `ends_px` (S, 2) along the sides: a line through the means of
    their bins, whose scatter about it says how sure it is.
    """
    sums = deeper(
        window.across_px, window.along_px, window.seen, window.bin_starts, window.bin_side, ends_px, inside_px
    )
    told = sums[0] >= FEWEST_PX
    side, count = window.bin_side[told], sums[0, told]
    place, levels = sums[1, told] / count, sums[2:, told] / count

    def total(values: Floats) -> Floats:
        return np.asarray(np.bincount(side, count * values, window.count), np.float64)

    many, weight = np.bincount(side, minlength=window.count), np.maximum(total(np.ones(len(side))), 1.0)
    place = place - (total(place) / weight)[side]
    spread = np.maximum(total(place**2), 1e-9)
    result = np.stack([np.zeros((3, window.count)), np.full((3, window.count), ANYWHERE_PX)])
    enough = many >= FEWEST
    for c, level in enumerate(levels):
        level = level - (total(level) / weight)[side]
        slope = total(place * level) / spread
        rest = total((level - slope[side] * place) ** 2)
        usual = float(np.median(rest[enough] / (many[enough] - 2))) if enough.any() else 0.0
        variance = (rest + POOLED * usual) / (np.maximum(many - 2, 1) + POOLED) / spread
        result[0, c, enough], result[1, c, enough] = slope[enough], np.sqrt(variance[enough])
    return result


@compiled
def deeper(
    across_px: Floats,
    along_px: Floats,
    seen: Singles,
    bin_starts: Ints,
    bin_side: Ints,
    ends_px: Floats,
    inside_px: float,
) -> Floats:
    """(5, B): of each bin's pixels deeper inside, how many they are, and sums of their places along and of 3 levels."""
    sums = np.zeros((5, len(bin_side)))
    for b in range(len(bin_side)):
        low, high = ends_px[bin_side[b], 0], ends_px[bin_side[b], 1]
        for i in range(bin_starts[b], bin_starts[b + 1]):
            if -DEEPEST_PX < across_px[i] < -inside_px and low < along_px[i] < high:
                sums[0, b] += 1.0
                sums[1, b] += along_px[i]
                for c in range(3):
                    sums[2 + c, b] += seen[c, i]
    return sums
