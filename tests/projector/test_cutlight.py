"""Where the light of a cut falls: by a mapping of its own, OpenCV's, and by rays through the lens. Drawn pictures."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from shapely import box

from calibration.light import linear_from_srgb
from calibration.pinhole import Lens, Pinhole
from projector.guide.scene.marks import CUT_WIDTH_MM, THIN_MM, cut_marks, ruler_top
from projector.guide.scene.room import LEAST_DIGIT_MM, SMALL, Room, Row
from projector.guide.scene.scenes import Ink, Scene, Words
from projector.light.lettering import SMALL as DRAWN_SMALL
from projector.light.render import draw

Floats = NDArray[np.float64]
CLOTH_MM, RULER_MM = 0.4, 3.0
WHITE = dict.fromkeys(Ink, np.ones(3))
TURN = np.asarray(cv2.Rodrigues(np.array([0.03, -0.02, 0.02]))[0], float)
DOWN = np.diag([1.0, -1.0, -1.0]) @ TURN
FOOT = np.array([440.0, 290.0, 1350.0])  # of the lens: off the mat's middle, tilted, with barrel distortion
LENS = Lens((1920, 1080), (2300.0, 2310.0), (950.0, 560.0), (-0.2, 0.06, 0.001, -0.0015, 0.0))
PROJECTOR = Pinhole(LENS, DOWN, -DOWN @ FOOT)
CUTS = {
    "upright": np.array([[520.0, 90.0], [533.0, 510.0]]),
    "lying": np.array([[60.0, 300.0], [850.0, 318.0]]),
    "slanted": np.array([[150.0, 120.0], [510.0, 480.0]]),
}


def by_opencv(points_mat_mm: Floats, height_mm: float) -> Floats:
    """Points (N, 2) at a height to pixels, by `cv2.projectPoints` (OpenCV documentation, its pinhole model)."""
    solid = np.column_stack([points_mat_mm, np.full(len(points_mat_mm), height_mm)])
    turn, shift = cv2.Rodrigues(DOWN)[0], PROJECTOR.translation_mm
    found, _ = cv2.projectPoints(solid, turn, shift, LENS.matrix, np.array(LENS.distortion))
    return np.asarray(found.reshape(-1, 2), float)


def thrown(*marks: object) -> Floats:
    """The linear light of a picture of marks on cloth, (1080, 1920)."""
    picture = draw(
        Scene("test", marks),  # type: ignore[arg-type]
        lambda points: PROJECTOR.px_from_mat(points, CLOTH_MM),
        LENS.size_px,
        WHITE,
        lambda lift_mm: lambda points: PROJECTOR.px_from_mat(points, CLOTH_MM + lift_mm),
    )
    return linear_from_srgb(picture[..., 1] / 255.0)


@pytest.mark.parametrize("keep", ["left", "right"])
@pytest.mark.parametrize("cut", CUTS.values(), ids=CUTS)
def test_the_line_s_edge_on_the_kept_side_is_the_cut_to_a_tenth_of_a_pixel_all_along(cut: Floats, keep: str) -> None:
    """The line's light in each row (or column) has its middle half way between its rims, and as much as lies there."""
    light = thrown(cut_marks(cut, "left" if keep == "left" else "right")[0])
    run = (cut[1] - cut[0]) / np.hypot(*(cut[1] - cut[0]))
    waste = np.array([run[1], -run[0]]) if keep == "left" else np.array([-run[1], run[0]])
    along = cut[0] + np.linspace(0.03, 0.97, 4001)[:, None] * (cut[1] - cut[0])
    kept_px, other_px = by_opencv(along, CLOTH_MM), by_opencv(along + waste * CUT_WIDTH_MM, CLOTH_MM)
    lies = abs(np.ptp(kept_px[:, 0])) > abs(np.ptp(kept_px[:, 1]))
    if lies:
        light, kept_px, other_px = light.T, kept_px[:, ::-1], other_px[:, ::-1]
    order = np.argsort(kept_px[:, 1])
    rows = np.arange(int(kept_px[:, 1].min()) + 3, int(kept_px[:, 1].max()) - 3)
    kept = np.interp(rows, kept_px[order, 1], kept_px[order, 0])
    other = np.interp(rows, other_px[order, 1], other_px[order, 0])
    total = light[rows].sum(axis=1)
    middle = light[rows] @ np.arange(light.shape[1]) / total
    sense = np.sign(np.mean(kept - other))
    edge = middle + sense * total / 2.0
    across = np.cos(np.arctan(np.gradient(kept, rows)))  # from along the row to across the line
    assert np.abs((edge - kept) * across).max() < 0.1
    assert np.abs(total - np.abs(kept - other)).max() * across.min() < 0.1
    straight = np.interp(rows, rows[[0, -1]], kept[[0, -1]])
    assert np.abs(kept - straight).max() > 0.5  # the lens bends it, or straightness would show nothing


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_dashes_lie_along_the_upper_edge_of_a_ruler_that_lies_on_the_cut(side: str) -> None:
    """From each dash's light back through the lens to the ruler's top: it meets the edge there, on the ruler."""
    cut = np.array([[60.0, 100.0], [80.0, 500.0]])  # 0.37 m from the lens' foot: 0.8 mm of parallax on 3 mm
    run = (cut[1] - cut[0]) / np.hypot(*(cut[1] - cut[0]))
    cloth = cut + run * np.array([[25.0], [-25.0]])
    ruler = "left" if side == "left" else "right"
    normal = np.array([-run[1], run[0]]) * (1.0 if side == "left" else -1.0)
    rows, columns = np.nonzero(thrown(*ruler_top(cloth, cut, ruler, RULER_MM)) > 0.85)
    pixels = np.column_stack([columns, rows]).astype(float)
    rays = cv2.undistortPoints(pixels[:, None], LENS.matrix, np.array(LENS.distortion)).reshape(-1, 2)
    courses = np.column_stack([rays, np.ones(len(rays))]) @ DOWN
    middles = []
    for height, least, most in ((CLOTH_MM + RULER_MM, 0.0, THIN_MM), (CLOTH_MM, -9.0, 9.0)):
        met = FOOT + courses * ((height - FOOT[2]) / courses[:, 2])[:, None]
        off = (met[:, :2] - cut[0]) @ normal
        assert least - 0.1 < off.min() < off.max() < most + 0.1
        middles.append(off.mean())
    assert abs(middles[0] - middles[1]) == pytest.approx(370.0 * RULER_MM / (1350.0 - CLOTH_MM - RULER_MM), rel=0.05)


