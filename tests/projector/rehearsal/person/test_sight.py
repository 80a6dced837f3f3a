"""How the virtual person finds the light: pictures made here, cloth and lens the world's own."""

import cv2
import numpy as np
import pytest

from projector.rehearsal.light.curves import srgb_from_linear
from projector.rehearsal.optics import Optics
from projector.rehearsal.person.sight import kept_edge, light_line
from projector.rehearsal.setting import setting_of
from projector.rehearsal.things.cloth import ClothToLay, Piece, Pose, strip

LENS = setting_of(8).projector
PIECE = strip(ClothToLay("set", 90.0, 600.0, (45.0,), ("navy", "cream"))).moved(Pose(150.0, 400.0, 0.04))
CUT = np.array([[560.0, 380.0], [640.0, 540.0]])


def picture(*strokes: tuple[np.ndarray, float, int], lens: Optics = LENS, height_mm: float = 0.4) -> np.ndarray:
    """Strokes (points of the mat, linear light, pixels wide), drawn four times as large and averaged."""
    light = np.zeros((4 * 1080, 4 * 1920), np.uint8)
    for points, level, width in strokes:
        pixels = lens.px_from_level(points, height_mm) * 4 + 1.5
        cv2.polylines(
            light, [np.round(pixels * 16).astype(np.int32)], False, round(255 * level), 4 * width, cv2.LINE_AA, 4
        )
    small = np.asarray(cv2.resize(light / 255.0, (1920, 1080), interpolation=cv2.INTER_AREA), np.float64)
    return cv2.merge([np.round(255 * srgb_from_linear(small)).astype(np.uint8)] * 3)


def band(line: np.ndarray, wide_mm: float, level: float) -> np.ndarray:
    """A line of light so wide on the cloth, drawn eight times as large and averaged."""
    run = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    side = np.array([-run[1], run[0]]) * wide_mm / 2
    pixels = LENS.px_from_level(np.array([line[0] - side, line[1] - side, line[1] + side, line[0] + side]), 0.4)
    light = np.zeros((8 * 1080, 8 * 1920), np.uint8)
    cv2.fillPoly(light, [np.round((pixels * 8 + 3.5) * 16).astype(np.int32)], 255, shift=4)
    small = level * np.asarray(cv2.resize(light, (1920, 1080), interpolation=cv2.INTER_AREA), np.float64) / 255.0
    return cv2.merge([np.round(255 * srgb_from_linear(small)).astype(np.uint8)] * 3)


def off_mm(found: np.ndarray, line: np.ndarray) -> np.ndarray:
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    d = found - line[0]
    return np.asarray(along[0] * d[:, 1] - along[1] * d[:, 0])


def look(shown: np.ndarray, piece: Piece = PIECE) -> np.ndarray | None:
    return light_line(shown, LENS, piece, np.random.default_rng(0))


@pytest.mark.parametrize("width", [1, 2, 3])
def test_the_line_is_found_in_the_middle_of_its_light(width: int) -> None:
    found = look(picture((CUT, 1.0, width)))
    assert found is not None
    assert np.abs(off_mm(found, CUT)).max() < 0.05


@pytest.mark.parametrize(("keep", "told", "level"), [("left", 1.0, 1.0), ("right", 1.0, 0.4), ("left", -1.0, 0.4)])
def test_the_person_cuts_along_the_edge_of_the_light_on_the_side_that_is_kept(
    keep: str, told: float, level: float
) -> None:
    """Whichever way round the side is told, and however bright the ink is beside the brightest in the picture."""
    along = (CUT[1] - CUT[0]) / np.hypot(*(CUT[1] - CUT[0]))
    left = np.array([-along[1], along[0]]) * (told if keep == "left" else -told)
    word = np.array([[400.0, 300.0], [430.0, 300.0]])
    shown = cv2.max(band(CUT, 1.0, level), picture((word, 1.0, 3)))
    line = look(shown)
    assert line is not None
    edge = kept_edge(shown, LENS, PIECE, line, keep, told * along)
    assert off_mm(edge, CUT + left * 0.5) == pytest.approx([0.0, 0.0], abs=0.04)


def test_outlines_seams_and_signs_are_not_the_cut() -> None:
    outline = np.vstack([PIECE.corners_mat_mm, PIECE.corners_mat_mm[:1]])
    sign = np.array([[500.0, 460.0], [510.0, 460.0], [505.0, 470.0], [500.0, 460.0]])
    shown = picture((outline, 1.0, 2), (PIECE.seams_mat_mm[0], 1.0, 2), (CUT, 0.6, 2), (sign, 1.0, 2))
    found = look(shown)
    assert found is not None
    assert np.abs(off_mm(found, CUT)).max() < 0.1


@pytest.mark.parametrize(
    "strokes",
    [
        (),
        ((np.vstack([PIECE.corners_mat_mm, PIECE.corners_mat_mm[:1]]), 1.0, 2),),  # the outline alone
        ((PIECE.seams_mat_mm[0], 1.0, 2),),  # the seam alone
        ((np.array([[560.0, 100.0], [640.0, 300.0]]), 1.0, 2),),  # a line beside the cloth
        ((np.array([[590.0, 450.0], [596.0, 462.0]]), 1.0, 2),),  # a short stroke
    ],
)
def test_without_a_line_across_the_cloth_nothing_is_found(strokes: tuple[tuple[np.ndarray, float, int], ...]) -> None:
    assert look(picture(*strokes)) is None


def test_even_light_is_no_line() -> None:
    assert look(np.full((1080, 1920, 3), 200, np.uint8)) is None
    found = look(np.maximum(picture((CUT, 1.0, 2)), 90))  # but a line in a dim lamp is one
    assert found is not None
    assert np.abs(off_mm(found, CUT)).max() < 0.05
