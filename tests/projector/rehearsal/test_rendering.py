"""Pictures of the virtual table (generated, all of them): edges and light lie where the lenses say."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from projector.rehearsal.light.curves import srgb_from_linear
from projector.rehearsal.light.light import picture_of, thrown
from projector.rehearsal.optics import Optics
from projector.rehearsal.setting import Setting, setting_of
from projector.rehearsal.things.cloth import ClothToLay, Piece, Pose, strip
from projector.rehearsal.things.layers import beams, cloth_layer, sheet_layer, sights
from projector.rehearsal.things.sheet import PrintedSheet, flat, tilted

SMOOTH = np.ones((256, 256), np.float32)  # cloth without a weave
EVERYTHING = strip(ClothToLay("sheet of white", 2000.0, 3000.0, (), ("white",))).moved(Pose(-1000.0, -700.0))
NOTHING = np.zeros((1080, 1920), np.float32)
WHITE = np.full((1080, 1920, 3), 255, np.uint8)


@pytest.fixture(scope="module")
def setting() -> Setting:
    return setting_of(5)


def rendered(setting: Setting, piece: Piece, height_mm: float, picture: np.ndarray) -> np.ndarray:
    """Linear green light of one smooth white piece over nothing."""
    layer = cloth_layer(setting, sights(setting, height_mm), replace(piece, thickness_mm=height_mm), SMOOTH)
    return picture_of(setting, (NOTHING, NOTHING, NOTHING), (layer,), thrown(picture, setting.beam))[1].astype(
        np.float64
    )


def raised(lens: Optics, points_mm: np.ndarray, height_mm: float) -> np.ndarray:
    """Pixels of points at a height, by similar triangles on the mat's surface."""
    away = (points_mm - lens.at_mm[:2]) * height_mm / (lens.at_mm[2] - height_mm)
    return lens.px_from_level(points_mm + away, 0.0)


@pytest.mark.parametrize("height_mm", [0.0, 0.4, 1.0])
@pytest.mark.parametrize("side", [0, 2])
def test_the_edge_of_a_square_is_where_the_lens_says(setting: Setting, height_mm: float, side: int) -> None:
    """Area integration down each column, in linear light: within 0.01 px."""
    square = strip(ClothToLay("square", 150.0, 150.0, (), ("white",))).moved(Pose(640.0, 370.0, 0.06))
    flat_field = rendered(setting, EVERYTHING, height_mm, WHITE)
    cover = rendered(setting, square, height_mm, WHITE) / flat_field
    a, b = square.corners_mat_mm[side], square.corners_mat_mm[(side + 1) % 4]
    edge = raised(setting.camera, a + np.linspace(0.1, 0.9, 200)[:, None] * (b - a), height_mm)
    edge = edge[np.argsort(edge[:, 0])]
    columns = np.arange(int(edge[0, 0]) + 1, int(edge[-1, 0]))
    expected = np.interp(columns, edge[:, 0], edge[:, 1])
    for u, v in zip(columns, expected, strict=True):
        top, bottom = round(v) - 12, round(v) + 13
        area = cover[top:bottom, u].sum()
        found = bottom - 0.5 - area if side == 2 else top - 0.5 + area
        assert found == pytest.approx(v, abs=0.01)


def drawn_line(offset_px: float, slope: float, width_px: float) -> np.ndarray:
    """A picture of a steep line u = offset + slope v, its coverage exact to 1/64 px, in sRGB."""
    v, u = np.mgrid[0:1080, 0:1920].astype(np.float64)
    steps = (np.arange(64) + 0.5) / 64 - 0.5
    light = np.mean([np.abs(u + s - offset_px - slope * v) < width_px / 2 for s in steps], axis=0)
    grey = np.round(255 * srgb_from_linear(light)).astype(np.uint8)
    return cv2.merge([grey] * 3)


