"""How surely a frame differs from the bare mat, place by place, at four sizes of detail.

The picture is taken in cells of 2 x 2 px. At each size the three channels are weighed by the inverse of the noise
that bare mat shows in this very picture, their noises' dependence included: no mix of channels tells more (the
Mahalanobis distance). Strong cloth shows in single cells; weak cloth only in the mean of many, and less sharply.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.finding.commonest import bare_spread, commonest
from vision.finding.faint import up_to_their_rims
from vision.medians import median

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Mask = NDArray[np.uint8]

CELL_PX = 2
CODED_CELLS = 8  # squares of 16 px, where colour is kept in half the size
SIZES = (1, 3)  # cells each way, over which the difference is averaged
BROAD_SIZES = (3, 5)  # cells of twice the width, over which it is, too
LEVEL = 7.0  # standard deviations of an averaged difference; noise alone reaches it never in a million pixels
LIKELY = 4.0  # of one over 3 cells: noise reaches it in one of a thousand, cloth so far about what is sure to be some
GROWTH_CELLS = 50  # farther from all that is surely cloth none is looked for that is only likely
SMEAR, BROAD_SMEAR = 0.4, 0.5  # of the contrast nearby: less is a neighbour's edge, spread by lens and averaging
HALO, HALO_CELLS = 0.08, 4  # of a strong contrast so near: less may be compression's blocks or sharpening
SEEN = 10.0  # standard deviations: cloth of so much contrast shows all over
BARE = 4.0  # standard deviations within which a place counts as bare mat when its noise is measured
DARK = 1e-6  # light, of which any share is none
NINTH, TWENTY_FIFTH = np.float32(1.0 / 9.0), np.float32(1.0 / 25.0)
SOME = 8000  # places tell what all of a picture is like
LEAST_PLACES = 64  # that tell what bare mat is like
SURELY = 3.0  # standard deviations of the greatest part, within which wide means are surely bare mat's
BESIDE = 0.05  # of the places of bare mat are so near to some cloth
ALONE = 0.5  # of a piece, that wide means alone show: less, and it has a rim already
WIDE_CELLS = 4  # as far each way a wide mean reaches, of every other cell


@dataclass(frozen=True, eq=False, slots=True)
class Contrast:
    """Cells of 2 x 2 px, (h, w) = half the picture's size, rounded up.

    `squared` is the squared distance from bare mat in standard deviations, three channels together, of means over 3
    cells; `sure` is 1 where a cell is no bare mat at one of the sizes and not only the smear of what lies beside it,
    `likely` where it may be such.
    """

    squared: Floats32
    sure: Mask
    likely: Mask


def in_cells(image: Floats32) -> Floats32:
    """Means (h, w, C) over cells of a picture (H, W, C); the last row and column count twice where they are odd."""
    height, width = image.shape[:2]
    if height % CELL_PX or width % CELL_PX:
        rim = (0, height % CELL_PX, 0, width % CELL_PX)
        image = np.asarray(cv2.copyMakeBorder(image, *rim, cv2.BORDER_REPLICATE), np.float32)
    return _halved(np.ascontiguousarray(image, np.float32))


def in_pixels(mask: Mask) -> Mask:
    """A mask of cells (h, w) as one of pixels, a last row and column more where the picture's are odd."""
    return np.repeat(np.repeat(mask, CELL_PX, axis=0), CELL_PX, axis=1)


@compiled
def _halved(image: Floats32) -> Floats32:
    """(h, w, 3): means over squares of 2 x 2; OpenCV's own takes three times as long."""
    height, width = image.shape[0] // 2, image.shape[1] // 2
    halved, quarter = np.empty((height, width, 3), np.float32), np.float32(0.25)
    sums = np.empty(6 * width, np.float32)
    for y in range(height):
        above, below, own = image[2 * y].reshape(-1), image[2 * y + 1].reshape(-1), halved[y].reshape(-1)
        for i in range(6 * width):
            sums[i] = (above[i] + below[i]) * quarter
        for x in range(width):
            for c in range(3):
                own[3 * x + c] = sums[6 * x + c] + sums[6 * x + 3 + c]
    return halved


