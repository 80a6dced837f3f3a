"""Nests laid out by shapely: whole, apart, never turned over, as many as promised; known lattices; grain kept."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon, box
from shapely.affinity import translate

from projector.piecing.cutting.nesting import Nest, lying_nest, nested, no_fit
from projector.piecing.cutting.straight import straight_patches
from projector.piecing.patchwork.patches import area_mm2
from tests.projector.piecing.cutting.virtual import Floats, apart, same_side_up

LENGTH = 1000.0


def regular(n: int, radius: float) -> Floats:
    turns = np.arange(n) * 2.0 * math.pi / n
    return radius * np.column_stack([np.cos(turns), np.sin(turns)])


@st.composite
def convex(draw: st.DrawFn) -> Floats:
    """Three to eight corners on an ellipse, no two very near."""
    gaps = np.array(draw(st.lists(st.floats(0.3, 1.0), min_size=3, max_size=8)))
    turns = np.cumsum(gaps) * 2.0 * math.pi / gaps.sum()
    size = draw(st.floats(15.0, 100.0)) * np.array([1.0, draw(st.floats(0.2, 1.0))])
    return size * np.column_stack([np.cos(turns), np.sin(turns)])


def check_row(nest: Nest, raw: Floats, length: float) -> int:
    """What a nest promises holds on a virtual strip; how many it gives."""
    count = nest.per_strip(length)
    row = nest.row_mm(count)
    strip = box(0, 0, length, nest.strip_mm).buffer(1e-6)
    shapes = [Polygon(one) for one in row]
    assert len(row) == count
    assert all(strip.covers(shape) for shape in shapes)
    assert all(same_side_up(one, raw) for one in row)
    assert apart(shapes)
    return count


@settings(max_examples=60, deadline=None)
@given(convex(), st.floats(0.0, 3.0), st.booleans(), st.one_of(st.none(), st.integers(1, 200)), st.floats(250, 1200))
def test_a_nest_holds_what_it_promises(raw: Floats, grain: float, held: bool, make: int | None, length: float) -> None:
    nest = nested(raw, length, grain if held else None, make)
    count = check_row(nest, raw, length)
    lying = nest.cycle_mm[0]
    assert nest.strip_mm <= 2.0 * np.ptp(lying[:, 1]) + 1e-6  # no more than two above one another
    assert count * area_mm2(raw) <= nest.strip_mm * length
    again = lying_nest(np.round(lying, 6), round(nest.strip_mm, 6), count)  # as a plan file has it
    assert len(again.row_mm(count)) == count
    assert max(one[:, 0].max() for one in again.row_mm(count)) <= length + 1e-3
    assert apart([Polygon(one) for one in again.row_mm(count)])
    if held:
        side, along = raw[1] - raw[0], lying[1] - lying[0]
        turn = math.atan2(along[1], along[0]) - math.atan2(side[1], side[0])
        assert math.sin(grain + turn) == pytest.approx(1.0)  # lengthwise grain across the strip


@settings(max_examples=30, deadline=None)
@given(convex(), st.booleans(), st.floats(0.0, 1.0))
def test_mates_touch_on_the_no_fit_polygon_and_overlap_inside_it(raw: Floats, turned: bool, share: float) -> None:
    """Minkowski: P and c - P overlap just where c is inside P + P, P and P + c where c is inside P - P."""
    low, high = raw.min(axis=0), raw.max(axis=0)
    own, mate = Polygon(raw), Polygon(low + high - raw if turned else raw)
    ring = no_fit(raw, turned)
    for start, end in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        place = start + share * (end - start)
        touching = translate(mate, *place)
        assert apart([own, touching])
        assert own.distance(touching) < 1e-6
        assert own.intersection(translate(mate, *(0.98 * place))).area > 1e-9 * own.area


def test_hexagons_lie_as_in_a_honeycomb() -> None:
    """Two rows, pitch across flats, rows 3/4 of the height apart: 2 h x 3/4 to the pair (plane geometry)."""
    nest = nested(regular(6, 10.0), 100_000.0)
    assert nest.strip_mm == pytest.approx(35.0, abs=1e-3)
    assert nest.pitch_mm == pytest.approx(10.0 * math.sqrt(3.0), abs=1e-3)
    assert check_row(nested(regular(6, 60.0), LENGTH), regular(6, 60.0), LENGTH) >= 2 * 9


def test_two_rows_of_circles_lie_in_each_others_gaps() -> None:
    """Pitch 2 r, strip (2 + sqrt 3) r: the densest packing of circles, two rows of it (Thue, 1890)."""
    nest = nested(regular(64, 10.0), 100_000.0, 0.0)
    assert nest.strip_mm == pytest.approx((2.0 + math.sqrt(3.0)) * 10.0, rel=5e-3)  # of a polygon of 64 sides
    assert nest.pitch_mm == pytest.approx(20.0, rel=1e-3)


def test_nesting_finds_what_straight_cuts_give() -> None:
    """A triangle's row by straight cuts is among the nests (both turn every second one)."""
    finished = np.array([[0.0, 0.0], [90.0, 0.0], [25.0, 70.0]])
    for way in straight_patches(finished, 6.35):
        raw = way.corners_mm
        nest = nested(raw, LENGTH)
        assert nest.strip_mm / nest.per_strip(LENGTH) <= way.strip_mm / way.per_strip(LENGTH, 0.0) + 1e-6


def test_few_patches_take_a_narrower_strip_than_many() -> None:
    raw = regular(6, 60.0)
    assert nested(raw, LENGTH, None, 3).strip_mm < nested(raw, LENGTH, None, 300).strip_mm


def test_what_is_too_long_for_the_strip_is_not_laid_on_it() -> None:
    assert nested(regular(5, 100.0), 120.0).per_strip(120.0) == 0


def test_fine_and_hollow_outlines_are_nested_by_their_hulls() -> None:
    hollow = np.array([[0, 0], [90, 0], [90, 40], [40, 40], [40, 80], [0, 80]], float)
    check_row(nested(hollow, LENGTH), hollow, LENGTH)
    check_row(nested(regular(65, 50.0), LENGTH, 0.0), regular(65, 50.0), LENGTH)


def test_an_outline_of_very_many_corners_takes_no_longer() -> None:
    began = time.process_time()
    nest = nested(regular(5000, 50.0), LENGTH)
    assert time.process_time() - began < 3.0  # a bound against growth, not a measurement
    assert nest.per_strip(LENGTH) >= 18
