"""How sure the sides of a unit are together, against drawn errors and against outlines that were really moved."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.vision.exact import camera
from vision.edge.common import Common
from vision.edge.sidefits import SideFit
from vision.outlines.unitdoubt import LEAST_FLOOR_PX, TILT_SHARE, Cloth, Trust, bows_u_mm, doubt_of

Floats = NDArray[np.float64]

CORNERS = np.array([[70.0, 52.0], [158.0, 61.0], [221.0, 138.0], [133.0, 129.0]])  # a slanted piece, mm
PX_PER_MM = 2.5
BY_COMMON = np.array([[0.02, 0.0, 0.01, 0.0, 0.0, 0.0, 0.0], [1e-4, 0, 0, 0, 0, 0, 0], [0, 0, 0.003, 0, 0, 0, 0]])
COMMON = Common(np.zeros(7), np.diag([0.2, 0.1, 0.3, 0.1, 0.1, 0.1, 0.1]) ** 2)
NOTHING = Common(np.zeros(7), np.zeros((7, 7)))
DRAWS = 40_000


def line_angles(along: Floats) -> Floats:
    return np.arctan2(along[..., 1], along[..., 0])


def sides(own: Floats, past_mm: float = 9.0) -> tuple[SideFit, ...]:
    """Sides that were seen about a place `past_mm` short of their middles."""
    fits = []
    for start, end in zip(CORNERS, np.roll(CORNERS, -1, axis=0), strict=True):
        length = float(np.hypot(*(end - start)))
        along = (end - start) / length
        middle = (start + end) / 2.0 - past_mm * along
        both = own + BY_COMMON @ COMMON.covariance @ BY_COMMON.T
        fits.append(SideFit(middle, along, length, own, BY_COMMON, both, 0.0, 0.8, 0.0, PX_PER_MM))
    return tuple(fits)


def moved(outlines: Floats) -> Floats:
    """(D, 8): how far the sides of outlines (D, 4, 2) lie out of their lines in the middle, and how far they turn."""
    before, after = (np.roll(one, -1, axis=-2) - one for one in (CORNERS, outlines))
    outward = np.column_stack([before[:, 1], -before[:, 0]]) / np.hypot(*before.T)[:, None]
    off = (outlines + after / 2.0) - (CORNERS + before / 2.0)
    turned = (line_angles(after) - line_angles(before) + np.pi) % (2.0 * np.pi) - np.pi
    return np.concatenate([np.sum(off * outward, axis=-1), turned], axis=-1)


def test_the_picture_against_drawn_lines() -> None:
    rng = np.random.default_rng(1)
    own = np.array([[0.02**2, 0.3 * 0.02 * 4e-4, 0.0], [0.3 * 0.02 * 4e-4, (4e-4) ** 2, 0.0], [0.0, 0.0, 0.01**2]])
    fits = sides(own)
    told = doubt_of(CORNERS, fits, COMMON, camera(), Cloth(0.0, 0.0), Trust()).total
    common = rng.multivariate_normal(np.zeros(7), COMMON.covariance, DRAWS)
    offsets, tilts = [], []
    for i, side in enumerate(fits):
        floor = LEAST_FLOOR_PX / PX_PER_MM
        errors = rng.multivariate_normal(np.zeros(3), own, DRAWS) + common @ BY_COMMON.T
        errors[:, 0] += rng.normal(0.0, floor, DRAWS)
        errors[:, 1] += rng.normal(0.0, np.sqrt(TILT_SHARE) * floor / side.length_mm, DRAWS)
        outward = np.array([side.along[1], -side.along[0]])
        points = side.middle_mat_mm + errors[:, :1] * outward
        along = side.along + np.tan(errors[:, 1:2]) * outward  # clockwise: outward ahead
        # Where the drawn line crosses the normal through the side's own middle.
        middle = (CORNERS[i] + CORNERS[(i + 1) % 4]) / 2.0
        reach = ((middle - points) @ side.along) / (along @ side.along)
        offsets.append((points + reach[:, None] * along - middle) @ outward)
        tilts.append(line_angles(along) - line_angles(side.along))
    drawn = np.cov(np.array(offsets + tilts))
    size = np.sqrt(np.diag(drawn))
    assert np.sqrt(np.diag(told)) == pytest.approx(size, rel=0.02)
    # Correlations of 40 000 draws are unsure by 0.005.
    assert told / np.outer(size, size) == pytest.approx(drawn / np.outer(size, size), abs=0.03)


def test_a_wrong_height_against_the_outline_that_would_be_read_then() -> None:
    fits, cloth = sides(np.zeros((3, 3))), Cloth(0.4, 0.06)
    told = doubt_of(CORNERS, fits, NOTHING, camera(), cloth, Trust()).cloth
    seen_px = camera().px_from_mat(CORNERS, cloth.height_mm)
    follow = moved(camera().mat_from_px(seen_px, cloth.height_mm + cloth.u_mm)[None])[0]
    follow[4:] = 0.0  # sides of an outline that grows do not turn
    assert np.sqrt(np.diag(told)) == pytest.approx(np.abs(follow), rel=0.01)
    assert told == pytest.approx(np.outer(follow, follow), abs=1e-6)


def test_a_wrong_scale_against_an_outline_that_grew() -> None:
    told = doubt_of(CORNERS, sides(np.zeros((3, 3))), NOTHING, camera(), Cloth(0.0, 0.0), Trust(scale_u=0.01)).scale
    middle = CORNERS.mean(axis=0)
    follow = moved((middle + 1.01 * (CORNERS - middle))[None])[0]
    assert told == pytest.approx(np.outer(follow, follow), abs=1e-9)


def test_bows_by_hand() -> None:
    own = np.diag([0.0, 0.0, 0.03**2])
    # 0.03 of its own, 0.003 * 0.3 by what is common, and 0.002 px of the model: 0.0008 mm, of which 0.7 of the square.
    assert bows_u_mm(sides(own)) == pytest.approx(np.sqrt(0.03**2 + 0.0009**2 + 0.7 * 0.0008**2), rel=1e-6)


def test_what_the_model_is_wrong_by_moves_all_sides_outward() -> None:
    """A width's sides are off by it both, an angle is not."""
    still = np.zeros((3, 3))
    told, alone = (
        doubt_of(CORNERS, fits, NOTHING, camera(), Cloth(0.0, 0.0), Trust()).total
        for fits in (tuple(replace(side, misfit_mm=0.05) for side in sides(still)), sides(still))
    )
    more = np.zeros((8, 8))
    more[:4, :4] = 0.05**2
    assert told - alone == pytest.approx(more, abs=1e-12)
