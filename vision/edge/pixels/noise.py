"""How noisy a frame is, as it is written down: for each pixel alone, and for many together."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.robust import MAD_TO_SD
from vision.compiled import compiled
from vision.edge.model.encoding import YCC_OF_BGR, Encoder, encoded_at
from vision.edge.pixels.neighbours import Neighbours
from vision.finding.commonest import bare_spread, commonest
from vision.finding.mat import Scene
from vision.light import BGR_OF_LEVELS
from vision.medians import medians

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Singles = NDArray[np.float32]

GUESSED_DOUBT = 3.0  # times its noise, of the light beside a side, from a mat that was guessed: it strays smoothly
LEAST_COLOURS_TOGETHER = 4.0  # compression and mosaics write one sample of colour for four pixels
PLACES = 6000  # at which blocks are looked for,
MOST_BLOCKS, FEWEST_BLOCKS = 1500, 50  # and how many of them are taken
FAR = 3.0  # standard deviations: a block's mean farther off is no bare mat's
BLOCK_PX = 5  # of bare mat, to see how noise averages
ROUNDING = 0.289 / 255.0  # standard deviation of rounding to a byte


@dataclass(frozen=True, slots=True)
class Noise:
    """Of the encoded frame against the encoded bare mat, luma and colour differences."""

    sd: tuple[float, float, float]  # of one pixel
    together: tuple[float, float, float]  # how many pixels err alike: 1 where each errs alone
    smooth: float = 1.0  # times as far off may be what falls off slowly beside a side, as shadows do, as noise has it


def encoded_noise(scene: Scene, encoder: Encoder, neighbours: Neighbours | None = None) -> Noise:
    """The noise of the encoded frame against the encoded bare mat, from blocks of pixels that show bare mat.

    Where `neighbours` do not say which these are, cloth must cover less than two thirds of the picture.
    """
    height, width = scene.shape
    if min(height, width) < 2 * BLOCK_PX:  # a picture of a few pixels
        return Noise((ROUNDING,) * 3, (1.0, LEAST_COLOURS_TOGETHER, LEAST_COLOURS_TOGETHER))
    ys, xs = _block_corners(height, width, neighbours)
    down, along = (one.ravel() for one in np.mgrid[:BLOCK_PX, :BLOCK_PX])
    pixels = ys[:, None] + down, xs[:, None] + along
    seen, bare = scene.seen.some(pixels), scene.mat.some(pixels)
    means, within = _blocks(seen, bare, BGR_OF_LEVELS, YCC_OF_BGR, encoder.steps[0])
    # What lies on the mat unseen differs from it, or is restless: medians leave it out.
    luma = means[:, 0].astype(np.float32)
    near = np.abs(luma - commonest(luma)) <= FAR * bare_spread(luma)
    of_means = (MAD_TO_SD * medians(np.abs(means[near] - medians(means[near])))) ** 2
    variance = medians(within[near]) + of_means
    spread = np.sqrt(variance)
    together = np.clip(of_means * BLOCK_PX**2 / np.maximum(variance, 1e-12), 1.0, float(BLOCK_PX**2))
    # Compression writes colours no finer than luma, and may leave exact zeros on a quiet mat: that is no precision.
    sd = np.maximum(np.maximum(spread, spread[0]), ROUNDING)
    together = np.maximum(together, [1.0, LEAST_COLOURS_TOGETHER, LEAST_COLOURS_TOGETHER])
    return Noise(
        (float(sd[0]), float(sd[1]), float(sd[2])),
        (float(together[0]), float(together[1]), float(together[2])),
        1.0 if scene.known else GUESSED_DOUBT,
    )


def _block_corners(height: int, width: int, neighbours: Neighbours | None) -> tuple[Ints, Ints]:
    """(N,) y and x of the first pixels of blocks all over the picture, without cloth where enough are."""
    pitch = max(BLOCK_PX, int(math.sqrt(height * width / PLACES)))
    ys, xs = (one.ravel() for one in np.mgrid[2 : height - BLOCK_PX : pitch, 2 : width - BLOCK_PX : pitch])
    if neighbours is not None:
        # Cloth's surroundings are wider than a block: they show at its corners or in its middle.
        steps = ((0, 0), (0, BLOCK_PX - 1), (BLOCK_PX - 1, 0), (BLOCK_PX - 1, BLOCK_PX - 1), (BLOCK_PX // 2,) * 2)
        bare = ~np.any([neighbours.highest[ys + down, xs + along] for down, along in steps], axis=0)
        if np.count_nonzero(bare) >= FEWEST_BLOCKS:
            ys, xs = ys[bare], xs[bare]
    # A grid's rows repeat themselves: every so many of them would be columns.
    some = np.linspace(0, len(ys) - 1, min(len(ys), MOST_BLOCKS)).astype(np.int64)
    return ys[some], xs[some]


@compiled
def _blocks(seen: Singles, bare: Singles, bgr_of: Floats, ycc_of: Floats, steps: Singles) -> tuple[Floats, Floats]:
    """(N, 3): mean and variance within each block of the encoded frame less the encoded bare mat.

    `seen` and `bare` (N, P, 3) are levels, mapped by `bgr_of` to light, looked up in `steps`, and mapped by `ycc_of`.
    """
    means, within = np.zeros((len(seen), 3)), np.zeros((len(seen), 3))
    off, many = np.empty(3), seen.shape[1]
    for n in range(len(seen)):
        for i in range(many):
            for c in range(3):
                off[c] = encoded_at(seen[n, i], bgr_of[c], steps) - encoded_at(bare[n, i], bgr_of[c], steps)
            for c in range(3):
                value = ycc_of[c, 0] * off[0] + ycc_of[c, 1] * off[1] + ycc_of[c, 2] * off[2]
                means[n, c] += value / many
                within[n, c] += value * value / many
        for c in range(3):
            within[n, c] = max(within[n, c] - means[n, c] ** 2, 0.0)  # of an overexposed block all are alike
    return means, within
