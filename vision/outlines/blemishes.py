"""Notches in a straight side and loose threads that stand out of it: told by how the side wavers along itself.

What is alike along a side is no blemish: the blur, the wall and the shadow of the rim are, and the share of cloth that
each pixel shows is therefore compared with the middle share at its distance from the line, from one seam to the next.
What is left, summed across the line over a short stretch of the side, is how far cloth reaches further out there. Its
variance is compared with what bare mat outside and plain cloth inside vary by at the same side, which says what noise,
weave and compression do; lines of the mat that meet the side are trusted less. Threads make the whole side waver more
than that from one stretch to the next, and outside of it; a notch is one place that lies far inward.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from vision.edge.pixels.places import Places
from vision.edge.pixels.windows import Axes, places_about
from vision.edge.sides import Picture
from vision.light import BGR_OF_LEVELS
from vision.outlines.fitted import Outlines, trim_px
from vision.outlines.plainparts import parts_along
from vision.outlines.rimshade import shaded_mat
from vision.outlines.wavering import EXCESS, PULL, STRETCH_PX, beyond_noise, excess_of, stretches_of, wavering
from vision.units import Blemish

Floats = NDArray[np.float64]

INSIDE_PX, OUTSIDE_PX = 8.0, 9.0
THREADS_MM = (0.2, 1.0)  # how far loose threads stand out (common practice, no source)
NOTCH_PX = (-6.0, 1.5)  # across the line
CLOTH_PX, MAT_PX = (-7.0, -3.0), (4.0, 8.0)  # that tell what varies without a blemish
EDGE_PX = (-2.5, 1.3)  # where the edge shows, were there no threads
LEAST_MAT_PX = 2.0
NOTCH_TREND, THREADS_TREND = 15, 7  # stretches: threads differ from one to the next, what is smoother is no thread
FEWEST = 12  # stretches that make a part of a side
NOISE_DOUBT = 0.4  # of the expected deviation: compression does more beside a step than on even ground
COLOUR_WEIGHT = 0.25  # compression writes one sample of colour for four pixels
SURELY_RAGGED = 3.0  # standard deviations
SURE = 6.0  # standard deviations of a notch: of thousands of stretches none may be one by chance
LEAST_MM = 0.3  # what is less is a ragged cut
LEAST_REACH_PX = 0.5  # of threads; what reaches out less is the cloth's own weave


@dataclass(frozen=True, eq=False, slots=True)
class _Seen:
    """The pixels about all sides of a picture, in the order of their sides."""

    at: Places
    across: Floats  # (N,) px outward of the side's line as it is bowed
    seen: Floats  # (N, 3) encoded luma and colour differences
    bare: Floats  # (N, 3) of the bare mat, as it is shaded beside the side
    first: NDArray[np.int64]  # (S + 1,) each side's first pixel, and the end


def blemishes_of(picture: Picture, outlines: Outlines) -> dict[int, tuple[Blemish, ...]]:
    """The notches and frayed sides of each piece, by its number; as cloth of the picture's neighbours it is one higher.

    Nothing is said where cloth is printed, whose own figures look alike, nor where the bare mat is not known.
    """
    found: dict[int, tuple[Blemish, ...]] = dict.fromkeys(outlines.found, ())
    if not picture.scene.known or not outlines.found:
        return found
    whose = [(i, k) for i, outline in outlines.found.items() for k in range(len(outline.sides))]
    sides = [side for outline in outlines.found.values() for side in outline.sides]
    lengths = np.array([side.length_mm for side in sides])
    middles, along_mm = (np.array(one) for one in ([s.middle_mat_mm for s in sides], [s.along for s in sides]))
    axes = Axes.at(picture.camera, picture.height_mm, middles, along_mm, lengths)
    half_px, scale = lengths * axes.along_px_per_mm / 2.0, axes.scale
    trims = np.array([_trims_px(outlines.found[i].corners_mat_mm, k) for i, k in whose])
    bow_px = np.array([side.bow_mm for side in sides]) * scale
    here = _seen(picture, axes, trims, np.array([i + 1 for i, _ in whose]), half_px, bow_px)
    noise_sd, blur_px = np.array(picture.noise.sd), float(outlines.common.values[0])
    precision = np.array([1.0, COLOUR_WEIGHT, COLOUR_WEIGHT]) / np.square(noise_sd)
    for s, ((i, k), side) in enumerate(zip(whose, sides, strict=True)):
        run = slice(here.first[s], here.first[s + 1])
        if run.stop - run.start < FEWEST:
            continue
        own = tuple(np.ascontiguousarray(one[run]) for one in (here.seen, here.bare, here.at.along_px, here.across))
        start_px = float(own[2].min())
        parts = parts_along(own[0], own[1], own[2] - start_px, own[3], precision, noise_sd, side.printed)
        told = list[Blemish]()
        for part in range(int(parts.max()) + 1):
            here_px = np.flatnonzero(parts == part)
            all_of_it = len(here_px) == len(parts)
            seen, bare, along, across = own if all_of_it else (one.take(here_px, axis=0) for one in own)
            start_px = float(along.min())
            excess, variance = excess_of(seen, bare, along - start_px, across, precision)
            if not len(excess):
                continue
            bands, shown = _bands(float(scale[s])), _threads_show(round(float(scale[s]), 2), round(blur_px, 2))
            sums = stretches_of(excess, variance, along - start_px, across, bands, shown)
            first_mm, step_mm = (one / float(axes.along_px_per_mm[s]) for one in (start_px + half_px[s], STRETCH_PX))
            told += _of_part(sums, k, float(scale[s]), first_mm, step_mm)
        frays = [one for one in told if one.kind == "fray"]
        found[i] += tuple(sorted(frays, key=lambda one: -one.value_mm / one.u_mm)[:1])
        # A figure in the mat's colour looks like a notch.
        found[i] += tuple(one for one in told if one.kind == "notch" and not side.printed)
    return found


def _seen(
    picture: Picture, axes: Axes, trims_px: Floats, cloths: NDArray[np.int64], half_px: Floats, bow_px: Floats
) -> _Seen:
    """What is seen about the `axes` of S sides of the `cloths` (S,), without `trims_px` (S, 2) at their ends."""
    at = places_about(picture, axes, INSIDE_PX, OUTSIDE_PX, trims_px, cloths)
    across = at.across_px - bow_px[at.side] * (1.0 / 3.0 - (at.along_px / half_px[at.side]) ** 2)
    first = np.searchsorted(at.side, np.arange(len(cloths) + 1))
    scene, to_light = picture.scene, BGR_OF_LEVELS.sum(axis=0)
    levels, bare_mat = scene.seen.at(at.x, at.y), scene.mat.at(at.x, at.y)
    mat = shaded_mat(levels, bare_mat, at.x, at.y, across, first, to_light)
    seen = picture.encoder.luma_chroma_at(levels, at.x, at.y)
    bare = picture.encoder.luma_chroma_at(mat, np.zeros(len(mat), np.int64), np.arange(len(mat)))
    return _Seen(at, across, seen, bare, first)


def _bands(scale: float) -> Floats:
    """(5, 2) px across the line: plain cloth, bare mat, where a notch shows, where threads do, and all of that again.

    In the last, pixels count for what threads show there. `scale` is in px per mm.
    """
    far = max(MAT_PX[0], min(THREADS_MM[1] * scale + 2.3, OUTSIDE_PX - LEAST_MAT_PX))
    mat = far, max(MAT_PX[1], min(far + MAT_PX[1] - MAT_PX[0], OUTSIDE_PX))
    threads = EDGE_PX[0], EDGE_PX[1] + THREADS_MM[1] * scale
    return np.array([CLOTH_PX, mat, NOTCH_PX, threads, threads])


@lru_cache(maxsize=64)
def _threads_show(scale: float, blur_px: float) -> Floats:
    """(2, 64): places across, and how much of a thread shows there, on the mean; its sum is that of its squares."""
    at = np.linspace(-3.0 * blur_px, THREADS_MM[1] * scale + 3.0 * blur_px, 64)
    reach_px = np.linspace(*THREADS_MM, 5)[:, None] * scale
    shown = np.mean(ndtr((reach_px - at) / blur_px) - ndtr(-at / blur_px), axis=0)
    return np.stack([at, shown * (shown.sum() / (shown @ shown))])


def _trims_px(corners: Floats, k: int) -> tuple[float, float]:
    return trim_px(corners, k, INSIDE_PX), trim_px(corners, (k + 1) % len(corners), INSIDE_PX)


def _of_part(sums: Floats, side: int, scale: float, first_mm: float, step_mm: float) -> Iterator[Blemish]:
    """Of a part of a side; `scale` in px per mm across it, stretches `step_mm` long from `first_mm` on."""
    cloth, mat, notch, edge, threads = sums
    within, outside = (beyond_noise(band, NOTCH_TREND, FEWEST) for band in (cloth, mat))
    if not math.isfinite(within + outside):
        return
    yield from _notches(*wavering(notch, within, outside, NOTCH_TREND, FEWEST), side, scale, first_mm, step_mm)
    within, outside = (beyond_noise(band, THREADS_TREND, FEWEST) for band in (cloth, mat))
    ragged, expected = wavering(threads, within, outside, THREADS_TREND, FEWEST)
    ratio = np.abs(ragged / expected)
    ratio = np.minimum(ratio[ratio >= 0.0], SURE)  # a notch is told for itself; what is little seen is NaN
    many = len(ratio)
    if many < FEWEST:
        return
    square = float(ratio @ ratio) / many
    doubt = math.hypot(square * math.sqrt(2.0 / many), 2.0 * NOISE_DOUBT)
    times = (square - 1.0) / doubt
    reach_px = _reach_px(edge, ragged, scale) if times > SURELY_RAGGED else 0.0
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


def _reach_px(edge: Floats, ragged: Floats, scale: float) -> float:
    """How far threads reach, typically: a thread is as much cloth at its tip as at its root, so twice its centroid."""
    total, pull = (float(np.nan_to_num(ragged) @ edge[which]) for which in (EXCESS, PULL))
    return min(2.0 * pull / max(total, 1e-9), 2.0 * (EDGE_PX[1] + THREADS_MM[1] * scale))
