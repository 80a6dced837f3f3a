"""Strips on pictures drawn by exact coverage: long sides, seams, ends cut and stepped, ends out of the picture.

Truth is plane geometry worked by hand: an end that shifts by d over a strip of width w makes atan(w / d) with it
(Euclid, Elements I.29, and the right triangle that the shift and the width make).
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from tests.vision.exact import Piece, camera, everywhere, grey, picture
from vision.finding.mat import compare_with_mat, guessed_mat_picture, mat_picture
from vision.light import linear_image, mean_light
from vision.measure import Cloth, find_pieces, measure_units
from vision.strips.measure import measure_strips

FLAT = Cloth(0.0, 0.0)  # the drawn cloth has no thickness
LIGHT, DARK, RED = grey(0.6), grey(0.3), (0.05, 0.06, 0.45)


def placed(points, turn_deg, at):
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return np.asarray(points, float) @ np.array([[c, s], [-s, c]]) + at


@cache
def bare_mat():
    return mat_picture(mean_light([picture(seed=1000 + i) for i in range(8)]))


def measured(*pieces, seed=3, mat=None):
    """Strips, and the units that are left."""
    pixels = picture(*pieces, seed=seed)
    scene = compare_with_mat(linear_image(pixels), mat or bare_mat(), everywhere())
    found = find_pieces(scene, camera(), everywhere())
    strips = measure_strips(scene, camera(), everywhere(), found, FLAT)
    units = measure_units(scene, camera(), everywhere(), FLAT, pieces=found, leave=strips)
    return [strips[i] for i in sorted(strips)], units


def off(points, line):
    """Distances from the line through two points, positive to its left."""
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    return (points - line[0]) @ np.array([-along[1], along[0]])


def same_way(line, truth):
    """Either long side may be the first: everything then runs the other way."""
    return line if (line[1] - line[0]) @ (truth[1] - truth[0]) > 0 else line[::-1]


def cut_strip(length, width, shift, seam, turn_deg, at):
    """A right-angled end and one that lies `shift` back at the upper side; the outline and the seam."""
    outline = [[0, 0], [length, 0], [length - shift, width], [0, width]]
    return placed(outline, turn_deg, at), placed([[0, seam], [length - shift * seam / width, seam]], turn_deg, at)


@pytest.mark.parametrize(
    ("shift", "turn_deg", "at", "fabrics"),
    [
        (60.0, 0.7, (20, 60), (LIGHT, DARK)),
        (25.0, 188.0, (330, 130), (LIGHT, RED)),
        (0.0, 30.0, (60, 20), (grey(0.012), LIGHT)),
    ],
)
def test_lines_and_angles_of_a_strip_set(shift, turn_deg, at, fabrics):
    outline, seam = cut_strip(300.0, 60.0, shift, 25.0, turn_deg, at)
    (strip,), units = measured(Piece(outline, fabrics[0], seam, fabrics[1]))
    assert units == ()
    first, second = sorted(strip.long_sides, key=lambda side: abs(off(side.ends_mat_mm, outline[:2])).max())
    for side, truth in ((first, outline[:2]), (second, outline[[3, 2]])):
        ends = same_way(side.ends_mat_mm, truth)
        assert off(ends, truth) == pytest.approx([0, 0], abs=0.02)
        assert ends == pytest.approx(truth, abs=0.08)  # where the ends meet the sides
        assert abs(off(ends.mean(axis=0)[None], truth)[0]) < 3 * side.u_mm
        assert abs(side.bow_mm) < 4 * side.bow_u_mm
    (found,) = strip.seams
    assert same_way(found.ends_mat_mm, seam) == pytest.approx(seam, abs=0.1)
    assert abs(off(found.ends_mat_mm.mean(axis=0)[None], seam)[0]) < 3 * found.u_mm
    assert strip.width_mm == pytest.approx(60.0, abs=min(0.02, 3 * strip.width_u_mm))
    right, cut = sorted(strip.ends, key=lambda end: abs(off(end.line_mat_mm, outline[1:3])).min() < 1.0)
    assert math.degrees(right.angle_rad) == pytest.approx(90.0, abs=min(0.1, 3 * math.degrees(right.u_rad)))
    by_hand = math.degrees(math.atan2(60.0, shift))
    assert math.degrees(cut.angle_rad) == pytest.approx(by_hand, abs=min(0.1, 3 * math.degrees(cut.u_rad)))
    assert len(right.steps_mat_mm) == len(cut.steps_mat_mm) == 0


def test_stated_uncertainty_of_width_and_angle_is_the_spread():
    """Six strips: the mean of (error / u)^2 is 1 for an honest u; u here has floors for real cloth, so less."""
    widths, angles = [], []
    for seed, shift in enumerate((10.0, 35.0)):
        pieces = []
        for k in range(3):
            outline, _ = cut_strip(300.0, 34.0, shift, 15.0, 1.0 + seed - k, (25 + k, 20 + 75 * k))
            pieces.append(Piece(outline, grey(0.2)))
        strips, _ = measured(*pieces, seed=40 + seed)
        assert len(strips) == 3
        for strip in strips:
            widths.append((strip.width_mm - 34.0) / strip.width_u_mm)
            cut = min(strip.ends, key=lambda end: abs(end.angle_rad - math.atan2(34.0, shift)))
            angles.append((cut.angle_rad - math.atan2(34.0, shift)) / cut.u_rad)
    assert np.mean(np.square(widths)) < 3
    assert 0.02 < np.mean(np.square(angles)) < 3


def test_staggered_strips_have_a_stepped_end():
    """Two strips of 30 mm, the second 15 mm ahead: through the middles of the steps, atan(30 / 15)."""
    outline = placed([[0, 0], [260, 0], [260, 30], [275, 30], [275, 60], [0, 60]], -3.0, (30, 90))
    seam = placed([[0, 30], [260, 30]], -3.0, (30, 90))
    (strip,), _ = measured(Piece(outline, LIGHT, seam, DARK))
    stepped = max(strip.ends, key=lambda end: len(end.steps_mat_mm))
    straight = min(strip.ends, key=lambda end: len(end.steps_mat_mm))
    assert math.degrees(stepped.angle_rad) == pytest.approx(math.degrees(math.atan2(30.0, 15.0)), abs=0.1)
    assert abs(stepped.angle_rad - math.atan2(30.0, 15.0)) < 3 * stepped.u_rad
    steps = sorted(stepped.steps_mat_mm, key=lambda step: step[:, 1].mean())
    for step, truth in zip(steps, (outline[[1, 2]], outline[[3, 4]]), strict=True):
        assert step == pytest.approx(truth, abs=0.1)
    assert len(straight.steps_mat_mm) == 0
    assert math.degrees(straight.angle_rad) == pytest.approx(90.0, abs=0.1)
    (found,) = strip.seams
    assert same_way(found.ends_mat_mm, seam) == pytest.approx(seam, abs=0.1)  # as far as both fabrics go


def test_steps_without_a_seam_to_be_seen_say_that_they_are_unsure():
    """Three strips of one fabric, 18 mm wide and staggered by as much: 45 degrees."""
    w = 18.0
    up = [[265, 0], [265, w], [265 + w, w], [265 + w, 2 * w], [265 + 2 * w, 2 * w], [265 + 2 * w, 3 * w]]
    outline = placed([[0, 0], *up, [0, 3 * w]], 4.0, (30, 60))
    (strip,), _ = measured(Piece(outline, LIGHT))
    stepped = max(strip.ends, key=lambda end: len(end.steps_mat_mm))
    assert len(stepped.steps_mat_mm) == 3
    assert math.degrees(stepped.angle_rad) == pytest.approx(45.0, abs=3 * math.degrees(stepped.u_rad))
    assert 0.2 < math.degrees(stepped.u_rad) < 2.0


def test_strips_that_leave_the_picture_have_no_end_there():
    through = placed([[-200, 0], [700, 0], [700, 50], [-200, 50]], 6.0, (0, 20))
    one_end = placed([[-200, 0], [230, 0], [200, 50], [-200, 50]], -6.0, (0, 150))
    strips, units = measured(
        Piece(through, LIGHT, placed([[-200, 20], [700, 20]], 6.0, (0, 20)), DARK), Piece(one_end, RED)
    )
    assert units == ()
    long, short = sorted(strips, key=lambda strip: len(strip.ends))
    assert long.ends == ()
    assert [strip.trouble for strip in strips] == [None, None]
    (end,) = short.ends
    assert math.degrees(end.angle_rad) == pytest.approx(math.degrees(math.atan2(50.0, 30.0)), abs=0.08)
    for strip, outline in ((long, through), (short, one_end)):
        assert strip.width_mm == pytest.approx(50.0, abs=0.02)
        for side in strip.long_sides:
            truth = min((outline[:2], outline[[3, 2]]), key=lambda line: abs(off(side.ends_mat_mm, line)).max())
            assert off(side.ends_mat_mm, truth) == pytest.approx([0, 0], abs=0.02)
    spans = [float(np.hypot(*np.diff(side.ends_mat_mm, axis=0)[0])) for side in long.long_sides]
    assert min(spans) > 345  # of the 360 mm that are seen


def test_a_curved_strip_keeps_its_best_straight_line_and_says_how_it_bows():
    """Both sides 4 mm off a chord of 300 mm. The best straight line is numpy's own through the true outline."""
    x = np.linspace(0.0, 300.0, 121)
    arc = 4.0 * (1.0 - ((x - 150.0) / 150.0) ** 2)
    lower, upper = np.column_stack([x, arc]), np.column_stack([x, arc + 50.0])
    (strip,), _ = measured(Piece(placed(np.concatenate([lower, upper[::-1]]), 5.0, (25, 60)), LIGHT))
    slope, constant = np.polyfit(x, arc, 1)
    for side, edge in zip(
        sorted(strip.long_sides, key=lambda side: side.ends_mat_mm[:, 1].mean()), (lower, upper), strict=True
    ):
        best = placed(np.column_stack([x[[0, -1]], constant + slope * x[[0, -1]] + edge[0, 1]]), 5.0, (25, 60))
        assert off(same_way(side.ends_mat_mm, best), best) == pytest.approx([0, 0], abs=0.06)
        assert abs(side.bow_mm) == pytest.approx(4.0, abs=0.06)
    assert sorted(np.sign([side.bow_mm for side in strip.long_sides])) == [-1, 1]  # outward is positive
    assert strip.width_mm == pytest.approx(50.0, abs=0.02)  # across, along y, at the mean slope 0
    # Over the last two widths, 100 mm, the arc's mean slope is its slope 100 mm from the middle.
    there = math.degrees(math.atan(2.0 * 4.0 * 100.0 / 150.0**2))
    assert [math.degrees(end.angle_rad) for end in strip.ends] == pytest.approx([90.0 - there] * 2, abs=0.08)


