"""Trim lines, dots and arrows on units that were drawn larger than planned; what is expected is worked by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely import Point, Polygon

from projector.guide.sewn.place import lay_unit
from projector.guide.sewn.trims import dots, press_arrow, settled, sides_to_trim, trim_line
from projector.guide.units.state import wanted_of
from projector.piecing.plans import Plan, Unit, expected_shape
from tests.projector.guide.sewncloth import larger, measured, plan, sewn_units

IN = 25.4
LIMIT = IN / 32

# A square of 4 in finished, sewn of two triangles along its diagonal, 1/4 in of allowance: 4 1/2 in raw.
HALVES = plan("half-square triangles", 4 * IN)
# Three by three squares of 2 in: "piece 1" is two rows of it, 6 1/2 by 4 1/2 in raw.
NINE = plan("nine patch", 6 * IN)


def laid_on(of: Plan, name: str, by_mm, seams=None, **where):
    unit = of.unit(name)
    shape = expected_shape(of, unit)
    cloth = measured(larger(shape.corners_mm, by_mm), shape.seams_mm if seams is None else seams, **where)
    return unit, lay_unit(cloth, wanted_of(of, unit))


@pytest.mark.parametrize("turn_deg", [0.0, 25.0, 130.0, 245.0])
def test_every_side_reaches_as_far_past_its_line_as_it_was_drawn_larger(turn_deg: float) -> None:
    by = [2.0, 3.0, 4.0, 5.0]
    unit, laid = laid_on(NINE, "piece 1", by, turn_deg=turn_deg)
    sides = sides_to_trim(laid, unit.trims)
    assert [side.side for side in sides] == [0, 1, 2, 3]
    over = [side.mean_mm for side in sides]
    over = over if over[0] < over[2] else over[2:] + over[:2]  # its outline and seams are the same after half a turn
    assert over == pytest.approx(by, abs=1e-6)
    assert [side.greatest_mm for side in sides] == pytest.approx([side.mean_mm for side in sides], abs=1e-6)
    assert len(laid.twins) == 1


def test_the_line_lies_at_the_trims_own_distance_from_the_seam_that_was_found() -> None:
    """By hand: side 0 of piece 1 lies 2 1/4 in from the long seam (seam 4), which was sewn 1.5 mm too high."""
    unit = NINE.unit("piece 1")
    shape = expected_shape(NINE, unit)
    seams = shape.seams_mm.copy()
    seams[4] += [0.0, 1.5]
    cloth = measured(larger(shape.corners_mm, [3.0] * 4), seams, 0.0, 0.0, 0.0)
    laid = lay_unit(cloth, wanted_of(NINE, unit))
    low = sides_to_trim(laid, unit.trims)[0]
    assert low.line_mat_mm[:, 1] == pytest.approx([1.5, 1.5], abs=0.02)  # the seam's 2 1/4 in + 1.5 mm, less 2 1/4 in
    assert low.mean_mm == pytest.approx(4.5, abs=0.02)


def test_a_seam_that_was_sewn_askew_turns_the_line_with_it() -> None:
    unit = NINE.unit("piece 1")
    shape = expected_shape(NINE, unit)
    seams, tilt = shape.seams_mm.copy(), math.radians(0.8)
    middle = seams[4].mean(axis=0)
    seams[4] = middle + (seams[4] - middle) @ np.array([[1.0, tilt], [-tilt, 1.0]])
    laid = lay_unit(measured(larger(shape.corners_mm, [3.0] * 4), seams, 0.0, 0.0, 0.0), wanted_of(NINE, unit))
    run = np.diff(sides_to_trim(laid, unit.trims)[0].line_mat_mm, axis=0)[0]
    assert math.atan(run[1] / run[0]) == pytest.approx(tilt, abs=1e-4)


def test_a_slanted_trim_keeps_its_angle_and_its_distance_from_its_place() -> None:
    """Half-square triangles: each side runs at 45 degrees to the seam, 1/4 in from the seam's end."""
    unit, laid = laid_on(HALVES, "half-square triangles", [3.0] * 4)
    laid = settled(laid, unit.trims, LIMIT)
    (seam,) = laid.seams.values()
    for trim, side in zip(unit.trims, sides_to_trim(laid, unit.trims), strict=True):
        run = np.diff(side.line_mat_mm, axis=0)[0]
        sine = abs(run[0] * seam.along[1] - run[1] * seam.along[0]) / np.hypot(*run)
        assert math.asin(sine) == pytest.approx(trim.angle_rad, abs=1e-9)
        place = laid.mat_from_own(np.array(trim.from_mm))
        off = place - side.line_mat_mm[0]
        assert abs(run[0] * off[1] - run[1] * off[0]) / np.hypot(*run) == pytest.approx(trim.distance_mm, abs=1e-6)


