"""The pixels of many sides one after another, in single precision, as compiled loops take them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.model.encoding import Encoder
from vision.edge.pixels.sampling import write_down
from vision.edge.pixels.windows import BIN_PX, Window

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

TILT_PX = 1.2  # from the line to the middle of what is seen of a print
TILT_LEAST, TILT_MOST = -1.5, 1.0
MAT_PX = 1.0  # outward of a side's line: surely mat


class SidePixels(NamedTuple):
    """The N pixels of S sides in B bins, in the order of their sides and, within each, of the bins along it."""

    across_px: Singles  # (N,) outward of a side's line
    along_px: Singles  # (N,) from its middle
    bow: Singles  # (N,) the parabola along it
    tilt: Singles  # (N,) across a print: -1 at the inner end of what is seen of it, +1 at the line
    seen: Singles  # (3, N) encoded
    bare: Singles  # (3, N) linear light of the bare mat
    slope: Singles  # (3, N) of that, outward per px
    steady: Singles  # (3, N) of the bare mat, as the pixels beside each show it: without its own noise
    bare_seen: Singles  # (3, N) the bare mat, encoded
    shown: Singles  # (3, 3, N or 0) what a print is foretold to show, as `Window.shown` has it
    foretold: Bools  # (S,) whether anything is foretold of a side's print
    bin_starts: Ints  # (B + 1,) first pixel of each bin, and the end
    side_bins: Ints  # (S + 1,) first bin of each side, and the end; sides without pixels have no bins
    bin_places: Floats  # (B,) along the side, -1 at one end of what is seen of it, +1 at the other

    @property
    def side_starts(self) -> Ints:
        """(S + 1,): first pixel of each side, and the end."""
        return self.bin_starts[self.side_bins]

    @property
    def cloth_seen(self) -> Singles:
        """(3, N): what is seen, less what is foretold of a print."""
        return self.seen - self.shown[0] if self.shown.size else self.seen

    @property
    def seen_sides(self) -> NDArray[np.bool_]:
        """(S,): which sides have pixels."""
        return np.diff(self.side_bins) > 0

    @property
    def most(self) -> int:
        """How many pixels a side has at most."""
        return int(np.diff(self.side_starts).max(initial=0))

    def mat_beside(self) -> Floats:
        """(S, 3): the mean light of the bare mat beside each side."""
        side = np.repeat(np.arange(len(self.side_bins) - 1), np.diff(self.side_starts))
        beside = (self.across_px > MAT_PX).astype(np.float64)
        count = np.maximum(np.bincount(side, beside, len(self.side_bins) - 1), 1.0)
        return np.stack([np.bincount(side, beside * one, len(count)) / count for one in self.bare], axis=1)

    def together(self) -> Ints:
        """(C,): the first of the bins that lie within the same `BIN_PX` along a side, whose pixels may err alike."""
        side = np.repeat(np.arange(len(self.side_bins) - 1), np.diff(self.side_bins))
        place = np.floor(self.along_px[self.bin_starts[:-1]] / BIN_PX)
        return np.flatnonzero(np.diff(side, prepend=-1) | (np.diff(place, prepend=0.0) != 0.0))

    def by_side(self, of_bins: Floats) -> Floats:
        """(S, ...): sums over the bins of each side, of (B, ...)."""
        total = np.zeros((len(self.side_bins) - 1, *of_bins.shape[1:]))
        if len(of_bins):
            total[self.seen_sides] = np.add.reduceat(of_bins, self.side_bins[:-1][self.seen_sides], axis=0)
        return total


def side_pixels(window: Window, encoder: Encoder) -> SidePixels:
    """Those of a window."""
    ends, bare = window.side_ends, _single(window.bare)
    reach_px = window.reach_px()
    (across, along, bow, tilt), bare_seen = in_singles(
        window.across_px, window.along_px, bare, ends, reach_px, encoder.steps[0]
    )
    return SidePixels(
        across,
        along,
        bow,
        tilt,
        _single(window.seen),
        bare,
        _single(window.slope),
        _single(window.steady),
        bare_seen,
        _single(window.shown),
        np.array([bool(window.shown[0, :, run].any()) for run in window.runs]),
        window.bin_starts,
        np.searchsorted(window.bin_side, np.arange(window.count + 1)).astype(np.int64),
        _middles(window.along_px, window.bin_starts) / reach_px[window.bin_side],
    )


@compiled
def in_singles(
    across_px: Floats, along_px: Floats, bare: Singles, ends: Ints, reach_px: Floats, steps: Singles
) -> tuple[Singles, Singles]:
    """(4, N): the pixels' places across and along, on the parabola along a side, and across a print; (3, N): the mat.

    The latter is `bare` (3, N) written down, `steps` being the encoder's values. The first pixel of each side, and the
    end, are `ends` (S + 1,); along it pixels reach `reach_px` (S,) from the middle.
    """
    places, mat = np.empty((4, len(across_px)), np.float32), bare.copy()
    across, along, bow, tilt = places
    for s in range(len(reach_px)):
        for i in range(ends[s], ends[s + 1]):
            across[i], along[i] = across_px[i], along_px[i]
            bow[i] = 1.0 / 3.0 - (along_px[i] / reach_px[s]) ** 2
            tilt[i] = min(max(across[i] / TILT_PX + 1.0, TILT_LEAST), TILT_MOST)
    write_down(mat, steps)
    return places, mat


def _middles(values: Floats, starts: Ints) -> Floats:
    """(B,): the mean of the values (N,) of each bin; `starts` (B + 1,) are their first ones and the end."""
    if len(starts) < 2:
        return np.empty(0)
    return np.asarray(np.add.reduceat(values, starts[:-1]) / np.diff(starts))


def _single(values: Floats | Singles) -> Singles:
    return values.astype(np.float32, order="C", copy=False)