def measure_contrast(
    seen: Floats32, mat: Floats32, step: float, most: float = np.inf, on_mat: NDArray[np.bool_] | None = None
) -> Contrast:
    """How surely a frame's levels differ from those of the bare mat, both in cells (h, w, 3).

    Brighter places are noisier: the photons' share grows with the light (Poisson), the encoding's step likewise.
    `step` is what one step of the 8-bit encoding is worth in the middle of the mat: compression may leave exact zeros,
    but no picture knows the light better than half a step. What differs by more than a share `most` of the mat's light
    is surely cloth, and says nothing of the mat's noise; nor does what is not `on_mat` (h, w), the table around it.
    """
    every = _some_cells(seen.shape)
    light, singles, some, wide = _at_some(seen, mat, every)
    middle_light, least_sd = max(median(light), 1e-4), 0.5 * step
    brighter = np.sqrt(np.maximum(light / np.float32(middle_light), np.float32(1.0)))
    maybe = within_share(singles[..., 0], light, most)
    if on_mat is not None:
        maybe &= on_mat[::every, ::every]
    middle, bare = _bare_places(some, brighter, least_sd, maybe)
    # Faint cloth may pass for noise of few cells; wide means tell it from bare mat, but also what is beside any cloth.
    surely = bare & _surely_bare(wide, brighter, least_sd, maybe)
    if LEAST_PLACES <= np.count_nonzero(surely) < (1.0 - BESIDE) * np.count_nonzero(bare):
        bare = surely
    of_cells, _ = _whitening(singles, brighter, middle, bare, least_sd)
    of_means, noise = _whitening(some, brighter, middle, bare, least_sd)
    cells, means, halved, noisier = _distances(seen, mat, np.float32(1.0 / middle_light), of_cells, of_means)
    sure, maybe_cloth = _beyond(means, SIZES[1], SMEAR, GROWTH_CELLS)
    sure |= _beyond(cells, SIZES[0], SMEAR)[0]
    # What is averaged over many cells is as good in every other one.
    faint = np.zeros(noisier.shape, np.uint8)
    for size in BROAD_SIZES if min(noisier.shape) > BROAD_SIZES[-1] else ():
        broad = np.asarray(cv2.blur(halved, (size, size)), np.float32)
        here = np.ix_(*(np.minimum(np.arange(0, n, every) // 2, n // 2 - 1) for n in sure.shape))
        of_broad, broad_noise = _whitening(broad[here], np.sqrt(noisier[here]), middle, bare, least_sd)
        distance = _squared(broad, noisier, of_broad)
        faint |= _faint(_beyond(distance, size, BROAD_SMEAR)[0], distance, noise / broad_noise, size)
    if faint.any():
        middles = np.asarray(cv2.resize(faint, sure.shape[::-1], interpolation=cv2.INTER_NEAREST), np.uint8)
        alone = _faint_alone(middles, sure)
        sure |= middles & ~alone
        sure |= up_to_their_rims(alone, means, seen, mat, of_means)
    return Contrast(means, sure, maybe_cloth)


def some_px(shape: tuple[int, ...]) -> int:
    """Of every how many rows and columns of a picture (H, W) one tells what all of its pixels are like.

    An odd number: all places within compression's blocks are among them.
    """
    return round(math.sqrt(shape[0] * shape[1] / SOME)) | 1


def _some_cells(shape: tuple[int, ...]) -> int:
    """The same of cells (h, w): those where compression's blocks meet, whose steps are noise, too, and the greatest."""
    return CODED_CELLS * max(1, round(math.sqrt(shape[0] * shape[1] / SOME) / CODED_CELLS))


def within_share(difference: Floats32, light: Floats32, most: float) -> NDArray[np.bool_]:
    """Where a difference in light is less than a share `most` of the bare mat's `light`: elsewhere is surely cloth."""
    return np.asarray(np.abs(difference) < most * np.maximum(light, DARK))


def _whitening(
    means: Floats32, brighter: Floats32, middle: Floats, bare: NDArray[np.bool_], least_sd: float
) -> tuple[Floats32, float]:
    """(3, 4) by which means less `middle` become noise of one size, and what the noise of all channels is.

    The `means` (h, w, 3) are some of all over the picture, of which `bare` tells whether they show bare mat; there the
    noise is so many times `brighter` (h, w).
    """
    sample = np.asarray(means / brighter[..., None], np.float32)
    covariance = _covariance(sample.reshape(-1, 3), bare.ravel(), least_sd)
    white = np.linalg.inv(np.linalg.cholesky(covariance))
    return np.column_stack([white, -white @ middle]).astype(np.float32), float(np.sqrt(np.trace(covariance)))


@compiled
def _at_some(seen: Floats32, mat: Floats32, every: int) -> tuple[Floats32, Floats32, Floats32, Floats32]:
    """Of every so many cells the mat's light, the difference from it, its mean over the 3 x 3 cells about, a wide mean.

    The picture is mirrored at its rim.
    """
    height, width = seen.shape[:2]
    size = -(-height // every), -(-width // every)
    light, singles = np.empty(size, np.float32), np.empty((*size, 3), np.float32)
    means, wide = np.zeros((*size, 3), np.float32), np.zeros((*size, 3), np.float32)
    for row in range(size[0]):
        for column in range(size[1]):
            at_y, at_x = every * row, every * column
            light[row, column] = mat[at_y, at_x, 0]
            for c in range(3):
                singles[row, column, c] = seen[at_y, at_x, c] - mat[at_y, at_x, c]
            for down in range(-1, 2):
                for on in range(-1, 2):
                    y, x = _mirrored(at_y + down, height), _mirrored(at_x + on, width)
                    for c in range(3):
                        means[row, column, c] += (seen[y, x, c] - mat[y, x, c]) * NINTH
            for down in range(-WIDE_CELLS, WIDE_CELLS + 1, 2):
                for on in range(-WIDE_CELLS, WIDE_CELLS + 1, 2):
                    y, x = _mirrored(at_y + down, height), _mirrored(at_x + on, width)
                    for c in range(3):
                        wide[row, column, c] += (seen[y, x, c] - mat[y, x, c]) * TWENTY_FIFTH
    return light, singles, means, wide


@compiled
def _distances(
    seen: Floats32, mat: Floats32, brightness: np.float32, of_cells: Floats32, of_means: Floats32
) -> tuple[Floats32, Floats32, Floats32, Floats32]:
    """All that is told of a difference from the mat cell by cell, in one pass over its rows.

    That is, its squared length (h, w) as `_squares` has it, that of its means over 3 x 3 cells, its means (h / 2,
    w / 2, 3) over squares of 2 x 2, and what the noise's variance is greater by in these; `brightness` times the mat's
    light is that in cells, if it is more than 1.
    """
    height, width, one, quarter = seen.shape[0], seen.shape[1], np.float32(1.0), np.float32(0.25)
    of_single, of_mean = np.empty((height, width), np.float32), np.empty((height, width), np.float32)
    halved = np.empty((height // 2, width // 2, 3), np.float32)
    noisier_halved = np.empty((height // 2, width // 2), np.float32)
    rows, noisier = np.empty((3, 3 * width), np.float32), np.empty((2, width), np.float32)
    sums, mean = np.empty(3 * width + 6, np.float32), np.empty(3 * width, np.float32)
    inner = sums[3 : 3 * width + 3]
    for y in range(-1, height):
        if y + 1 < height:  # of three rows one is new
            new, lit, bare = rows[(y + 1) % 3], seen[y + 1].reshape(-1), mat[y + 1].reshape(-1)
            for i in range(3 * width):
                new[i] = lit[i] - bare[i]
        if y < 0:
            continue
        above, here = rows[_mirrored(y - 1, height) % 3], rows[y % 3]
        below, brighter, light = rows[_mirrored(y + 1, height) % 3], noisier[y % 2], mat[y].reshape(-1)
        for x in range(width):
            brighter[x] = max(light[3 * x] * brightness, one)
        _squares(here, brighter, of_cells, of_single[y])
        for i in range(3 * width):
            inner[i] = above[i] + here[i] + below[i]
        for c in range(3):
            sums[c] = inner[3 * _mirrored(-1, width) + c]
            sums[3 * width + 3 + c] = inner[3 * _mirrored(width, width) + c]
        for i in range(3 * width):
            mean[i] = (sums[i] + sums[i + 3] + sums[i + 6]) * NINTH
        _squares(mean, brighter, of_means, of_mean[y])
        if y % 2:
            half, before = halved[y // 2].reshape(-1), noisier[0]
            for i in range(6 * (width // 2)):
                mean[i] = (above[i] + here[i]) * quarter
            for x in range(width // 2):
                noisier_halved[y // 2, x] = quarter * (
                    before[2 * x] + before[2 * x + 1] + brighter[2 * x] + brighter[2 * x + 1]
                )
                for c in range(3):
                    half[3 * x + c] = mean[6 * x + c] + mean[6 * x + 3 + c]
    return of_single, of_mean, halved, noisier_halved


@compiled
def _mirrored(place: int, many: int) -> int:
    """A place in a row of so many, or as far on this side of its end as it lies beyond."""
    return max(min(abs(place), 2 * many - 2 - abs(place)), 0)


@compiled
def _squared(mean: Floats32, noisier: Floats32, rows: Floats32) -> Floats32:
    """(h, w): squared length of `rows` (3, 4), a lower triangle and what is added, times means; over `noisier`."""
    squared = np.empty(noisier.shape, np.float32)
    for y in range(len(squared)):
        _squares(mean[y].reshape(-1), noisier[y], rows, squared[y])
    return squared


@compiled
def _squares(mean: Floats32, noisier: Floats32, rows: Floats32, squares: Floats32) -> None:
    """The same of a row of means (3 w,), into `squares` (w,)."""
    aa, a1, ba, bb, b1 = rows[0, 0], rows[0, 3], rows[1, 0], rows[1, 1], rows[1, 3]
    ca, cb, cc, c1 = rows[2, 0], rows[2, 1], rows[2, 2], rows[2, 3]
    for x in range(len(squares)):
        a, b, c = mean[3 * x], mean[3 * x + 1], mean[3 * x + 2]
        u, v, w = aa * a + a1, ba * a + bb * b + b1, ca * a + cb * b + cc * c + c1
        squares[x] = (u * u + v * v + w * w) / noisier[x]


def _beyond(distance: Floats32, size: int, smear: float, about: int = 0) -> tuple[Mask, Mask]:
    """1 where a squared distance is surely beyond noise, and where likely; both beyond the smear of what is nearby.

    Likely ones are looked for within so many cells `about` those beyond noise.
    """
    sure, likely = (np.zeros(distance.shape, np.uint8) for _ in range(2))
    box = box_about((distance > LEVEL**2).view(np.uint8), size + 2 * HALO_CELLS + about)
    own = np.ascontiguousarray(distance[box])
    nearby = np.asarray(cv2.dilate(own, np.ones((size + 2, size + 2), np.uint8)), np.float32)
    around = np.asarray(cv2.dilate(nearby, np.ones((2 * HALO_CELLS - 1,) * 2, np.uint8)), np.float32)
    sure[box], likely[box] = _above(own, nearby, around, np.float32(smear**2))
    return sure, likely


def box_about(mask: Mask, cells: int) -> tuple[slice, slice]:
    """Rows and columns of all that is not 0 in a mask, and so many cells around it; of nothing, the mask's corner."""
    x, y, width, height = cv2.boundingRect(mask)
    return slice(max(y - cells, 0), y + height + cells), slice(max(x - cells, 0), x + width + cells)


@compiled
def _above(distance: Floats32, nearby: Floats32, around: Floats32, smear: np.float32) -> tuple[Mask, Mask]:
    """(h, w) each: 1 where a squared distance is greater than noise and its shares of what is nearby and around."""
    height, width = distance.shape
    sure, likely, halo = np.empty((height, width), np.uint8), np.empty((height, width), np.uint8), np.float32(HALO**2)
    surely, maybe = np.float32(LEVEL**2), np.float32(LIKELY**2)
    for y in range(height):
        for x in range(width):
            own = distance[y, x]
            seen = (own > smear * nearby[y, x]) & (own > halo * around[y, x])
            sure[y, x], likely[y, x] = seen & (own > surely), seen & (own > maybe)
    return sure, likely


def _faint(differs: Mask, distance: Floats32, finer: float, size: int) -> Mask:
    """What only means over so many of these cells can show: elsewhere they would blur over the gap between neighbours.

    `finer` is the noise of the finest means over that of these. A thread seems as wide as what it is averaged over.
    """
    faint = cv2.bitwise_and(differs, (distance < (SEEN * finer) ** 2).view(np.uint8))
    square = np.ones((size + 1, size + 1), np.uint8)  # even: dilated from the other side than eroded
    before = size // 2
    thin = cv2.erode(faint, square, anchor=(before, before))
    return np.asarray(cv2.dilate(thin, square, anchor=(size - before,) * 2), np.uint8)


def _faint_alone(faint: Mask, sure: Mask) -> Mask:
    """1 in the cells of `faint` pieces of which less is `sure`: where cloth hides many lines these show it all over."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(faint | sure, connectivity=8, ltype=cv2.CV_32S)
    many = np.bincount(labels.ravel(), faint.ravel(), count)
    alone = many > ALONE * stats[:, cv2.CC_STAT_AREA]
    return np.asarray(faint & alone[labels])


def _surely_bare(sample: Floats32, brighter: Floats32, least_sd: float, maybe: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which places (h, w, 3) are alike in each channel as the greatest part is of those that may be bare mat.

    Unlike noise that is measured of what is bare by that very noise, this cannot grow until cloth is in it.
    """
    if np.count_nonzero(maybe) < LEAST_PLACES:
        return maybe
    values = np.ascontiguousarray(sample[maybe].T)
    off = (sample - np.array([commonest(one) for one in values], np.float32)) / brighter[..., None]
    own = np.ascontiguousarray(off[maybe].T)
    most = SURELY * np.array([max(bare_spread(one), least_sd) for one in own])
    return np.asarray(np.all(np.abs(off) < most, axis=2) & maybe)


def _bare_places(
    sample: Floats32, brighter: Floats32, least_sd: float, maybe: NDArray[np.bool_]
) -> tuple[Floats, NDArray[np.bool_]]:
    """The commonest difference (3,), and which of the places (h, w, 3) look like bare mat, of those that may be any."""
    places = maybe.ravel() if np.count_nonzero(maybe) >= LEAST_PLACES else np.ones(maybe.size, bool)
    values = sample.reshape(-1, 3)[places]
    middle = np.array([commonest(values[:, c]) for c in range(3)])
    off = np.asarray((values - middle) / brighter.reshape(-1, 1)[places], np.float32)
    spread = np.array([max(bare_spread(off[:, c]), least_sd) for c in range(3)])
    near = np.all(np.abs(off) < BARE * spread, axis=1)
    for _ in range(3):
        near = _within(off, np.linalg.inv(np.linalg.cholesky(_covariance(off, near, least_sd))), BARE)
        if np.count_nonzero(near) < 8:
            near = np.all(np.abs(off) < BARE * spread, axis=1)
            break
    bare = np.zeros(maybe.size, bool)
    bare[places] = near
    return middle, bare.reshape(sample.shape[:2])


def _covariance(sample: Floats32, use: NDArray[np.bool_], least_sd: float) -> Floats:
    """(3, 3) of differences (N, 3) on bare mat, of `use` (N,), no less than `least_sd` in every mix of the channels."""
    if np.count_nonzero(use) < 8:
        return np.eye(3) * max(least_sd, 1e-6) ** 2
    return np.asarray(_scatter(sample, use) + np.eye(3) * (least_sd**2 + 1e-12), np.float64)


@compiled
def _scatter(sample: Floats32, use: NDArray[np.bool_]) -> Floats:
    """(3, 3) mean of x x' of those of (N, 3) to `use` (N,), x less its mean."""
    first, many, mean, scatter = sample[np.argmax(use)], 0.0, np.zeros(3), np.zeros((3, 3))
    for i in range(len(sample)):
        if use[i]:
            a, b, c = sample[i, 0] - first[0], sample[i, 1] - first[1], sample[i, 2] - first[2]
            many += 1.0
            mean[0] += a
            mean[1] += b
            mean[2] += c
            scatter[0, 0] += a * a
            scatter[1, 0] += a * b
            scatter[1, 1] += b * b
            scatter[2, 0] += a * c
            scatter[2, 1] += b * c
            scatter[2, 2] += c * c
    for c in range(3):
        for k in range(c + 1):
            scatter[c, k] = (scatter[c, k] - mean[c] * mean[k] / many) / many
            scatter[k, c] = scatter[c, k]
    return scatter


@compiled
def _within(off: Floats32, white: Floats, most: float) -> NDArray[np.bool_]:
    """(N,) whether `white` (3, 3), a lower triangle, times (N, 3) is shorter than `most`."""
    within = np.empty(len(off), np.bool_)
    for i in range(len(off)):
        square = (white[0, 0] * off[i, 0]) ** 2 + (white[1, 0] * off[i, 0] + white[1, 1] * off[i, 1]) ** 2
        square += (white[2, 0] * off[i, 0] + white[2, 1] * off[i, 1] + white[2, 2] * off[i, 2]) ** 2
        within[i] = square < most**2
    return within
