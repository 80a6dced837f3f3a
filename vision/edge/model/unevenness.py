"""How unlike a fabric's own places are across a line, by how far apart they lie: what no one level can tell of a print.

A fit across a seam takes each fabric for one level in a short bin along it. Of a print that holds near the seam only:
a plaid's next line is as far from that level as one place of the print is from another so far away. That is read off
the print itself, deeper inside, as half of a variogram's two (G. Matheron, Principles of geostatistics, Economic
Geology 58, 1963, from memory), and pixels count for as much less.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.start.valley import WEAVE

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

DEEP_PX = 2.0  # from the line on, where the other fabric does not show
FARTHEST_PX = 9  # apart
FEWEST = 20  # pairs that tell


@compiled
def differences(across: Floats, along: Floats, seen: Singles, sd: Floats) -> Floats:
    """(2, 3, D): mean squares by which two pixels 0, 1, ... px apart across a line differ beyond their noise `sd` (3,).

    First of the fabric inside the line, then of that outside. `across` and `along` (N,) are in px, `seen` (3, N).
    Farther apart than the window has pixels they differ as they do in it.
    """
    columns, rows = int(along.max() - along.min()) + 1, int(np.abs(across).max()) + 1
    low, found = along.min(), np.zeros((2, 3, FARTHEST_PX + 1))
    for side in range(2):
        count, total = np.zeros((rows, columns)), np.zeros((3, rows, columns))
        for i in range(len(across)):
            deep = (across[i] if side else -across[i]) - DEEP_PX
            if deep >= 0.0:
                row, column = int(deep), int(along[i] - low)
                count[row, column] += 1.0
                for c in range(3):
                    total[c, row, column] += seen[c, i]
        for apart in range(1, FARTHEST_PX + 1):
            pairs, squares = 0, np.zeros(3)
            for row in range(rows - apart):
                for column in range(columns):
                    here, there = count[row, column], count[row + apart, column]
                    if here > 0.0 and there > 0.0:
                        pairs += 1
                        for c in range(3):
                            squares[c] += (total[c, row, column] / here - total[c, row + apart, column] / there) ** 2
            for c in range(3):
                found[side, c, apart] = found[side, c, apart - 1]
                if pairs > FEWEST:
                    found[side, c, apart] = max(squares[c] / pairs - 2.0 * sd[c] ** 2, 0.0)
    return found


@compiled
def uneven_variance(uneven: Floats, away: Floats, share: Floats) -> Floats:
    """(3, N): by how much the fabrics' `differences` make pixels vary that lie `away` (N,) px outward of the line.

    `share` (2, N) of the inner fabric, at the luma's and at the colours' blur.
    """
    variance = np.zeros((3, len(away)))
    for i in range(len(away)):
        side, depth = int(away[i] > 0.0), min(abs(away[i]), uneven.shape[2] - 1.001)
        low = int(depth)
        for c in range(3):
            near, far = uneven[side, c, low], uneven[side, c, low + 1]
            own = share[min(c, 1), i] if side == 0 else 1.0 - share[min(c, 1), i]
            variance[c, i] = own * own * (near + (depth - low) * (far - near))
    return variance


def is_figured(across: Floats, seen: Singles, sd: Floats) -> bool:
    """Whether either fabric varies by more than noise `sd` (3,) and plain cloth's weave make: a print's figures show.

    `across` (N,) and `seen` (3, N) are as in `differences`.
    """
    for deep in (across < -DEEP_PX, across > DEEP_PX):
        if int(deep.sum()) > FEWEST:
            usual = 3.0 * sd + WEAVE * np.array([float(np.median(seen[0, deep])), 0.5, 0.5])
            if np.any(seen[:, deep].var(axis=1) > usual**2):
                return True
    return False
