"""Plane geometry against shapely (GEOS), for random convex outlines."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, given
from hypothesis import strategies as st
from shapely.geometry.polygon import orient

from vision.polygons import (
    chord,
    depths,
    interior_angles,
    line_meeting,
    outward_normals,
    side_distances,
    side_lengths,
    signed_area,
)

places = st.tuples(st.floats(-500, 500), st.floats(-500, 500))


@st.composite
def convex(draw):
    """(N, 2) counter-clockwise, at least a square centimetre, no side under a millimetre."""
    hull = shapely.MultiPoint(draw(st.lists(places, min_size=3, max_size=9))).convex_hull
    assume(isinstance(hull, shapely.Polygon) and hull.area > 100.0)
    corners = np.array(orient(hull.simplify(0.5)).exterior.coords)[:-1]
    assume(len(corners) >= 3 and side_lengths(corners).min() > 1.0)
    assume(interior_angles(corners).max() < math.pi - 1e-3)
    return corners


@given(convex())
def test_areas_and_sides(corners):
    polygon = shapely.Polygon(corners)
    assert signed_area(corners) == pytest.approx(polygon.area)
    assert signed_area(corners[::-1]) == pytest.approx(-polygon.area)
    assert side_lengths(corners).sum() == pytest.approx(polygon.length)


@given(convex())
def test_angles_of_a_polygon_add_up(corners):
    # Euclid I.32, corollary: two right angles less than twice as many as there are sides
    assert interior_angles(corners).sum() == pytest.approx((len(corners) - 2) * math.pi)


@given(convex())
def test_normals_point_out(corners):
    polygon = shapely.Polygon(corners).buffer(1e-7)
    middles = (corners + np.roll(corners, -1, axis=0)) / 2
    assert np.hypot(*outward_normals(corners).T) == pytest.approx(np.ones(len(corners)))
    assert not shapely.contains_xy(polygon, middles + outward_normals(corners) * 1e-3).any()


@given(convex(), places)
def test_depth_is_the_distance_to_the_rim(corners, place):
    polygon, point = shapely.Polygon(corners), shapely.Point(place)
    depth = depths(np.array([place]), corners)[0]
    if polygon.contains(point):
        assert depth == pytest.approx(polygon.exterior.distance(point), abs=1e-6)
    else:  # outside, the distance to the farthest line: at most that to the polygon
        assert -polygon.distance(point) - 1e-6 <= depth <= 1e-6


@given(convex(), places, places)
def test_chord_is_what_shapely_cuts_out(corners, a, b):
    a, b = np.array(a), np.array(b)
    along = b - a
    assume(np.hypot(*along) > 1.0)
    far = along / np.hypot(*along) * 5000.0
    # a line that grazes a corner or runs along a side neither enters nor leaves
    assume(np.abs((corners - a) @ [far[1], -far[0]]).min() > 1e-3 * 5000.0)
    cut = shapely.Polygon(corners).intersection(shapely.LineString([a - far, a + far]))
    ends = chord(corners, np.array([a, b]))
    if cut.length > 1.0:
        assert ends is not None
        assert shapely.LineString(ends).hausdorff_distance(cut) < 1e-5
    elif cut.is_empty:
        assert ends is None


@given(places, places, places, places)
def test_lines_meet_on_both(a, b, c, d):
    a, b, c, d = (np.array(p) for p in (a, b, c, d))
    u, v = b - a, d - c
    assume(np.hypot(*u) > 1 and np.hypot(*v) > 1)
    assume(abs(u[0] * v[1] - u[1] * v[0]) > 0.01 * np.hypot(*u) * np.hypot(*v))
    meeting = line_meeting(a, b, c, d)
    for start, along in ((a, u), (c, v)):
        off = meeting - start
        assert abs(along[0] * off[1] - along[1] * off[0]) / np.hypot(*along) < 1e-6 * (1 + np.hypot(*off))


def test_parallel_lines_do_not_meet():
    assert line_meeting(*np.array([[0.0, 0.0], [4.0, 2.0], [1.0, 0.0], [5.0, 2.0]])) is None


@given(convex(), st.integers(0, 8), st.integers(0, 8))
def test_distances_of_sides_as_shapely_has_them(corners, i, j):
    n = len(corners)
    i, j = i % n, j % n
    assume(i != j)

    def line(k):
        a, b = corners[k], corners[(k + 1) % n]
        far = (b - a) / np.hypot(*(b - a)) * 1e5
        return shapely.LineString([a - far, b + far])

    def ends(k):
        return [shapely.Point(corners[k]), shapely.Point(corners[(k + 1) % n])]

    def middle(k):
        return shapely.Point((corners[k] + corners[(k + 1) % n]) / 2)

    mean, least, greatest = side_distances(corners, i, j)
    tips = [line(other).distance(end) for one, other in ((i, j), (j, i)) for end in ends(one)]
    assert (least, greatest) == pytest.approx((min(tips), max(tips)), abs=1e-6)
    assert mean == pytest.approx((line(j).distance(middle(i)) + line(i).distance(middle(j))) / 2, abs=1e-6)
