"""When a piece counts as blurred: by its sides' softness, made up."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from vision.measure import MOST_BLUR_PX, blurred

SOFT, SHARP = MOST_BLUR_PX + 1.0, MOST_BLUR_PX - 1.0


def sides(*softness_px: float, prints: int = 0) -> Any:
    """The first so many of them are those of a print."""
    return [SimpleNamespace(soft_px=soft, printed=k < prints) for k, soft in enumerate(softness_px)]


@pytest.mark.parametrize(
    ("unit", "is_blurred"),
    [
        (sides(SOFT, SOFT, math.nan), True),
        (sides(SOFT, SHARP), False),
        (sides(math.nan, math.nan), False),
        (sides(SOFT, SOFT, prints=2), False),  # figures look like a soft edge
        (sides(SOFT, SOFT, prints=1), True),
        (sides(SHARP, SOFT, prints=1), False),  # what has moved has no sharp figures either
    ],
)
def test_one_sharp_side_tells_that_nothing_has_moved(unit: Any, is_blurred: bool) -> None:
    assert blurred(unit) == is_blurred
