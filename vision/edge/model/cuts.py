"""The light of bars along all sides of a picture where cloth cuts them, at some unknowns: one loop over pixels."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.model.light import REACHES
from vision.edge.model.ruled import Bars, mend_of
from vision.edge.pixels.sidepixels import SidePixels

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


class Cuts(NamedTuple):
    """What bars along sides add where cloth cuts them, at the K pixels that show them (`vision.edge.model.ruled`)."""

    starts: Ints  # (S + 1,): the first of each side's, and the end
    pixels: Ints  # (K,) among all sides'
    light: Singles  # (3, K) linear blue green red, times px
    mends: Singles  # (P, 3, K) at the colours' P places each: of that light, and slopes of it by distance and by blur


def cuts_of(
    bars: Bars,
    w: SidePixels,
    own: Floats,
    chroma_px: float,
    coloured: Bools,
    foot_px: Floats,
    blur_px: Floats,
    usual_px: float,
) -> Cuts:
    """Of sides with unknowns `own` (S, 7) and blurs (S,), where the mat begins to show at `foot_px` (S,).

    Only of sides that are `coloured` (S,) the places beside luma's are worked out, a blur `chroma_px` of their own
    apart; `usual_px` is the picture's blur.
    """
    starts = np.searchsorted(bars.pixels, w.side_starts)
    mends = np.zeros((len(REACHES), 3, len(bars.pixels)), np.float32)
    mend(mends, bars, w, starts, own, chroma_px, coloured, foot_px, blur_px, usual_px)
    return Cuts(starts, bars.pixels, bars.light.astype(np.float32), mends)


@compiled
def mend(
    to: Singles,
    bars: Bars,
    w: SidePixels,
    starts: Ints,
    own: Floats,
    chroma_px: float,
    coloured: Bools,
    foot_px: Floats,
    blur_px: Floats,
    usual_px: float,
) -> None:
    """Fill in `Cuts.mends`; see `cuts_of`."""
    for s in range(len(own)):
        for k in range(starts[s], starts[s + 1]):
            i = bars.pixels[k]
            e = w.across_px[i] - own[s, 0] - own[s, 1] * w.along_px[i] - own[s, 2] * w.bow[i]
            for place in range(len(REACHES) if coloured[s] else 1):
                there = e + REACHES[place] * chroma_px
                to[place, 0, k], to[place, 1, k], to[place, 2, k] = mend_of(
                    bars, k, there, foot_px[s], blur_px[s], usual_px
                )
