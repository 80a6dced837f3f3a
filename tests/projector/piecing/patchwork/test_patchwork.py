"""Raw outlines, stages and the order of sewing, against the trade's hand rules and shapely's own geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import Polygon

from projector.piecing.patchwork.order import set_in_places, sewn
from projector.piecing.patchwork.patches import Block, Patch, Sewn, joins_of, patches_of
from projector.piecing.patchwork.raw import clipped, grown, raw_edge
from projector.piecing.patchwork.sameness import kinds_of
from projector.piecing.patchwork.stages import Stages

IN = 25.4
S = IN / 4


def rectangle(x: float, y: float, width: float, height: float) -> np.ndarray:
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]], float)


def halves(side: float) -> Block:
    """A square of two triangles, its seam from the lower right to the upper left."""
    lower = Patch("dark", np.array([[0, 0], [side, 0], [0, side]], float))
    upper = Patch("light", np.array([[side, 0], [side, side], [0, side]], float))
    return Block("halves", Sewn(lower, upper), rectangle(0, 0, side, side))


def checks(n: int, unit: float) -> list[Patch]:
    cells = [(i, j) for j in range(n) for i in range(n)]
    return [Patch("dark" if (i + j) % 2 else "light", rectangle(i * unit, j * unit, unit, unit)) for i, j in cells]


def star(side: float) -> Block:
    """Eight 45-degree diamonds, four squares and four triangles between them."""
    away = [side * np.array([math.cos(k * math.pi / 4), math.sin(k * math.pi / 4)]) for k in range(8)]
    half = side + side / math.sqrt(2.0)
    patches = []
    for k in range(8):
        a, b, before = away[k], away[(k + 1) % 8], away[k - 1]
        patches.append(Patch("warm", np.array([np.zeros(2), a, a + b, b])))
        corners = [a, a + before, a + b] if k % 2 == 0 else [a, a + before, before + b + a, a + b]
        patches.append(Patch("ground", np.array(corners)))
    return Block("star", sewn(patches), rectangle(-half, -half, 2 * half, 2 * half))


def test_the_raw_leg_of_a_half_square_triangle_is_seven_eighths_longer() -> None:
    """Trade arithmetic: + 7/8 in, exactly s (2 + sqrt 2) (published handout; closed form)."""
    raw = grown(np.array([[0, 0], [3 * IN, 0], [0, 3 * IN]], float), S)
    leg = float(raw[1, 0] - raw[0, 0])
    assert leg == pytest.approx(3 * IN + S * (2 + math.sqrt(2)), abs=1e-9)
    assert 0.0 < 3 * IN + 7 / 8 * IN - leg < IN / 32


def test_the_raw_long_side_of_a_quarter_square_triangle_is_an_inch_and_a_quarter_longer() -> None:
    """Trade arithmetic: + 1 1/4 in, exactly s (2 + 2 sqrt 2) (published handout; closed form)."""
    raw = grown(np.array([[0, 0], [4 * IN, 0], [2 * IN, 2 * IN]], float), S)
    assert float(raw[1, 0] - raw[0, 0]) == pytest.approx(4 * IN + S * (2 + 2 * math.sqrt(2)), abs=1e-9)


@given(
    st.lists(st.floats(0.2, 1.0), min_size=3, max_size=9).map(lambda parts: np.cumsum(parts) / sum(parts)),
    st.floats(20.0, 400.0),
    st.floats(0.5, 15.0),
)
def test_growing_is_a_mitred_buffer_and_shrinking_takes_it_back(places: np.ndarray, size: float, by: float) -> None:
    """Against shapely's (GEOS) buffer with mitred joins, on convex polygons whose mitres it does not cut."""
    corners = size * np.column_stack([np.cos(2 * math.pi * places), np.sin(2 * math.pi * places)])
    if Polygon(corners).area < 0.05 * size**2:
        return
    raw = grown(corners, by)
    wanted = Polygon(corners).buffer(by, join_style="mitre", mitre_limit=1e6)
    assert Polygon(raw).symmetric_difference(wanted).area < 1e-6 * wanted.area
    assert np.allclose(grown(raw, -by), corners, atol=1e-8)


def test_clipping_is_an_intersection() -> None:
    """Against shapely's intersection."""
    corners = grown(np.array([[0, 0], [90, 0], [0, 40]], float), S)
    limit = raw_edge(np.array([60.0, -5.0]), np.array([75.0, 50.0]), 2.0)
    far = limit.normal * 1e4
    along = np.array([-limit.normal[1], limit.normal[0]]) * 1e4
    edge = limit.normal * limit.reach_mm
    plane = Polygon([edge - along, edge + along, edge + along - far, edge - along - far])
    assert Polygon(clipped(corners, limit)).symmetric_difference(Polygon(corners).intersection(plane)).area < 1e-6


