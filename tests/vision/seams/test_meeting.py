"""Where a print's figures end, in windows of pixels with known levels."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vision.edge.pixels.noise import Noise
from vision.edge.pixels.windows import NOTHING_SHOWN, Window
from vision.seams.meeting import FAR_PX, GAP, sharpest

BLUR_PX, LONG_PX, CELL_PX = 0.8, 120.0, 6.0
NOISE = Noise((0.01, 0.01, 0.01), (1.0, 1.0, 1.0))


def window(inner, outer, offset_px: float = 0.0, turn_rad: float = 0.0) -> Window:
    """Luma `inner(across, along)` within a line that lies off the window's, `outer` beyond, sharp."""
    along, across = (one.ravel() for one in np.meshgrid(np.arange(-LONG_PX / 2, LONG_PX / 2), np.arange(-15.0, 16.0)))
    inside = across < offset_px + math.tan(turn_rad) * along
    seen = np.full((3, len(along)), 0.02, np.float32)
    seen[0] = np.where(inside, inner(across, along), outer(across, along))
    seen += np.random.default_rng(3).normal(0.0, 0.01, seen.shape).astype(np.float32)
    nothing = np.zeros((3, len(along)), np.float32)
    one = np.zeros(len(along), np.int64)
    ends = np.array([0, len(along)])
    return Window(
        one, np.zeros((len(along), 2)), across, along, seen, nothing, nothing, nothing, NOTHING_SHOWN, ends, one[:1], 1
    )


def bars(pitch: float, low: float, high: float, lean: float = 0.3):
    """Bars across a line, or nearly."""
    return lambda across, along: np.where((along + lean * across) % pitch < pitch / 2.0, low, high)


def row(across, along):
    """A row of squares along the window's axis, 2 px beside it, on a ground of 0.5."""
    return np.where((np.abs(across + 4.0) < 2.0) & (along % 8.0 < 4.0), 0.2, 0.5)


@pytest.mark.parametrize(("offset_px", "turn_deg"), [(0.0, 0.0), (3.2, 0.0), (-2.4, 1.5)])
def test_figures_end_where_the_other_fabric_begins(offset_px, turn_deg):
    cut = window(bars(14.0, 0.2, 0.5), bars(9.0, 0.35, 0.7), offset_px, math.radians(turn_deg))
    met = sharpest(cut, BLUR_PX, NOISE, CELL_PX)
    assert met.offset_px == pytest.approx(offset_px, abs=GAP * BLUR_PX + 0.2)  # between which nothing tells
    assert math.degrees(met.turn) == pytest.approx(turn_deg, abs=1.5)  # its ends by as much
    assert met.differ > 0.7
    assert abs(met.together) < 0.3


def test_within_one_print_what_is_on_one_side_goes_on_beyond():
    one = bars(14.0, 0.2, 0.5)
    met = sharpest(window(one, one), BLUR_PX, NOISE, CELL_PX)
    assert met.differ < 0.5 or met.together > 0.5


def test_a_row_of_dots_beside_a_seam_is_not_where_all_differs():
    met = sharpest(window(row, lambda across, along: 0.35 + 0.0 * across), BLUR_PX, NOISE, CELL_PX)
    assert met.offset_px == pytest.approx(0.0, abs=GAP * BLUR_PX + 0.2)
    assert met.differ > 0.9


def test_of_plain_cloth_nothing_differs_anywhere():
    plain = window(lambda across, along: 0.4 + 0.0 * across, lambda across, along: 0.4 + 0.0 * across)
    met = sharpest(plain, BLUR_PX, NOISE, CELL_PX)
    assert met.differ < 0.1
    assert abs(met.offset_px) < FAR_PX
