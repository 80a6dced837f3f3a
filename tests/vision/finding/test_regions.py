"""What is found on the mat, and the rough outline of it, on drawn pictures."""

from __future__ import annotations

import math
from functools import cache

import cv2
import numpy as np
import pytest
import shapely

from tests.vision.exact import MM_PER_PX, Piece, camera, everywhere, grey, picture, px_of_mm
from vision.finding.mat import Scene, compare_with_mat, mat_picture
from vision.finding.regions import Region, find_regions
from vision.light import linear_image, mean_light, srgb_from_linear
from vision.measure import Cloth, measure_units
from vision.outlines.rough import drop_flat_corners, rough_polygon, touching, without_side


@cache
def bare_mat():
    return mat_picture(mean_light([picture(seed=2000 + i) for i in range(8)]))


def scene(*pieces, seed=1) -> Scene:
    return compare_with_mat(linear_image(picture(*pieces, seed=seed)), bare_mat(), everywhere())


def regions(*pieces, least_area_px=400.0, seed=1) -> list[Region]:
    return find_regions(scene(*pieces, seed=seed), everywhere(), least_area_px)


def regular(sides, x, y, radius, turn_deg):
    angle = math.radians(turn_deg) + np.arange(sides) * 2 * math.pi / sides
    return np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)])


def box(x, y, width, height):
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])


PLACES = [(65, 60), (178, 65), (294, 62), (67, 173), (181, 178), (291, 169)]
POLYGONS = {n: regular(n, *place, 47.0, 13.0 + 31.0 * n) for n, place in zip(range(3, 9), PLACES, strict=True)}
ELL = np.array([[60.0, 50.0], [170.0, 62.0], [165.0, 102.0], [105.0, 96.0], [100.0, 150.0], [50.0, 146.0]])


def test_regions_are_where_the_cloth_is():
    found = regions(*[Piece(corners) for corners in POLYGONS.values()])
    assert len(found) == len(POLYGONS)
    assert [one.area_px for one in found] == sorted((one.area_px for one in found), reverse=True)
    for corners in POLYGONS.values():
        true = shapely.Polygon(px_of_mm(corners))
        one = min(found, key=lambda region: true.centroid.distance(shapely.Point(region.contour_px.mean(axis=0))))
        # a rim in cells of 2 px, at less than half of the contrast, is good to about a pixel
        assert abs(one.area_px - true.area) < 1.5 * true.length
        assert shapely.contains_xy(true.buffer(4.0), one.contour_px).all()
        assert not one.cut_off


@pytest.mark.parametrize("sides", POLYGONS)
def test_corners_of_polygons(sides):
    (one,) = regions(Piece(POLYGONS[sides]), seed=sides)
    corners = rough_polygon(one)
    assert corners is not None
    assert len(corners) == sides
    true = px_of_mm(POLYGONS[sides])
    nearest = np.hypot(*np.moveaxis(corners[:, None] - true, -1, 0)).min(axis=1)
    # a region's side lies up to 3 px outside: at a corner of interior angle a, 3 px / sin(a / 2)
    assert nearest.max() < 3.0 / math.sin(math.pi * (sides - 2) / sides / 2) + 1.0


def test_all_of_them_measured():
    units = measure_units(scene(*map(Piece, POLYGONS.values())), camera(), everywhere(), Cloth(0.0, 0.0))
    assert sorted(len(unit.corners_mat_mm) for unit in units) == sorted(POLYGONS)
    for unit in units:
        true = POLYGONS[len(unit.corners_mat_mm)]
        off = np.hypot(*np.moveaxis(unit.corners_mat_mm[:, None] - true, -1, 0)).min(axis=1)
        assert off.max() < 0.06
        assert unit.angles_rad.sum() == pytest.approx(math.pi * (len(true) - 2))


def test_an_outline_that_is_not_convex():
    (unit,) = measure_units(scene(Piece(ELL)), camera(), everywhere(), Cloth(0.0, 0.0))
    assert len(unit.corners_mat_mm) == 6
    off = np.hypot(*np.moveaxis(unit.corners_mat_mm[:, None] - ELL, -1, 0)).min(axis=1)
    assert off.max() < 0.06


def test_small_scraps_and_threads_are_not_units():
    thread = box(60.0, 60.0, 120.0, 0.25)  # sewing thread is about a quarter of a mm thick (common practice, no source)
    scrap = box(200.0, 100.0, 4.0, 4.0)
    assert regions(Piece(thread), Piece(scrap), least_area_px=60.0 / MM_PER_PX**2) == []


