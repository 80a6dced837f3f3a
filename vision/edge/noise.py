"""How noisy a frame is, as it is written down: for each pixel alone, and for many together."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vision.contrast import commonest
from vision.edge.encoding import YCC_OF_BGR, Encoder
from vision.edge.neighbours import Neighbours
from vision.edge.windows import BGR_OF_LEVELS
from vision.mat import Scene

GUESSED_DOUBT = 3.0  # times its noise, of a mat that was guessed: it has no grid lines
LEAST_COLOURS_TOGETHER = 4.0  # compression and mosaics write one sample of colour for four pixels
FEWEST_BLOCKS = 50
BLOCK_PX = 5  # of bare mat, to see how noise averages
ROUNDING = 0.289 / 255.0  # standard deviation of rounding to a byte


@dataclass(frozen=True, slots=True)
class Noise:
    """Of the encoded frame against the encoded bare mat, luma and colour differences."""

    sd: tuple[float, float, float]  # of one pixel
    together: tuple[float, float, float]  # how many pixels err alike: 1 where each errs alone


def encoded_noise(scene: Scene, encoder: Encoder, neighbours: Neighbours | None = None) -> Noise:
    """The noise of the encoded frame against the encoded bare mat, from blocks of pixels that show bare mat.

    Where `neighbours` do not say which these are, those that are quiet and near the commonest difference.
    """
    height, width = scene.levels.shape[:2]
    pitch = max(BLOCK_PX, int(math.sqrt(height * width / 6000.0)))
    if min(height, width) < 2 * BLOCK_PX:  # a picture of a few pixels
        return Noise((ROUNDING,) * 3, (1.0, LEAST_COLOURS_TOGETHER, LEAST_COLOURS_TOGETHER))
    ys, xs = np.mgrid[2 : height - BLOCK_PX : pitch, 2 : width - BLOCK_PX : pitch]
    inner = np.arange(BLOCK_PX)
    y = ys.ravel()[:, None, None] + inner[:, None]
    x = xs.ravel()[:, None, None] + inner
    seen = encoder.encode(scene.levels[y, x].astype(np.float64) @ BGR_OF_LEVELS.T)[0] @ YCC_OF_BGR.T
    bare = encoder.encode(scene.bare[y, x].astype(np.float64) @ BGR_OF_LEVELS.T)[0] @ YCC_OF_BGR.T
    off = (seen - bare).reshape(len(y), -1, 3)  # (blocks, pixels, channels)
    means = off.mean(axis=1)
    within = off.std(axis=1)
    bare_ones = np.ones(len(off), bool) if neighbours is None else ~np.any(neighbours.highest[y, x], axis=(1, 2))
    if np.count_nonzero(bare_ones) < FEWEST_BLOCKS:
        bare_ones[:] = True
    # A third of the picture is bare mat at least; what lies on it unseen differs from it, or is restless.
    far = np.abs(means[:, 0] - commonest(means[bare_ones, 0].astype(np.float32)))
    near = bare_ones & (far <= np.quantile(far[bare_ones], 0.9 if neighbours is not None else 0.4))
    quiet = near & (within[:, 0] <= np.quantile(within[near, 0], 0.8))
    spread = np.sqrt(np.mean(within[quiet] ** 2, axis=0) * BLOCK_PX**2 / (BLOCK_PX**2 - 1.0))
    middle = np.median(means[quiet], axis=0)
    of_means = 1.4826 * np.median(np.abs(means[quiet] - middle), axis=0)
    together = np.clip((of_means * BLOCK_PX / np.maximum(spread, 1e-6)) ** 2, 1.0, float(BLOCK_PX**2))
    doubt = 1.0 if scene.known else GUESSED_DOUBT
    # Compression writes colours no finer than luma, and may leave exact zeros on a quiet mat: that is no precision.
    sd = doubt * np.maximum(np.maximum(spread, spread[0]), ROUNDING)
    together = np.maximum(together, [1.0, LEAST_COLOURS_TOGETHER, LEAST_COLOURS_TOGETHER])
    return Noise(
        (float(sd[0]), float(sd[1]), float(sd[2])), (float(together[0]), float(together[1]), float(together[2]))
    )
