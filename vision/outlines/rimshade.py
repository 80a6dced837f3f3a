"""How dark the mat is beside a side: cloth and walls take light from it, the more the nearer.

Where the mat shows lines, that is no part of the middle profile of the side: a line is darkened by the same share as
the mat is, and so by more light.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.medians import middle_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Singles = NDArray[np.float32]

CLEAR_PX = 1.5  # outside, beyond which hardly any light is the cloth's
STEP_PX = 0.5
FEWEST = 8  # pixels at a distance
DARK = 0.003  # linear light below which a share says little


@compiled
def shaded_mat(
    levels: Singles, bare: Singles, x: Ints, y: Ints, across: Floats, first: Ints, to_light: Floats
) -> Singles:
    """(N, 1, 3): the bare mat's levels at pixels `x` and `y` (N,), as it is shaded there beside its side.

    `levels` and `bare` are pictures (H, W, 3), of whose levels `to_light` (3,) makes light; `across` (N,) is in px
    outward of a side, `first` (S + 1,) each side's first pixel, and the end.
    """
    found, share = np.empty((len(x), 1, 3), np.float32), np.empty(len(x))
    for i in range(len(x)):
        if across[i] < CLEAR_PX:
            continue
        seen, mat = levels[y[i], x[i]], bare[y[i], x[i]]
        light = to_light[0] * seen[0] + to_light[1] * seen[1] + to_light[2] * seen[2]
        share[i] = (light + DARK) / (to_light[0] * mat[0] + to_light[1] * mat[1] + to_light[2] * mat[2] + DARK)
    for s in range(len(first) - 1):
        if first[s + 1] > first[s]:
            gains = mat_gains(share[first[s] : first[s + 1]], across[first[s] : first[s + 1]])
            for i in range(first[s], first[s + 1]):
                for c in range(3):
                    found[i, 0, c] = bare[y[i], x[i], c] * gains[i - first[s]]
    return found


@compiled
def mat_gains(share: Floats, across: Floats) -> Floats:
    """(N,): the mat's light over that in its picture, by how far `across` (N,) px outward of the side a pixel lies.

    `share` (N,) is what each pixel shows of it, from `CLEAR_PX` on; nearer and inside it is as it is there.
    """
    many = max(1, int((across.max() - CLEAR_PX) / STEP_PX) + 1)
    first = np.zeros(many + 1, np.int64)
    for i in range(len(across)):
        if across[i] >= CLEAR_PX:
            first[int((across[i] - CLEAR_PX) / STEP_PX) + 1] += 1
    first = np.cumsum(first)
    ordered, filled = np.empty(first[-1]), first[:-1].copy()
    for i in range(len(across)):
        if across[i] >= CLEAR_PX:
            place = int((across[i] - CLEAR_PX) / STEP_PX)
            ordered[filled[place]] = share[i]
            filled[place] += 1
    middles, gains, told = np.empty(many), np.empty(many), 0
    for place in range(many):
        if first[place + 1] - first[place] >= FEWEST:
            middles[told] = CLEAR_PX + (place + 0.5) * STEP_PX
            gains[told] = middle_of(ordered[first[place] :], first[place + 1] - first[place])
            told += 1
    if told == 0:
        return np.ones(len(across))
    # At even places, between which any other is found at once.
    even = np.interp(CLEAR_PX + (np.arange(many) + 0.5) * STEP_PX, middles[:told], gains[:told])
    found = np.empty(len(across))
    for i in range(len(across)):
        place = min(max((across[i] - CLEAR_PX) / STEP_PX - 0.5, 0.0), many - 1.0)
        low = min(int(place), max(many - 2, 0))
        found[i] = even[low] + (place - low) * (even[min(low + 1, many - 1)] - even[low])
    return found