def test_along_a_lone_seam_two_sides_are_flush_and_two_are_cut() -> None:
    """A square 3 mm larger all round: pushed into one corner it has 6 mm over on the two other sides."""
    unit, laid = laid_on(HALVES, "half-square triangles", [3.0] * 4)
    sides = sides_to_trim(settled(laid, unit.trims, LIMIT), unit.trims)
    assert sorted(side.mean_mm for side in sides) == pytest.approx([0.0, 0.0, 6.0, 6.0], abs=1e-6)
    # Once they are cut all is flush, and what is cut stays cut: nothing is asked for again.
    by = {side.side: 0.0 for side in sides}
    cut = {side.side: side.mean_mm for side in sides}
    corners = larger(expected_shape(HALVES, unit).corners_mm, [3.0 + by[k] for k in range(4)])
    rest = larger(corners, [-cut[k] for k in range(4)])
    again = lay_unit(measured(rest, expected_shape(HALVES, unit).seams_mm), wanted_of(HALVES, unit))
    after = sides_to_trim(settled(again, unit.trims, LIMIT), unit.trims)
    assert [side.mean_mm for side in after] == pytest.approx([0.0] * 4, abs=1e-6)


def test_the_line_that_is_shown_reaches_past_the_cloth_and_keeps_the_unit() -> None:
    unit, laid = laid_on(NINE, "piece 1", [3.0] * 4)
    for side in sides_to_trim(laid, unit.trims):
        line = trim_line(laid, side)
        run = np.diff(line.shown_mat_mm, axis=0)[0]
        assert run[1] > 0.0  # away from the person
        middle = laid.corners_mat_mm.mean(axis=0) - line.shown_mat_mm[0]
        is_left = run[0] * middle[1] - run[1] * middle[0] > 0.0
        assert line.keep == ("left" if is_left else "right")
        assert math.dist(*line.shown_mat_mm) == pytest.approx(math.dist(*line.cloth_mat_mm) + 50.0)
        outline = Polygon(laid.unit.corners_mat_mm)
        assert [outline.exterior.distance(Point(end)) for end in line.cloth_mat_mm] == pytest.approx(
            [0.0, 0.0], abs=1e-6
        )


def test_dots_lie_on_the_found_seams_a_quarter_inch_inside_the_cloth() -> None:
    """By hand: piece 1's upper side is trimmed right; its dots lie 1/4 in below it on the two upper seams, of which
    one was sewn 1 mm to the right."""
    unit = NINE.unit("piece 1")
    shape = expected_shape(NINE, unit)
    seams = shape.seams_mm.copy()
    seams[3] += [1.0, 0.0]
    laid = lay_unit(measured(shape.corners_mm, seams, 0.0, 0.0, 0.0), wanted_of(NINE, unit))
    found = dots(laid, unit.dots_mm)
    (right, left) = found[found[:, 1] > 2.25 * IN]
    assert left == pytest.approx([2.25 * IN, 4.25 * IN], abs=0.03)
    assert right[1] == pytest.approx(4.25 * IN, abs=0.03)
    assert 4.25 * IN - 0.01 <= right[0] <= 4.25 * IN + 1.01  # its line is shared with the half below
    # Turned by half a turn it looks the same: those places are marked, too, on the seams' other ends.
    assert sorted(found[found[:, 1] < 2.25 * IN][:, 1]) == pytest.approx([0.25 * IN] * 2, abs=0.03)