def test_ears_are_trimmed_flush_with_the_mates_raw_edge() -> None:
    """A sewn square of two triangles is 1/2 in larger than finished, and no ear stays outside it (common practice)."""
    stages = Stages(halves(3 * IN), S)
    whole = stages.stage(stages.block.piece)
    assert np.allclose(np.ptp(whole.raw_mm, axis=0), 3.5 * IN)
    for patch in stages.block.patches:
        stage = stages.stage(patch)
        assert stage.sides.count("ear") == 2
        assert Polygon(stage.raw_mm).difference(Polygon(whole.raw_mm)).area < 1e-9
        pointed = Polygon(grown(stage.finished_mm, S))
        assert Polygon(stage.raw_mm).symmetric_difference(pointed.intersection(Polygon(whole.raw_mm))).area < 1e-6


def test_the_seam_of_halves_runs_to_the_raw_corners_and_the_square_is_trimmed_from_it() -> None:
    """A quarter inch beyond the seam's finished end, at 45 degrees to it: common practice, no source."""
    stages = Stages(halves(3 * IN), S)
    whole = stages.stage(stages.block.piece)
    ends = sorted(map(tuple, whole.seams_mm[0].round(9).tolist()))
    assert ends == [(-S, round(3 * IN + S, 9)), (round(3 * IN + S, 9), -S)]
    assert [trim.side for trim in whole.trims] == [0, 1, 2, 3]
    assert all(trim.distance_mm == pytest.approx(S) for trim in whole.trims)
    assert all(trim.angle_rad == pytest.approx(math.pi / 4) for trim in whole.trims)


@pytest.mark.parametrize("n", [2, 3, 5, 8])
def test_checks_are_sewn_in_rows_and_every_crossing_is_matched(n: int) -> None:
    """n rows of n squares: n^2 - 1 joins, no set-in seam, (n - 1)^2 crossings (counted by hand)."""
    piece = sewn(checks(n, 2 * IN))
    stages = Stages(Block("checks", piece, rectangle(0, 0, 2 * n * IN, 2 * n * IN)), S)
    joins = list(joins_of(piece))
    assert len(joins) == n * n - 1
    assert set_in_places(piece) == 0
    assert sum(len(stages.stage(join.first).match_mm) for join in joins) == (n - 1) ** 2


def test_kinds_count_what_is_the_same_turned_but_not_turned_over() -> None:
    kinds = kinds_of(Stages(Block("checks", sewn(checks(3, 50.0)), rectangle(0, 0, 150, 150)), S))
    assert [kind.count for kind in kinds[:2]] == [5, 4]
    slant = np.array([[0, 0], [40, 0], [60, 20], [20, 20]], float)
    over = slant * [-1, 1] + [60, 20]
    pair = [Patch("a", slant), Patch("a", over[::-1])]
    turned = [Patch("a", slant), Patch("a", slant @ [[0, 1], [-1, 0]] * [-1, -1] + [200, 0])]
    from projector.piecing.patchwork.sameness import signature

    assert signature(pair[0].corners_mm, [pair[0]]) != signature(pair[1].corners_mm, [pair[1]])
    assert signature(turned[0].corners_mm, [turned[0]]) == signature(turned[1].corners_mm, [turned[1]])


def test_an_eight_pointed_star_needs_its_squares_and_triangles_set_in() -> None:
    """Block = diamond side x (2 + sqrt 2) (published trade arithmetic); eight places turn a corner: common practice."""
    block = star(100.0)
    assert sum(patch.area_mm2 for patch in block.patches) == pytest.approx((100 * (2 + math.sqrt(2))) ** 2, abs=1e-6)
    assert set_in_places(block.piece) >= 8
    stages = Stages(block, S)
    assert np.allclose(stages.stage(block.piece).finished_mm[:, 0].max(), 50 * (2 + math.sqrt(2)))


def test_every_stage_holds_its_patches_and_shrinks_back_to_what_shows() -> None:
    """Finished outline = union of the finished patches (shapely), and the raw one without its seams is that again."""
    for block in (halves(80.0), star(90.0), Block("c", sewn(checks(4, 30.0)), rectangle(0, 0, 120, 120))):
        stages = Stages(block, S)
        for join in stages.joins:
            stage = stages.stage(join)
            union = Polygon()
            for patch in patches_of(join):
                union = union.union(Polygon(patch.corners_mm).buffer(1e-7, join_style="mitre"))
            assert union.symmetric_difference(Polygon(stage.finished_mm)).area < 1e-3
            assert Polygon(stage.raw_mm).contains(Polygon(stage.finished_mm))


def test_patches_that_touch_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="touch no other"):
        sewn([Patch("a", rectangle(0, 0, 10, 10)), Patch("b", rectangle(30, 0, 10, 10))])


def test_a_long_chain_of_logs_is_no_matter_of_depth() -> None:
    patches, (x0, y0, x1, y1) = [Patch("c", rectangle(0, 0, 10, 10))], (0.0, 0.0, 10.0, 10.0)
    for k in range(300):
        if k % 2 == 0:
            patches.append(Patch("l", rectangle(x0, y1, x1 - x0, 1.0)))
            y1 += 1.0
        else:
            patches.append(Patch("l", rectangle(x1, y0, 1.0, y1 - y0)))
            x1 += 1.0
    piece = sewn(patches)
    assert len(list(patches_of(piece))) == 301
    assert set_in_places(piece) == 0
