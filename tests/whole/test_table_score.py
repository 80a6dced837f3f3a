"""The score of rendered tables by itself: events that say exactly the truth, and events that are off by a known amount.

No outside source: the truth is the fixtures' own, the amounts are put in here.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.whole.table_findings import defects_of, expected_text
from tests.whole.table_pieces import block_figures, strip_figures
from tests.whole.table_truth import Measured, Pair, match, true_units

TRUTH = json.loads((Path(__file__).parents[2] / "fixtures" / "table" / "units.json").read_text())["frames"]
STAY = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


def event_of(one: dict[str, Any], findings: list[dict[str, Any]]) -> dict[str, Any]:
    """A unit's event that says where it truly lies."""
    n = len(one["corners_mat"])
    return {
        "expected": expected_text(one),
        "outline_mat_mm": one["corners_mat"],
        "widths_mm": [],
        "seams": [],
        "angles_deg": one["actual_measures"]["angle_deg"],
        "angles_u_deg": [0.02] * n,
        "offsets_u_mm": [0.01] * n,
        "bows_u_mm": [0.02] * n,
        "findings": findings,
    }


def pair(one: Any, findings: list[dict[str, Any]]) -> Pair:
    return Pair(one, Measured.of_event(event_of(one.told, findings), STAY))


def units_with(kind: str) -> list[Any]:
    return [
        one for frame in TRUTH for one in true_units(frame) if kind in one.defects and len(one.told["defects"]) == 1
    ]


def test_where_a_unit_truly_lies_nothing_is_off() -> None:
    (one, *_) = (unit for frame in TRUTH for unit in true_units(frame))
    here = pair(one, [])
    assert here.corners_mm() == pytest.approx([0.0] * len(one.corners_mat_mm))
    assert [off for off, _ in here.offsets_and_u_mm()] == pytest.approx([0.0] * len(here.offsets_and_u_mm()), abs=1e-9)


def test_one_side_moved_out_leaves_what_no_motion_explains() -> None:
    """A square's side 0.4 mm out: the best shift takes up half of it, and leaves 0.2 mm there and opposite."""
    square = np.array([[0.0, 0.0], [50.0, 0.0], [50.0, 50.0], [0.0, 50.0]])
    truth = true_units(TRUTH[0])[0]
    moved = square + np.array([[0.0, -0.4], [0.0, -0.4], [0.0, 0.0], [0.0, 0.0]])
    measured = Measured(moved, {}, np.full(4, 90.0), offsets_u_mm=np.full(4, 0.1))
    offsets = Pair(replace(truth, corners_mat_mm=square), measured).offsets_and_u_mm()
    assert [off for off, _ in offsets] == pytest.approx([0.2, 0.0, 0.2, 0.0], abs=1e-9)


def test_a_moved_side_is_told_by_a_finding_of_that_side_alone() -> None:
    one = next(unit for unit in units_with("edge_shift") if abs(unit.told["defects"][0]["outward_mm"]) >= 0.3)
    defect = one.told["defects"][0]
    right = {"kind": "side_off", "sides": [defect["edge"]], "value": defect["outward_mm"], "u": 0.02}
    wrong = right | {"sides": [(defect["edge"] + 1) % 3]}
    (told,), none = defects_of([pair(one, [right])])
    (missing,), (false,) = defects_of([pair(one, [wrong])])
    assert told.told == pytest.approx(told.amount)
    assert none == []
    assert missing.told is None
    assert missing.wanted
    assert "side_off" in false


def test_what_is_too_small_need_not_be_told() -> None:
    one = units_with("edge_rotation")[0]
    event = event_of(one.told, []) | {"angles_u_deg": [9.0] * len(one.corners_mat_mm)}
    (defect,), _ = defects_of([Pair(one, Measured.of_event(event, STAY))])
    assert not defect.wanted


