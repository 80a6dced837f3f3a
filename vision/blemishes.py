"""Notches in a straight side and loose threads that stand out of it: told by how the side wavers along itself.

What is alike along a side is no blemish: the blur, the wall and the shadow of the rim are, and the share of cloth that
each pixel shows is therefore compared with the middle share at its distance from the line. What is left, summed across
the line over a short stretch of the side, is how far cloth reaches further out there. Its variance is compared with
what bare mat outside and plain cloth inside vary by at the same side, which says what noise, weave and compression do.
Threads make the whole side waver more than that; a notch is one place that lies far inward.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from vision.edge.sides import Picture
from vision.edge.valley import WEAVE
from vision.edge.windows import Axes, places_about
from vision.outline_fit import Outline, trim_px
from vision.units import Blemish
from vision.wavering import BIN_PX, EXCESS, PULL, STRETCH_PX, beyond_noise, excess_of, stretches_of, wavering

Floats = NDArray[np.float64]

INSIDE_PX, OUTSIDE_PX = 8.0, 9.0
EDGE_PX = (-2.5, 3.0)  # across the line, where threads show
NOTCH_PX = (-6.0, 1.5)
CLOTH_PX, MAT_PX = (-7.0, -3.0), (4.0, 8.0)  # that tell what varies without a blemish
BANDS = np.array([CLOTH_PX, MAT_PX, NOTCH_PX, EDGE_PX])
FEWEST = 12  # stretches that make a side
FEWEST_PLAIN = 8  # bins of a printed side without a figure
FIGURES_PX = -1.5  # farther inside figures show
NOISE_DOUBT = 0.4  # of the expected deviation: compression does more beside a step than on even ground
COLOUR_WEIGHT = 0.25  # compression writes one sample of colour for four pixels
SURELY_RAGGED = 3.0  # standard deviations
SURE = 6.0  # standard deviations of a notch: of thousands of stretches none may be one by chance
LEAST_MM = 0.3  # what is less is a ragged cut
LEAST_REACH_PX = 0.5  # of threads; what reaches out less is the cloth's own weave


def blemishes_of(picture: Picture, outlines: Mapping[int, Outline]) -> dict[int, tuple[Blemish, ...]]:
    """The notches and frayed sides of each piece, by its number; as cloth of the picture's neighbours it is one higher.

    Nothing is said where cloth is printed, whose own figures look alike, nor where the bare mat is not known.
    """
    found: dict[int, tuple[Blemish, ...]] = dict.fromkeys(outlines, ())
    if not picture.scene.known or not outlines:
        return found
    whose = [(i, k) for i, outline in outlines.items() for k in range(len(outline.sides))]
    sides = [side for outline in outlines.values() for side in outline.sides]
    lengths = np.array([side.length_mm for side in sides])
    middles, along_mm = (np.array(one) for one in ([s.middle_mat_mm for s in sides], [s.along for s in sides]))
    axes = Axes.at(picture.camera, picture.height_mm, middles, along_mm, lengths)
    trims = np.array([_trims_px(outlines[i].corners_mat_mm, k) for i, k in whose])
    at = places_about(picture, axes, INSIDE_PX, OUTSIDE_PX, trims, np.array([i + 1 for i, _ in whose]))
    seen = picture.encoder.luma_chroma_at(picture.scene.levels, at.x, at.y)
    bare = picture.encoder.luma_chroma_at(picture.scene.bare, at.x, at.y)
    precision = np.array([1.0, COLOUR_WEIGHT, COLOUR_WEIGHT]) / np.square(picture.noise.sd)
    half_px, scale = lengths * axes.along_px_per_mm / 2.0, axes.scale
    bow_px = np.array([side.bow_mm for side in sides]) * scale
    across = at.across_px - bow_px[at.side] * (1.0 / 3.0 - (at.along_px / half_px[at.side]) ** 2)
    first = np.searchsorted(at.side, np.arange(len(sides) + 1))
    for s, ((i, k), side) in enumerate(zip(whose, sides, strict=True)):
        run = np.arange(first[s], first[s + 1])
        if side.printed and len(run):
            run = first[s] + _plain_part(seen[run], at.along_px[run], across[run], np.array(picture.noise.sd))
        if len(run) < FEWEST:
            continue
        start_px = float(at.along_px[run].min())
        along = at.along_px[run] - start_px
        excess, variance = excess_of(seen[run], bare[run], along, across[run], precision)
        if len(excess):
            sums = stretches_of(excess, variance, along, across[run], BANDS)
            first_mm, step_mm = (one / float(axes.along_px_per_mm[s]) for one in (start_px + half_px[s], STRETCH_PX))
            told = _of_side(sums, k, float(scale[s]), first_mm, step_mm)
            # A figure in the mat's colour looks like a notch.
            found[i] += tuple(one for one in told if one.kind == "fray" or not side.printed)
    return found


def _plain_part(seen: Floats, along: Floats, across: Floats, sd: Floats) -> NDArray[np.int64]:
    """Which pixels lie along the longest stretch of a side without figures; none where that is short.

    A side that crosses a seam may be printed on one side of it alone.
    """
    own = ((along - along.min()) / BIN_PX).astype(np.int64)
    inside = np.flatnonzero(across < FIGURES_PX)
    at, count = own[inside], np.maximum(np.bincount(own[inside], minlength=int(own.max()) + 1), 1)
    means = np.array([np.bincount(at, one, len(count)) / count for one in seen[inside].T])
    squares = np.array([np.bincount(at, one**2, len(count)) / count for one in seen[inside].T])
    spread = np.sqrt(np.maximum(squares - means**2, 0.0))
    usual = 3.0 * sd[:, None] + WEAVE * np.stack([means[0], np.full(len(count), 0.5), np.full(len(count), 0.5)])
    plain = np.flatnonzero(np.all(spread < usual, axis=0) & (count > 1))
    bins = max(np.split(plain, np.flatnonzero(np.diff(plain) > 1) + 1), key=len)
    if len(bins) - 2 < FEWEST_PLAIN:
        return np.empty(0, np.int64)
    # A figure next to it reaches into the first and the last.
    return np.flatnonzero((own > bins[0]) & (own < bins[-1]))


def _trims_px(corners: Floats, k: int) -> tuple[float, float]:
    return trim_px(corners, k, INSIDE_PX), trim_px(corners, (k + 1) % len(corners), INSIDE_PX)


def _of_side(sums: Floats, side: int, scale: float, first_mm: float, step_mm: float) -> Iterator[Blemish]:
    """The blemishes of a side; `scale` in px per mm across it, stretches `step_mm` long from `first_mm` on."""
    cloth, mat, notch, edge = sums
    beyond = beyond_noise(cloth, FEWEST), beyond_noise(mat, FEWEST)
    if not all(math.isfinite(one) for one in beyond):
        return
    yield from _notches(*wavering(notch, *beyond, FEWEST), side, scale, first_mm, step_mm)
    ragged, expected = wavering(edge, *beyond, FEWEST)
    ratio = np.abs(ragged / expected)
    ratio = np.minimum(ratio[ratio >= 0.0], SURE)  # a notch is told for itself; what is little seen is NaN
    many = len(ratio)
    if many < FEWEST:
        return
    square = float(ratio @ ratio) / many
    doubt = math.hypot(square * math.sqrt(2.0 / many), 2.0 * NOISE_DOUBT)
    times = (square - 1.0) / doubt
    reach_px = _reach_px(edge, ragged) if times > SURELY_RAGGED else 0.0
    if reach_px > LEAST_REACH_PX:
        reach_mm = reach_px / scale
        middle_mm = first_mm + step_mm * len(ragged) / 2.0
        yield Blemish("fray", side, middle_mm, reach_mm, reach_mm / times)


def _notches(
    deep: Floats, expected: Floats, side: int, scale: float, first_mm: float, step_mm: float
) -> Iterator[Blemish]:
    """Each run of stretches that lie far inward is one notch, as deep as its deepest; all of the run speaks for it."""
    inward = deep < np.minimum(-2.0 * (1.0 + NOISE_DOUBT) * expected, -LEAST_MM * scale / 2.0)
    if not inward.any():
        return
    likely = deep / ((1.0 + NOISE_DOUBT) * expected)
    at = np.flatnonzero(inward)
    for places in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1):
        deepest = int(places[np.argmin(deep[places])])
        value_mm = float(deep[deepest]) / scale
        sure = -float(likely[places].sum()) / math.sqrt(len(places))
        if sure > SURE and value_mm < -LEAST_MM:
            along_mm = first_mm + (float(places.mean()) + 0.5) * step_mm
            yield Blemish("notch", side, along_mm, value_mm, -value_mm / sure)


def _reach_px(edge: Floats, ragged: Floats) -> float:
    """How far threads reach, typically: a thread is as much cloth at its tip as at its root, so twice its centroid."""
    total, pull = (float(np.nan_to_num(ragged) @ edge[which]) for which in (EXCESS, PULL))
    return min(2.0 * pull / max(total, 1e-9), 2.0 * EDGE_PX[1])