def test_digits_of_a_fraction_are_8_mm_high_whatever_the_line_was_asked_to_be() -> None:
    assert SMALL == DRAWN_SMALL
    for asked_mm in (6.0, 8.0, 12.0, 14.0):
        written = Room(box(0, 0, 300, 100)).write([Row("1/4", asked_mm)], (150.0, 50.0))
        assert written is not None
        (words,) = written.words
        picture = draw(Scene("test", (words,)), lambda p: p * [10.0, -10.0] + [0.0, 999.0], (3000, 1000), WHITE)
        lit = linear_from_srgb(picture[..., 1] / 255.0).max(axis=1) > 0.5
        edges = np.flatnonzero(np.diff(lit.astype(int)))
        heights = np.diff(edges)[::2] / 10.0  # numerator, bar, denominator
        assert len(heights) == 3
        assert min(heights[0], heights[2]) >= LEAST_DIGIT_MM - 0.1  # of the picture's pixels


def test_words_may_begin_at_a_place_instead_of_standing_around_it() -> None:
    for turn, axis, sense in ((0.0, 1, 1), (np.pi, 1, -1), (np.pi / 2, 0, -1)):
        mark = Words("HH", (50.0, 50.0), 10.0, Ink.WORDS, turn, "left")
        picture = draw(Scene("t", (mark,)), lambda p: p * [4.0, -4.0] + [0.0, 399.0], (400, 400), WHITE)
        lit = np.flatnonzero(picture.max(axis=(0 if axis else 1, 2)) > 128)
        start = 200 if axis else 199
        near, far = (lit[0], lit[-1]) if sense > 0 else (lit[-1], lit[0])
        assert 0 <= sense * (near - start) < 8
        assert sense * (far - start) > 40


@pytest.mark.parametrize("size_px", [(1280, 800), (1920, 1080), (3840, 2160)])
def test_the_smallest_letters_keep_their_form_on_the_largest_mat(size_px: tuple[int, int]) -> None:
    """Capitals of 8 mm where the picture is a metre wide: the three bars of an E stay three, an H keeps its gap."""
    per_mm = size_px[0] / 1000.0
    for off_px in (0.0, 0.3, 0.6):
        marks = (Words("E", (500.0, 400.0), 8.0, Ink.WORDS), Words("H", (540.0, 400.0), 8.0, Ink.WORDS))
        shift = np.array([off_px, 500.0 * per_mm + off_px])
        picture = draw(Scene("t", marks), lambda p, s=shift: p * [per_mm, -per_mm] + s, size_px, WHITE)
        light = linear_from_srgb(picture[..., 1] / 255.0)
        row, column = round(100 * per_mm), round(500 * per_mm)
        height, half = round(8 * per_mm), round(3.5 * per_mm)
        bars = light[row - height - 1 : row + 2, column : column + half].mean(axis=1)
        assert _peaks(bars) == 3
        column = round(540 * per_mm)
        legs = light[row - height // 4 - 1, column - half - 1 : column + half + 2]
        assert _peaks(legs) == 2


def _peaks(light: Floats) -> int:
    """Runs of light that dips to less than half of its peak between them."""
    return int((np.diff((light > 0.5 * light.max()).astype(int), prepend=0) == 1).sum())
