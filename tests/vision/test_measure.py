"""Measuring on pictures drawn by exact coverage: bias and spread against what noise allows, and what is found."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from tests.vision.exact import (
    BLUR_PX,
    MM_PER_PX,
    NOISE_SD,
    SIZE_PX,
    Piece,
    camera,
    everywhere,
    grey,
    least_offset_sd_px,
    mm_of_px,
    picture,
    px_of_mm,
    variance,
)
from tests.vision.exact_cover import tone_slope
from vision.finding.mat import compare_with_mat, guessed_mat_picture, mat_picture
from vision.finding.regions import Region
from vision.light import linear_image, mean_light
from vision.measure import Cloth, find_pieces, measure_units
from vision.polygons import outward_normals, side_distances, side_lengths
from vision.units import MeasuredUnit

FLAT = Cloth(0.0, 0.0)  # the drawn cloth has no thickness
LIGHT, DARK = grey(0.6), grey(0.012)
# blue green red; luminance 0.0722 b + 0.7152 g + 0.2126 r is the mat's 0.08
RED_OF_MAT_LUMINANCE = (0.05, 0.0473, 0.2002)


def parallelogram(x, y, width, height, turn_deg, lean=0.0):
    """(4, 2) around a middle, counter-clockwise."""
    corners = np.array([[-width, -height], [width, -height], [width + lean, height], [lean - width, height]]) / 2
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return corners @ np.array([[c, s], [-s, c]]) + [x, y]


@cache
def six(seed):
    """Six outlines at uneven places and turns over the picture."""
    rng = np.random.default_rng(seed)
    sizes = [(71.3, 43.7, 0.0), (64.2, 41.8, 22.0), (50.8, 50.8, 0.0), (44.0, 66.0, -18.0), (79.0, 38.0, 0.0)]
    places = [(62, 63), (178, 71), (292, 60), (70, 175), (176, 182), (288, 171)]
    return tuple(
        parallelogram(x + rng.uniform(-4, 4), y + rng.uniform(-3, 3), width, height, rng.uniform(0, 180), lean)
        for (x, y), (width, height, lean) in zip(places, [*sizes, (57.0, 48.0, 9.0)], strict=True)
    )


@cache
def bare_mat():
    return mat_picture(mean_light([picture(seed=1000 + i) for i in range(16)]))


def measure(pixels, mat=None) -> tuple[MeasuredUnit, ...]:
    scene = compare_with_mat(linear_image(pixels), mat or bare_mat(), everywhere())
    return measure_units(scene, camera(), everywhere(), FLAT)


def matched(outline, units):
    """The unit nearest an outline, its corners numbered like the outline's, and by how much they were turned."""
    n = len(outline)
    turned = [(u, r) for u in units if len(u.corners_mat_mm) == n for r in range(n)]
    worst = [np.abs(np.roll(u.corners_mat_mm, r, axis=0) - outline).max() for u, r in turned]
    assert worst, "nothing with that many sides was found"
    assert min(worst) < 2.0, f"the nearest is {min(worst)} mm off"
    return turned[int(np.argmin(worst))]


def side_errors_px(outline, units):
    """(N, 2): how far each side's middle lies outside of the truth, and its stated u."""
    unit, r = matched(outline, units)
    corners = np.roll(unit.corners_mat_mm, r, axis=0)
    middles = (corners + np.roll(corners, -1, axis=0)) / 2
    off = np.sum((middles - outline) * outward_normals(outline), axis=1)
    return np.column_stack([off, np.roll(unit.offsets_u_mm, r)]) / MM_PER_PX


@cache
def errors_px(light=LIGHT, seeds=(1, 2, 3), exposure=1.0, noise_sd=NOISE_SD, **cloth):
    """(sides, 3): error, stated u and least possible SD of every side in several pictures of six pieces."""
    rows = []
    for seed in seeds:
        pieces = [Piece(outline, light, **cloth) for outline in six(seed)]
        units = measure(picture(*pieces, seed=seed, exposure=exposure, noise_sd=noise_sd))
        assert len(units) == len(pieces)
        for outline in six(seed):
            bound = [least_offset_sd_px(light, length / MM_PER_PX, noise_sd) for length in side_lengths(outline)]
            rows.append(np.column_stack([side_errors_px(outline, units), bound]))
    return np.concatenate(rows)


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def test_the_drawn_picture_is_where_the_camera_says():
    corners = six(1)[0]
    assert camera().px_from_mat(corners) == pytest.approx(px_of_mm(corners), abs=1e-9)
    assert np.column_stack(mm_of_px(*px_of_mm(corners).T)) == pytest.approx(corners)


