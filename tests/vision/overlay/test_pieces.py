"""Strips and blocks drawn over a picture: lines where they lie, words beside them. Drawn on black, so all ink shows."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.vision.exact import SIZE_PX, camera, px_of_mm
from vision.blocks.measure import MeasuredBlock
from vision.comparing.expected import ExpectedStar
from vision.overlay.pieces import draw_blocks, draw_strips
from vision.overlay.units import COLOURS
from vision.strips.measure import MeasuredStrip, StripEnd, StripLine
from vision.strips.verdict import JudgedStrip
from vision.units import Verdict

BLACK = np.zeros((SIZE_PX[1], SIZE_PX[0], 3), np.uint8)


def line(*ends):
    return StripLine(np.array(ends, float), 0.01, 0.0, 0.01)


def strip():
    steps = np.array([[[250.0, 60.0], [250.0, 80.0]], [[270.0, 80.0], [270.0, 100.0]]])
    end = StripEnd(np.array([[240.0, 60.0], [280.0, 100.0]]), math.radians(45.0), 0.001, steps)
    sides = (line([40, 60], [250, 60]), line([40, 100], [270, 100]))
    return MeasuredStrip(sides, (line([40, 80], [250, 80]),), 40.0, 0.02, (end,))


def ink_at(picture, places_mat_mm):
    """(N,): the brightest ink within a pixel of each place."""
    near = np.rint(px_of_mm(np.array(places_mat_mm, float))).astype(int)
    return np.array([picture[y - 1 : y + 2, x - 1 : x + 2].max() for x, y in near])


@pytest.mark.parametrize("verdict", [None, Verdict.FITS, Verdict.TRIM])
def test_every_line_of_a_strip_is_drawn_in_its_verdicts_colour(verdict):
    picture = draw_strips(BLACK, camera(), 0.0, [JudgedStrip(strip(), verdict=verdict)])
    on_lines = [(100, 60), (100, 100), (100, 80), (250, 70), (270, 90)]
    assert ink_at(picture, on_lines).min() > 100
    assert ink_at(picture, [(100, 70), (260, 92)]).max() == 0  # between the lines nothing
    y, x = np.rint(px_of_mm(np.array([[100.0, 60.0]]))).astype(int)[0][::-1]
    ink = picture[y - 1 : y + 2, x].sum(axis=0, dtype=float)  # a smoothed line's pixels share its hue
    assert ink / ink.max() == pytest.approx(np.array(COLOURS[verdict]) / max(COLOURS[verdict]), abs=0.05)
    assert np.count_nonzero(BLACK) == 0  # a copy was drawn on


def test_the_tips_of_a_block_are_ringed():
    corners = np.array([[100.0, 40.0], [240.0, 40.0], [240.0, 180.0], [100.0, 180.0]])
    tips = np.array([[230.0, 110.0], [170.0, 170.0], [110.0, 110.0], [170.0, 50.0]])
    u = np.full(4, 0.05)
    block = MeasuredBlock(corners, u, tips, u, np.array([120.0, 120.0]), u[:2])
    picture = draw_blocks(BLACK, camera(), 0.0, [(block, ExpectedStar(4, 140.0))])
    assert ink_at(picture, tips + np.array([2.0, 0.0])).min() > 100  # a ring of 5 px, 2 mm
    assert ink_at(picture, tips).max() == 0
    assert ink_at(picture, [(170, 40), (240, 110)]).min() > 100
