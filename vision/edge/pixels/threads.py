"""How much less sure an edge is where its cloth's threads run along it.

Cloth is cut along its threads more often than not. A thread brighter than the next is so all along the side, and looks
as if the edge lay elsewhere: pixels of a row along the side do not err independently, and no number of them averages
that out. How much the cloth's rows differ is seen farther inside, where there is no edge.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.edge.pixels.noise import Noise
from vision.edge.pixels.windows import Window

Floats = NDArray[np.float64]

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
    use = (window.across_px > ROWS_PX[0]) & (window.across_px < ROWS_PX[1]) & plain[window.side]
    result = np.zeros(window.count)
    if not use.any():
        return result
    bins = np.repeat(np.arange(len(window.bin_starts)), np.diff([*window.bin_starts, len(window.side)]))[use]
    luma, side = window.seen[0, use], window.side[use]
    level = np.bincount(bins, luma) / np.maximum(np.bincount(bins), 1)
    off = luma - level[bins]
    row = np.minimum(
        ((window.across_px[use] - ROWS_PX[0]) / (ROWS_PX[1] - ROWS_PX[0]) * ROWS).astype(np.int64), ROWS - 1
    )
    key, cells = side * ROWS + row, window.count * ROWS
    count = np.bincount(key, minlength=cells).reshape(-1, ROWS)
    total, squares = (np.bincount(key, one, cells).reshape(-1, ROWS) for one in (off, off**2))
    seen = np.all(count >= FEWEST, axis=1)
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
