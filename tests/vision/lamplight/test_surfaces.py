"""The colours of cloth beside white paper, whatever the light and the exposure. Drawn pictures, truth by hand."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.pinhole import Lens, Pinhole
from vision.finding.mat import mat_picture
from vision.lamplight.surfaces import PARTS, surface_colours
from vision.light import linear_image, srgb_from_linear

SIZE_PX = (400, 300)
MAT, RED, BLUE = (0.07, 0.11, 0.09), (0.55, 0.06, 0.08), (0.05, 0.1, 0.6)  # red, green, blue shares
OVER_PAPER = 0.2126 * MAT[0] + 0.7152 * MAT[1] + 0.0722 * MAT[2]


def overhead() -> Pinhole:
    """A pixel a millimetre at the mat; pixel (x, y) is the mat's (x, 299 - y)."""
    turn = np.diag([1.0, -1.0, -1.0])
    lens = Lens(SIZE_PX, (1000.0, 1000.0), (199.5, 149.5))
    return Pinhole(lens, turn, -turn @ np.array([199.5, 149.5, 1000.0]))


def seen(lightness: np.ndarray, exposure: float) -> np.ndarray:
    """A picture under a lamp that falls off by a third over the width."""
    light = lightness * np.linspace(1.0, 0.67, SIZE_PX[0])[None, :, None] * exposure
    return np.rint(255 * srgb_from_linear(np.clip(light[..., ::-1], 0, 1))).astype(np.uint8)


@pytest.mark.parametrize("exposure", [0.5, 1.2])
def test_a_two_fabric_strip_and_its_mat_have_their_own_colours(exposure: float) -> None:
    bare = np.broadcast_to(np.array(MAT), (SIZE_PX[1], SIZE_PX[0], 3)).copy()
    with_cloth = bare.copy()
    with_cloth[100:150, 60:360], with_cloth[150:200, 60:360] = RED, BLUE
    mat = mat_picture(linear_image(seen(bare, exposure)))
    outline = np.array([[60.0, 99.0], [360.0, 99.0], [360.0, 199.0], [60.0, 199.0]])
    found = surface_colours(seen(with_cloth, exposure), None, mat, overhead(), [outline], 0.0, OVER_PAPER)
    assert found.shape == (1 + PARTS, 3)
    assert found[0] == pytest.approx(MAT, rel=0.05, abs=0.003)
    for cloth in (RED, BLUE):
        assert np.abs(found[1:] - cloth).max(axis=1).min() < 0.03


def test_a_cloth_that_is_not_seen_has_no_colour() -> None:
    bare = np.broadcast_to(np.array(MAT), (SIZE_PX[1], SIZE_PX[0], 3))
    mat = mat_picture(linear_image(seen(bare, 1.0)))
    far = np.array([[900.0, 0.0], [950.0, 0.0], [950.0, 50.0]])
    assert len(surface_colours(seen(bare, 1.0), None, mat, overhead(), [far], 0.0, OVER_PAPER)) == 1
