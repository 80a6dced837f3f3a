"""Threads and notches on pictures drawn by exact coverage: told where they are, and not where a side is clean."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from calibration.tone import SRGB
from tests.vision.exact import Piece, grey, picture
from tests.vision.test_measure import measure, parallelogram
from vision.edge.model.encoding import Encoder
from vision.light import srgb_from_linear
from vision.outlines.blemishes import _threads_show
from vision.outlines.plainparts import parts_along
from vision.outlines.rimshade import mat_gains
from vision.outlines.standingout import FRAY, Beside, told_along
from vision.outlines.wavering import excess_of

LIGHT, DARK = grey(0.6), grey(0.012)
WIDTH_MM, HEIGHT_MM, TURN_DEG = 96.0, 74.0, 17.0


def outline_with(bottom):
    """A rectangle in the middle of the table; `bottom` (K, 2) mm along and inward of its first side goes into that."""
    turn = np.radians(TURN_DEG)
    across = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    corners = parallelogram(172.0, 118.0, WIDTH_MM, HEIGHT_MM, TURN_DEG)
    return np.vstack([corners[:1], corners[0] + np.asarray(bottom) @ across, corners[1:]])


def threads(seed):
    """Outline points of threads 0.2 to 1 mm long and 0.25 mm thick, at uneven places."""
    rng = np.random.default_rng(seed)
    along = np.cumsum(rng.uniform(0.6, 2.2, 100)) + 2.0
    lengths = rng.uniform(0.2, 1.0, 100)
    inside = along < WIDTH_MM - 3.0
    return [
        point
        for x, reach in zip(along[inside], lengths[inside], strict=True)
        for point in ((x, 0.0), (x, -reach), (x + 0.25, -reach), (x + 0.25, 0.0))
    ]


def notch(at_mm, depth_mm, wide_mm):
    """Outline points of a notch with three sides."""
    start, end = at_mm - wide_mm / 2, at_mm + wide_mm / 2
    return [(start, 0.0), (start, depth_mm), (end, depth_mm), (end, 0.0)]


def only_unit(outline, light, seed=1):
    units = measure(picture(Piece(outline, light), seed=seed))
    assert len(units) == 1
    return units[0]


def middle_of(unit, side):
    return (unit.corners_mat_mm[side] + np.roll(unit.corners_mat_mm, -1, axis=0)[side]) / 2.0


@pytest.mark.parametrize("light", [LIGHT, grey(0.4)], ids=["light", "grey"])
@pytest.mark.parametrize("seed", [1, 2])
def test_threads_along_a_side_are_told_for_that_side_alone(light, seed):
    outline = outline_with(threads(seed))
    unit = only_unit(outline, light, seed)
    assert {one.kind for one in unit.blemishes} == {"fray"}
    assert len({one.side for one in unit.blemishes}) == 1
    told = unit.blemishes[0]
    first_side = (outline[0] + outline[-3]) / 2.0
    assert np.hypot(*(middle_of(unit, told.side) - first_side)) < 2.0
    assert 0.2 < told.value_mm < 1.4  # the threads' own span, and a pixel
    assert told.value_mm > 3.0 * told.u_mm


@pytest.mark.parametrize("light", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("depth_mm", [0.9, 1.6])
def test_a_notch_is_told_with_its_place_and_depth(light, depth_mm):
    unit = only_unit(outline_with(notch(61.0, depth_mm, 3.0)), light)
    assert [one.kind for one in unit.blemishes] == ["notch"]
    told = unit.blemishes[0]
    assert told.along_mm == pytest.approx(61.0, abs=1.0)
    assert told.value_mm == pytest.approx(-depth_mm, abs=max(0.25, 3.0 * told.u_mm))


@pytest.mark.parametrize("light", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_clean_sides_have_no_blemish(light, seed):
    assert only_unit(parallelogram(172.0, 118.0, WIDTH_MM, HEIGHT_MM, 9.0 * seed), light, seed).blemishes == ()


def test_of_a_side_that_is_printed_beyond_a_seam_the_plain_part_is_looked_at():
    along, across = (one.ravel() for one in np.meshgrid(np.arange(0.0, 120.0), np.arange(-7.5, 9.0)))
    dots = 0.2 * ((along % 10 < 4) & (across % 6 > 3))  # a row of them is cut in two by the side
    light = 0.5 + 0.01 * np.sin(7.1 * along) * np.cos(3.3 * across)
    half = np.stack([light + dots * (along > 66.0)] * 3)
    bare, sd = np.full(half.shape, 0.2), np.full(3, 0.004)
    plain = along[parts_along(half, bare, along, across, sd**-2, sd, True) == 0]
    assert plain.min() <= 6.0
    assert 48.0 < plain.max() < 66.0
    everywhere = np.stack([light + dots] * 3)
    assert np.all(parts_along(everywhere, bare, along, across, sd**-2, sd, True) < 0)


def told_of_print(depth_px: float, ragged: bool, seed: int) -> list[float]:
    """Kinds of what is told of a light print with a row of dark dots so deep inside its side, frayed or not."""
    rng, blur, scale, long = np.random.default_rng(seed), 0.8, 2.2, 180.0
    along, across = (one.ravel() for one in np.meshgrid(np.arange(0.0, long), np.arange(-7.5, 9.0)))
    across = across + 0.31

    def band(at, low, high):
        return ndtr((at - low) / blur) - ndtr((at - high) / blur)

    share, dots = ndtr(-across / blur), np.zeros(len(along))
    for start in np.arange(3.0, long, 9.0):
        dots += band(along, start, start + 4.0) * band(across, -depth_px - 3.5, -depth_px)
    starts = np.cumsum(rng.uniform(0.6, 2.2, 60) * scale) if ragged else []
    for start in starts:
        share += band(along, start, start + 0.25 * scale) * band(across, 0.0, rng.uniform(0.2, 1.0) * scale)
    light = 0.18 + (0.5 - 0.18) * np.clip(share, 0.0, 1.0) - 0.4 * dots
    seen = np.zeros((3, len(along)), np.float32)
    seen[0] = srgb_from_linear(np.clip(light, 0.0, 1.0)) + rng.normal(0.0, 0.004, len(along))
    encoder, half = Encoder.of(SRGB), long / 2.0
    line = np.array([[0.0, half, scale, scale, 1.0, 5.0 - half, half - 5.0]])
    beside = Beside(line, _threads_show(scale, blur)[None], np.full(3, 0.004), encoder.linear, encoder.steps[0])
    bare, ends = np.full(seen.shape, 0.18, np.float32), np.array([0, len(along)])
    return list(told_along(across, along - half, ends, seen, bare, beside)[:, 1])


@pytest.mark.parametrize("seed", [1, 2])
def test_threads_of_a_print_are_told_where_its_figures_lie_deeper_than_the_blur_reaches(seed):
    assert told_of_print(3.0, ragged=True, seed=seed) == [FRAY]
    assert told_of_print(3.0, ragged=False, seed=seed) == []


@pytest.mark.parametrize("depth_px", [-1.0, 0.0, 1.0, 2.0])
def test_a_prints_figures_at_its_cut_are_no_threads(depth_px):
    assert told_of_print(depth_px, ragged=False, seed=3) == []


def test_of_two_fabrics_the_one_that_hardly_differs_from_the_mat_has_its_own_share():
    rng = np.random.default_rng(4)
    along, across = (one.ravel() for one in np.meshgrid(np.arange(0.0, 240.0), np.arange(-7.5, 9.0)))
    cloth = np.where(along < 100.0, 0.44, 0.8)  # less than half of the side: the middle pixel is of the other one
    bare = np.full((3, len(along)), 0.4)
    seen = bare + np.where(across < 0.0, cloth - 0.4, 0.0) + rng.normal(0.0, 0.004, bare.shape)
    excess, variance = excess_of(seen, bare, along, across, np.full(3, 1.0 / 0.004**2), False)
    weak = (along < 80.0) & (across < -2.0) & (variance > 0.0)
    assert np.count_nonzero(weak) > 300
    assert abs(excess[weak].mean()) < 0.05
    assert excess[weak].var() == pytest.approx(variance[weak].mean(), rel=0.3)


def ground(length_px):
    """Pixels beside a side: along and across it, and how much cloth each shows behind a blur of 0.85 px."""
    along, across = (one.ravel() for one in np.meshgrid(np.arange(0.0, length_px), np.arange(-7.5, 9.0)))
    return along, across, ndtr(-across / 0.85)


def test_parts_of_a_side_end_at_a_seam_but_not_at_a_notch():
    along, across, share = ground(240.0)
    share = np.where(np.abs(along - 60.0) < 3.0, ndtr(-(across + 5.0) / 0.85), share)
    light = 0.2 + share * np.where(along < 130.0, 0.4, 0.2)
    seen, bare, sd = np.stack([light] * 3), np.full((3, len(along)), 0.2), np.full(3, 0.004)
    parts = parts_along(seen, bare, along, across, sd**-2, sd, False)
    assert set(parts) == {-1, 0, 1}
    assert np.all(parts[along < 110.0] == 0)
    assert np.all(parts[along > 150.0] == 1)


def test_how_dark_the_mat_is_beside_a_side_is_told_by_its_distance_and_not_by_its_lines():
    along, across, _ = ground(120.0)
    bare = np.where(along % 40.0 < 6.0, 0.5, 0.1)
    dark = 1.0 - 0.4 * np.exp(-np.maximum(across, 0.0) / 3.0)
    outside = across > 2.0
    gains = mat_gains(((bare * dark + 0.003) / (bare + 0.003))[outside], across[outside], across)
    assert gains[outside] == pytest.approx(dark[outside], abs=0.03)


def test_a_shaded_line_of_the_mat_that_meets_a_side_is_trusted_less():
    along, across, share = ground(240.0)
    bare = np.where(along % 60.0 < 6.0, 0.5, 0.2)
    light = share * 0.6 + (1.0 - share) * (0.2 + 0.8 * (bare - 0.2))  # it shows a fifth less of the line
    seen, before = (np.stack([one] * 3) for one in (light, bare))
    seen += np.random.default_rng(3).normal(0.0, 0.004, seen.shape)
    excess, variance = excess_of(seen, before, along, across, np.full(3, 1.0 / 0.004**2), False)
    line, beside = along % 60.0 < 6.0, (across > 2.0) & (variance > 0.0)
    assert np.mean(excess[beside & line] ** 2) < np.mean(variance[beside & line])
    assert np.mean(variance[beside & ~line]) == pytest.approx((0.004 / 0.4) ** 2 / 3.0, rel=0.1)
