"""From events of measured units to a prediction: drawn events of a plan of the library, computed truth beside them."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import pytest

from projector.piecing.blocks.catalogue import block_of
from projector.piecing.making import Wishes, plan_of
from projector.piecing.plans import Making, Plan, expected_shape
from projector.predicting import PredictError, predict, read_units

IN = 25.4


def nine_patch() -> Plan:
    making = Making("nine patch", 12 * IN, 20)
    return plan_of(block_of("nine patch", 12 * IN, {}), making, Wishes()).plan


def events(
    plan: Plan, deeper_mm: float = 0.0, wider_mm: float = 0.0, sd_mm: float = 0.05
) -> Iterator[Mapping[str, object]]:
    """Segments whose strips were sewn deeper, cut wider, and scatter a little; number 5 of each is 2 mm too wide."""
    rng = np.random.default_rng(7)
    for unit in plan.units:
        if unit.cut is None:
            continue
        shape = expected_shape(plan, unit)
        seams = len(shape.seams_mm)
        for n in range(12):
            shift = np.array([-seams * deeper_mm, wider_mm / 2, -seams * deeper_mm, wider_mm / 2])
            off = rng.normal(0.0, 0.05, 4) + shift
            off[1] += 2.0 if n == 4 else 0.0
            yield {
                "event": "unit",
                "expected": unit.name,
                "verdict": "fits",
                "offsets_mm": off.tolist(),
                "offsets_u_mm": [0.05] * 4,
                "angles_deg": [90.0] * 4,
            }


def test_deep_seams_are_found_and_the_needle_is_told_to_move() -> None:
    """Two seams take 4 depths from a segment (seam test: common practice), 6 from the block with its outer ones."""
    told = predict(nine_patch(), events(nine_patch(), deeper_mm=0.25))
    assert told.seam is not None
    assert told.seam.mean_mm == pytest.approx(0.25, abs=0.03)
    along = min(told.sizes[:4], key=lambda size: size.expected_mm)
    assert along.expected_mm - along.planned_mm == pytest.approx(-6 * 0.25, abs=0.1)
    assert told.shift_mm < -0.05


def test_units_cut_wide_make_a_wide_block() -> None:
    told = predict(nine_patch(), events(nine_patch(), wider_mm=0.4))
    wide = max(told.sizes[:4], key=lambda size: size.expected_mm)
    odd = 2.0 / 12.0  # the one unit that is far off, in the mean
    assert wide.expected_mm - wide.planned_mm == pytest.approx(3 * (0.4 + odd), abs=0.1)


def test_the_odd_one_out_is_named_and_no_other() -> None:
    told = predict(nine_patch(), events(nine_patch()))
    assert set(told.leave_out.values()) == {(5,)}
    assert len(told.leave_out) == 2


def test_wedges_a_degree_too_wide_miss_the_circle() -> None:
    """Eight pieces one degree too wide make 368 degrees (published trade arithmetic)."""
    making = Making("eight-pointed star", 14 * IN, 1, settings=(("rows", "1"),))
    plan = plan_of(block_of("eight-pointed star", 14 * IN, {"rows": "1"}), making, Wishes()).plan
    shown = []
    for unit in plan.units:
        if unit.cut is None:
            continue
        shape = expected_shape(plan, unit).corners_mm
        before, after = np.roll(shape, 1, axis=0) - shape, np.roll(shape, -1, axis=0) - shape
        cross = after[:, 0] * before[:, 1] - after[:, 1] * before[:, 0]
        angles = np.degrees(np.arctan2(cross, np.sum(before * after, axis=1)) % (2 * math.pi))
        angles += np.where(angles < 60.0, 1.0, -1.0) if angles.min() < 60.0 else 0.0
        shown += [
            {
                "event": "unit",
                "expected": unit.name,
                "verdict": "fits",
                "offsets_mm": [0.0] * 4,
                "offsets_u_mm": [0.05] * 4,
                "angles_deg": angles.tolist(),
            }
        ] * 5
    told = predict(plan, shown)
    assert told.closings[0].corners == 8
    assert math.degrees(told.closings[0].miss_rad) == pytest.approx(8.0, abs=1e-6)


def test_a_plan_without_a_block_and_a_pile_without_units_are_told_in_one_line() -> None:
    with pytest.raises(PredictError, match=r"no \[block\]"):
        predict(Plan("bare"), [])
    with pytest.raises(PredictError, match="no unit of this plan"):
        predict(nine_patch(), [{"event": "unit", "expected": "something else"}])


@pytest.mark.parametrize("line", ["{", "[" * 100_000, "\x00\x01", '{"event": NaN'])
def test_hostile_lines_end_in_one_line(tmp_path: Path, line: str) -> None:
    file = tmp_path / "units.jsonl"
    file.write_text(line, encoding="utf-8")
    with pytest.raises(PredictError, match="line 1: not JSON"):
        list(read_units(file))


def test_rows_that_are_no_numbers_are_left_out() -> None:
    plan = nine_patch()
    bad = [
        dict(event) | {"offsets_mm": row}
        for event, row in zip(events(plan), [None, ["a"] * 4, [1e9] * 4], strict=False)
    ]
    told = predict(plan, [*bad, *events(plan)])
    assert sum(told.measured.values()) == 24


def test_lines_of_json_are_read_as_they_are_written(tmp_path: Path) -> None:
    file = tmp_path / "units.jsonl"
    file.write_text("\n".join(json.dumps(event) for event in events(nine_patch())) + "\n\n", encoding="utf-8")
    assert predict(nine_patch(), read_units(file)).measured == {
        unit.name: 12 for unit in nine_patch().units if unit.cut
    }
