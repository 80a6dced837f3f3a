"""How far a print's figures may have drawn its sides, told by how bowed these look.

Where a figure ends beside a cut it looks like cloth that is cut sooner or later than it is, over as much of the side as
the figure takes. That draws a side's bow as well as its place and direction; and cuts are straight. So a bow that is
seen beside figures is taken for their doing, and offset and turn are doubted as they go with such a bow.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.edge.levels import FREE, Levels
from vision.edge.pixels.noise import Noise
from vision.edge.prints.foretelling import Prints
from vision.edge.start.valley import WEAVE

Floats = NDArray[np.float64]

# Errors independent of each other all along a side, places x from -1 to 1: by least squares the variances of its mean,
# of its turn (basis x) and its bow (1/3 - x^2) are as 1, 3 and 45/4.
OFFSET_BY_BOW, TURN_BY_BOW = math.sqrt(4.0 / 45.0), math.sqrt(3.0 * 4.0 / 45.0)

IN_BIN = 40.0  # pixels of cloth in a bin of plain cloth, 12 px along its side and 3.5 px deep


def figures_share(levels: Levels, noise: Noise, prints: Prints) -> Floats:
    """(S,): of what varies along each side's cloth, the share that are figures of which nothing is foretold.

    Figures larger than a bin leave each bin even; the bins then differ by more than noise, weave and the light's fall.
    """
    sd = np.array(noise.sd) * np.sqrt(np.array(noise.together) / IN_BIN)
    usual = 3.0 * sd[:, None] + WEAVE * np.stack([levels.mean[0, 0], *np.full_like(levels.mean[0, 1:], 0.5)])
    varies = np.any((levels.u[0] > usual) & (levels.u[0] < FREE), axis=0)  # colours that tell nothing are left free
    return np.where(prints.printed, prints.untold, varies)


def drawn_u(bows_px: Floats, variances: Floats, share: Floats) -> Floats:
    """(2, S): what figures may have moved offsets by, and a side's end by its turn, px.

    By the `share` (S,) of bows (S,) px that is more than the noise of these, whose `variances` (S,) are known.
    """
    drawn = np.sqrt(np.maximum(bows_px**2 - variances, 0.0)) * share
    return np.stack([OFFSET_BY_BOW * drawn, TURN_BY_BOW * drawn])
