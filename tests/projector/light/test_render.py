"""What is drawn lies where the mapping says, in light: centres, widths, areas, letters."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from calibration.light import linear_from_srgb
from calibration.pinhole import Lens, Pinhole
from projector.guide.scene.scenes import DARK, LAMP, Fill, Ink, Scene, Stroke, Words
from projector.light.lettering import text_width_mm
from projector.light.render import draw

Floats = NDArray[np.float64]
SIZE_PX = (211, 173)
WHITE = dict.fromkeys(Ink, np.ones(3))


def plain(points: Floats) -> Floats:
    """A target of one pixel a millimetre, y up."""
    return points * [1.0, -1.0] + [0.0, SIZE_PX[1] - 1.0]


def light(scene: Scene) -> Floats:
    """The linear light of what was drawn, after eight bits and the sRGB curve, white ink."""
    return linear_from_srgb(draw(scene, plain, SIZE_PX, WHITE)[..., 1] / 255.0)


def scene(*marks: Stroke | Fill | Words, lamp: float = 0.0) -> Scene:
    return Scene("test", marks, lamp=lamp)


def centres(values: Floats) -> Floats:
    """Centre of light of each row that has any."""
    return np.asarray((values @ np.arange(values.shape[1])) / values.sum(axis=1))


@settings(max_examples=60, deadline=None)
@given(
    lean_deg=st.floats(-45.0, 45.0),
    width_mm=st.floats(0.6, 5.0),
    shift_mm=st.floats(-1.0, 1.0),
    lying=st.booleans(),
)
def test_the_centre_of_light_of_a_stroke_is_where_the_line_is(
    lean_deg: float, width_mm: float, shift_mm: float, lying: bool
) -> None:
    slope, middle = math.tan(math.radians(lean_deg)), np.array([105.0, 86.0])
    ends = [middle + t * np.array([slope, 1.0]) + [shift_mm, 0.0] for t in (-70.0, 70.0)]
    if lying:
        ends = [middle + (end - middle)[::-1] for end in ends]
    seen = light(scene(Stroke(tuple((x, y) for x, y in ends), width_mm, Ink.CUT)))
    seen = seen.T if lying else seen
    (x0, y0), (x1, y1) = (plain(end[None])[0][::-1] if lying else plain(end[None])[0] for end in ends)
    rows = np.arange(40, 130) if not lying else np.arange(50, 160)
    wanted = x0 + (rows - y0) / (y1 - y0) * (x1 - x0)
    assert np.abs(centres(seen[rows]) - wanted).max() < 0.05
    across = seen[rows].sum(axis=1) * math.cos(math.radians(lean_deg))
    assert across.mean() == pytest.approx(width_mm, rel=0.03)  # as much light as it is wide


def test_a_straight_line_on_the_mat_is_the_lens_curve_in_the_picture_and_as_wide_as_told() -> None:
    down = np.diag([1.0, -1.0, -1.0]) @ np.asarray(cv2.Rodrigues(np.array([0.15, -0.1, 0.03]))[0], float)
    lens = Lens((960, 540), (800.0, 810.0), (470.0, 300.0), (-0.25, 0.08, 0.001, -0.002, 0.0))
    projector = Pinhole(lens, down, -down @ np.array([300.0, 180.0, 900.0]))
    start, end = np.array([20.0, 40.0]), np.array([560.0, 70.0])
    picture = draw(scene(Stroke((tuple(start), tuple(end)), 3.0, Ink.CUT)), projector.px_from_mat, lens.size_px, WHITE)
    seen = linear_from_srgb(picture[..., 1] / 255.0)
    curve = projector.px_from_mat(start + np.linspace(0, 1, 4001)[:, None] * (end - start))
    straight = curve[0, 1] + (curve[:, 0] - curve[0, 0]) / (curve[-1, 0] - curve[0, 0]) * np.ptp(curve[[0, -1], 1])
    assert np.abs(curve[:, 1] - straight).max() > 1.0  # the lens does bend it, or this would show nothing
    columns = np.arange(int(curve[:, 0].min()) + 8, int(curve[:, 0].max()) - 8)
    wanted = np.interp(columns, curve[:, 0], curve[:, 1])
    assert np.abs(centres(seen.T[columns]) - wanted).max() < 0.05
    normal = np.array([start[1] - end[1], end[0] - start[0]]) / np.hypot(*(end - start))
    middle = (start + end) / 2
    rims = projector.px_from_mat(middle + np.array([[-1.5], [1.5]]) * normal)
    column = round(float(rims[:, 0].mean()))
    assert seen[:, column].sum() == pytest.approx(abs(rims[1, 1] - rims[0, 1]), rel=0.03)


def test_dashes_and_gaps_are_equally_long_round_a_corner() -> None:
    stroke = Stroke(((20.0, 100.0), (95.0, 100.0), (95.0, 25.0)), 4.0, Ink.OUTLINE, dash_mm=10.0)
    seen = light(scene(stroke))
    assert seen.sum() == pytest.approx(80 * 4 + 8 * math.pi * 4, rel=0.03)  # 80 mm of 150 are on, round ends
    row = seen[int(plain(np.array([[0.0, 100.0]]))[0, 1])]
    assert [round(float(v)) for v in row[[25, 35, 45, 55, 65, 75]]] == [1, 0, 1, 0, 1, 0]


@settings(max_examples=30, deadline=None)
@given(turn_deg=st.floats(0.0, 360.0), x=st.floats(-0.5, 0.5), y=st.floats(-0.5, 0.5))
def test_a_fill_has_its_polygon_s_area_and_centroid(turn_deg: float, x: float, y: float) -> None:
    corners = np.array([[-40.0, -30.0], [50.0, -30.0], [-40.0, 30.0]])  # area 90 * 60 / 2, centroid (-10, -10)
    cos, sin = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    turned = corners @ np.array([[cos, sin], [-sin, cos]]) + [100.0 + x, 86.0 + y]
    seen = light(scene(Fill(tuple((a, b) for a, b in turned), Ink.KEEP)))
    assert seen.sum() == pytest.approx(2700.0, rel=0.002)
    rows, columns = np.mgrid[: SIZE_PX[1], : SIZE_PX[0]]
    centre = np.array([(columns * seen).sum(), (rows * seen).sum()]) / seen.sum()
    assert np.abs(centre - plain(turned.mean(axis=0)[None])[0]).max() < 0.03


def letter_box(turned_deg: float, height_mm: float, text: str) -> tuple[Floats, Floats]:
    """Least and greatest (along, up) of the light of a line of text around its place, mm."""
    place = np.array([104.3, 80.6])
    mark = Words(text, (104.3, 80.6), height_mm, Ink.WORDS, math.radians(turned_deg))
    seen = light(scene(mark))
    rows, columns = np.nonzero(seen > 0.5)
    mat = np.column_stack([columns, SIZE_PX[1] - 1.0 - rows]) - place
    cos, sin = math.cos(math.radians(turned_deg)), math.sin(math.radians(turned_deg))
    own = mat @ np.array([[cos, -sin], [sin, cos]])
    return own.min(axis=0), own.max(axis=0)


@pytest.mark.parametrize("turned_deg", [0.0, 90.0, 180.0, -30.0])
def test_capitals_are_as_high_as_told_and_stand_on_the_place(turned_deg: float) -> None:
    low, high = letter_box(turned_deg, 40.0, "HEH")
    assert low[1] == pytest.approx(0.0, abs=0.8)
    assert high[1] == pytest.approx(40.0, abs=0.8)
    assert high[0] + low[0] == pytest.approx(0.0, abs=3.0)  # in the middle, but for the letters' own bearings
    assert high[0] - low[0] < text_width_mm("HEH", 40.0) < high[0] - low[0] + 12.0


def test_a_fraction_is_stacked_and_figures_are_tabular() -> None:
    seen = light(scene(Words("1/4", (100.0, 80.0), 50.0, Ink.WORDS)))
    column = seen[:, 90:110].max(axis=1) > 0.5
    runs = np.flatnonzero(np.diff(column.astype(int)) == 1).size
    assert runs == 3  # numerator, bar, denominator, one above the other
    assert text_width_mm("1111", 8.0) == pytest.approx(text_width_mm("4738", 8.0))
    assert text_width_mm("3 1/4", 8.0) < text_width_mm("3 14", 8.0)
    assert text_width_mm("-5", 8.0) == pytest.approx(text_width_mm("−5", 8.0))
    assert text_width_mm("well-cut", 8.0) != pytest.approx(text_width_mm("well−cut", 8.0))


def test_words_read_from_left_to_right_and_keep_their_light_at_8_mm() -> None:
    """Coarse pixels, 0.48 mm each: the ink's area stays what it is at a fine scale."""

    def coarse(points: Floats) -> Floats:
        return (points * [1.0, -1.0] + [3.0, 30.0]) / 0.48

    def fine(points: Floats) -> Floats:
        return (points * [1.0, -1.0] + [3.0, 30.0]) / 0.06

    text = scene(Words("LIT", (22.0, 10.0), 8.0, Ink.WORDS))
    areas = []
    for mapping, pixel_mm, size in [(coarse, 0.48, (100, 75)), (fine, 0.06, (800, 600))]:
        seen = linear_from_srgb(draw(text, mapping, size, WHITE)[..., 1] / 255.0)
        areas.append(seen.sum() * pixel_mm**2)
        columns = seen.sum(axis=0)
        middle = round((22.0 + 3.0) / pixel_mm)
        assert columns[:middle].argmax() < columns[middle:].argmax() + middle
        left, right = seen[:, : middle - round(2 / pixel_mm)], seen[:, middle + round(2 / pixel_mm) :]
        foot, top = (round(x / pixel_mm) for x in (30.0 - 10.0 - 0.6, 30.0 - 18.0 + 0.6))
        assert left[foot].sum() > 2 * left[top].sum()  # an L is heavy at its foot
        assert right[top].sum() > 2 * right[foot].sum()  # a T at its top
    assert areas[0] == pytest.approx(areas[1], rel=0.02)


