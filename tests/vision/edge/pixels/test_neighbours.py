"""Which pixels lie near other cloth, against distances by SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import distance_transform_cdt

from vision.edge.pixels.neighbours import NEAR_PX, neighbours_of
from vision.finding.regions import Region

SHAPE = (40, 60)


def region(x: int, y: int, mask: np.ndarray[tuple[int, int], np.dtype[np.bool_]]) -> Region:
    return Region(np.zeros((0, 2)), (x, y, mask.shape[1], mask.shape[0]), mask, False)


@pytest.mark.parametrize("own", [1, 2, 3])
def test_pixels_near_others_are_taken_and_ones_own_are_not(own: int) -> None:
    disc = np.hypot(*(np.indices((13, 13)) - 6.0)) < 6.3
    regions = [region(5, 5, disc), region(20, 6, np.ones((9, 14), bool)), region(30, 15, disc)]
    others = np.zeros(SHAPE, bool)
    for i, one in enumerate(regions):
        x, y, width, height = one.box_px
        if i + 1 != own:
            others[y : y + height, x : x + width] |= one.mask
    near = distance_transform_cdt(~others, "chessboard") <= NEAR_PX // 2
    ys, xs = np.indices(SHAPE).reshape(2, -1)
    taken = neighbours_of(regions, SHAPE).taken(xs, ys, np.full(xs.shape, own))
    overlaid = np.zeros(SHAPE, bool)  # a later region may lie over an earlier one's pixels
    x, y, width, height = regions[own - 1].box_px
    overlaid[y : y + height, x : x + width] = regions[own - 1].mask
    differs = (taken.reshape(SHAPE) != near) & ~overlaid
    assert not differs.any()


def test_an_empty_mat_takes_nothing() -> None:
    ys, xs = np.indices(SHAPE).reshape(2, -1)
    assert not neighbours_of([], SHAPE).taken(xs, ys, np.zeros(xs.shape, np.int64)).any()
