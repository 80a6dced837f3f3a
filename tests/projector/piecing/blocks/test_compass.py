"""Compass stars: points where they are asked for, straight seams, mirror images, and the least centre."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from projector.piecing.blocks.catalogue import BlockError, block_of
from projector.piecing.blocks.compass import greatest_radius_mm, least_radius_mm
from projector.piecing.patchwork.order import set_in_places
from projector.piecing.patchwork.patches import Block, Patch
from projector.piecing.patchwork.sameness import kinds_of
from projector.piecing.patchwork.stages import Stages
from tests.projector.piecing.blocks.wholeness import check

IN = 25.4
FINISH = 14 * IN
KINDS = [(8, 2), (16, 2), (16, 3), (32, 2), (32, 3), (32, 4)]


def star(points: int, ranks: int, **more: str) -> Block:
    return block_of("compass star", FINISH, {"points": str(points), "ranks": str(ranks), **more})


def tip_of(patch: Patch) -> np.ndarray:
    """(2,) the corner farthest from the middle, seen from there."""
    away = patch.corners_mm - FINISH / 2
    return away[np.argmax(np.hypot(*away.T))]


def tip_angle(patch: Patch) -> float:
    k = int(np.argmax(np.hypot(*(patch.corners_mm - FINISH / 2).T)))
    n = len(patch.corners_mm)
    back, on = patch.corners_mm[k - 1] - patch.corners_mm[k], patch.corners_mm[(k + 1) % n] - patch.corners_mm[k]
    return math.atan2(on[0] * back[1] - on[1] * back[0], on @ back)


def inner_ends_mm(block: Block) -> list[float]:
    """How wide each patch is where a disc covers its end: sides whose both ends lie on the disc's rim."""
    disc = block.discs[0]
    widths = []
    for patch in block.patches:
        on = np.abs(np.hypot(*(patch.corners_mm - disc.middle_mm).T) - disc.radius_mm) < 1e-6
        ends = patch.corners_mm[on]
        if len(ends) == 2:
            widths.append(math.dist(*ends))
    return widths


@pytest.mark.parametrize(("points", "ranks"), KINDS)
def test_all_points_stand_at_equal_angles_with_tips_where_they_are_asked_for(points: int, ranks: int) -> None:
    """n points at 360/n degrees (common practice, no source); their tip's angle is 2 atan(width / 2 tip)."""
    tips = {f"tip_{k + 1}": f"{46 - 2 * k} %" for k in range(ranks)}
    block = star(points, ranks, centre="26 %", **tips)
    check(block)
    named = ["first", "second", "third", "fourth"]
    own = [patch for patch in block.patches if patch.fabric in named]
    assert Counter(patch.fabric for patch in own) == Counter(
        {named[k]: (points >> (ranks - 1)) * (1 if k == 0 else 2 ** (k - 1)) for k in range(ranks)}
    )
    ways = sorted(math.atan2(*tip_of(patch)[::-1]) % (2 * math.pi) % (2 * math.pi - 1e-9) for patch in own)
    assert ways == pytest.approx([2 * math.pi * k / points for k in range(points)], abs=1e-9)
    for patch in own:
        wanted = (46 - 2 * named.index(patch.fabric)) / 100 * FINISH
        assert math.hypot(*tip_of(patch)) == pytest.approx(wanted, abs=1e-9)
    assert set_in_places(block.piece) == 0
    assert sum(patch.fabric == "ground" for patch in block.patches) == points


def test_a_width_is_that_of_the_point_where_it_would_begin_in_the_middle() -> None:
    given = {"tip_1": "6 in", "width_1": "2 in", "tip_2": "5 1/2 in", "width_2": "3 in", "width_3": "3 1/2 in"}
    block = star(16, 3, centre="3 in", **given)
    for fabric, tip, width in (("first", 6, 2), ("second", 5.5, 3), ("third", 0.43 * 14, 3.5)):
        own = [patch for patch in block.patches if patch.fabric == fabric]
        assert own
        for patch in own:
            assert tip_angle(patch) == pytest.approx(2 * math.atan(width / 2 / tip), abs=1e-12)


@settings(max_examples=40, deadline=None)
@given(
    kind=st.sampled_from(KINDS),
    finish_mm=st.floats(280.0, 800.0),
    centre=st.floats(26.0, 32.0),
    tips=st.lists(st.floats(40.0, 49.0), min_size=4, max_size=4),
    wider=st.floats(0.9, 1.1),
    squared=st.booleans(),
    split=st.booleans(),
)
def test_random_stars_are_whole(
    kind: tuple[int, int],
    finish_mm: float,
    centre: float,
    tips: list[float],
    wider: float,
    squared: bool,
    split: bool,
) -> None:
    points, ranks = kind
    values = {"points": str(points), "ranks": str(ranks), "centre": f"{centre:.6f} %", "seam_allowance": "2 mm"}
    values |= {f"tip_{k + 1}": f"{tip:.6f} %" for k, tip in enumerate(tips)}
    if squared and points >> (ranks - 1) == 4:
        values["middle"] = "square"
    if split:
        values["split"] = "along the axis"
    block = block_of("compass star", finish_mm, values)
    check(block)
    # And with every width said, somewhat other than it was found.
    for patch in block.patches:
        if patch.fabric == "second":
            away = patch.corners_mm - finish_mm / 2
            tip = float(np.hypot(*away.T).max())
            k = int(np.argmax(np.hypot(*away.T)))
            n = len(away)
            back, on = away[k - 1] - away[k], away[(k + 1) % n] - away[k]
            half = math.atan2(on[0] * back[1] - on[1] * back[0], on @ back) / 2
            values["width_2"] = f"{2 * tip * math.tan(half) * wider:.6f} mm"
            break
    check(block_of("compass star", finish_mm, values))