def test_the_lamp_fills_the_picture_and_marks_lie_over_it() -> None:
    assert draw(DARK, plain, SIZE_PX).max() == 0
    assert draw(LAMP, plain, SIZE_PX).min() == 255
    half = draw(scene(Fill(((10.0, 10.0), (60.0, 10.0), (60.0, 60.0)), Ink.BAD), lamp=0.2140), plain, SIZE_PX)
    assert np.array_equal(half[3, 3], [127, 127, 127])  # sRGB: 0.2140 is the light of half the code values
    assert tuple(half[SIZE_PX[1] - 1 - 20, 50][::-1]) == (213, 94, 0)  # vermillion, Okabe and Ito 2008


def test_later_marks_lie_over_earlier_ones() -> None:
    corners = ((10.0, 10.0), (60.0, 10.0), (60.0, 60.0))
    seen = draw(scene(Fill(corners, Ink.BAD), Stroke(((30.0, 15.0), (55.0, 15.0)), 4.0, Ink.CUT)), plain, SIZE_PX)
    assert tuple(seen[SIZE_PX[1] - 1 - 15, 45][::-1]) == (240, 228, 66)  # yellow, the same source


@pytest.mark.parametrize(
    "mark",
    [
        Stroke(((-500.0, -500.0), (-400.0, 900.0)), 2.0, Ink.CUT),
        Fill(((-500.0, -500.0), (-400.0, -500.0), (-400.0, 900.0)), Ink.CUT),
        Words("far away", (-900.0, 0.0), 8.0, Ink.WORDS),
        Words("  ", (50.0, 50.0), 8.0, Ink.WORDS),
        Stroke(((50.0, 50.0),), 2.0, Ink.CUT),
        Stroke((), 2.0, Ink.CUT, dash_mm=3.0),
    ],
)
def test_what_lies_outside_the_picture_or_is_nothing_leaves_it_dark(mark: Stroke | Fill | Words) -> None:
    assert draw(scene(mark), plain, SIZE_PX).max() == 0


def test_what_the_lens_cannot_reach_is_left_out() -> None:
    def half_blind(points: Floats) -> Floats:
        return np.where(points[:, :1] > 100.0, np.nan, plain(points))

    marks = (Stroke(((20.0, 80.0), (180.0, 80.0)), 4.0, Ink.CUT), Words("HH", (150.0, 40.0), 8.0, Ink.WORDS))
    seen = draw(scene(*marks), half_blind, SIZE_PX, WHITE)
    columns = np.flatnonzero(seen[..., 0].max(axis=0))
    assert columns.min() < 20
    assert 60 < columns.max() < 102
