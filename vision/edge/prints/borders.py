"""How a print's levels change across a side: not at all in most places, much where a figure's border lies.

Next to a side's line a print is seen over two or three pixels alone, and a border of a figure there looks like cloth
that is cut sooner or later than it is. How likely one lies there, and what it then changes, is told by how often
borders lie deeper inside. Figures in rows along the side are another matter: their borders lie at one depth all along,
and nothing says that none lies at the line.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.pixels.noise import Noise
from vision.edge.pixels.sidepixels import TILT_PX
from vision.edge.pixels.windows import Window
from vision.edge.start.valley import SURELY_INSIDE_PX, WEAVE

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]

CELL_PX = 3.0  # along a side, as a print's bins
DEEP = 5  # cells of `TILT_PX` inside a side
FEWEST = 2.0  # pixels that tell a cell's level
# Of a border's change, that may be hidden where none is seen: as likely as not one lies next to the line, of whose
# change any share shows there (root of 1/2 times 1/3).
HIDDEN = 0.4
ALIKE = 0.25  # of the changes, all along a side: figures in rows, whose borders lie at one depth in all places


class Borders(NamedTuple):
    """Of S sides' prints, how encoded levels change over `TILT_PX` across; all 0 of plain cloth."""

    share: Floats  # (S,) of places where a border lies
    step: Floats  # (S, 3) root mean square of the change there
    flat: Floats  # (S, 3) and elsewhere

    @property
    def figured(self) -> Bools:
        """(S,): which are prints."""
        return np.asarray(self.step.max(axis=1, initial=0.0) > 0.0)


def borders_inside(window: Window, noise: Noise, figures: Floats) -> Borders:
    """Those of sides whose prints vary by `figures` (S, 3), besides what is foretold of them; 0 is no print."""
    share, step, flat = np.zeros(window.count), figures.copy(), figures.copy()
    for s in np.flatnonzero(figures.max(axis=1) > 0.0):
        run = window.runs[s]
        changes = changes_across(window.across_px[run], window.along_px[run], window.cloth_seen[:, run])
        told = np.isfinite(changes[..., 0])
        if not told.any() or alike_along(changes) > ALIKE:
            continue
        level = float(window.seen[0, run].mean())
        most = 3.0 * np.array(noise.sd) + WEAVE * np.array([level, 0.5, 0.5])
        there = np.any(np.abs(changes[told]) > most, axis=1)
        squares, many, others = np.square(changes[told]), np.count_nonzero(there), np.count_nonzero(~there)
        share[s] = (many + 1.0) / (many + others + 2.0)  # rule of succession (Laplace)
        # Where hardly one is seen, it may change by as much as the print varies.
        step[s] = np.sqrt((squares[there].sum(axis=0) + figures[s] ** 2) / (many + 1.0))
        flat[s] = np.sqrt(squares[~there].sum(axis=0) / (others + 1.0))
    return Borders(share, step, np.minimum(np.maximum(flat, HIDDEN * step), step))


def alike_along(changes: Floats) -> float:
    """Of the squares of changes (J, K, 3) of J places along a side in K depths, the share that all places have alike.

    Of figures without order that is about one over the number of them along the side; of stripes along it, all.
    """
    told = np.isfinite(changes)
    places, there = np.maximum(told.sum(axis=0), 1), np.where(told, changes, 0.0)
    alike = np.square(there.sum(axis=0) / places).sum()
    return float(alike / max((np.square(there).sum(axis=0) / places).sum(), 1e-12))


@compiled
def changes_across(across_px: Floats, along_px: Floats, seen: Singles) -> Floats:
    """(J, K, 3): by how much encoded levels (3, N) of one side's cloth differ from one cell to the next one inside.

    NaN where too few pixels tell.
    """
    first, last = 0, -1
    for i in range(len(along_px)):
        place = math.floor(along_px[i] / CELL_PX)
        first, last = (min(first, place), max(last, place)) if last >= first else (place, place)
    cells = max(last - first + 1, 0)
    count, total = np.zeros((cells, DEEP)), np.zeros((cells, DEEP, 3))
    for i in range(len(along_px)):
        k = math.floor((-across_px[i] - SURELY_INSIDE_PX) / TILT_PX)
        if 0 <= k < DEEP:
            j = math.floor(along_px[i] / CELL_PX) - first
            count[j, k] += 1.0
            for c in range(3):
                total[j, k, c] += seen[c, i]
    changes = np.full((cells, DEEP - 1, 3), np.nan)
    for j in range(cells):
        for k in range(DEEP - 1):
            if count[j, k] >= FEWEST and count[j, k + 1] >= FEWEST:
                for c in range(3):
                    changes[j, k, c] = total[j, k, c] / count[j, k] - total[j, k + 1, c] / count[j, k + 1]
    return changes
