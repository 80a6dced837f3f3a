"""Digital keystone and overscan against a general-purpose reference library."""

import cv2
import numpy as np
import pytest

from projector.rehearsal.light.scaler import panel_from_picture, scaled

SIZE = (192, 108)


def mapped(matrix: np.ndarray, points: list[list[float]]) -> np.ndarray:
    return cv2.perspectiveTransform(np.array([points], float), matrix)[0]


def corners(width: int, height: int) -> list[list[float]]:
    """The picture's rim, pixel middles being whole numbers."""
    return [[-0.5, -0.5], [width - 0.5, -0.5], [width - 0.5, height - 0.5], [-0.5, height - 0.5]]


def test_a_keystone_narrows_the_upper_edge_and_keeps_the_lower() -> None:
    found = mapped(panel_from_picture(SIZE, 0.25, 0.0), corners(*SIZE))
    expected = [[23.5, -0.5], [167.5, -0.5], [191.5, 107.5], [-0.5, 107.5]]  # an eighth of 192 px on either side
    assert found == pytest.approx(np.array(expected), abs=1e-9)


def test_overscan_loses_the_rim_evenly() -> None:
    """A tenth lost: what lies 5 % of the width inside is at the rim of the panel."""
    found = mapped(panel_from_picture(SIZE, 0.0, 0.1), [[-0.5 + 9.6, -0.5 + 5.4], [95.5, 53.5]])
    assert found == pytest.approx(np.array([[-0.5, -0.5], [95.5, 53.5]]), abs=1e-9)


@pytest.mark.parametrize(("trapezoid", "overscan"), [(0.2, 0.0), (0.0, 0.05), (0.0, -0.08), (0.12, 0.03)])
def test_the_picture_is_what_opencv_makes_of_it(trapezoid: float, overscan: float) -> None:
    """Reference: cv2.getPerspectiveTransform of the corners, cv2.warpPerspective, bilinear, black around.

    OpenCV takes places to 1/32 px; a picture of slopes below 6 values a pixel differs by less than 1 value.
    """
    rng = np.random.default_rng(2)
    picture = cv2.GaussianBlur(rng.integers(0, 256, (*SIZE[::-1], 3), dtype=np.uint8), (0, 0), 4.0)
    w, h = SIZE
    x, y, lost_x, lost_y = -0.5, -0.5, overscan * w / 2, overscan * h / 2
    before = [
        [x + lost_x, y + lost_y],
        [x + w - lost_x, y + lost_y],
        [x + w - lost_x, y + h - lost_y],
        [x + lost_x, y + h - lost_y],
    ]
    narrow = trapezoid * w / 2
    after = [[x + narrow, y], [x + w - narrow, y], [x + w, y + h], [x, y + h]]
    matrix = cv2.getPerspectiveTransform(np.array(before, np.float32), np.array(after, np.float32))
    expected = cv2.warpPerspective(picture, matrix, SIZE, flags=cv2.INTER_LINEAR).astype(int)
    assert np.abs(scaled(picture, trapezoid, overscan)[2:-2, 2:-2] - expected[2:-2, 2:-2]).max() <= 2


def test_stripes_of_one_pixel_become_bands_when_resampled() -> None:
    """Zoom 1 / (1 - o) samples stripes of period 2 px with a beat of period 1 / o px (sampling theory: the nearest
    alias of frequency (1 - o) / 2 from 1/2 is o / 2, seen twice as often in contrast)."""
    stripes = np.zeros((20, 400, 3), np.uint8)
    stripes[:, ::2] = 255
    panel = scaled(stripes, 0.0, 0.05)[10, :, 0].astype(float)
    contrast = np.abs(np.diff(panel))
    spectrum = np.abs(np.fft.rfft(contrast - contrast.mean()))
    assert len(contrast) / int(spectrum.argmax()) == pytest.approx(20.0, rel=0.06)
    assert np.array_equal(scaled(stripes, 0.0, 0.0), stripes)
