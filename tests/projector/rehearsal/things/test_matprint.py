"""The mat's lines and rim against a drawing with 16 x 16 samples a pixel, and against where the lens says they are."""

import cv2
import numpy as np
import pytest

from projector.rehearsal.things.matprint import mat_print
from projector.rehearsal.things.sizes import GRID_LINE_MM, GRID_MM

SUB = 16  # samples across a pixel of the drawing that ours is held against


def seen_mm(x_px: np.ndarray, y_px: np.ndarray, pitch_mm: float, turn_rad: float) -> tuple[np.ndarray, np.ndarray]:
    """Points of the mat under pixels, its lower-left corner and two lines in sight."""
    c, s = pitch_mm * np.cos(turn_rad), pitch_mm * np.sin(turn_rad)
    return c * x_px + s * y_px - 9.3, -s * x_px + c * y_px - 6.1


def blurred(plane: np.ndarray, sd_px: float) -> np.ndarray:
    size = 2 * int(np.ceil(4 * sd_px)) + 1
    return cv2.GaussianBlur(plane, (size, size), sd_px)


@pytest.mark.parametrize("turn_rad", [0.11, 0.3, 0.6])
@pytest.mark.parametrize("pitch_mm", [0.27, 0.58, 1.7])
def test_blurred_print_is_that_of_a_fine_drawing(pitch_mm: float, turn_rad: float) -> None:
    """The lens's blur on the fine samples, then square pixels; ours takes a pixel for a Gaussian of its variance."""
    blur_px, columns, rows = 0.65, 96, 80
    x_px, y_px = np.meshgrid(np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32))
    ours = mat_print(*seen_mm(x_px, y_px, pitch_mm, turn_rad), 0.0, True, blur_px)

    u, v = np.meshgrid(*((np.arange(n * SUB) + 0.5) / SUB - 0.5 for n in (columns, rows)))
    x, y = seen_mm(u, v, pitch_mm, turn_rad)
    on_mat = (x > 0) & (y > 0)
    lines = on_mat & np.any([np.abs(m - GRID_MM * np.round(m / GRID_MM)) < GRID_LINE_MM / 2 for m in (x, y)], axis=0)
    inner = slice(6, -6), slice(6, -6)
    for plane, fine in ((ours.on_mat, on_mat), (ours.lines, lines)):
        light = blurred(fine.astype(np.float32), blur_px * SUB)
        exact = cv2.resize(light, (columns, rows), interpolation=cv2.INTER_AREA)
        assert np.abs(blurred(plane, blur_px) - exact)[inner].max() < 0.012  # its own steps, mostly


def test_a_printed_line_is_where_the_lens_says_wherever_it_falls_among_the_pixels() -> None:
    """Centroids of a line across the mat, in linear light and without noise, within 0.004 px."""
    turn_rad, pitch_mm = 0.02, 0.61
    x_px, y_px = np.meshgrid(np.arange(40, dtype=np.float32), np.arange(60, dtype=np.float32))
    x_mm, y_mm = seen_mm(x_px, y_px, pitch_mm, turn_rad)
    lines = blurred(mat_print(x_mm, y_mm + 40.0, 100.0, True, 0.65).lines, 0.65)
    rows = [v for v in range(60) if abs((y_mm + 40.0)[v, 15] / GRID_MM % 1.0 - 0.5) < 0.3]  # no level line near
    assert len(rows) > 15
    for v in rows:
        true = float(np.interp(0.0, x_mm[v], x_px[v]))
        near = slice(round(true) - 7, round(true) + 8)
        found = float(np.sum(lines[v, near] * x_px[v, near]) / lines[v, near].sum())
        assert found == pytest.approx(true, abs=0.004)


def test_a_mat_without_grid_has_no_lines_and_a_large_one_no_rim() -> None:
    x_px, y_px = np.meshgrid(np.arange(50, dtype=np.float32), np.arange(40, dtype=np.float32))
    plain = mat_print(*seen_mm(x_px, y_px, 0.6, 0.1), 400.0, False, 0.65)
    assert np.all(plain.lines == 0.0)
    assert plain.on_mat == pytest.approx(np.ones_like(plain.on_mat), abs=1e-5)


def test_a_wide_blur_is_not_undone_beyond_what_can_be() -> None:
    x_px, y_px = np.meshgrid(np.arange(60, dtype=np.float32), np.arange(50, dtype=np.float32))
    soft = mat_print(*seen_mm(x_px, y_px, 0.6, 0.1), 0.0, True, 2.5)
    assert blurred(soft.lines, 2.5).min() > -1e-3
