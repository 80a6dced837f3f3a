"""Which way a plan takes: straight cuts, on the grain, unless nesting spares more than three parts in a hundred."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from projector.piecing.blocks.catalogue import block_of
from projector.piecing.cutting.nesting import nested
from projector.piecing.cutting.straight import straight_patches
from projector.piecing.making import Wishes, plan_of
from projector.piecing.patchwork.patches import Block, Patch
from projector.piecing.plans import Making

IN = 25.4
WISHES = Wishes()


@settings(max_examples=20, deadline=None)
@given(st.floats(40, 200), st.floats(0.2, 0.8), st.floats(40, 150), st.integers(1, 90))
def test_straight_cuts_unless_nesting_is_clearly_less_cloth(base: float, share: float, tall: float, make: int) -> None:
    corners = np.array([[0.0, 0.0], [base, 0.0], [base * share, tall]])
    left, right = math.atan2(tall, base * share), math.atan2(tall, base * (1.0 - share))
    assume(min(left, right, math.pi - left - right) > math.radians(30.0))  # sharper ones are trimmed, so nested
    making = Making("own", base, make)
    made = plan_of(Block("own", Patch("a", corners), corners), making, WISHES)
    (unit,), (strip,) = made.plan.units, made.plan.strips
    room = making.usable_mm - WISHES.margin_mm
    nest = nested(made.kinds[unit.name].stage.raw_mm, room, None, make)
    nest_mm = math.ceil(make / nest.per_strip(room)) * nest.strip_mm
    ways = straight_patches(corners, WISHES.seam_allowance_mm)
    gives = [way.per_strip(making.usable_mm, WISHES.margin_mm) for way in ways]
    straight_mm = min(math.ceil(make / n) * way.strip_mm for way, n in zip(ways, gives, strict=True) if n)
    assert unit.lay
    taken_mm = strip.count * strip.width_mm
    if unit.lay.way == "turned":
        assert taken_mm == pytest.approx(straight_mm, abs=0.01)
        assert taken_mm <= 1.03 * nest_mm + 0.01
    else:
        assert taken_mm == pytest.approx(nest_mm, abs=0.01)
        assert 1.03 * taken_mm < straight_mm + 0.01


def test_a_gooses_long_side_lies_on_the_straight_grain() -> None:
    """Quarter-square triangles have bias on the two short edges (Nebraska-Lincoln Extension, NebGuide G91-1028)."""
    made = plan_of(block_of("flying geese", 6 * IN, {}), Making("flying geese", 6 * IN, 20), WISHES)
    goose = next(unit for unit in made.plan.units if "goose" in unit.name)
    assert goose.lay
    assert goose.lay.way == "turned"
    # Its strip is as wide as the triangle is high over the long side: 3 in + s (1 + sqrt 2), plane geometry.
    assert made.plan.strip(goose.lay.strip).width_mm == pytest.approx(3 * IN + IN / 4 * (1 + math.sqrt(2)), abs=1e-5)
