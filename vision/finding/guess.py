"""What the bare mat looks like where nobody took its picture: a smooth surface, and its printed lines.

The surface is of third order, since light beside a window falls steeper than any parabola. It follows the greatest part
of the picture that is as smooth as neighbouring places are; cloth lies beside it in level.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from calibration.robust import MAD_TO_SD
from vision.finding.commonest import bare_spread, commonest
from vision.finding.contrast import in_cells
from vision.finding.gridlines import line_shares

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Bools = NDArray[np.bool_]

EVERY_PX = 4  # rows and columns of which one tells the first surface
BROAD_PX = 8  # squares whose means tell cloth from mat where single pixels do not
POWERS = tuple((n - j, j) for n in range(4) for j in range(n + 1))  # of the place across and down, order by order
PARABOLA, STEEPER = 6, 10  # of the powers, those up to the second and the third order
CLOTH = np.ones((3, 3), np.uint8)  # squares: lines are thinner
ROUNDS = 20
NEAR = 3.0  # standard deviations from the surface within which a place may be bare mat
NARROWER = 0.7  # of these from round to round, down to what neighbours differ by
UNEVEN = 0.01  # of its light, by which a mat strays from anything smooth
LEAST_SHARE = 1 / 3  # of what is seen of the mat is taken to be bare


def guessed_levels(levels: Floats32, on_mat: Bools, camera: Pinhole | None = None) -> Floats32:
    """The bare mat's levels (H, W, 3), luminance and two colour differences, from a picture with cloth on it.

    `levels` are the picture's, `on_mat` (H, W) is True where the mat can be seen at all. Its lines are told with the
    `camera` alone; without, the guess is smooth.
    """
    some = levels[::EVERY_PX, ::EVERY_PX][on_mat[::EVERY_PX, ::EVERY_PX]]
    sample, terms = some.astype(np.float64), _terms(on_mat, EVERY_PX)
    use, fit = _near_commonest(sample), np.zeros((PARABOLA, 3))
    for _ in range(ROUNDS):
        fit, now, _ = _followed(sample, terms[:, :PARABOLA], use)
        if np.array_equal(now, use):
            break
        use = now
    smooth, bare = _surface(fit, on_mat.shape), on_mat
    if camera is None:
        return _again(levels, smooth, on_mat)[0]
    lines: Floats32 = np.zeros_like(smooth)
    for _ in range(2):  # cloth is told from lines only once both are known roughly
        lines = line_shares(levels, smooth, bare, camera) * smooth[..., :1]
        smooth, bare = _again(levels - lines, smooth, on_mat)
    return smooth + lines


def _again(levels: Floats32, smooth: Floats32, on_mat: Bools) -> tuple[Floats32, Bools]:
    """The smooth surface (H, W, 3) from means without lines, and where no cloth is seen (H, W).

    It lets go of what differs from it, little by little.
    """
    broad, rough = (in_cells(in_cells(in_cells(one))) for one in (levels, smooth))
    shown = _whole(on_mat, BROAD_PX)
    if np.count_nonzero(shown) < 4 * STEEPER:
        return smooth, on_mat
    pairs = shown[:, 1:] & shown[:, :-1]
    beside = np.median(np.abs(broad[:, 1:] - broad[:, :-1])[pairs], axis=0) * MAD_TO_SD / np.sqrt(2.0)
    sample, terms = broad[shown].astype(np.float64), _terms(on_mat, BROAD_PX, shown)
    off = np.ascontiguousarray((broad - rough)[shown].T)
    middle, spread = (np.array([of(one) for one in off]) for of in (commonest, bare_spread))
    use = np.all(np.abs(off.T - middle) < NEAR * spread, axis=1)
    fit = np.zeros((STEEPER, 3))
    for many in (PARABOLA, STEEPER):
        for k in range(ROUNDS):
            fit, now, least = _followed(sample, terms[:, :many], use, NARROWER**k, beside)
            if np.count_nonzero(now) < LEAST_SHARE * len(now) or (least and np.array_equal(now, use)):
                break
            use = now
    other = np.zeros(shown.shape, np.uint8)
    other[shown] = ~use
    cloth = cv2.dilate(cv2.morphologyEx(other, cv2.MORPH_OPEN, CLOTH), CLOTH)
    in_px = np.repeat(np.repeat(cloth, BROAD_PX, axis=0), BROAD_PX, axis=1)[: on_mat.shape[0], : on_mat.shape[1]]
    return _surface(fit, on_mat.shape), on_mat & (in_px == 0)


def _followed(
    sample: Floats, terms: Floats, use: Bools, narrower: float = 1.0, beside: Floats | None = None
) -> tuple[Floats, Bools, bool]:
    """A surface (K, 3) through those of (N, 3) to `use`, which are near it, and whether that is as near as can be.

    Near is within what those used stray from it, less as it gets `narrower`, but no less than neighbours do `beside`.
    """
    fit = np.asarray(np.linalg.lstsq(terms[use], sample[use], rcond=None)[0], np.float64)
    error = np.abs(sample - terms @ fit)
    uneven = UNEVEN * abs(float(np.median(sample[use, 0]))) + 1e-4
    spread = np.median(error[use], axis=0) * MAD_TO_SD + uneven
    least = spread if beside is None else beside + uneven
    within = np.minimum(spread, np.maximum(narrower * spread, least))
    return fit, np.asarray(np.all(error < NEAR * within, axis=1)), bool(np.all(within <= least))


def _terms(on_mat: Bools, every: int, shown: Bools | None = None) -> Floats:
    """(N, 10) powers of the places, over the picture's size and from its middle, of squares so many px wide."""
    ys, xs = np.nonzero(on_mat[::every, ::every] if shown is None else shown)
    v, u = ((at * every + every / 2) / n - 0.5 for at, n in zip((ys, xs), on_mat.shape, strict=True))
    return np.column_stack([u**i * v**j for i, j in POWERS])


def _surface(fit: Floats, shape: tuple[int, ...]) -> Floats32:
    """(H, W, 3) from what the first powers of the place are worth (K, 3)."""
    v, u = ((np.arange(n) + 0.5) / n - 0.5 for n in shape)
    surface = np.zeros((*shape, 3), np.float32)
    for (i, j), own in zip(POWERS, fit, strict=False):
        surface += ((u**i * (v**j)[:, None])[..., None] * own).astype(np.float32)
    return surface


def _whole(on_mat: Bools, px: int) -> Bools:
    """Which squares of so many px are on the mat all over, as many of them as cells of cells are."""
    height, width = (-(-n // px) for n in on_mat.shape)
    all_of = np.zeros((height * px, width * px), bool)
    all_of[: on_mat.shape[0], : on_mat.shape[1]] = on_mat
    return np.asarray(all_of.reshape(height, px, width, px).all(axis=(1, 3)))


def _near_commonest(sample: Floats) -> Bools:
    """(N,) True for the samples (N, 3) within a broad range of the fullest cell of a colour histogram."""
    # Over the root of the light, noise is about even, and black cloth lies apart from a dark mat.
    sample = sample / np.sqrt(np.maximum(sample[:, :1], 1e-4))
    low, high = np.percentile(sample, [1, 99], axis=0)
    counts, edges = np.histogramdd(sample, bins=12, range=list(zip(low, high + 1e-6, strict=True)))
    best = np.unravel_index(np.argmax(counts), counts.shape)
    centre = np.array([(edges[i][k] + edges[i][k + 1]) / 2 for i, k in enumerate(best)])
    size = np.array([edges[i][1] - edges[i][0] for i in range(3)])
    return np.asarray(np.all(np.abs(sample - centre) < 1.5 * size, axis=1))
