"""Seams that meet lie in opposite directions, and what is free goes away from bulk."""

from __future__ import annotations

import numpy as np
import pytest

from projector.piecing.blocks.catalogue import block_of
from projector.piecing.patchwork.patches import Block, Patch, Sewn, joins_of, patches_of
from projector.piecing.patchwork.pressing import opposite_pairs, pressed
from projector.piecing.patchwork.stages import Stages


def toward(join: Sewn) -> np.ndarray:
    """(2,) the way in which a join's allowances go, from middle to middle of its pieces."""

    def middle(piece: Patch | Sewn) -> np.ndarray:
        areas = np.array([patch.area_mm2 for patch in patches_of(piece)])
        middles = np.array([patch.corners_mm.mean(axis=0) for patch in patches_of(piece)])
        return areas @ middles / areas.sum()

    way = middle(join.second) - middle(join.first)
    return way if join.press == "second" else -way


@pytest.mark.parametrize("columns", [2, 3, 5])
def test_seams_of_neighbouring_rows_lie_in_opposite_directions(columns: int) -> None:
    """So that crossings lock: common practice, no source."""
    block = block_of("checkerboard", 100.0, {"columns": str(columns), "rows": "4"})
    stages = Stages(block, 6.0)
    pairs = opposite_pairs(stages)
    assert len(pairs) == 3 * (columns - 1)  # one at each crossing
    for a, b, _ in pairs:
        assert toward(stages.joins[a])[0] * toward(stages.joins[b])[0] < 0.0


def test_logs_are_pressed_away_from_the_centre() -> None:
    """Toward the log that was added, where no seam ends: common practice, no source."""
    for join in joins_of(block_of("log cabin", 100.0, {}).piece):
        assert join.press == "second"


def test_four_seams_that_meet_in_a_point_go_round_it() -> None:
    """Both halves of a square of four triangles are pressed the same way round: common practice, no source."""
    joins = list(joins_of(block_of("quarter-square triangles", 100.0, {}).piece))
    assert float(toward(joins[0]) @ toward(joins[1])) < 0.0


def test_a_single_patch_has_nothing_to_press() -> None:
    alone = Patch("a", np.array([[0, 0], [1, 0], [0, 1]], float))
    block = Block("alone", alone, alone.corners_mm)
    assert pressed(block) is block


@pytest.mark.parametrize(
    ("name", "values", "crossings"),
    [
        ("half-square triangles", {"units": "4", "setting": "pinwheel"}, None),
        ("eight-pointed star", {"rows": "3"}, None),
        ("hexagon of triangles", {"rows": "3"}, None),
        ("ring of wedges", {"wedges": "12", "rings": "3"}, 36),
        ("checkerboard", {"columns": "6", "rows": "5"}, 20),
    ],
)
def test_all_seams_that_meet_lock(name: str, values: dict[str, str], crossings: int | None) -> None:
    """Told by where the allowances go; `crossings` counted by hand: in a ring two seams and the rim's at each spoke."""
    stages = Stages(block_of(name, 100.0, values), 6.0)
    pairs = opposite_pairs(stages)
    assert len(pairs) > 0
    assert crossings in (None, len(pairs))
    for a, b, same in pairs:
        assert (stages.joins[a].press == stages.joins[b].press) == same
