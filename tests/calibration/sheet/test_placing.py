"""Where the sheet should lie next. The camera is a homography written by hand; what must hold is plane geometry."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from calibration.sheet.board import Board
from calibration.sheet.corners import SheetView
from calibration.sheet.placing import KEPT_MM, Field, covered, field_of, next_flat, next_tilted, outline_of, where

BOARD = Board()
SIZE_PX = (1920, 1080)
SCALE = 1.9  # camera pixels a millimetre


def view_of(corners_mm: np.ndarray, corners_px: np.ndarray) -> SheetView:
    count = len(corners_mm)
    return SheetView("view", np.arange(count), corners_mm, corners_px, np.full(count, 0.02))


def camera(points_mm: np.ndarray, turn_rad: float, keystone: float) -> np.ndarray:
    """A camera over the middle of a field of about 1000 x 560 mm: y down the picture, turned, with some keystone."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    turned = (points_mm - [120.0, 90.0]) @ np.array([[c, s], [-s, c]])
    depth = 1.0 + keystone * turned[:, 1] / 300.0
    return np.column_stack([960 + SCALE * turned[:, 0] / depth, 540 - SCALE * turned[:, 1] / depth])


def seen_at(points_mm: np.ndarray, turn_rad: float = 0.0, keystone: float = 0.0) -> SheetView:
    return view_of(BOARD.corners_sheet_mm, camera(points_mm, turn_rad, keystone))


def field(turn_rad: float = 0.0, keystone: float = 0.0) -> Field:
    return field_of(seen_at(BOARD.corners_sheet_mm, turn_rad, keystone), BOARD.size_mm, SIZE_PX)


FIRST = np.array([[0.0, 0.0], [240.0, 0.0], [240.0, 180.0], [0.0, 180.0]])


def guided(table: Field, views: int = 9, short_mm: float = 0.0) -> list[np.ndarray]:
    """Prints laid where the guide asks, or short of it by so much towards the first one, which lies at the origin."""
    seen = [FIRST]
    for _ in range(views - 1):
        place = next_flat(table, seen)
        assert place is not None
        away = place.corners_sheet_mm.mean(axis=0) - FIRST.mean(axis=0)
        seen.append(place.corners_sheet_mm - short_mm * away / max(np.hypot(*away), 1.0))
    return seen


def inner(place: np.ndarray, by_mm: float) -> np.ndarray:
    return np.array(shapely.Polygon(place).buffer(-by_mm, join_style="mitre").exterior.coords)


@pytest.mark.parametrize("turn_deg", [0.0, 90.0, 181.0])
@pytest.mark.parametrize("keystone", [0.0, 0.15])
def test_nine_places_cover_the_field_and_keep_their_corners_in_it(turn_deg: float, keystone: float) -> None:
    """The first sheet's frame stays the person's, however the camera is turned. The board's cells are 30 mm."""
    turn = np.radians(turn_deg)
    table = field(turn, keystone)
    seen = guided(table)
    for place in seen[1:]:
        px = camera(inner(place, 30.0 - KEPT_MM + 0.1), turn, keystone)
        assert np.all((px > 0) & (px < np.array(SIZE_PX) - 1))
    assert covered(table, seen) > 0.9
    turns = {round(float(np.degrees(np.arctan2(*(s[1] - s[0])[::-1])))) % 180 for s in seen}
    assert turns == {0, 90}  # a stretch along the feed shows only between sheets turned against each other


def test_four_sheets_reach_into_the_corners_of_the_picture_first() -> None:
    """The picture's own corners, by the homography; the outermost printed corners come within 18 mm along each side."""
    seen = guided(field(), 5)[1:]
    for corner in (np.array([0.0, 0.0]), np.array([1919.0, 0.0]), np.array([1919.0, 1079.0]), np.array([0.0, 1079.0])):
        there = [camera(inner(place, 30.0), 0.0, 0.0) for place in seen]
        assert min(np.abs(px - corner).max(axis=1).min() for px in there) == pytest.approx(KEPT_MM * SCALE, abs=1.0)


def test_a_sheet_laid_roughly_is_not_asked_for_again_but_one_laid_far_off_is() -> None:
    """Of eight places, by where their middles lie; 15 mm short of a place is near it, 80 mm is not."""
    middles = [{tuple(np.round(one.mean(axis=0) / 30.0)) for one in guided(field(), 9, mm)[1:]} for mm in (15.0, 80.0)]
    assert [len(one) for one in middles] == [8, 1]


def test_after_nine_places_the_corners_are_asked_for_again_turned() -> None:
    table = field()
    seen = guided(table, 10)
    again = seen[9]
    first = next(one for one in seen[1:9] if np.hypot(*(one.mean(axis=0) - again.mean(axis=0))) < 60.0)
    assert abs((again[1] - again[0]) @ (first[1] - first[0])) < 1.0  # across


def test_what_the_projector_does_not_light_needs_no_sheet() -> None:
    lit_px = np.array([[100.0, 100.0], [1000.0, 100.0], [1000.0, 1000.0], [100.0, 1000.0]])
    table = field_of(seen_at(BOARD.corners_sheet_mm), BOARD.size_mm, SIZE_PX, lit_px)
    place = next_flat(table, [])
    assert place is not None
    assert np.all(table.camera_px(inner(place.corners_sheet_mm, 12.1))[:, 0] < 1001)


def test_a_camera_nearer_than_the_sheet_is_large_has_no_place() -> None:
    near = field_of(view_of(BOARD.corners_sheet_mm, 7.0 * BOARD.corners_sheet_mm), BOARD.size_mm, SIZE_PX)
    assert next_flat(near, []) is None


def test_a_view_is_found_where_it_lies() -> None:
    """A sheet turned by 90 degrees about its corner and moved by (50, 20)."""
    quarter = np.array([[0.0, 1.0], [-1.0, 0.0]])
    view = seen_at(BOARD.corners_sheet_mm @ quarter + [50.0, 20.0], 0.3, 0.1)
    expected = np.array([[50.0, 20.0], [50.0, 260.0], [-130.0, 260.0], [-130.0, 20.0]])
    assert outline_of(field(0.3, 0.1), view) == pytest.approx(expected, abs=1e-3)


def test_tilted_views_lift_every_edge_by_what_22_degrees_make() -> None:
    """sin 22 degrees is 0.375: 90 mm of 240, 70 mm of 180."""
    lifts = [next_tilted(field(), n).lift for n in range(6)]
    assert {lift.edge for lift in lifts if lift} == {"left", "right", "near", "far"}
    assert {lift.mm for lift in lifts if lift} <= {70.0, 90.0}


@pytest.mark.parametrize(
    ("at", "words"),
    [
        ((450, 300), "in the middle"),
        ((100, 100), "at the near left corner"),
        ((800, 300), "at the right edge"),
        ((450, 590), "at the far edge"),
    ],
)
def test_places_have_words_as_the_person_stands(at: tuple[float, float], words: str) -> None:
    assert where(shapely.box(0, 0, 900, 600), np.array(at)) == words
