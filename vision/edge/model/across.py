"""A shadow that falls across a side, of an arm or a lamp's stand: the mat beside it is darker over a part of it.

The fit knows one gain of the mat for a side. Where what lies outside of it shows that the mat's light changes along the
side, the bare mat is therefore brought to the light that is there, bin by bin.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calibration.robust import MAD_TO_SD
from vision.compiled import compiled
from vision.edge.model.encoding import Encoder, decoded
from vision.edge.pixels.windows import Window
from vision.medians import running_medians

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]

OUTSIDE_PX = 3.0  # from the line as it starts: bare mat
FEWEST_PX = 12  # in a bin, to tell its light
BINS = 5  # together tell the light, their middle one counting: lines that cross, and noise, are in one or two
LEAST = 0.08  # of the mat's light; less is within the gain's own prior, and evener light is better left alone
SURE = 5.0  # standard deviations


def in_the_light_there(window: Window, encoder: Encoder) -> Window:
    """The same pixels, the bare mat's light changed along those sides beside which it changes."""
    gains = _gains(window, encoder)
    if np.all(gains == 1.0):
        return window
    gain = gains.astype(np.float32)[window.bin_of]
    return replace(window, bare=window.bare * gain, slope=window.slope * gain, steady=window.steady * gain)


def _gains(window: Window, encoder: Encoder) -> Floats:
    """(B,): the mat's light in each bin over that in its picture, smoothed along the side; 1 where it is even."""
    gains = np.ones(len(window.bin_side))
    if not len(gains):
        return gains
    counts, total, of_mat = light_outside(window.across_px, window.seen, window.bare, window.bin_starts, encoder.linear)
    ratio = np.where(counts >= FEWEST_PX, total / np.maximum(of_mat, 1e-6), np.nan)
    bins = np.searchsorted(window.bin_side, np.arange(window.count + 1))
    for first, end in pairwise(bins):
        told = first + np.flatnonzero(np.isfinite(ratio[first:end]))
        if len(told) < 2 * BINS or np.ptp(ratio[told]) <= LEAST:
            continue
        smooth = running_medians(ratio[told], BINS)
        noise = MAD_TO_SD * float(np.median(np.abs(ratio[told] - smooth)))
        if float(np.ptp(smooth)) > max(LEAST, SURE * noise):
            gains[first:end] = np.interp(np.arange(first, end), told, smooth)
    return gains


@compiled
def light_outside(across_px: Floats, seen: Singles, bare: Singles, ends: Ints, linear: Floats) -> Floats:
    """(3, B): of the pixels outside, how many each bin has, the sums of their light and of the bare mat's there.

    `seen` (3, N) are as written down, `ends` (B + 1,) the bins' first pixels and the end, `linear` is the encoder's.
    """
    sums = np.zeros((3, len(ends) - 1))
    for b in range(len(ends) - 1):
        for i in range(ends[b], ends[b + 1]):
            if across_px[i] > OUTSIDE_PX:
                sums[0, b] += 1.0
                for c in range(3):
                    sums[1, b] += decoded(seen[0, i], seen[1, i], seen[2, i], c, linear)
                    sums[2, b] += bare[c, i]
    return sums
