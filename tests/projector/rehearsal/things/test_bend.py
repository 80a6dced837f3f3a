"""Paper that curls: closed forms of its profiles, its length kept, and what the camera sees of it."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from projector.rehearsal.light.light import picture_of, thrown
from projector.rehearsal.setting import Setting, setting_of
from projector.rehearsal.things.bend import PROFILES, Bend, bend_of
from projector.rehearsal.things.layers import beams, sheet_layer
from projector.rehearsal.things.sheet import PrintedSheet, SheetPose, flat, tilted

SIZE = (240.0, 180.0)
WHITE = np.full((1080, 1920, 3), 255, np.uint8)
NOTHING = np.zeros((1080, 1920), np.float32)


def bent(profile: str, lift_mm: float) -> Bend:
    return Bend(profile, lift_mm, np.array([1.0, 0.0]), np.array(SIZE) / 2, SIZE[0] / 2)


def test_both_ends_of_a_parabola_lift_and_its_quarter_points_by_a_quarter() -> None:
    heights = bent("ends", 0.8).height_mm(np.array([-120.0, -60.0, 0.0, 60.0, 120.0]))
    assert heights == pytest.approx([0.8, 0.2, 0.0, 0.2, 0.8])


@pytest.mark.parametrize("profile", PROFILES)
def test_what_lifts_highest_lifts_by_the_lift(profile: str) -> None:
    bend = bend_of(SIZE, profile, 0.5, np.random.default_rng(3))
    corners = np.array([[0.0, 0.0], [240.0, 0.0], [240.0, 180.0], [0.0, 180.0]])
    heights = bend.lies_at(corners)[1]
    assert heights.max() == pytest.approx(0.5, rel=1e-3)
    assert (heights > 0.49).sum() == {"ends": 4, "cosh": 4, "one_end": 2, "corner": 1}[profile]
    assert bend.height_mm(np.zeros(1)) == pytest.approx(0.0)


def test_paper_keeps_its_length() -> None:
    """A parabola h = L (q / a)^2 is longer than its chord: with m = 2 L / a, the way from 0 to a is
    a / 2 (sqrt(1 + m^2) + asinh(m) / m) (arc length of a parabola)."""
    lift, half = 30.0, 120.0
    steep = 2 * lift / half
    bend = bent("ends", lift)
    printed, _ = bend.printed_at(np.array([240.0]), np.array([90.0]))
    assert printed[0] - 120.0 == pytest.approx(half / 2 * (np.hypot(1.0, steep) + np.arcsinh(steep) / steep), rel=1e-5)


def test_where_a_printed_point_lies_and_what_is_printed_there_are_inverse() -> None:
    rng = np.random.default_rng(4)
    points = rng.uniform([0.0, 0.0], SIZE, (100, 2))
    for profile in PROFILES:
        bend = bend_of(SIZE, profile, 8.0, rng)
        there, height = bend.lies_at(points)
        back = np.column_stack(bend.printed_at(there[:, 0], there[:, 1]))
        assert np.abs(back - points).max() < 1e-6
        assert bend.height_over(there[:, 0], there[:, 1]) == pytest.approx(height)


@pytest.fixture(scope="module")
def setting() -> Setting:
    return setting_of(5)


def chessboard() -> PrintedSheet:
    rows, columns = np.mgrid[0:1800, 0:2400] // 300
    return PrintedSheet((255 * ((rows + columns) % 2)).astype(np.uint8), *SIZE)


def corners_seen(setting: Setting, pose: SheetPose, inner: np.ndarray) -> np.ndarray:
    """Located by OpenCV's cornerSubPix in linear light."""
    sheet = chessboard()
    layer = sheet_layer(setting, beams(setting.camera), sheet, sheet.texture(), pose)
    linear = picture_of(setting, (NOTHING, NOTHING, NOTHING), (layer,), thrown(WHITE, setting.beam))[1]
    start = setting.camera.px_from_world(pose.world_from_own(inner)).astype(np.float32)
    grey = np.round(255 * linear / linear.max()).astype(np.uint8)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 100, 1e-4)
    return cv2.cornerSubPix(grey, start.reshape(-1, 1, 2), (6, 6), (-1, -1), criteria)[:, 0]


def test_a_lifted_end_is_seen_further_from_the_foot_of_the_lens(setting: Setting) -> None:
    """By z r / (H - z) on the mat, similar triangles: rendered flat and bent, the difference of what is seen."""
    pose = flat(chessboard(), (300.0, 360.0), 0.0)
    inner = np.array([[30.0 * i, 30.0 * j] for j in range(1, 6) for i in (1, 7)])
    bend = bent("ends", 3.0)
    seen = [corners_seen(setting, one, inner) for one in (pose, replace(pose, bend=bend))]
    on_sheet = [setting.camera.level_from_px(px, pose.at_mm[2]) for px in seen]
    flat_mm, height = bend.lies_at(inner)
    along = (flat_mm - inner)[:, :1] * pose.right[:2]
    eye, rise = setting.camera.at_mm, height[:, None]
    expected = (on_sheet[0] + along - eye[:2]) * rise / (eye[2] - pose.at_mm[2] - rise)
    off = on_sheet[1] - on_sheet[0] - along - expected
    assert np.abs(off.mean(axis=0)).max() < 0.02
    assert np.abs(off).max() < 0.06  # a tenth of a pixel
    assert np.hypot(*expected.T).max() > 0.3


def test_corners_of_a_bent_and_tilted_sheet_are_where_the_lens_says(setting: Setting) -> None:
    """Mean within 0.02 px, each within 0.08, for a lift of 6 mm; the bend itself moves them by more than a pixel."""
    inner = np.array([[30.0 * i, 30.0 * j] for j in range(1, 6) for i in range(1, 8)])
    plain = tilted(chessboard(), (400.0, 300.0), 0.3, 1.0, 0.5)
    pose = replace(plain, bend=bend_of(SIZE, "corner", 6.0, np.random.default_rng(1)))
    expected = setting.camera.px_from_world(pose.world_from_own(inner))
    off = corners_seen(setting, pose, inner) - expected
    assert np.abs(off.mean(axis=0)).max() < 0.02
    assert np.abs(off).max() < 0.08
    assert np.abs(setting.camera.px_from_world(plain.world_from_own(inner)) - expected).max() > 1.0


def test_another_profile_is_refused() -> None:
    with pytest.raises(ValueError, match="not 'wavy'"):
        bend_of(SIZE, "wavy", 1.0, np.random.default_rng(0))