@pytest.mark.parametrize("points", [8, 16, 32])
def test_mirror_images_are_told_apart(points: int) -> None:
    """Later ranks and the ground come in left and right ones: as many kinds as one sector has patches."""
    ranks = {8: 2, 16: 3, 32: 4}[points]
    block = star(points, ranks, centre="26 %")
    kinds = [kind for kind in kinds_of(Stages(block, IN / 4)) if isinstance(kind.pieces[0], Patch)]
    assert [kind.count for kind in kinds] == [4] * len(kinds)
    assert len(kinds) == len(block.patches) // 4


def test_a_split_point_is_two_mirrored_halves() -> None:
    block = star(16, 3, split="along the axis", centre="26 %")
    for fabric in ("first", "second"):
        dark, light = ([p for p in block.patches if p.fabric == f"{fabric} {tone}"] for tone in ("dark", "light"))
        assert len(dark) == len(light) == 4
        assert dark[0].area_mm2 == pytest.approx(light[0].area_mm2, abs=1e-8)
        assert tip_angle(dark[0]) == pytest.approx(tip_angle(light[0]), abs=1e-12)


def test_the_worked_least_centre() -> None:
    """By hand: a = atan(1/6), d = 6 sin a = 0.98639 in, x = (d + 0.125 cos 54.4623) / sin 54.4623 = 1.30147 in."""
    assert least_radius_mm(6 * IN, 2 * IN, 4, IN / 4) == pytest.approx(math.hypot(1.30147, 0.125) * IN, abs=1e-3)


@pytest.mark.parametrize(("of_first", "tip", "width", "end"), [(4, 6, 2, 0.25), (8, 6, 1.25, 0.25), (4, 5, 1, 0.375)])
def test_a_disc_of_the_least_radius_has_ends_just_a_seam_allowance_wide(
    of_first: int, tip: float, width: float, end: float
) -> None:
    """The block is built at the least and at the greatest radius, and its inner ends are measured."""
    given = {"tip_1": f"{tip} in", "width_1": f"{width} in", "seam_allowance": f"{end} in"}
    least = least_radius_mm(tip * IN, width * IN, of_first, end * IN)
    block = star(2 * of_first, 2, centre=f"{2 * least:.12f} mm", **given)
    assert min(inner_ends_mm(block)) == pytest.approx(end * IN, abs=1e-6)
    assert len(inner_ends_mm(block)) == 2 * of_first
    with pytest.raises(BlockError, match=r"centre = .* does not fit; it must be from"):
        star(2 * of_first, 2, centre=f"{2 * least - 0.01:.12f} mm", **given)
    most = greatest_radius_mm(tip * IN, width * IN, end * IN)
    with pytest.raises(BlockError, match=r"does not fit"):
        star(2 * of_first, 2, centre=f"{2 * most + 0.01:.12f} mm", **given)


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(KINDS), st.floats(10.0, 40.0), st.sampled_from(["1/4 in", "3/8 in", "5 mm"]), st.booleans())
def test_no_patch_of_an_accepted_star_is_narrower_at_the_disc_than_a_seam_allowance(
    kind: tuple[int, int], centre: float, allowance: str, split: bool
) -> None:
    more = {"split": "along the axis"} if split else {}
    try:
        block = star(*kind, centre=f"{centre:.4f} %", seam_allowance=allowance, **more)
    except BlockError:
        return
    least = {"1/4 in": 6.35, "3/8 in": 9.525, "5 mm": 5.0}[allowance]
    disc = block.discs[0]
    for patch in block.patches:  # of a split point each half: from the rim's place to the chord's middle
        inside = np.hypot(*(patch.corners_mm - disc.middle_mm).T) <= disc.radius_mm + 1e-6
        if inside.sum() == 2:
            assert math.dist(*patch.corners_mm[inside]) >= least - 1e-6


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"points": "8", "ranks": "3"}, 'ranks = "3" does not fit; it must be 2 with 8 points'),
        ({"points": "16", "ranks": "4"}, "2 to 3 with 16 points"),
        ({"points": "12"}, "8 or 16 or 32"),
        ({"points": "16", "ranks": "2", "middle": "square"}, "or write ranks = 3"),
        ({"centre": "1/2 in"}, "must be at least"),
        ({"tip_2": "11 %"}, 'tip_2 = "11 %" does not fit; it must be at least'),
        ({"width_2": "1/8 in"}, 'write "even"'),
        ({"middle": "square", "width_1": "2 in"}, 'must be "even"'),
        ({"width_1": "1/8 in"}, "make it wider"),
    ],
)
def test_what_cannot_be_sewn_is_refused_in_one_line(values: dict[str, str], said: str) -> None:
    with pytest.raises(BlockError) as caught:
        block_of("compass star", FINISH, values)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)
