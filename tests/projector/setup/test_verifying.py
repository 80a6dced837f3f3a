"""A figure in light, the camera, and a ruler. The virtual table's ruler is plane geometry on its own true lenses."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from projector.setup.verifying import (
    NAMES,
    Seen,
    compared,
    figure_of,
    figure_scene,
    lengths_mm,
    see_figure,
    verdict_keys,
)


@pytest.fixture(scope="module")
def seen(calibrated: Any, small_table: Any) -> Seen:
    rig = calibrated.found.rig
    return see_figure(small_table().settled(), rig, figure_of(rig))


def test_the_figure_has_three_unequal_sides_within_the_area(calibrated: Any) -> None:
    sides = np.sort(figure_of(calibrated.found.rig).lengths_mm)
    assert np.all(np.diff(sides) > 40.0)
    assert sides[0] > 200.0


def test_sides_of_a_triangle_from_the_book() -> None:
    """Pythagoras' own: 3, 4, 5."""
    assert lengths_mm(np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 3.0]])).tolist() == [4.0, 3.0, 5.0]


def test_the_loop_closes_on_an_untouched_table(calibrated: Any, seen: Seen) -> None:
    assert seen.closure.worst_mm < 0.25
    assert seen.seen_mm == pytest.approx(seen.figure.lengths_mm, abs=0.2)
    assert compared(calibrated.found.rig, seen, {}).odd == ()


def test_a_bumped_projector_is_the_odd_one(calibrated: Any, small_table: Any) -> None:
    room = small_table()
    room.world.bump("projector", np.array([6.0, 0.0, 0.0]), np.zeros(3), 0.0)
    rig = calibrated.found.rig
    found = see_figure(room.settled(), rig, figure_of(rig))
    assert found.closure.worst_mm == pytest.approx(6.0, abs=1.5)
    assert compared(rig, found, {}).odd == ("rig",)


@pytest.mark.parametrize(
    ("factor", "slip_mm", "odd"),
    [
        (1.0, 0.0, ()),
        (1.0005, 0.0, ()),  # 0.25 mm of 500: no more than a reading is worth
        (1.008, 0.0, ("scale",)),
        (1.0, 3.0, ("reading",)),
    ],
)
def test_readings_tell_scale_from_a_slip(
    calibrated: Any, seen: Seen, factor: float, slip_mm: float, odd: tuple[str, ...]
) -> None:
    rig = replace(calibrated.found.rig, scale_u=0.001)
    read = dict(zip(NAMES, seen.figure.lengths_mm * factor, strict=True))
    read["b"] += slip_mm
    verdict = compared(rig, seen, read)
    assert verdict.odd == odd
    keys = verdict_keys(rig, seen, verdict)
    assert keys["agree"] is (odd == ())
    assert set(keys["off_mm"]) == set(NAMES)  # type: ignore[call-overload]


def test_a_doubtful_scale_makes_no_ruler_odd(calibrated: Any, seen: Seen) -> None:
    """Nobody read the bars: 1 % is in doubt, so a ruler that reads 0.8 % more agrees."""
    rig = replace(calibrated.found.rig, scale_u=0.01)
    read = dict(zip(NAMES, seen.figure.lengths_mm * 1.008, strict=True))
    assert compared(rig, seen, read).odd == ()


def test_what_is_drawn_has_no_number_on_it(calibrated: Any) -> None:
    words = [mark.text for mark in figure_scene(figure_of(calibrated.found.rig)).marks if hasattr(mark, "text")]
    assert words == list(NAMES)
