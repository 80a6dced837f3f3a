"""The drawing over a picture: on the outline and beside it; cloth and the picture itself are left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from tests.vision.exact import camera, px_of_mm
from vision.overlay.units import (
    COLOURS,
    SIGNS,
    draw_units,
    free_corner,
    nothing_taken,
    plate_lines,
    plate_size_px,
    take,
)
from vision.units import Finding, FindingKind, Judged, MeasuredUnit, Seam, Verdict, Width

CORNERS = np.array([[60.0, 50.0], [170.0, 62.0], [160.0, 152.0], [50.0, 140.0]])


def judged(verdict, trouble=None):
    small = np.full(4, 0.02)
    seam = Seam(np.array([[115.0, 56.0], [105.0, 146.0]]), 0.05)
    width = Width((0, 2), 90.5, 90.5, 90.5, 0.03)
    unit = MeasuredUnit(CORNERS, small, small, small, small, (width,), (seam,), trouble)
    return Judged(unit, verdict=verdict)


@pytest.mark.parametrize("verdict", [None, *Verdict])
def test_it_draws_on_the_outline(verdict):
    picture = np.full((600, 900, 3), 60, np.uint8)
    drawn = draw_units(picture, camera(), 0.0, [judged(verdict)], ["u7"])
    assert (picture == 60).all()
    ys, xs = np.nonzero((drawn != picture).any(axis=2))
    outline = shapely.Polygon(px_of_mm(CORNERS))
    seam = shapely.LineString(px_of_mm(np.array([[115.0, 56.0], [105.0, 146.0]])))
    number = shapely.Point(px_of_mm(CORNERS).mean(axis=0)).buffer(30.0)
    bare_cloth = outline.buffer(-8.0).difference(seam.buffer(8.0)).difference(number)
    assert not shapely.contains_xy(bare_cloth, xs, ys).any()  # words stand beside the cloth, its number on it
    assert shapely.contains_xy(number, xs, ys).any()
    middles = (px_of_mm(CORNERS) + np.roll(px_of_mm(CORNERS), -1, axis=0)) / 2
    for x, y in middles.round().astype(int):
        assert (drawn[y, x] != 60).any()


def test_every_verdict_has_a_sign_and_a_colour_of_its_own():
    told = [verdict for verdict in Verdict if verdict not in (Verdict.OTHER, Verdict.LOOK_AGAIN)]
    assert len({COLOURS[verdict] for verdict in told}) == len(told)
    assert len({SIGNS[verdict] for verdict in Verdict}) == len(Verdict)


def test_nothing_to_draw_is_the_same_picture():
    picture = np.full((600, 900, 3), 60, np.uint8)
    assert (draw_units(picture, camera(), 0.0, []) == picture).all()


def test_a_long_sentence_takes_more_lines_and_no_word_of_it_is_lost():
    long = "the mirror image of what was expected: lay it printed face up; if it is, it was cut from the wrong side"
    said = plate_lines(["1 %", long, "side 0 or 2 in by 1/32 in"])
    assert said[0] == "1 %"
    assert said[-1] == "side 0 or 2 in by 1/32 in"
    assert " ".join(" ".join(said[1:-1]).split()) == long
    assert plate_size_px(said, 1.0)[0] < 0.6 * plate_size_px([long], 1.0)[0]


def test_a_side_that_something_is_said_of_is_drawn_thicker_and_has_its_number():
    picture = np.full((600, 900, 3), 60, np.uint8)
    plain, found = judged(Verdict.TRIM), Finding(FindingKind.SIDE_OFF, (2,), 1.2, 0.05)
    drawn = [draw_units(picture, camera(), 0.0, [one]) for one in (plain, replace(plain, findings=(found,)))]
    ends = px_of_mm(CORNERS[[2, 3]])
    near = shapely.LineString(ends).buffer(25.0).difference(shapely.LineString(ends).buffer(1.8))
    other = shapely.LineString(px_of_mm(CORNERS[[0, 1]])).buffer(10.0)
    ys, xs = np.nonzero((drawn[0] != drawn[1]).any(axis=2))
    assert shapely.contains_xy(near, xs, ys).sum() > 100
    assert not shapely.contains_xy(other, xs, ys).any()


def test_plates_cover_neither_cloth_nor_each_other_where_there_is_room() -> None:
    picture = np.zeros((400, 600, 3), np.uint8)
    outlines = [
        np.array([[x, y], [x + 90.0, y], [x + 90.0, y + 60.0], [x, y + 60.0]]) for x in (40, 300) for y in (50, 220)
    ]
    taken, plate_px = nothing_taken(picture), np.array([120.0, 60.0])
    for outline in outlines:
        take(taken, outline)
    boxes = [shapely.box(*outline.min(axis=0), *outline.max(axis=0)) for outline in outlines]
    for outline in outlines:
        corner = free_corner(outline, plate_px, taken)
        take(taken, corner + plate_px * np.array([[0, 0], [1, 0], [1, 1], [0, 1]]))
        plate = shapely.box(*corner, *(corner + plate_px))
        assert not any(plate.intersects(box) for box in boxes)
        assert shapely.box(0, 0, 600, 400).contains(plate)
        boxes.append(plate)
