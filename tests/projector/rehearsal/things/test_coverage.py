"""Coverage of pixels, against areas one can compute in the head and against shapely."""

import numpy as np
import pytest
from shapely.geometry import Polygon, box

from projector.rehearsal.things.coverage import convex_cover, half_square


def pixels(columns: int, rows: int) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.meshgrid(np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32))
    return x, y


@pytest.mark.parametrize(
    ("distance", "slope", "part"),
    [
        (0.0, (1.0, 0.0), 0.5),  # through the middle
        (0.25, (1.0, 0.0), 0.75),  # upright edge, a quarter further
        (0.0, (1.0, 1.0), 0.5),  # the diagonal
        (-0.5, (1.0, 1.0), 0.125),  # a triangle with legs of one half
        (2.0, (1.0, 1.0), 1.0),
        (-2.0, (0.3, 1.0), 0.0),
    ],
)
def test_part_of_a_square_beyond_an_edge(distance: float, slope: tuple[float, float], part: float) -> None:
    args = (np.array([v]) for v in (distance, *slope))
    assert half_square(*args)[0] == pytest.approx(part, abs=1e-3)


def test_every_pixel_of_a_slanted_shape_has_the_area_that_shapely_finds() -> None:
    corners = np.array([[3.3, 2.2], [24.1, 5.7], [21.8, 17.4], [5.2, 14.9]])
    cover = convex_cover(corners, *pixels(30, 20))
    shape = Polygon(corners)
    exact = [[shape.intersection(box(u - 0.5, v - 0.5, u + 0.5, v + 0.5)).area for u in range(30)] for v in range(20)]
    assert np.abs(cover - exact).max() < 0.01  # sampled corners; sides are closer
    assert cover.sum() == pytest.approx(shape.area, abs=0.02)


def test_two_patches_that_meet_leave_no_gap() -> None:
    left = np.array([[2.0, 2.0], [10.3, 2.0], [12.9, 15.0], [2.0, 15.0]])
    right = np.array([[10.3, 2.0], [20.0, 2.0], [20.0, 15.0], [12.9, 15.0]])
    both = convex_cover(left, *pixels(24, 18)) + convex_cover(right, *pixels(24, 18))
    assert np.abs(both[4:13, 4:18] - 1.0).max() < 1e-6
