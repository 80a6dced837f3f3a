"""Cuts carried out on virtual strips (shapely), counts against closed forms and the trade's worked examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon, box
from shapely.affinity import translate

from projector.piecing.cutting.lines import parallel_cuts, turned_cuts
from projector.piecing.cutting.segments import segment_of
from projector.piecing.cutting.straight import straight_patches
from projector.piecing.cutting.yardage import bought_mm, roomy_mm
from projector.piecing.patchwork.patches import Patch
from projector.piecing.plans import Cut, Strip, units_from_strip
from projector.piecing.shapes import Lean, slant
from tests.projector.piecing.cutting.virtual import cut_up, same_side_up

IN = 25.4
S = IN / 4


def strip_set(n: int, lean: Lean, staggered: bool, length: float = 42 * IN) -> tuple[Strip, Polygon]:
    """n strips of 2 1/2 in, sewn; and the cloth as it then lies."""
    step = (1.0 if lean == "right" else -1.0) * 2.0 * IN if staggered else 0.0
    width = n * 2.0 * IN + 2.0 * S
    seams = tuple(S + 2.0 * IN * k for k in range(1, n))
    strip = Strip("set", width, length, seams, (), 0.0, 1, (2.5 * IN,) * n, (step,) * (n - 1) if staggered else ())
    edges = [0.0, *seams, width]
    cloth = Polygon()
    for k in range(n):
        cloth = cloth.union(box(k * step, edges[k], k * step + length, edges[k + 1]))
    assert isinstance(cloth, Polygon)
    return strip, cloth


@pytest.mark.parametrize("lean", ["left", "right"])
def test_strip_sets_give_as_many_segments_as_the_trades_worked_example_says(lean: Lean) -> None:
    """2 1/2 in strips 42 in long, 45 degrees, segments 2 1/2 in: flush ends 10, 9, 8, 8; staggered 11 each (worked)."""
    cut = Cut("set", 1, 2.5 * IN, math.pi / 4, lean)
    assert [units_from_strip(strip_set(n, lean, False)[0], cut) for n in (3, 4, 5, 6)] == [10, 9, 8, 8]
    assert [units_from_strip(strip_set(n, lean, True)[0], cut) for n in (3, 4, 5, 6)] == [11, 11, 11, 11]


@pytest.mark.parametrize("lean", ["left", "right"])
@pytest.mark.parametrize("staggered", [False, True])
@pytest.mark.parametrize("n", [2, 3, 5])
def test_cuts_through_a_strip_set_free_just_the_units_that_are_promised(n: int, staggered: bool, lean: Lean) -> None:
    strip, cloth = strip_set(n, lean, staggered)
    cut = Cut("set", 1, 2.5 * IN, math.pi / 4, lean)
    units = cut_up(cloth, parallel_cuts(strip, cut))
    promised = slant(strip.width_mm, cut.width_mm, cut.angle_rad, lean)
    assert len(units) == units_from_strip(strip, cut)
    for unit in units:
        shape = Polygon(promised.corners_mm)
        low = min(unit.exterior.coords, key=lambda p: (round(p[1], 6), p[0]))
        assert unit.symmetric_difference(translate(shape, low[0], low[1])).area < 1e-6


def test_a_wrong_lean_is_another_unit() -> None:
    """Mirror images are told apart: a unit of the other lean does not cover the promised one however it is turned."""
    right, left = (Polygon(slant(80.0, 50.0, math.radians(60), lean).corners_mm) for lean in ("right", "left"))
    turned = Polygon(-np.array(left.exterior.coords))
    for other in (left, turned):
        low = min(other.exterior.coords, key=lambda p: (round(p[1], 6), p[0]))
        assert right.symmetric_difference(translate(other, -low[0], -low[1])).area > 100.0
    corners = slant(80.0, 50.0, math.radians(60), "right").corners_mm
    assert same_side_up(-corners + [3.0, 4.0], corners)
    assert not same_side_up(slant(80.0, 50.0, math.radians(60), "left").corners_mm, corners)


MARGINS = st.one_of(st.just(0.0), st.floats(0.1, 6.0))
triangles = st.tuples(st.floats(20, 200), st.floats(-0.5, 1.5), st.floats(15, 150)).map(
    lambda t: np.array([[0.0, 0.0], [t[0], 0.0], [t[0] * t[1], t[2]]])
)
trapezoids = st.tuples(st.floats(20, 200), st.floats(-0.5, 0.9), st.floats(20, 200), st.floats(15, 150)).map(
    lambda t: np.array([[0.0, 0.0], [t[0], 0.0], [t[0] * t[1] + t[2], t[3]], [t[0] * t[1], t[3]]])
)


@settings(max_examples=60, deadline=None)
@given(st.one_of(triangles, trapezoids), st.floats(300, 1200), MARGINS)
def test_turned_cuts_free_just_the_patches_that_are_promised(
    finished: np.ndarray, length: float, margin: float
) -> None:
    for patch in straight_patches(finished, S):
        count = patch.per_strip(length, margin)
        row = patch.row_mm(count)
        assert all(Polygon(one).area == pytest.approx(Polygon(patch.corners_mm).area, rel=1e-9) for one in row)
        reach = max((float(one[:, 0].max()) for one in row), default=0.0)
        assert reach == pytest.approx(patch.reach_mm(count) if count else 0.0, abs=1e-6)
        assert patch.truing_mm(margin) + patch.reach_mm(count + 1) > length - 1e-6  # one more would not fit
        if not count or patch.strip_mm > 600:
            continue
        assert patch.truing_mm(margin) + reach <= length + 1e-6
        cloth = box(0, 0, length, patch.strip_mm)
        units = cut_up(cloth, turned_cuts(patch, count, margin)) if margin > 0.0 else []
        for unit, wanted in zip(units, row, strict=False):
            moved = translate(Polygon(wanted), patch.truing_mm(margin), 0.0)
            assert unit.symmetric_difference(moved).area < 1e-5 * moved.area


@settings(max_examples=60, deadline=None)
@given(st.one_of(triangles, trapezoids), st.floats(300, 1200), MARGINS)
def test_a_strip_gives_the_greatest_number_of_turned_patches(
    finished: np.ndarray, length: float, margin: float
) -> None:
    """Against trying: patches laid one after the other, beginning with either way up, each as far left as can be."""
    for patch in straight_patches(finished, S):
        upright = patch.corners_mm
        laid = []
        for first in (0, 1):
            count, cut = 0, None  # cut: where the last one ends, its lower and its upper end
            while True:
                one = upright if count % 2 == first else upright[1] + upright[2] - upright
                left, right = _ends(one)
                # Its left cut lies on the last one's right cut, or is the truing cut.
                begin = left.min() if cut is None else left[0] - cut[0]
                if cut is not None:
                    assert left[1] - cut[1] == pytest.approx(begin, abs=1e-6)
                else:
                    run = abs(left[1] - left[0])
                    begin -= margin * math.hypot(run, patch.strip_mm) / patch.strip_mm
                cut = right - begin
                if cut.max() > length + 1e-9:
                    break
                count += 1
            laid.append(count)
        assert patch.per_strip(length, margin) == max(laid)


def _ends(patch: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(lower, upper) x of the left and of the right cut of a patch that spans its strip."""
    low, high = patch[:, 1] < 1e-6, patch[:, 1] > patch[:, 1].max() - 1e-6
    rows = [patch[low][:, 0], patch[high][:, 0]]
    return np.array([row.min() for row in rows]), np.array([row.max() for row in rows])


