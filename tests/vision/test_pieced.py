"""Long lines from pieces: held against numpy's and OpenCV's own line fits, and a parabola's sag worked by hand."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from vision.pieced import Piece, straight_line


def pieces_of(x, y, slope=None, u_mm=0.01):
    """Pieces of 100 mm, each through a point with its own slope."""
    slope = np.zeros_like(x) if slope is None else slope
    return [
        Piece(
            np.array([a, b]),
            np.array([1.0, c]) / math.hypot(1.0, c),
            100.0,
            u_mm,
            math.sqrt(12.0) * u_mm / 100.0,
        )
        for a, b, c in zip(x, y, slope, strict=True)
    ]


def test_points_on_a_line_give_that_line_as_opencv_has_it():
    x = np.arange(50.0, 900.0, 100.0)
    y = 12.0 + 0.031 * x
    line = straight_line(pieces_of(x, y, np.full_like(x, 0.031)))
    vx, vy, x0, y0 = cv2.fitLine(np.column_stack([x, y]), cv2.DIST_L2, 0, 1e-9, 1e-9).ravel()
    assert line.along == pytest.approx([vx, vy], abs=1e-6)
    assert (line.middle_mat_mm - [x0, y0]) @ [-vy, vx] == pytest.approx(0.0, abs=1e-4)
    assert line.length_mm == pytest.approx(900.0 * math.hypot(1.0, 0.031), rel=1e-3)
    assert line.bow_mm == pytest.approx(0.0, abs=1e-9)
    assert not line.is_bowed


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_a_parabola_keeps_its_best_straight_line_and_its_sag(way):
    """y = 5 - 5 (x / 450)^2: the best line is its mean, 5 - 5 / 3; the sag 5, outward where the cloth lies below."""
    x = np.arange(-400.0, 401.0, 100.0)
    y = 5.0 - 5.0 * (x**2 + 100.0**2 / 12.0) / 450.0**2  # the mean over each piece
    found = pieces_of(x, y, -10.0 * x / 450.0**2)
    if way < 0:  # seen from the other end the cloth lies on the other side
        found = [Piece(p.middle_mat_mm, -p.along, p.length_mm, p.offset_u_mm, p.turn_u_rad) for p in found[::-1]]
    line = straight_line(found)
    assert line.middle_mat_mm == pytest.approx([0.0, 5.0 - 5.0 / 3.0], abs=1e-6)
    assert abs(line.along[1]) < 1e-9
    assert line.bow_mm == pytest.approx(-5.0 * way, abs=1e-6)  # along +x outward is down
    assert line.is_bowed
    assert line.bent_mm(np.array([0.0, 450.0])) == pytest.approx(line.bow_mm * np.array([1 / 3, -2 / 3]))


def test_stated_uncertainty_is_the_spread_of_many_lines():
    """Monte Carlo, seed 7: offset at the middle and at an end, and the turn, beside their stated u."""
    rng, x, u = np.random.default_rng(7), np.arange(-400.0, 401.0, 100.0), 0.02
    rows = []
    for _ in range(600):
        turns = rng.normal(size=x.size) * math.sqrt(12.0) * u / 100.0
        line = straight_line(pieces_of(x, rng.normal(size=x.size) * u, -turns, u))
        at_end = line.middle_mat_mm + 450.0 * line.along
        rows.append([line.middle_mat_mm[1], at_end[1], math.atan2(line.along[1], line.along[0])])
        stated = [line.u_at_mm(line.middle_mat_mm), line.u_at_mm(at_end), math.sqrt(line.covariance[1, 1])]
        rows[-1] += stated
    seen, said = np.std(np.array(rows)[:, :3], axis=0), np.mean(np.array(rows)[:, 3:], axis=0)
    assert said / seen == pytest.approx([1.0] * 3, abs=0.2)  # Birge's ratio only ever adds


def test_one_piece_that_is_far_off_hardly_counts():
    x = np.arange(50.0, 900.0, 100.0)
    y = np.zeros_like(x)
    y[4] = 2.0  # a thread
    line = straight_line(pieces_of(x, y))
    plain = np.polyfit(x, y, 1)
    assert abs(line.middle_mat_mm[1]) < 0.25 * abs(np.polyval(plain, 450.0))


def test_no_pieces_are_no_line():
    with pytest.raises(ValueError, match="one piece"):
        straight_line([])