def test_a_hole_of_the_mats_colour_belongs_to_the_cloth():
    piece = Piece(box(60.0, 50.0, 110.0, 90.0), dots=grey(0.08), dots_mm=(50.0, 15.0))
    (one,) = regions(piece)
    # of the dots that lie wholly within it nothing is left; those cut by the rim make bays
    holes = picture(piece, noise_sd=1e-6)[..., 1] < 100
    x, y, width, height = one.box_px
    inside = np.count_nonzero(one.mask & holes[y : y + height, x : x + width])
    assert inside > 1.5 * math.pi * (15.0 / MM_PER_PX) ** 2
    assert one.area_px > 0.85 * 110 * 90 / MM_PER_PX**2


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_a_print_with_stripes_of_nearly_the_mats_colour_is_one_piece(seed):
    # 2 mm across, with a level of their own: closer than 9 px is not the mat; at 0.12 noise decides
    left, stripe, right = (box(x, 60.0, width, 80.0) for x, width in ((60.0, 50.0), (110.0, 2.0), (112.0, 60.0)))
    found = regions(Piece(left), Piece(right), Piece(stripe, grey(0.14)), seed=seed)
    assert len(found) == 1


@pytest.mark.parametrize("gap_mm", [3.0, 4.0, 8.0])
def test_neighbours_are_two(gap_mm):
    found = regions(Piece(box(60.0, 60.0, 70.0, 80.0)), Piece(box(130.0 + gap_mm, 64.0, 60.0, 70.0), grey(0.35)))
    assert len(found) == 2


def test_a_row_of_neighbours_is_as_many_however_far_they_are_from_each_other():
    gaps_mm, start, row = (2.2, 3.4, 2.2), 40.0, list[np.ndarray]()
    for width, gap in zip((60.0, 50.0, 60.0, 40.0), (*gaps_mm, 0.0), strict=True):
        row.append(box(start, 60.0 + 6.0 * (len(row) % 2), width, 60.0))
        start += width + gap
    found = regions(*[Piece(each, grey(light)) for each, light in zip(row, (0.6, 0.35, 0.5, 0.3), strict=True)])
    assert len(found) == len(row)


@pytest.mark.parametrize("light", [(0.02, 0.03, 0.45), (0.1, 0.6, 0.7)])
def test_a_gap_over_which_compression_smears_colour_parts_neighbours(light):
    left, right = (
        turned(box(60.0, 60.0, 60.0, 60.0), 9.0, 90.0, 90.0),
        turned(box(121.9, 64.0, 50.0, 60.0), 9.0, 90.0, 90.0),
    )
    pixels = picture(Piece(left, light), Piece(right, (0.6, 0.3, 0.5)), seed=4)
    pixels = cv2.imdecode(cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, 80])[1], cv2.IMREAD_COLOR)
    now = compare_with_mat(linear_image(np.asarray(pixels, np.uint8)), bare_mat(), everywhere())
    assert len(find_regions(now, everywhere(), 400.0)) == 2


def test_a_gap_along_a_line_of_the_mat_parts_neighbours():
    line = Piece(box(138.6, -10.0, 2.8, 300.0), grey(0.25))  # as wide as a mat's bold ones in a small picture
    lined = mat_picture(mean_light([picture(line, seed=2100 + i) for i in range(2)]))

    def found(light: float, other: float) -> int:
        sides = Piece(box(60.0, 60.0, 78.6, 60.0), grey(light)), Piece(box(141.4, 64.0, 60.0, 60.0), grey(other))
        now = compare_with_mat(linear_image(picture(line, *sides, seed=7)), lined, everywhere())
        return len(find_regions(now, everywhere(), 400.0))

    assert found(0.6, 0.5) == 2
    assert found(0.25, 0.25) == 1  # of the line's own light: it may be one piece across the line


def test_a_region_at_the_rim_is_cut_off():
    found = regions(Piece(box(-20.0, 60.0, 70.0, 80.0)), Piece(box(200.0, 64.0, 60.0, 70.0)))
    assert [one.cut_off for one in found] == [True, False] or [one.cut_off for one in found] == [False, True]


def test_flat_corners_are_dropped():
    square = np.array([[0.0, 0.0], [50.0, 0.4], [100.0, 0.0], [100.0, 100.0], [0.0, 100.0]])
    assert drop_flat_corners(square).tolist() == box(0.0, 0.0, 100.0, 100.0).tolist()


