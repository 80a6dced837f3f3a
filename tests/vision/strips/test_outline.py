"""Rims of strips that a thread or a drawn line leaves in and out by the same points."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.vision.exact import MM_PER_PX, camera
from vision.finding.regions import Region
from vision.strips.outline import near_rim, rough_strip

TOP, BOTTOM, LEFT, RIGHT = 250, 350, 100, 800


@pytest.mark.parametrize(
    "thread_px", [((800, 330), (804, 283), (820, 275), (828, 369)), ((800, 300), (840, 260), (850, 300)), ()]
)
def test_a_thread_out_of_an_end_leaves_the_strip_its_ends(thread_px: tuple[tuple[int, int], ...]) -> None:
    seen = np.zeros((600, 900), np.uint8)
    seen[TOP : BOTTOM + 1, LEFT : RIGHT + 1] = 1
    if thread_px:
        cv2.polylines(seen, [np.array(thread_px)], False, 1)
    (contour,), _ = cv2.findContours(seen, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    rim = contour[:, 0].astype(float)
    everywhere = np.ones(seen.shape, np.bool_)
    region = Region(rim, (0, 0, 900, 600), seen > 0, False)
    strip = rough_strip(region, camera(), 0.0, near_rim(everywhere))
    assert strip is not None
    assert len(strip.ends) == 2
    assert strip.width_mm == pytest.approx((BOTTOM - TOP) * MM_PER_PX, abs=2.0 * MM_PER_PX)
