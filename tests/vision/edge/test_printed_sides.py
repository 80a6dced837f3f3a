"""What is not known of a picture's light is in the doubt of its prints, too: against fits in two lights.

The frame is generated (`tests.vision.exact_cloth`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.edge.model.test_cast import LIGHT_MAT, ROOM, SENSOR, VIEW, bare, squares
from tests.vision.exact_cloth import Cloth, Print, grey, light_on_pixels
from tests.vision.exact_cover import encode, linear_of
from vision.edge.common import COMMON, unseen
from vision.edge.picture import Picture
from vision.edge.sidefits import SideFit
from vision.edge.sides import SideStart, fit_sides
from vision.finding.mat import compare_with_mat

PLAID = Print("plaid", (0.16, 0.17, 0.18), ((0.3, 0.33, 0.36), (0.1, 0.12, 0.1), (0.2, 0.24, 0.22)), 16.0)
LAMP, LUMA = COMMON.index("lamp"), COMMON.index("luma")


def test_a_print_follows_the_shadow_of_all_sides() -> None:
    pieces, fabrics = squares(), (grey(0.08), grey(0.3), PLAID)
    cloths = [Cloth(corners, fabric) for corners, fabric in zip(pieces, fabrics, strict=True)]
    pixels = encode(light_on_pixels(VIEW, LIGHT_MAT, cloths, ROOM), SENSOR, 3)
    scene = compare_with_mat(linear_of([pixels]), bare(LIGHT_MAT), np.ones(pixels.shape[:2], bool))
    picture, found = Picture.of(scene, VIEW.camera(), 0.0), []
    starts = [
        SideStart(np.array([a, b]), (8.0, 8.0)) for c in pieces for a, b in zip(c, np.roll(c, -1, axis=0), strict=True)
    ]
    for lamp in (0.0, 0.1):
        values = unseen(0.0).values.copy()
        values[LAMP], values[LUMA] = lamp, 0.78
        light = replace(unseen(0.0), values=values, covariance=np.eye(len(COMMON)) * 1e-10)
        found.append(fit_sides(picture, starts, prior=light).fits)
    for dark, lit in zip(*found, strict=True):
        assert isinstance(dark, SideFit)
        assert isinstance(lit, SideFit)
        outward = np.array([dark.along[1], -dark.along[0]])
        moved = float((lit.middle_mat_mm - dark.middle_mat_mm) @ outward) / 0.1
        assert dark.by_common[0, LAMP] == pytest.approx(moved, rel=0.25)
    assert any(fit is not None and fit.untold > 0.5 for fit in found[0])  # figures of which nothing is foretold
