"""How much each pixel of a side counts: by what the residuals on its cloth and on its mat show of their noise."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.robust import MAD_TO_SD
from vision.compiled import compiled
from vision.edge.model.predicting import Light
from vision.edge.pixels.sidepixels import SidePixels
from vision.medians import middle_between

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

HUBER = 2.5  # residuals beyond this many standard deviations count less
MODEL_ERROR = 0.02  # of the contrast, in the middle of the edge: what the blur model does not know
MAT_DOUBT = 3.0  # the bare mat may seem so many times as noisy, no more
CLOTH_DOUBT = 50.0
UNTOLD = 4.0  # times the noise's variance, before residuals tell
SURELY = np.float32(0.9)  # a share that makes cloth, or mat
FEWEST = 5  # pixels that tell a spread
ONE, TWO, FOUR, WRONG, SIGMAS = (np.float32(one) for one in (1.0, 2.0, 4.0, MODEL_ERROR, HUBER))
LEAST_REST = np.float32(1e-9)


class Weighed(NamedTuple):
    """Of a side's pixels, the first of N places."""

    rest: Singles  # (3, N) what is seen less what is predicted
    weights: Singles  # (3, N) one over variance; outliers count less
    lone: Singles  # (3, N) share of each pixel's variance that is alone
    step: Singles  # (3, N) between the cloth's level and the mat's
    some: Singles  # (N,) sizes of some residuals


def room_to_weigh(most: int) -> Weighed:
    """For sides of so many pixels at most."""
    return Weighed(*(np.empty((*shape, most), np.float32) for shape in ((3,), (3,), (3,), (3,), ())))


@compiled
def weigh(
    to: Weighed,
    light: Light,
    w: SidePixels,
    s: int,
    levels: Floats,
    told: bool,
    floor: Singles,
    together: Singles,
    channels: int,
) -> None:
    """Weigh the pixels of side `s`, whose cloth has `levels` (2, 3, B), in so many channels.

    Noise (`floor`, (3,) standard deviations) is alike in `together` (3,) neighbours and counts for fewer pixels; what
    is above noise is each pixel's own. Only if they have `told`, residuals say how noisy the side is.
    """
    first, last = w.bin_starts[w.side_bins[s]], w.bin_starts[w.side_bins[s + 1]]
    n, luma_step = last - first, to.step[0]
    for c in range(channels):
        noise = floor[c] * floor[c]
        alike = noise * (together[c] - ONE)
        share, seen, bare = light.share[min(c, 1)], w.seen[c, first:last], w.bare_seen[c, first:last]
        rest, step, predicted, weights, lone = to.rest[c], to.step[c], light.seen[c], to.weights[c], to.lone[c]
        for i in range(n):
            rest[i] = seen[i] - predicted[i]
        for b in range(w.side_bins[s], w.side_bins[s + 1]):
            begin, end = w.bin_starts[b] - first, w.bin_starts[b + 1] - first
            cloth, steps = np.float32(levels[0, c, b]), step[begin:end]
            for i in range(end - begin):
                steps[i] = abs(cloth - bare[begin:end][i])
        on_cloth, on_mat = _spreads(to.some, rest, share[:n], floor[c])
        for i in range(n):
            of_mat = ONE - share[i]
            middle = FOUR * share[i] * of_mat
            # What the blur's shape does not know; and colours beside a step of luma, which compression smears.
            wrong = WRONG * middle * max(step[i], luma_step[i])
            seen_so = (share[i] * on_cloth) ** 2 + (of_mat * on_mat) ** 2 + middle * noise / TWO
            variance = seen_so + wrong * wrong if told else FOUR * noise
            lone[i] = variance / (variance + alike)
            far = SIGMAS * np.sqrt(variance) / max(abs(rest[i]), LEAST_REST)
            weights[i] = min(ONE, far) * lone[i] / variance


@compiled
def _spreads(some: Singles, rest: Singles, share: Singles, floor: np.float32) -> tuple[np.float32, np.float32]:
    """Robust standard deviations of residuals on cloth, and on mat; not below `floor`, nor far above."""
    on_cloth = on_mat = floor
    for on in range(2):
        count = 0
        for i in range(len(share)):
            some[count] = abs(rest[i])
            count += (share[i] if on == 0 else ONE - share[i]) > SURELY
        if count >= FEWEST:
            low, high = floor / MAD_TO_SD, (CLOTH_DOUBT if on == 0 else MAT_DOUBT) * floor / MAD_TO_SD
            spread = np.float32(MAD_TO_SD * middle_between(some[:count], low, high))
            if on == 0:
                on_cloth = spread
            else:
                on_mat = spread
    return on_cloth, on_mat