@pytest.mark.parametrize(("offset_px", "slope", "width_px"), [(700.3, 0.0, 1.0), (1200.6, 0.11, 2.0)])
def test_a_projected_line_falls_where_the_projector_lens_says(
    setting: Setting, offset_px: float, slope: float, width_px: float
) -> None:
    """The middle of its light in the camera's picture, mapped to the cloth: each row within 0.03 mm, all 0.005."""
    picture = drawn_line(offset_px, slope, width_px)
    dark = rendered(setting, EVERYTHING, 0.4, np.zeros_like(WHITE))
    light = (rendered(setting, EVERYTHING, 0.4, picture) - dark) / rendered(setting, EVERYTHING, 0.4, WHITE)
    rows = np.arange(100, 980)
    peak = light[rows].argmax(axis=1)
    span = np.arange(-7, 8)
    window = light[rows[:, None], peak[:, None] + span]
    middle = peak + (window * span).sum(axis=1) / window.sum(axis=1)
    on_cloth = setting.camera.level_from_px(np.column_stack([middle, rows]).astype(float), 0.4)
    hit = setting.projector.px_from_level(on_cloth, 0.4)
    off_mm = (hit[:, 0] - offset_px - slope * hit[:, 1]) * 0.6
    assert np.abs(off_mm).max() < 0.03
    assert abs(off_mm.mean()) < 0.005


def chessboard() -> PrintedSheet:
    """Squares of 30 mm, 8 by 6, at 10 pixels a mm."""
    rows, columns = np.mgrid[0:1800, 0:2400] // 300
    return PrintedSheet((255 * ((rows + columns) % 2)).astype(np.uint8), 240.0, 180.0)


@pytest.mark.parametrize("how", ["flat", "tilted"])
def test_corners_of_a_printed_sheet_are_where_the_lens_says(setting: Setting, how: str) -> None:
    """Located by OpenCV's cornerSubPix, in linear light: mean within 0.01 px, each within 0.05."""
    sheet = chessboard()
    middle = (300.0, 360.0)
    pose = flat(sheet, middle, 0.5) if how == "flat" else tilted(sheet, middle, 0.3, 1.0, 0.5)
    layer = sheet_layer(setting, beams(setting.camera), sheet, sheet.texture(), pose)
    linear = picture_of(setting, (NOTHING, NOTHING, NOTHING), (layer,), thrown(WHITE, setting.beam))[1]
    inner = np.array([[30.0 * i, 30.0 * j] for j in range(1, 6) for i in range(1, 8)])
    expected = setting.camera.px_from_world(pose.world_from_own(inner))
    grey = np.round(255 * linear / linear.max()).astype(np.uint8)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 100, 1e-4)
    found = cv2.cornerSubPix(grey, expected.astype(np.float32).reshape(-1, 1, 2), (6, 6), (-1, -1), criteria)
    off = found[:, 0] - expected
    assert np.abs(off.mean(axis=0)).max() < 0.01
    assert np.abs(off).max() < 0.05


def test_a_sheet_stands_as_it_is_printed(setting: Setting) -> None:
    """Its first row of pixels is its upper edge: away from the person when it lies upright."""
    picture = np.zeros((180, 240), np.uint8)
    picture[:90] = 255
    sheet = PrintedSheet(picture, 240.0, 180.0)
    pose = flat(sheet, (457.0, 305.0), 0.0)
    layer = sheet_layer(setting, beams(setting.camera), sheet, sheet.texture(), pose)
    near, far = setting.camera.px_from_level(np.array([[457.0, 260.0], [457.0, 350.0]]), 0.1).round().astype(int)
    grey = np.zeros((1080, 1920), np.float32)
    grey[layer.box] = layer.colour[1]
    assert grey[far[1], far[0]] > 0.8
    assert grey[near[1], near[0]] < 0.05


def test_black_is_not_quite_black(setting: Setting) -> None:
    """The projector's black is 1/800 of its white, the room's light taken away."""
    no_room = replace(setting, room=replace(setting.room, level=0.0))
    black = rendered(no_room, EVERYTHING, 0.0, np.zeros_like(WHITE))[500, 900]
    white = rendered(no_room, EVERYTHING, 0.0, WHITE)[500, 900]
    assert white / black == pytest.approx(800.0, rel=1e-3)
