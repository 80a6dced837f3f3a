"""How much less sure an edge is where its cloth's threads run along it.

Cloth is cut along its threads more often than not. A thread brighter than the next is so all along the side, and looks
as if the edge lay elsewhere: pixels of a row along the side do not err independently, and no number of them averages
that out. How much the cloth's rows differ is seen farther inside, where there is no edge.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.pixels.noise import Noise
from vision.edge.pixels.windows import Window

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]

ROWS_PX = (-9.5, -2.5)  # across the line: cloth that shows no edge
ROWS = 7
FEWEST = 12  # pixels of a row
POOLED = 5.0  # rows' worth: how far sides are taken for alike
# Of a row's variance, in that of the offset: rows count by the square of the edge's slope there, and by how much of
# them is cloth (0.3 behind a Gaussian blur, were rows independent); threads are wider than a row (twice as much).
SHARE = 0.5


def threads_along(window: Window, noise: Noise, plain: NDArray[np.bool_]) -> Floats:
    """(S,): how much greater an offset's variance is for threads along each side, as a share of what pixels alone say.

    0 where the cloth's rows vary as their pixels' noise has it, and of sides that are not `plain` (S,).
    """
    result, rows = np.zeros(window.count), np.zeros((3, window.count, ROWS))
    add_rows(rows, window.across_px, window.seen[0], window.bin_starts, window.bin_side)
    count, total, squares = rows
    seen = np.all(count >= FEWEST, axis=1) & plain
    if not seen.any():
        return result
    means, many = total[seen] / count[seen], count[seen].sum(axis=1)
    within = np.maximum(squares[seen].sum(axis=1) / many - np.mean(means**2, axis=1), 1e-10)
    # Shade across the cloth is no thread: a straight line through the rows is taken out.
    place = np.linspace(-1.0, 1.0, ROWS)
    means = means - means.mean(axis=1, keepdims=True)
    means = means - np.outer(means @ place / (place @ place), place)
    varied = np.sum(means**2, axis=1) / (ROWS - 2)
    alone = within * ROWS / many * (1.0 + (noise.together[0] - 1.0) * np.minimum(1.0, noise.sd[0] ** 2 / within))
    more = varied / np.maximum(alone, 1e-12)
    more = ((ROWS - 2) * more + POOLED * more.mean()) / (ROWS - 2 + POOLED)
    result[seen] = SHARE * np.maximum(more - 1.0, 0.0)
    return result


@compiled
def add_rows(to: Floats, across_px: Floats, luma: Singles, bin_starts: Ints, bin_side: Ints) -> None:
    """Add to (3, S, ROWS) the pixels of each side's rows, what they are off their bins' means, and squares of that."""
    for b in range(len(bin_side)):
        level, many = 0.0, 0.0
        for summed in (False, True):
            for i in range(bin_starts[b], bin_starts[b + 1]):
                place = (across_px[i] - ROWS_PX[0]) / (ROWS_PX[1] - ROWS_PX[0])
                if not 0.0 < place < 1.0:
                    continue
                if summed:
                    off, row = luma[i] - level / many, min(int(place * ROWS), ROWS - 1)
                    to[0, bin_side[b], row] += 1.0
                    to[1, bin_side[b], row] += off
                    to[2, bin_side[b], row] += off * off
                else:
                    level += luma[i]
                    many += 1.0