def test_the_arrow_crosses_the_newest_seam_toward_its_first_or_second_piece() -> None:
    """By hand: two logs of 2 and 4 in in a row; the seam stands 2 1/4 in from the left edge, the first piece left."""
    seam = ((2.25 * IN, 2.5 * IN), (2.25 * IN, 0.0))
    text = "polygon(0 in 0 in, 6 1/2 in 0 in, 6 1/2 in 2 1/2 in, 0 in 2 1/2 in)"
    of = Plan("logs", (), (Unit("logs", None, text, seams_mm=(seam[::-1],)),))
    _, laid = laid_on(of, "logs", [0.0] * 4, x=0.0, y=0.0, turn_deg=0.0)
    tail, tip = press_arrow(laid, "first", 20.0)
    assert (tail, tip) == (pytest.approx([2.25 * IN + 10, 1.25 * IN]), pytest.approx([2.25 * IN - 10, 1.25 * IN]))
    tail, tip = press_arrow(laid, "second", 20.0)
    assert tip[0] > tail[0]
    # Of a unit that looks the same turned round nobody can say which piece is which by its outline.
    _, twofold = laid_on(NINE, "piece 1", [0.0] * 4)
    assert press_arrow(twofold, "first", 20.0) is None


@pytest.mark.parametrize(
    ("block", "settings"),
    [
        ("nine patch", {}),
        ("log cabin", {}),
        ("flying geese", {}),
        ("eight-pointed star", {}),
        ("compass star", {}),
    ],
)
def test_the_last_seam_of_a_unit_is_the_newest_with_its_first_piece_on_the_left(block: str, settings) -> None:
    """What lies left of the last seam is as large as the first piece, over all steps of blocks of the library."""
    of = plan(block, 8 * IN, **settings)
    areas = {unit.name: Polygon(expected_shape(of, unit).corners_mm).area for unit in of.units}
    told = 0
    for step in of.steps:
        unit = of.unit(step.makes)
        first, second = (areas[name] for name in step.sew)
        shape = expected_shape(of, unit)
        line = shape.seams_mm[-1]
        if step.set_in or abs(first / second - 1.0) < 0.1:
            continue  # a seam that turns divides nothing by one line
        run = line[1] - line[0]
        left = np.array([-run[1], run[0]]) / np.hypot(*run)
        along = run / np.hypot(*run)
        far = 1e4
        half = Polygon(
            [
                line[0] - far * along,
                line[0] + far * along,
                line[0] + far * (along + left),
                line[0] + far * (left - along),
            ]
        )
        on_left = Polygon(shape.corners_mm).intersection(half).area
        share = first / (first + second)
        got = on_left / Polygon(shape.corners_mm).area
        if min(abs(got - share), abs(got - (1.0 - share))) > 0.1:
            continue  # about a disc, which is laid over
        assert abs(got - share) < abs(got - (1.0 - share)), unit.name
        told += 1
    assert told


def test_cloth_that_is_no_such_unit_is_not_taken_for_it() -> None:
    unit = NINE.unit("piece 1")
    halves = expected_shape(HALVES, HALVES.unit("half-square triangles"))
    assert lay_unit(measured(halves.corners_mm, halves.seams_mm), wanted_of(NINE, unit)) is None
    shape = expected_shape(NINE, unit)
    assert lay_unit(measured(shape.corners_mm, np.empty((0, 2, 2))), wanted_of(NINE, unit)) is None  # no seam is seen


def test_a_unit_that_lies_face_down_is_recognised_as_that() -> None:
    of = plan("flying geese", 4 * IN)
    unit = of.unit("piece 1")
    shape = wanted_of(of, unit)
    flipped = shape.mirrored()
    laid = lay_unit(measured(larger(flipped.corners_mm, [2.0] * 5), flipped.seams_mm), shape)
    assert laid is not None
    assert laid.mirrored
    upright = lay_unit(measured(larger(shape.corners_mm, [2.0] * 5), shape.seams_mm), shape)
    assert upright is not None
    assert not upright.mirrored


@pytest.mark.parametrize(
    "block", ["nine patch", "flying geese", "log cabin", "eight-pointed star", "quarter-square triangles"]
)
def test_units_of_the_library_are_laid_and_nothing_is_cut_from_those_that_are_right(block: str) -> None:
    of = plan(block, 8 * IN)
    for unit in sewn_units(of):
        shape = expected_shape(of, unit)
        laid = lay_unit(measured(shape.corners_mm, shape.seams_mm), wanted_of(of, unit))
        assert laid is not None, unit.name
        sides = sides_to_trim(settled(laid, unit.trims, LIMIT), unit.trims)
        assert len(sides) == len(unit.trims)
        assert [side.mean_mm for side in sides] == pytest.approx([0.0] * len(sides), abs=0.01), unit.name
