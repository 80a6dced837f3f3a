"""Notches in a straight side and loose threads that stand out of it: told by how the side wavers along itself.

What is alike along a side is no blemish: the blur, the wall and the shadow of the rim are, and the share of cloth that
each pixel shows is therefore compared with the middle share at its distance from the line. What is left, summed across
the line over a short stretch of the side, is how far cloth reaches further out there. Its variance is compared with
what bare mat outside and plain cloth inside vary by at the same side, which says what noise, weave and compression do.
Threads make the whole side waver more than that; a notch is one place that lies far inward.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label

from vision.edge.encoding import YCC_OF_BGR
from vision.edge.sides import Picture
from vision.edge.windows import Axes, places_about
from vision.light import BGR_OF_LEVELS
from vision.medians import median, running_medians
from vision.outline_fit import Outline, trim_px
from vision.units import Blemish

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

INSIDE_PX, OUTSIDE_PX = 8.0, 9.0
EDGE_PX = (-2.5, 3.0)  # across the line, where threads show
NOTCH_PX = (-6.0, 1.5)
CLOTH_PX, MAT_PX = (-7.0, -3.0), (4.0, 8.0)  # that tell what varies without a blemish
STRETCH_PX, BIN_PX, PROFILE_PX = 2.0, 6.0, 0.25
TREND = 15  # stretches: what is wider is the side's shape, not a blemish
FEWEST = 12  # stretches that make a side
NOISE_DOUBT = 0.4  # of the expected deviation: compression does more beside a step than on even ground
COLOUR_WEIGHT = 0.25  # compression writes one sample of colour for four pixels
SURE = 6.0  # standard deviations of a notch: of thousands of stretches none may be one by chance
LEAST_MM = 0.3  # what is less is a ragged cut
LEAST_REACH_PX = 0.5  # of threads; what reaches out less is the cloth's own weave
MOST_STEP = 0.15  # of the contrast from bin to bin: beyond, a seam runs into the side there


@dataclass(frozen=True, eq=False, slots=True)
class _Shares:
    """The pixels of a side: how much more cloth each shows than others at its distance, and 1 / variance by noise."""

    across_px: Floats
    stretch: Ints
    excess: Floats
    weight: Floats
    plain: Bools  # where no seam is near

    def sums(self, band: tuple[float, float]) -> tuple[Floats, Floats, Floats]:
        """Of each stretch over a band across: sum of excess, number of pixels, sum of variances by noise."""
        use = self._within(band)
        stretch, count = self.stretch[use], self._count
        excess = np.asarray(np.bincount(stretch, self.excess[use], count), float)
        return excess, np.bincount(stretch, minlength=count).astype(float), self._variance(use)

    def variance(self, band: tuple[float, float]) -> Floats:
        """Of each stretch over a band across: the sum of variances by noise."""
        return self._variance(self._within(band))

    def _variance(self, use: Ints) -> Floats:
        return np.asarray(np.bincount(self.stretch[use], 1.0 / self.weight[use], self._count), float)

    def _within(self, band: tuple[float, float]) -> Ints:
        return np.flatnonzero((self.across_px > band[0]) & (self.across_px < band[1]) & self.plain)

    @property
    def _count(self) -> int:
        return int(self.stretch.max()) + 1


def blemishes_of(picture: Picture, outline: Outline, cloth: int) -> tuple[Blemish, ...]:
    """The notches and frayed sides of one piece, the cloth of number `cloth` among the picture's neighbours.

    Nothing is said of printed sides, whose own figures look alike, nor where the bare mat is not known.
    """
    if not picture.scene.known:
        return ()
    sides, corners = outline.sides, outline.corners_mat_mm
    axes = Axes.at(
        picture.camera,
        picture.height_mm,
        np.array([side.middle_mat_mm for side in sides]),
        np.array([side.along for side in sides]),
        np.array([side.length_mm for side in sides]),
    )
    n = len(sides)
    trims = np.array([(trim_px(corners, k, INSIDE_PX), trim_px(corners, (k + 1) % n, INSIDE_PX)) for k in range(n)])
    at = places_about(picture, axes, INSIDE_PX, OUTSIDE_PX, trims, np.full(n, cloth, np.int64))
    first = np.searchsorted(at.side, np.arange(n + 1))
    half_px = np.array([side.length_mm for side in sides]) * axes.along_px_per_mm / 2.0
    found = list[Blemish]()
    for k, side in enumerate(sides):
        run = slice(first[k], first[k + 1])
        if side.printed or run.stop - run.start < FEWEST:
            continue
        along = at.along_px[run]
        bow_px = side.bow_mm * float(axes.scale[k])
        across = at.across_px[run] - bow_px * (1.0 / 3.0 - (along / half_px[k]) ** 2)
        shares = _shares(picture, at.x[run], at.y[run], along - along.min(), across)
        first_mm = (float(along.min()) + half_px[k]) / float(axes.along_px_per_mm[k])
        step_mm = STRETCH_PX / float(axes.along_px_per_mm[k])
        if shares is not None:
            found += _of_side(shares, k, float(axes.scale[k]), first_mm, step_mm)
    return tuple(found)


def _shares(picture: Picture, x: Ints, y: Ints, along: Floats, across: Floats) -> _Shares | None:
    seen, bare = (_encoded(picture, levels, x, y) for levels in (picture.scene.levels, picture.scene.bare))
    weights = np.array([1.0, COLOUR_WEIGHT, COLOUR_WEIGHT]) / np.square(picture.noise.sd)
    bins = np.floor(along / BIN_PX).astype(np.int64)
    levels = _cloth_levels(seen, (across > -4.5) & (across < -1.8), bins)
    if levels is None:
        return None
    step = levels[:, bins] - bare
    weight = weights @ step**2
    weight = np.maximum(weight, 0.25 * median(weight))
    share = weights @ ((seen - bare) * step) / weight
    excess = share - _middle_share(across, share)
    change = np.sqrt(weights @ (np.gradient(levels, axis=1) ** 2))
    seamless = change[bins] < MOST_STEP * np.sqrt(weight)
    return _Shares(across, np.floor(along / STRETCH_PX).astype(np.int64), excess, weight, seamless)


def _encoded(picture: Picture, levels: NDArray[np.float32], x: Ints, y: Ints) -> Floats:
    """(3, N) encoded luma and colour differences at pixels."""
    light = BGR_OF_LEVELS.astype(np.float32) @ levels[y, x].T
    return YCC_OF_BGR @ picture.encoder.nearest(light)[0]


def _cloth_levels(seen: Floats, inside: Bools, bins: Ints) -> Floats | None:
    """(3, B) encoded levels of cloth along the side; a notch is narrower than what they are the medians of."""
    count = np.bincount(bins, inside)
    if len(count) < 4 or not np.any(count):
        return None
    held = np.flatnonzero(count)
    there = bins[inside]
    means = [np.bincount(there, one, len(count))[held] / count[held] for one in seen[:, inside]]
    everywhere = np.arange(len(count))
    return running_medians(np.array([np.interp(everywhere, held, one) for one in means]), 5)


def _middle_share(across: Floats, share: Floats) -> Floats:
    """(N,): the median share at each pixel's distance from the line."""
    place = np.floor((across - across.min()) / PROFILE_PX)
    count = np.bincount(place.astype(np.int64))
    held = count[count > 0]
    # One sort for all places: each place's shares lie in a range of their own.
    span = float(np.ptp(share)) + 1.0
    ordered = np.sort(place * span + (share - share.min()))
    first = np.cumsum(held) - held
    middle = (ordered[first + (held - 1) // 2] + ordered[first + held // 2]) / 2.0
    middle += share.min() - np.flatnonzero(count) * span
    at = np.bincount(place.astype(np.int64), across)[count > 0] / held
    return np.asarray(np.interp(across, at, middle), float)


def _of_side(shares: _Shares, side: int, scale: float, first_mm: float, step_mm: float) -> Iterator[Blemish]:
    """The blemishes of a side; `scale` in px per mm across it, stretches `step_mm` long from `first_mm` on."""
    cloth, mat = _beyond_noise(shares, CLOTH_PX), _beyond_noise(shares, MAT_PX)
    if not (math.isfinite(cloth) and math.isfinite(mat)):
        return
    deep, expected = _wavering(shares, NOTCH_PX, cloth, mat)
    yield from _notches(deep, expected, side, scale, first_mm, step_mm)
    ragged, expected = _wavering(shares, EDGE_PX, cloth, mat)
    use = np.isfinite(ragged / expected)
    if np.count_nonzero(use) < FEWEST:
        return
    # A notch is told for itself.
    ratio = np.minimum(np.abs(ragged[use] / expected[use]), SURE)
    square = float(np.mean(ratio**2))
    doubt = math.hypot(square * math.sqrt(2.0 / np.count_nonzero(use)), 2.0 * NOISE_DOUBT)
    times = (square - 1.0) / doubt
    reach_px = _reach_px(shares, ragged)
    if times > 3.0 and reach_px > LEAST_REACH_PX:
        reach_mm = reach_px / scale
        middle_mm = first_mm + step_mm * len(ragged) / 2.0
        yield Blemish("fray", side, middle_mm, reach_mm, reach_mm / times)


def _beyond_noise(shares: _Shares, band: tuple[float, float]) -> float:
    """How often the variance that the pixels' noise explains is found in a band where nothing but weave can be."""
    excess, pixels, variance = shares.sums(band)
    use = pixels > 0.5 * median(pixels)
    if np.count_nonzero(use) < FEWEST:
        return math.nan
    high = excess[use] - running_medians(excess[use], TREND)
    return float(np.mean(high**2 / variance[use]))


def _wavering(shares: _Shares, band: tuple[float, float], cloth: float, mat: float) -> tuple[Floats, Floats]:
    """Of each stretch: how many px cloth lies further out than beside it, NaN where little is seen; its deviation."""
    excess, pixels, _ = shares.sums(band)
    inner, outer = shares.variance((band[0], 0.0)), shares.variance((0.0, band[1]))
    use = pixels > 0.7 * median(pixels)
    ragged = np.full(len(excess), np.nan)
    if np.count_nonzero(use) >= FEWEST:
        ragged[use] = (excess[use] - running_medians(excess[use], TREND)) / STRETCH_PX
    return ragged, np.sqrt(np.maximum(inner * cloth + outer * mat, 1e-12)) / STRETCH_PX


def _notches(
    deep: Floats, expected: Floats, side: int, scale: float, first_mm: float, step_mm: float
) -> Iterator[Blemish]:
    """Each run of stretches that lie far inward is one notch, as deep as its deepest; all of the run speaks for it."""
    likely = np.nan_to_num(deep / ((1.0 + NOISE_DOUBT) * expected))
    runs, count = label((likely < -2.0) & (np.nan_to_num(deep) < -LEAST_MM * scale / 2.0))
    for one in range(1, count + 1):
        places = np.flatnonzero(runs == one)
        deepest = int(places[np.argmin(deep[places])])
        value_mm = float(deep[deepest]) / scale
        sure = -float(likely[places].sum()) / math.sqrt(len(places))
        if sure > SURE and value_mm < -LEAST_MM:
            along_mm = first_mm + (float(places.mean()) + 0.5) * step_mm
            yield Blemish("notch", side, along_mm, value_mm, -value_mm / sure)


def _reach_px(shares: _Shares, ragged: Floats) -> float:
    """How far threads reach, typically: a thread is as much cloth at its tip as at its root, so twice its centroid."""
    pull = np.nan_to_num(ragged)[shares.stretch] * shares.excess
    use = (shares.across_px > EDGE_PX[0]) & (shares.across_px < EDGE_PX[1]) & shares.plain
    total = float(np.sum(pull[use]))
    centroid = float(np.sum(pull[use] * shares.across_px[use])) / max(total, 1e-9)
    return min(2.0 * centroid, 2.0 * EDGE_PX[1])
