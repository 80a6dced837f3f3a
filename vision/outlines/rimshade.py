"""How dark the mat is beside a side: cloth and walls take light from it, the more the nearer.

Where the mat shows lines, that is no part of the middle profile of the side: a line is darkened by the same share as
the mat is, and so by more light.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.model.encoding import decoded
from vision.medians import middle_of

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]

CLEAR_PX = 1.5  # outside, beyond which hardly any light is the cloth's
STEP_PX = 0.5
FEWEST = 8  # pixels at a distance
ENOUGH = 24  # of them that tell a middle
DARK = 0.003  # linear light below which a share says little


@compiled
def shade(bare: Singles, seen: Singles, across: Floats, linear: Floats) -> None:
    """The bare mat's linear blue green red (3, N) beside a side becomes what it is in the shade there.

    `seen` (3, N) is what pixels show, encoded luma and colour differences, of which `linear` says the light (see
    `encoding.decoded`); `across` (N,) is in px outward of the side.
    """
    some = _some_outside(across)
    share = np.empty(len(some))
    for k in range(len(some)):
        i, shows, lit = some[k], DARK, DARK
        for c in range(3):
            shows += decoded(seen[0, i], seen[1, i], seen[2, i], c, linear)
            lit += bare[c, i]
        share[k] = shows / lit
    gains = mat_gains(share, across[some], across)
    for c in range(3):
        for i in range(len(across)):
            bare[c, i] *= np.float32(gains[i])


@compiled
def _some_outside(across: Floats) -> Ints:
    """(K,): which pixels tell how dark the mat is, as many as need be at each distance, from all along the side."""
    count = np.zeros(max(1, int((across.max() - CLEAR_PX) / STEP_PX) + 1), np.int64)
    for i in range(len(across)):
        if across[i] >= CLEAR_PX:
            count[int((across[i] - CLEAR_PX) / STEP_PX)] += 1
    every, met = np.maximum(count // ENOUGH, 1), np.zeros(len(count), np.int64)
    some, many = np.empty(count.sum(), np.int64), 0
    for i in range(len(across)):
        if across[i] >= CLEAR_PX:
            place = int((across[i] - CLEAR_PX) / STEP_PX)
            if met[place] % every[place] == 0:
                some[many] = i
                many += 1
            met[place] += 1
    return some[:many].copy()


@compiled
def mat_gains(share: Floats, at: Floats, across: Floats) -> Floats:
    """(N,): the mat's light over that in its picture, by how far `across` (N,) px outward of the side a pixel lies.

    `share` (K,) is what pixels `at` (K,) px outward, from `CLEAR_PX` on, show of it; nearer and inside it is as it is
    there.
    """
    many = max(1, int((across.max() - CLEAR_PX) / STEP_PX) + 1)
    first = np.zeros(many + 1, np.int64)
    for i in range(len(at)):
        first[int((at[i] - CLEAR_PX) / STEP_PX) + 1] += 1
    first = np.cumsum(first)
    ordered, filled = np.empty(first[-1]), first[:-1].copy()
    for i in range(len(at)):
        place = int((at[i] - CLEAR_PX) / STEP_PX)
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
