"""Strips and stars as they are written; an inch is 25.4 mm exactly (international yard and pound agreement, 1959)."""

from __future__ import annotations

import pytest

from projector.piecing.shapes import ShapeError, parse_shape
from projector.piecing.wholes import Star, Strip, parse_whole


@pytest.mark.parametrize(
    ("text", "whole"),
    [
        ("strip(160 mm)", Strip("strip(160 mm)", 160.0)),
        (" Strip ( 6 1/4 in ) ", Strip("Strip ( 6 1/4 in )", 158.75)),
        ("star(16, 457.2 mm)", Star("star(16, 457.2 mm)", 16, 457.2)),
        ("star(8, 18 in)", Star("star(8, 18 in)", 8, 457.2)),
        ("square(5 in)", None),
        ("plan.toml:strip", None),
    ],
)
def test_what_is_written(text, whole):
    assert parse_whole(text) == whole


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("strip()", "write strip(width)"),
        ("strip(1 in, 2 in)", "write strip(width)"),
        ("strip(0 mm)", "write another"),
        ("strip(160)", "160"),
        ("star(16)", "write star(points, side)"),
        ("star(2, 18 in)", "write a whole number from 3 to 64"),
        ("star(4.5, 18 in)", "write a whole number"),
        ("star(९, 18 in)", "write a whole number"),
        ("star(16, 18)", "18"),
        ("star(16, 0 in)", "write another"),
    ],
)
def test_what_is_wrong_is_said_with_what_to_write(text, said):
    with pytest.raises(ShapeError) as error:
        parse_whole(text)
    assert said in str(error.value)
    assert "; " in str(error.value)


def test_an_unknown_shape_is_told_of_these_too():
    with pytest.raises(ShapeError, match=r"strip\(width\), star\(points, side\)"):
        parse_shape("sqare(5 in)")