@pytest.mark.parametrize("side", range(5))
def test_a_side_gives_way_to_its_neighbours_meeting(side):
    # a square with its corner cut off, numbered from each corner in turn
    cut = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 90.0], [90.0, 100.0], [0.0, 100.0]])
    whole = without_side(np.roll(cut, side - 2, axis=0), side)
    assert {tuple(corner) for corner in whole.round(9).tolist()} == {(0, 0), (100, 0), (100, 100), (0, 100)}


def moved(pixels, across_px, down_px):
    """The picture from a camera knocked aside, resampled in linear light."""
    matrix = np.array([[1.0, 0.0, across_px], [0.0, 1.0, down_px]])
    size = pixels.shape[1::-1]
    light = cv2.warpAffine(linear_image(pixels), matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    return np.rint(srgb_from_linear(np.clip(light, 0, 1)) * 255).astype(np.uint8)


M = 0.08  # the mat's own light
CHANGES = [(1.0, 0.0, 0.0), (0.8, 0.0, 0.0), (1.2, 2.0, 1.3), (0.8, -1.4, 1.6)]


@pytest.mark.parametrize("light", [(M + 0.03,) * 3, (M - 0.03,) * 3, (M, M, M + 0.03), (M - 0.03, M, M)])
@pytest.mark.parametrize(("exposure", "across", "down"), CHANGES)
def test_weak_cloth_is_found_in_another_exposure_from_another_place(light, exposure, across, down):
    pieces = [Piece(corners, light) for corners in POLYGONS.values()]
    now = compare_with_mat(
        linear_image(moved(picture(*pieces, seed=5, exposure=exposure), across, down)), bare_mat(), everywhere()
    )
    # at the picture's farthest corner, with cloth over nearly half of the mat's lines
    assert now.moved_px == pytest.approx(math.hypot(across, down), abs=0.35)
    found = find_regions(now, everywhere(), 400.0)
    assert len(found) == len(POLYGONS)
    true = sorted((shapely.Polygon(px_of_mm(corners)).area for corners in POLYGONS.values()), reverse=True)
    assert [one.area_px for one in found] == pytest.approx(true, rel=0.06)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("exposure", "across", "down"), CHANGES)
def test_nothing_is_found_where_only_light_and_camera_changed(seed, exposure, across, down):
    pixels = moved(picture(seed=700 + seed, exposure=exposure), across, down)
    fall = np.linspace(1.1, 0.85, pixels.shape[1], dtype=np.float32)[None, :, None]  # a window at one side
    for light in (linear_image(pixels), linear_image(pixels) * fall):
        assert find_regions(compare_with_mat(light, bare_mat(), everywhere()), everywhere(), 400.0) == []


def test_a_mat_that_has_not_changed_is_not_resampled():
    now = compare_with_mat(linear_image(picture(seed=3)), bare_mat(), everywhere())
    assert now.moved_px == 0.0
    levels = bare_mat().levels
    assert np.all(np.abs(now.bare - levels) <= np.maximum(0.005 * np.abs(levels), 1e-4))


def turned(corners, degrees, x, y):
    angle = math.radians(degrees)
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    return (corners - [x, y]) @ turn.T + [x, y]


@pytest.mark.parametrize("second", [grey(0.6), grey(0.3)])
@pytest.mark.parametrize(
    "other", [turned(box(120.0, 80.0, 60.0, 50.0), 25.0, 150.0, 100.0), box(139.8, 85.0, 60.0, 50.0)]
)
def test_two_that_touch_are_told(other, second):
    (one,) = regions(Piece(box(80.0, 60.0, 60.0, 50.0)), Piece(other, second))
    corners = rough_polygon(one)
    assert corners is not None
    assert touching(corners)


@pytest.mark.parametrize("corners", [*POLYGONS.values(), ELL])
def test_one_piece_does_not_touch_another(corners):
    assert not touching(corners)
    assert not touching(corners[::-1])


@pytest.mark.parametrize("turn", [10.0, 47.0, 133.0])
def test_the_tip_of_a_point_of_sixteen(turn):
    half = 80.0 * math.tan(math.radians(11.25))
    point = turned(np.array([[80.0, 100.0], [160.0, 100.0 - half], [160.0, 100.0 + half]]), turn, 120.0, 100.0)
    (one,) = regions(Piece(point))
    corners = rough_polygon(one)
    assert corners is not None
    assert len(corners) == 3
    off = np.hypot(*np.moveaxis(corners[:, None] - px_of_mm(point), -1, 0)).min(axis=0)
    assert off[0] < 1.0 / math.sin(math.radians(11.25))  # sides within a pixel
    assert off[1:].max() < 1.5
