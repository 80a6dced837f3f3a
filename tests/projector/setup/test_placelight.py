"""The light that shows where the sheet goes next: nothing of it may lie where nobody sees it."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from calibration.sheet.barrel import Barrel
from calibration.sheet.placing import Field, Place, next_flat
from projector.guide.scene.scenes import Fill
from projector.setup.placelight import place_scene

FIELD = Field(np.eye(3), Barrel(0.0, (1920, 1080)), shapely.box(0.0, 0.0, 900.0, 600.0), (240.0, 180.0), 12.0)


def arrow(place: Place) -> shapely.Polygon:
    (found,) = [mark for mark in place_scene(FIELD, place, (), "1 of 9").marks if isinstance(mark, Fill)]
    return shapely.Polygon(found.corners_mat_mm)


def test_the_arrow_stands_beyond_the_top_edge_where_there_is_room():
    corners = np.array([[330.0, 210.0], [570.0, 210.0], [570.0, 390.0], [330.0, 390.0]])
    assert arrow(Place(corners, "in the middle")).bounds == pytest.approx((418.0, 390.0, 482.0, 422.0))


def test_no_arrow_leaves_the_field_and_each_points_to_the_prints_top():
    """All nine places that are asked for, those that hang over the field's rim with their tops outward, too."""
    seen = list[np.ndarray]()
    within = 0
    for _ in range(9):
        place = next_flat(FIELD, seen)
        assert place is not None
        shape, corners = arrow(place), place.corners_sheet_mm
        assert FIELD.outline.covers(shape)
        base, tip = np.array(shape.exterior.coords)[:2].mean(axis=0), np.array(shape.exterior.coords)[2]
        up = (corners[3] - corners[0]) / np.hypot(*(corners[3] - corners[0]))
        assert (tip - base) / np.hypot(*(tip - base)) == pytest.approx(up)
        within += shapely.Polygon(corners).covers(shape)
        seen.append(corners)
    assert 0 < within < 9
