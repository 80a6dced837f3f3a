"""Dimensions of units and what drawn events say of them; each shape and figure worked by hand."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest

from projector.piles.dimensions import dimensions_of, readings_of
from projector.piles.symmetry import laid_like, renumbered
from projector.telling.events import unit_event
from tests.projector.drawn import drawn_event, drawn_unit, expected
from vision.comparing.compare import judge
from vision.comparing.expected import ExpectedShape, Tolerance
from vision.comparing.symmetry import symmetries


def test_a_slant_has_two_widths_four_corners_and_a_seam():
    shape = expected("slant(3 1/2 in, 2 in, 45 deg, right, 1 3/4 in)")
    told = [(one.kind, one.places, round(one.planned, 6), round(one.limit, 6)) for one in dimensions_of(shape)]
    assert told == [
        ("width", (0, 2), 88.9, 0.79375),
        ("width", (1, 3), 50.8, 0.79375),
        ("angle", (0,), 45.0, 0.5),
        ("angle", (1,), 135.0, 0.5),
        ("angle", (2,), 45.0, 0.5),
        ("angle", (3,), 135.0, 0.5),
        ("seam", (0,), 0.0, 0.79375),
    ]
    assert len({one.name for one in dimensions_of(shape)}) == 7


def test_a_triangle_has_no_width_so_its_sides_are_told():
    assert [one.kind for one in dimensions_of(expected("triangle(3 in, 4 in)"))] == ["side"] * 3 + ["angle"] * 3


def test_the_freer_side_gives_a_width_its_limit():
    square = np.array([[0.0, 0.0], [50.0, 0.0], [50.0, 50.0], [0.0, 50.0]])
    shape = ExpectedShape("a", square, tolerance=Tolerance(1.0), side_tolerances_mm=(0.5, None, 2.0, 0.25))
    assert [one.limit for one in dimensions_of(shape) if one.kind == "width"] == [2.0, 1.0]


def test_what_was_measured_is_read_back():
    """Cut 1 mm too wide, seam 0.4 mm up: to the left of a seam that runs from the left cut to the right one."""
    shape = expected("slant(3 1/2 in, 2 in, 45 deg, right, 1 3/4 in)")
    event = drawn_event(shape, wider_mm=1.0, seam_mm=0.4, turn_rad=0.3)
    told = {one.name: reading for one, reading in readings_of(event, shape).items()}
    assert told["strip edge to strip edge"].value == pytest.approx(88.9, abs=1e-3)
    assert told["cut edge to cut edge"].value == pytest.approx(51.8, abs=1e-3)
    assert told["corner 1, strip edge to cut edge"].value == pytest.approx(135.0, abs=1e-3)
    assert told["place of the seam"].value == pytest.approx(0.4, abs=1e-2)
    assert told["cut edge to cut edge"].u == pytest.approx(0.05, abs=1e-3)


@pytest.mark.parametrize("verdict", ["look_again", "other", "turned_over"])
def test_what_is_not_the_unit_says_nothing_of_it(verdict):
    shape = expected("square(2 in)")
    assert readings_of(drawn_event(shape) | {"verdict": verdict}, shape) == {}


@pytest.mark.parametrize(
    "mangled",
    [
        {"outline_mat_mm": None},
        {"outline_mat_mm": [[0, 0], [1, 0]]},
        {"outline_mat_mm": [[0, 0], [1, "x"], [1, 1], [0, 1]]},
        {"outline_mat_mm": [[0, 0], [1e9, 0], [1, 1], [0, 1]]},
        {"widths_mm": "none", "angles_deg": 3},
        {"widths_mm": [{"sides": "ab", "mean": 1}, 7, {"sides": [0, 2], "mean": None}], "angles_deg": [None] * 9},
        {"seams": [{"from": [0], "to": 3}, None, {"from": [1, 1], "to": [1, 1]}]},
    ],
)
def test_a_mangled_event_is_no_traceback(mangled: dict[str, Any]):
    shape = expected("halves(2 in)")
    whole = readings_of(drawn_event(shape), shape)
    assert len(readings_of(drawn_event(shape) | mangled, shape)) < len(whole)


def test_turns_that_lay_a_shape_on_itself():
    """Square by quarters, rectangle and slant by halves; a seam from corner to corner leaves a square its half turn."""
    rolls = {
        "square(2 in)": [0, 1, 2, 3],
        "rectangle(2 in, 3 in)": [0, 2],
        "slant(3 1/2 in, 2 in, 45 deg, right, 1 3/4 in)": [0, 2],
        "slant(3 1/2 in, 2 in, 45 deg, right, 1 in)": [0],
        "halves(2 in)": [0, 2],
        "triangle(3 in, 4 in)": [0],
        "point(2 in, 60 deg)": [0, 1, 2],
    }
    assert {text: [one.roll for one in symmetries(expected(text))] for text in rolls} == rolls


def test_a_half_turn_changes_corners_and_the_seams_sign():
    shape = expected("slant(3 1/2 in, 2 in, 45 deg, right, 1 3/4 in)")
    event = drawn_event(shape, seam_mm=0.4)
    outline, half = np.array(event["outline_mat_mm"]), symmetries(shape)[1]
    assert laid_like(np.roll(outline, 2, axis=0), outline, symmetries(shape)).roll == 2
    told = {one.name: reading.value for one, reading in renumbered(readings_of(event, shape), half, 4).items()}
    assert told["place of the seam"] == pytest.approx(-0.4, abs=1e-2)


def test_the_event_of_a_judged_unit_is_read():
    """Through `judge` and `unit_event`, as the app writes it."""
    shape = expected("square(2 in)")
    event = json.loads(json.dumps(unit_event(judge(drawn_unit(shape, wider_mm=0.3), [shape]), None)))
    widths = sorted(reading.value for one, reading in readings_of(event, shape).items() if one.kind == "width")
    assert widths == pytest.approx([50.8, 51.1], abs=1e-3)
    angles = [reading.value for one, reading in readings_of(event, shape).items() if one.kind == "angle"]
    assert angles == pytest.approx([90.0] * 4, abs=math.degrees(1e-4))