def test_selvage_is_no_seam_and_what_is_short_or_square_is_a_unit():
    selvage = placed([[0, 0], [300, 0], [300, 50], [0, 50]], 5.0, (25, 20))
    strip_piece = Piece(selvage, DARK, placed([[290, 0], [290, 50]], 5.0, (25, 20)), LIGHT)
    unit = placed([[0, 0], [140, 0], [140, 50], [0, 50]], 5.0, (150, 120))
    hanging_out = placed([[0, 0], [100, 0], [100, 90], [0, 90]], 0.0, (-30, 130))
    (strip,), units = measured(strip_piece, Piece(unit, LIGHT), Piece(hanging_out, LIGHT))
    assert strip.seams == ()
    assert [math.degrees(end.angle_rad) for end in strip.ends] == pytest.approx([90, 90], abs=0.1)
    assert sorted(len(unit.corners_mat_mm) for unit in units) == [4, 4]
    assert sorted(unit.trouble or "" for unit in units) == ["", "cut_off"]


def test_without_a_picture_of_the_mat_a_strip_is_measured_somewhat_worse():
    outline, seam = cut_strip(300.0, 60.0, 60.0, 25.0, 0.7, (20, 60))
    piece = Piece(outline, LIGHT, seam, DARK)
    guessed = guessed_mat_picture(linear_image(picture(piece, seed=3)), everywhere())
    (strip,), _ = measured(piece, mat=guessed)
    (known,), _ = measured(piece)
    assert strip.width_mm == pytest.approx(60.0, abs=0.15)
    assert strip.width_u_mm > known.width_u_mm


@pytest.mark.parametrize("level", [0, 255, None])
def test_pictures_of_nothing_have_no_strips(level):
    shape = (*everywhere().shape, 3)
    noise = np.random.default_rng(5).integers(0, 256, shape).astype(np.uint8)
    pixels = noise if level is None else np.full(shape, level, np.uint8)
    scene = compare_with_mat(linear_image(pixels), bare_mat(), everywhere())
    strips = measure_strips(scene, camera(), everywhere(), find_pieces(scene, camera(), everywhere()), FLAT)
    assert all(math.isfinite(strip.width_mm) for strip in strips.values())