def test_a_strip_that_lies_as_told_is_off_by_nothing_and_one_moved_by_that() -> None:
    truth = {
        "lower_edge_mat": [[0, 0], [900, 0]],
        "upper_edge_mat": [[0, 160], [740, 160]],
        "seam_mat": [[0, 80], [820, 80]],
        "right_end_mat": [[900, 0], [740, 160]],
        "left_end_mat": [[0, 160], [0, 0]],
        "width_mm": 160.0,
        "end_angle_deg": 45.0,
    }
    event = {
        "long_sides_mat_mm": [[[5, 0.1], [895, 0.1]], [[5, 160], [735, 160]]],
        "long_sides_u_mm": [0.05, 0.05],
        "seams_mat_mm": [[[5, 80], [800, 80.2]]],
        "seams_u_mm": [0.06],
        "width_mm": 159.9,
        "width_u_mm": 0.03,
        "ends": [{"line_mat_mm": [[890, 10], [750, 150]], "angle_deg": 45.05, "u_deg": 0.02}],
    }
    figures = strip_figures(truth, event, STAY)
    assert figures["long side"] == pytest.approx((0.1, 0.05))
    assert figures["seam"] == pytest.approx((0.2, 0.06))
    assert figures["width"] == pytest.approx((-0.1, 0.03))
    assert figures["angle of the right end"] == pytest.approx((0.05, 0.02))


def test_a_blocks_points_are_scored_whichever_is_told_first() -> None:
    turns = np.arange(16) * np.pi / 8
    tips = 200.0 * np.column_stack([np.cos(turns), np.sin(turns)]) * (1 + 0.001 * np.arange(16))[:, None]
    across = np.hypot(*(tips[:8] - tips[8:]).T)
    truth = {"tips_mat": tips.tolist(), "block_corners_mat": [[0, 0]], "opposite_tip_mm": across.tolist()}
    first = np.roll(tips, -3, axis=0)
    event = {
        "tips_mat_mm": (first + np.array([0.3, 0.0])).tolist(),
        "corners_mat_mm": [],
        "distances_mm": np.hypot(*(first[:8] - first[8:]).T).tolist(),
    }
    figures = block_figures(truth, event, STAY)
    assert figures["tips"] == pytest.approx((0.3, 0.3))
    assert figures["distances"] == pytest.approx((0.0, 0.0), abs=1e-9)


def test_a_finding_is_told_by_where_its_side_lies_and_not_by_its_number() -> None:
    one = next(unit for unit in units_with("edge_shift") if len(unit.corners_mat_mm) == 4)
    defect = one.told["defects"][0]
    finding = {"kind": "side_off", "sides": [(defect["edge"] - 1) % 4], "value": defect["outward_mm"], "u": 0.02}
    numbered_on = event_of(one.told, [finding]) | {"outline_mat_mm": np.roll(one.corners_mat_mm, -1, axis=0).tolist()}
    (matched,) = match([one], [Measured.of_event(numbered_on, STAY)]).pairs
    (told,), false = defects_of([matched])
    assert told.told is not None
    assert false == []


def test_the_amount_is_that_of_the_side_that_was_changed() -> None:
    """Three sides explain a triangle that is too small, each by an amount of its own, known to the same share."""
    one = next(
        unit for unit in units_with("edge_shift") if len(unit.corners_mat_mm) == 3 and unit.told["defects"][0]["edge"]
    )
    edge, outward = one.told["defects"][0]["edge"], one.told["defects"][0]["outward_mm"]
    values = [outward if side == edge else 2.5 * outward for side in range(3)]
    finding = {"kind": "side_off", "sides": [0, 1, 2], "value": values[0], "u": 0.05, "values": values}
    (told,), _ = defects_of([pair(one, [finding])])
    assert told.told == pytest.approx(outward)
    assert told.told_u == pytest.approx(0.02)
    assert told.u == 0.05


@pytest.mark.parametrize(("first", "says"), [(0, 1), (2, -1)])
def test_a_seam_is_off_to_the_left_of_the_way_it_was_laid(first: int, says: int) -> None:
    """A slant of two like strips, laid half a turn round, has its seam run the other way."""
    plain = next(unit for frame in TRUTH for unit in true_units(frame) if unit.told["shape"] == "slant45")
    moved = {**plain.told, "defects": [{"kind": "seam", "left_mm": 0.8, "deg_ccw": 0.0}]}
    one = replace(plain, told=moved)
    finding = {"kind": "seam_off", "sides": [0], "value": says * 0.8, "u": 0.04}
    event = event_of(moved, [finding])
    event["outline_mat_mm"] = np.roll(plain.corners_mat_mm, -first, axis=0).tolist()
    (matched,) = match([one], [Measured.of_event(event, STAY)]).pairs
    (told,), false = defects_of([matched])
    assert told.told == pytest.approx(0.8)
    assert false == []