def test_half_square_triangles_need_the_strip_that_the_hand_rule_says() -> None:
    """3 in finished: squares of 3 7/8 in cut across (published handout), exactly 3 + s (2 + sqrt 2) with s 1/4 in."""
    finished = np.array([[0, 0], [3 * IN, 0], [0, 3 * IN]], float)
    leg = 3 * IN + S * (2 + math.sqrt(2))
    ways = [way for way in straight_patches(finished, S) if way.strip_mm == pytest.approx(leg)]
    assert len(ways) == 2
    assert 0.0 < 3.875 * IN - leg < 0.022 * IN
    assert ways[0].per_strip(40 * IN, 0.0) == 2 * math.floor(40 * IN / leg)
    assert roomy_mm(leg) == pytest.approx(4.0 * IN)  # first quarter inch with 1/16 in to spare: common practice


def test_a_diamonds_segments_are_cut_as_wide_as_its_strips() -> None:
    """Common practice: a 45-degree diamond is cut as wide as its strip; stepping along the edge is wrong."""
    side = 2.0 * IN / math.sin(math.pi / 4)
    shift = side * math.cos(math.pi / 4)
    diamond = np.array([[0, 0], [side, 0], [side + shift, 2.0 * IN], [shift, 2.0 * IN]])
    segment = segment_of(diamond, [Patch("a", diamond)])
    assert segment is not None
    assert segment.height_mm == pytest.approx(2.0 * IN)
    assert segment.width_mm == pytest.approx(2.0 * IN)
    assert segment.angle_rad == pytest.approx(math.pi / 4)


def test_segments_know_their_lean_and_their_strips_wherever_they_lie() -> None:
    rows = [(0.0, 30.0, "a"), (30.0, 50.0, "b"), (50.0, 90.0, "a")]
    slope = 1.0 / math.tan(math.radians(60))
    for lean in (1.0, -1.0):
        patches = [
            Patch(
                f,
                np.array(
                    [
                        [lo * lean * slope, lo],
                        [lo * lean * slope + 70, lo],
                        [hi * lean * slope + 70, hi],
                        [hi * lean * slope, hi],
                    ]
                ),
            )
            for lo, hi, f in rows
        ]
        outline = np.array([[0, 0], [70, 0], [90 * lean * slope + 70, 90], [90 * lean * slope, 90]])
        for turn in (0.0, 0.3, 2.0, math.pi, 5.0):
            r = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
            segment = segment_of(outline @ r, [Patch(p.fabric, p.corners_mm @ r) for p in patches])
            assert segment is not None
            assert segment.lean == ("right" if lean > 0 else "left")
            assert [round(band.height_mm, 6) for band in segment.bands] in ([30, 20, 40], [40, 20, 30])
            assert segment.angle_rad == pytest.approx(math.radians(60))
            assert segment.width_mm == pytest.approx(70 * math.sin(math.radians(60)))


@pytest.mark.parametrize(
    ("inches", "eighths"), [(10, 3), (12.5, 3), (20, 5), (27.5, 7), (35, 8), (31.5, 7), (4.5, 1), (36, 8)]
)
def test_cloth_is_bought_in_eighths_of_a_yard(inches: float, eighths: int) -> None:
    """1/8 yd = 4 1/2 in (published table of yards), among them four bindings of the trade arithmetic."""
    assert bought_mm(inches * IN) == pytest.approx(eighths * 4.5 * IN)
