"""What can be told apart on a unit that was laid down anew. Worked by hand on drawn units."""

from __future__ import annotations

import numpy as np
import pytest

from projector.piles.dimensions import readings_of
from projector.piles.laidanew import alike_dimensions, told_alike
from tests.projector.drawn import drawn_event, expected
from vision.comparing.expected import ExpectedShape


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("square(2 in)", {"side to side, either way", "any corner"}),
        ("rectangle(2 in, 3 in)", {"corner 0 or 2", "corner 1 or 3"}),
        ("point(2 in, 60 deg)", {"place of any side", "any corner"}),  # all of whose sides are alike
        ("triangle(3 in, 4 in)", set()),
        ("halves(2 in)", {"corner 0 or 2", "corner 1 or 3"}),
    ],
)
def test_what_a_turn_lays_on_another_has_its_name(text: str, names: set[str]) -> None:
    assert {one.name for one, _ in alike_dimensions(expected(text)).values()} == names


def test_every_reading_is_told_once_and_none_is_changed() -> None:
    square = expected("square(2 in)")
    readings = readings_of(drawn_event(square, off_mm=(0.1, 0.2, 0.3, 0.4)), square)
    told = told_alike(readings, square)
    assert [reading.value for _, reading in told] == [reading.value for reading in readings.values()]
    widths = [reading.value for one, reading in told if one.name == "side to side, either way"]
    assert widths == pytest.approx([50.8 + 0.4, 50.8 + 0.6], abs=1e-3)


def test_seams_to_either_side_of_the_middle_are_one_and_count_outward() -> None:
    """Two seams that a half turn swaps, both 0.4 mm up: one lies outward of its place by that, the other inward."""
    corners = np.array([[0.0, 0.0], [50.0, 0.0], [50.0, 90.0], [0.0, 90.0]])
    seams = np.array([[[0.0, 30.0], [50.0, 30.0]], [[0.0, 60.0], [50.0, 60.0]]])
    segment = ExpectedShape("segment", corners, seams)
    readings = readings_of(drawn_event(segment, seam_mm=0.4), segment)
    told = [(one.name, reading.value) for one, reading in told_alike(readings, segment) if one.kind == "seam"]
    assert [name for name, _ in told] == ["place of seam 0 or 1"] * 2
    assert sorted(value for _, value in told) == pytest.approx([-0.4, 0.4], abs=0.01)


def test_a_seam_in_the_middle_has_no_side_and_keeps_its_name() -> None:
    slant = expected("slant(3 1/2 in, 2 in, 45 deg, right, 1 3/4 in)")
    assert {one.kind for one in alike_dimensions(slant)} == {"angle"}
