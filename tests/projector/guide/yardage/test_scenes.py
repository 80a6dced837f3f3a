"""What stands in the light while strips are cut: legible though the cloth covers most of the mat."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import Polygon, box

from projector.guide.looks import MatCleared
from projector.guide.scene.scenes import Words
from projector.guide.yardage.striping import begin, step
from tests.projector.guide.legible import faults
from tests.projector.guide.yardage.cloths import cloth
from tests.projector.guide.yardage.test_striping import PLAN, SEA, seen


def said(scene):
    return " ".join(mark.text for mark in scene.marks if isinstance(mark, Words))


@pytest.mark.parametrize(
    ("wide_mm", "deep_mm", "reach_mm"), [(914.4, 609.6, 610.0), (914.4, 609.6, 300.0), (660.0, 580.0, 390.0)]
)
def test_all_that_matters_is_said_beside_cloth_that_covers_most_of_the_mat(wide_mm, deep_mm, reach_mm):
    """Cloth that hangs over the mat's left edge, 535 mm deep; a strip slid aside; the next one would bend."""
    low, high = (deep_mm - 535.0) / 2, (deep_mm + 535.0) / 2
    area = ((0.0, 0.0), (wide_mm, 0.0), (wide_mm, deep_mm), (0.0, deep_mm))

    def yardage(bottom, top):
        return cloth([(0, low), (bottom, low), (top, high), (0, high)], "cut_off")

    strip = [(reach_mm + 30, low), (reach_mm + 106.2, low), (reach_mm + 106.2, high), (reach_mm + 30, high)]
    views = [
        (yardage(reach_mm, reach_mm + 9), []),
        (yardage(reach_mm - 4, reach_mm - 4), []),
        (yardage(reach_mm - 80.2, reach_mm - 83), [strip]),
    ]
    told = [
        "first square the raw end to the fold, or strips bend there",
        "1 of 3: 3 in",
        "would bend by 0.6 deg at the fold",
    ]
    now = step(begin(SEA, PLAN, area).state, MatCleared())
    for (lies, strips), words in zip(views, told, strict=True):
        now = step(now.state, seen(lies, strips=strips))
        cloths = [Polygon(outline) for outline in (lies.corners_mat_mm, *map(np.array, strips))]
        assert faults(now.scene, box(0, 0, wide_mm, deep_mm), cloths) == []
        assert words in said(now.scene)
        assert now.scene.caution
    assert "3 in, fits" in said(now.scene)
