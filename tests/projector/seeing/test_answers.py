"""Strip sets among the cloths that are judged: longer than the picture, hanging off it, with stepped ends.

The frames are generated, their shares of pixels exact (`tests.vision.exact`); what is drawn is what must come back.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from projector.guide.looks import Look, Seen
from projector.guide.units.layout import FoundStrip, find_strip
from projector.piecing.plans import Strip
from projector.seeing.answers import Sight, answer
from tests.vision.exact import Piece, camera, everywhere, picture
from vision.finding.mat import MatPicture, compare_with_mat, mat_picture
from vision.light import mean_light
from vision.measure import Cloth, Trust

Floats = NDArray[np.float64]
Outline = tuple[tuple[float, float], ...]

TURN_RAD, PLACE = math.radians(3.0), np.array([20.0, 60.0])
SET = Strip("two", 80.0, 400.0, (40.0,))
HANGING = ((-60.0, 0.0), (300.0, 0.0), (295.0, 80.0), (-60.0, 80.0))  # its left end lies off the picture
STEPPED = ((-60.0, 0.0), (290.0, 0.0), (290.0, 40.0), (312.0, 40.0), (312.0, 80.0), (-60.0, 80.0))
LONG = ((-60.0, 0.0), (500.0, 0.0), (500.0, 80.0), (-60.0, 80.0))  # neither end is seen


def on_mat(own: Outline) -> Floats:
    c, s = math.cos(TURN_RAD), math.sin(TURN_RAD)
    return np.asarray(np.array(own) @ np.array([[c, s], [-s, c]]) + PLACE)


def own_of(points_mat_mm: Floats) -> Floats:
    c, s = math.cos(TURN_RAD), math.sin(TURN_RAD)
    return np.asarray((points_mat_mm - PLACE) @ np.array([[c, -s], [s, c]]))


@cache
def bare() -> MatPicture:
    return mat_picture(mean_light([picture(seed=50 + k) for k in range(8)]))


@cache
def found(own: Outline) -> FoundStrip:
    """The strip set as the guide finds it, drawn with its seam half way."""
    reach = max(x for x, y in own if y <= 40.0)
    piece = Piece(on_mat(own), (0.6, 0.55, 0.5), on_mat(((-60.0, 40.0), (reach, 40.0))), (0.3, 0.1, 0.1))
    scene = compare_with_mat(mean_light([picture(piece, seed=3)]), bare(), everywhere())
    seen = answer(Look("units"), Sight(scene, camera(), everywhere(), Cloth(0.0, 0.0), Trust()))
    assert isinstance(seen, Seen)
    strip = find_strip([cloth.unit for cloth in seen.cloths], SET, "right")
    assert isinstance(strip, FoundStrip)
    assert len(seen.cloths[0].unit.seams) == 1
    return strip


@pytest.mark.parametrize("own", [HANGING, STEPPED, LONG], ids=["hanging off", "stepped", "longer than the picture"])
def test_a_strip_set_that_is_not_all_seen_is_measured_like_any_other(own: Outline) -> None:
    strip = found(own)
    assert strip.cut_off
    assert strip.width_mm == pytest.approx(80.0, abs=0.03)
    assert math.atan2(strip.along[1], strip.along[0]) == pytest.approx(TURN_RAD, abs=math.radians(0.005))


@pytest.mark.parametrize("own", [HANGING, STEPPED], ids=["hanging off", "stepped"])
def test_its_end_is_where_it_is_step_by_step(own: Outline) -> None:
    end = np.array([point for point in own if point[0] > 0.0])
    assert own_of(found(own).end_mat_mm) == pytest.approx(end, abs=0.1)