def test_the_bound_is_the_published_one_where_noise_is_even():
    # Gatherer's closed form, with the noise at the mat's level; a step of 1 in 10 000 makes the noise even
    sigma, step = math.sqrt(variance(0.08) + (1 / 255) ** 2 / 12 / float(tone_slope(0.08)) ** 2), 1e-5
    closed = sigma / step * math.sqrt(2 * math.sqrt(math.pi) * BLUR_PX / 150.0)
    assert least_offset_sd_px(grey(0.08 + step), 150.0) * math.sqrt(3) == pytest.approx(closed, rel=1e-3)


def test_plain_cloth_is_measured_nearly_as_well_as_noise_allows():
    error, u, bound = errors_px().T
    assert 2 * abs(error.mean()) < 0.02  # of a width, px
    assert rms(error / bound) < 3
    assert rms(error / bound) > 0.9  # whoever beats the bound has seen the truth
    assert np.mean((error / u) ** 2) < 3


@pytest.mark.parametrize(("light", "exposure"), [(LIGHT, 0.8), (LIGHT, 1.2), (DARK, 1.0), (RED_OF_MAT_LUMINANCE, 1.0)])
def test_other_light_and_other_cloth(light, exposure):
    error, u, bound = errors_px(light, (4,), exposure).T
    assert abs(error.mean()) < 0.01 + 4 * rms(bound) / math.sqrt(len(error))
    assert rms(error / bound) < 3
    assert np.mean((error / u) ** 2) < 3


def test_stated_uncertainty_is_the_spread_where_noise_rules():
    # On weak contrast the noise is far above the floor that the model adds. If u were exact, the mean of n squares
    # would lie within 4 sqrt(2 / n) of 1; a factor of two in u is granted for levels, blur and ends not known.
    error, u, _ = errors_px(grey(0.15), (5, 6)).T
    spread = 4 * math.sqrt(2 / len(error))
    assert 0.25 * (1 - spread) < np.mean((error / u) ** 2) < 4 * (1 + spread)
    assert np.mean((error / u) ** 2) == pytest.approx(1.65, abs=1.35)


def test_prints_and_weaves_are_found_and_measured():
    # Small light dots on a dark ground: nothing tells a dot that the edge cuts from mat, so it seems to lie inward.
    error, _, _ = errors_px((0.35, 0.12, 0.1), (7, 8), dots=grey(0.7), weave=0.04).T
    assert rms(error) * MM_PER_PX < 0.08
    assert abs(error.mean()) * MM_PER_PX < 0.06


def test_a_print_with_the_mats_own_colour_in_it():
    error, _, _ = errors_px(LIGHT, (9,), dots=grey(0.085)).T
    assert rms(error) * MM_PER_PX < 0.1


@pytest.mark.parametrize("seed", [21, 22, 23])
def test_nothing_is_found_on_the_empty_mat(seed):
    assert measure(picture(seed=seed)) == ()
    assert measure(picture(seed=seed, exposure=0.8)) == ()


def test_without_a_picture_of_the_bare_mat_it_is_still_measured():
    pixels = picture(*[Piece(outline) for outline in six(10)], seed=10)
    units = measure(pixels, guessed_mat_picture(linear_image(pixels), everywhere()))
    error = np.concatenate([side_errors_px(outline, units)[:, 0] for outline in six(10)])
    assert len(units) == 6
    assert rms(error) < 0.1


