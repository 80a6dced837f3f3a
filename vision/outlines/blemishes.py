"""Notches in a straight side and loose threads that stand out of it: told by how the side wavers along itself.

What is alike along a side is no blemish: the blur, the wall and the shadow of the rim are, and the share of cloth that
each pixel shows is therefore compared with the middle share at its distance from the line, from one seam to the next.
What is left, summed across the line over a short stretch of the side, is how far cloth reaches further out there. Its
variance is compared with what bare mat outside and plain cloth inside vary by at the same side, which says what noise,
weave and compression do; lines of the mat that meet the side are trusted less. Threads make the whole side waver more
than that from one stretch to the next, and outside of it; a notch is one place that lies far inward. Of a print, whose
figures look alike, only a margin is looked at, which is plain where no figure is as near as the blur reaches.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import groupby
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from vision.edge.picture import Picture
from vision.outlines.fitted import Outlines, trim_px
from vision.outlines.standingout import FRAY, INSIDE_PX, THREADS_MM, Beside, told_along
from vision.units import Blemish

Floats = NDArray[np.float64]


def blemishes_of(picture: Picture, outlines: Outlines) -> dict[int, tuple[Blemish, ...]]:
    """The notches and frayed sides of each piece, by its number; as cloth of the picture's neighbours it is one higher.

    Nothing is said where a print's figures come near its side, nor of its notches, nor where the bare mat is not known.
    """
    found: dict[int, tuple[Blemish, ...]] = dict.fromkeys(outlines.found, ())
    axes, placed = outlines.together.axes, outlines.together.placed
    if not picture.scene.known or not outlines.found or axes is None or placed is None:
        return found
    whose, lines = dict[int, tuple[int, int]](), np.zeros((placed.count, 7))
    half_px = axes.lengths_mm * axes.along_px_per_mm / 2.0
    for i, outline in outlines.found.items():
        for k, side in enumerate(outline.sides):
            s, (before, after) = outline.first + k, _trims_px(outline.corners_mat_mm, k)
            scales = half_px[s], axes.scale[s], axes.along_px_per_mm[s]
            lines[s] = side.bow_mm * axes.scale[s], *scales, side.printed, before - half_px[s], half_px[s] - after
            whose[s] = i, k
    blur_px = round(float(outlines.common.values[0]), 2)
    threads = np.array([_threads_show(round(scale, 2), blur_px) for scale in axes.scale.tolist()])
    beside = Beside(lines, threads, np.array(picture.noise.sd), picture.encoder.linear, picture.encoder.steps[0])
    along_all = told_along(placed.across_px, placed.along_px, placed.side_ends, placed.seen, placed.bare, beside)
    for side, told in groupby(along_all.tolist(), key=itemgetter(0)):
        (i, k), own = whose[int(side)], list(told)
        frays = sorted((one for one in own if one[1] == FRAY), key=lambda one: -one[3] / one[4])
        found[i] += tuple(Blemish("fray", k, *one[2:]) for one in frays[:1])
        found[i] += tuple(Blemish("notch", k, *one[2:]) for one in own if one[1] != FRAY)
    return found


@lru_cache(maxsize=64)
def _threads_show(scale: float, blur_px: float) -> Floats:
    """(2, 64): places across, and how much of a thread shows there, on the mean; its sum is that of its squares."""
    at = np.linspace(-3.0 * blur_px, THREADS_MM[1] * scale + 3.0 * blur_px, 64)
    reach_px = np.linspace(*THREADS_MM, 5)[:, None] * scale
    shown = np.mean(ndtr((reach_px - at) / blur_px) - ndtr(-at / blur_px), axis=0)
    return np.stack([at, shown * (shown.sum() / (shown @ shown))])


def _trims_px(corners: Floats, k: int) -> tuple[float, float]:
    return trim_px(corners, k, INSIDE_PX), trim_px(corners, (k + 1) % len(corners), INSIDE_PX)
