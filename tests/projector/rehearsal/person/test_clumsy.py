"""Mishaps beside the cut, by hand."""

import numpy as np
import pytest

from projector.rehearsal.person.clumsy import NUDGE_MM, Mishap, mishap, nudged, turned_over
from projector.rehearsal.things.cloth import ClothToLay, Pose, area_mm2, cut, strip

SET = ClothToLay("a set", 90.0, 300.0, (30.0,), ("navy", "cream"))


def slanted_unit():
    """Cut from the right end at 45 degrees, leaning right: its lower edge lies left of its upper one."""
    body, _ = cut(strip(SET), np.array([(200.0, 0.0), (290.0, 90.0)]))
    _, unit = cut(body, np.array([(150.0, 0.0), (240.0, 90.0)]))
    return unit


def test_a_unit_turned_over_leans_the_other_way_and_keeps_names_of_sides_and_its_size():
    unit = slanted_unit()
    over = turned_over(unit)
    assert area_mm2(over.corners_mm) == pytest.approx(area_mm2(unit.corners_mm))  # counter-clockwise again
    for name in ("lower", "upper", "cut"):
        there = sorted(map(tuple, (over.side_mat_mm(name) * [-1, 1]).round(9).tolist()))
        assert there == sorted(map(tuple, unit.side_mat_mm(name).round(9).tolist()))
    lower, upper = over.side_mat_mm("lower"), over.side_mat_mm("upper")
    assert upper[:, 0].mean() < lower[:, 0].mean()
    assert np.ptp(over.seams_mm[:, :, 1]) == 0.0


def test_turned_over_twice_it_is_itself():
    unit = slanted_unit()
    again = turned_over(turned_over(unit))
    assert again.corners_mm == pytest.approx(unit.corners_mm)
    assert again.sides == unit.sides
    assert again.seams_mm == pytest.approx(unit.seams_mm)
    assert [patch.fabric for patch in again.patches] == [patch.fabric for patch in unit.patches]


def test_a_nudge_moves_a_little_and_bends_nothing():
    rng = np.random.default_rng(2)
    piece = slanted_unit().moved(Pose(100.0, 200.0, 0.3))
    for _ in range(20):
        there = nudged(piece, rng)
        shift = there.corners_mat_mm.mean(axis=0) - piece.corners_mat_mm.mean(axis=0)
        assert 0.0 < np.abs(shift).max() <= NUDGE_MM
        assert there.corners_mm is piece.corners_mm


def test_how_often_something_goes_wrong():
    rng = np.random.default_rng(3)
    found = [mishap(0.3, rng) for _ in range(3000)]
    counts = [found.count(kind) for kind in Mishap]
    assert sum(counts) == pytest.approx(900, abs=4 * np.sqrt(3000 * 0.3 * 0.7))
    assert min(counts) > 200
    assert mishap(0.0, rng) is None