def test_a_figure_of_a_print_that_was_found_by_itself_is_no_other_cloth() -> None:
    """Of a print on the mat's own colour some figures lie apart: within a measured outline they are that unit's own."""
    cloth = picture(Piece(parallelogram(150, 110, 90, 70, 20), LIGHT), seed=5)
    scene = compare_with_mat(linear_image(cloth), bare_mat(), everywhere())
    pieces = find_pieces(scene, camera(), everywhere())
    turn, far = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False), np.where(np.arange(60) % 2, 4.0, 12.0)
    ragged = far[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    within = pieces.regions[0].contour_px.mean(axis=0)
    for middle_px, count in ((within, 1), (np.array([60.0, 500.0]), 2)):
        left, top = (int(one) - 15 for one in middle_px)
        figure = Region(middle_px + ragged, (left, top, 30, 30), np.ones((30, 30), bool), cut_off=False)
        found = replace(pieces, regions=(*pieces.regions, figure))
        assert len(measure_units(scene, camera(), everywhere(), FLAT, pieces=found)) == count


def test_neighbours_three_mm_apart():
    left, right = (parallelogram(x, 110.0, 60.0, 70.0, 0.0) for x in (130.0, 193.0))
    turn = parallelogram(0, 0, 2, 2, 7.0)[[1, 2]] - parallelogram(0, 0, 2, 2, 7.0)[0]
    outlines = [outline @ np.array([turn[0] / 2, (turn[1] - turn[0]) / 2]) for outline in (left, right)]
    units = measure(picture(Piece(outlines[0]), Piece(outlines[1], grey(0.4)), seed=31))
    assert len(units) == 2
    for outline in outlines:
        assert np.abs(side_errors_px(outline, units)[:, 0]).max() * MM_PER_PX < 0.05


def test_widths_angles_and_sides_follow_from_the_corners():
    outline = six(1)[1]
    unit, r = matched(outline, measure(picture(Piece(outline), seed=41)))
    assert [{(i + r) % 4 for i in width.sides} for width in unit.widths] == [{0, 2}, {1, 3}] or [
        {(i + r) % 4 for i in width.sides} for width in unit.widths
    ] == [{1, 3}, {0, 2}]
    for width in unit.widths:
        true = side_distances(outline, *sorted((i + r) % 4 for i in width.sides))[0]
        assert width.mean_mm == pytest.approx(true, abs=3 * width.u_mm)
        assert width.least_mm <= width.mean_mm <= width.greatest_mm
    assert np.roll(unit.sides_mm, r) == pytest.approx(side_lengths(outline), abs=0.05)
    assert math.degrees(unit.angles_rad.sum()) == pytest.approx(360.0)
    assert np.abs(unit.bows_mm).max() < 0.03
    assert unit.trouble is None


def test_a_bowed_side_tells_its_sag():
    # the sag of the middle against the ends, outward, of a parabola 1.2 mm high
    share = np.linspace(0, 1, 60)
    bowed = np.column_stack([60 + 110 * share, 70 - 1.2 * 4 * share * (1 - share)])
    outline = np.concatenate([bowed, [[170.0, 130.0], [60.0, 130.0]]])
    units = measure(picture(Piece(outline), seed=42))
    unit, r = matched(np.array([[60.0, 70.0], [170.0, 70.0], [170.0, 130.0], [60.0, 130.0]]), units)
    assert np.roll(unit.bows_mm, r) == pytest.approx([1.2, 0.0, 0.0, 0.0], abs=0.1)


def test_cloth_that_hangs_out_of_the_picture_is_told():
    x, _ = mm_of_px(np.array([0.0]), np.array([0.0]))
    outside, inside = parallelogram(float(x[0]) + 5, 120.0, 60.0, 50.0, 3.0), six(1)[2]
    units = measure(picture(Piece(outside), Piece(inside), seed=43))
    assert sorted(unit.trouble or "" for unit in units) == ["", "cut_off"]


@pytest.mark.parametrize("level", [0, 1, 127, 255])
def test_pictures_of_one_colour(level):
    pixels = np.full((SIZE_PX[1], SIZE_PX[0], 3), level, np.uint8)
    plain = linear_image(pixels)
    assert measure(pixels, mat_picture(plain)) == ()
    assert measure(pixels, guessed_mat_picture(plain, everywhere())) == ()
    measure(pixels)  # over the real mat it may be anything, as long as it is said


def test_pictures_of_noise_raise_nothing():
    pixels = np.random.default_rng(3).integers(0, 256, (SIZE_PX[1], SIZE_PX[0], 3)).astype(np.uint8)
    measure(pixels)
    measure(pixels, guessed_mat_picture(linear_image(pixels), everywhere()))


@pytest.mark.parametrize("size", [(1, 1), (1, 7), (40, 3)])
def test_tiny_pictures_raise_nothing(size):
    pixels = np.full((*size, 3), 90, np.uint8)
    linear, on_mat = linear_image(pixels), np.ones(size, bool)
    for mat in (mat_picture(linear), guessed_mat_picture(linear, on_mat)):
        assert measure_units(compare_with_mat(linear, mat, on_mat), camera(), on_mat, FLAT) == ()


def test_pictures_of_two_sizes_are_a_wrong_call():
    with pytest.raises(ValueError, match="the frame is"):
        compare_with_mat(linear_image(np.zeros((5, 7, 3), np.uint8)), bare_mat(), np.ones((5, 7), bool))


def test_light_on_no_pictures_is_a_wrong_call():
    with pytest.raises(ValueError, match="at least one"):
        mean_light([])


def test_a_picture_out_of_focus_is_at_fault_and_nothing_in_it_is_judged():
    sharp = picture(*[Piece(outline) for outline in six(3)], seed=3)
    blurred = np.asarray(cv2.GaussianBlur(sharp, (0, 0), 6.0), np.uint8)
    units = measure(blurred)
    assert units
    assert all(unit.trouble in ("blurred", "unsure", "cut_off", "no_straight_sides") for unit in units)
    assert all(unit.trouble is None for unit in measure(sharp))
