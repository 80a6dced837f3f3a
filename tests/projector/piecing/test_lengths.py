"""Lengths and angles, against the inch of 1959 and by laws that hold for any input."""

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from projector.piecing.lengths import (
    LengthError,
    angle_rad,
    angle_source,
    coordinates_mm,
    difference_text,
    inches_text,
    length_mm,
    length_source,
    mm_text,
    size_beside,
)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        # International yard and pound agreement, 1959: 1 yd = 0.9144 m, so 1 in = 25.4 mm exactly.
        ("1 in", 25.4),
        ("36 in", 914.4),
        ("1 yd", 914.4),
        ("1 ft", 304.8),
        ("1/4 in", 6.35),
        ("1/8 in", 3.175),
        ("1/16 in", 1.5875),
        ("1/32 in", 0.79375),
        ("1/64 in", 0.396875),
        ("7/8 in", 22.225),
        ("1 1/4 in", 31.75),
        # One length, written in the ways people write it.
        ("4 1/2 in", 114.3),
        ("4-1/2 in", 114.3),
        ("4½ in", 114.3),
        ("4 1⁄2 in", 114.3),
        ('4 1/2"', 114.3),
        ("  4.5   INCHES ", 114.3),
        ("114.3 mm", 114.3),
        ("11.43cm", 114.3),
        ("0 mm", 0.0),
    ],
)
def test_lengths_are_read(text, mm):
    assert length_mm(text) == mm


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("4 1/0 in", "a fraction cannot end in 0"),
        ("4 1/2", "needs its unit"),
        ("", "not a number with a unit"),
        ("4,5 cm", "not a number with a unit"),
        ("nan mm", "not a number with a unit"),
        ("inf in", "not a number with a unit"),
        ("1e308 mm", "not a number with a unit"),
        ("-3 in", "cannot be negative"),
        ("−3 in", "cannot be negative"),
        ("4 parsecs", '"parsecs" is no unit of length'),
        ("999999999999 mm", "longer than 100 m"),
        ("9" * 200 + " mm", "not a number with a unit"),
        ("9" * 200_000 + " mm", "too long"),
        ("4 in\nrm -rf", "not a number with a unit"),
    ],
    ids=lambda text: ascii(text[:40]),
)
def test_a_wrong_length_is_told_in_one_line_that_shows_how_to_write_it(text, why):
    with pytest.raises(LengthError) as error:
        length_mm(text)
    said = str(error.value)
    assert why in said
    assert 'write it like "4 1/2 in"' in said
    assert "\n" not in said
    assert len(said) < 200


def test_places_follow_one_another_each_with_its_unit():
    assert coordinates_mm("10 mm -2 1/2 in") == (10.0, -63.5)
    with pytest.raises(LengthError, match="needs its unit"):
        coordinates_mm("10 4 mm")


@pytest.mark.parametrize(("text", "degrees"), [("45 deg", 45), ("22 1/2 deg", 22.5), ("0.5°", 0.5), ("90 degrees", 90)])
def test_angles_are_read(text, degrees):
    assert angle_rad(text) == math.radians(degrees)


@pytest.mark.parametrize("text", ["45", "45 in", "400 deg", "-1 deg", "nan deg", "one deg"])
def test_a_wrong_angle_is_refused(text):
    with pytest.raises(LengthError, match='write it like "45 deg"'):
        angle_rad(text)


@pytest.mark.parametrize(
    ("mm", "denominator", "text"),
    [
        (82.55, 32, "3 1/4 in"),
        (25.4, 32, "1 in"),
        (0.0, 32, "0 in"),
        (-6.35, 32, "−1/4 in"),
        (-0.1, 32, "0 in"),
        (25.4 * 63.6 / 64, 64, "1 in"),  # carries into the next whole inch
        (0.79375, 8, "0 in"),
        (98.425, 64, "3 7/8 in"),
    ],
)
def test_sizes_in_fractions(mm, denominator, text):
    assert inches_text(mm, denominator) == text


@pytest.mark.parametrize(
    ("mm", "text"),
    [
        (1.5875, "1/16 in too wide"),
        (-0.396875, "1/64 in too narrow"),
        (0.1, "under 1/64 in too wide"),
        (-1e-9, "under 1/64 in too narrow"),
        (0.0, "no difference"),
    ],
)
def test_differences_in_fractions(mm, text):
    assert difference_text(mm) == text


def test_millimetres_have_a_real_minus_sign():
    assert (mm_text(-1.26), mm_text(-0.04), mm_text(3.0, 2)) == ("−1.3 mm", "0.0 mm", "3.00 mm")


finite_mm = st.floats(0.001, 99_000.0)


@given(finite_mm)
def test_what_is_written_is_read_back_to_the_last_bit(mm):
    assert length_mm(length_source(mm)) == mm


@given(st.integers(0, 64 * 400))
def test_every_64th_is_written_in_inches_and_read_back(parts):
    mm = float(Fraction(parts * 254, 640))
    assert length_source(mm).endswith(" in")
    assert length_mm(inches_text(mm, 64)) == mm


@given(st.floats(0.01, 6.28))
def test_an_angle_comes_back_within_one_rounding(rad):
    assert angle_rad(angle_source(rad)) == pytest.approx(rad, rel=4e-16)


@given(finite_mm, st.sampled_from([2, 4, 8, 16, 32, 64]))
def test_a_rounded_size_is_off_by_at_most_half_a_part(mm, denominator):
    assert abs(length_mm(inches_text(mm, denominator)) - mm) <= 25.4 / denominator / 2 + 1e-9


@given(st.floats(1.0, 1000.0), st.floats(0.02, 5.0))
def test_sizes_that_differ_never_read_alike(mm, by):
    assert size_beside(mm + by, mm) != size_beside(mm, mm + by)


@given(st.floats(-500, 500).filter(lambda mm: mm != 0.0))
def test_a_difference_that_is_there_never_reads_as_none(mm):
    said = difference_text(mm)
    assert not said.startswith("0 in")
    assert said.endswith("too wide" if mm > 0 else "too narrow")


@given(st.text(max_size=80) | st.from_regex(r"-?[0-9/ .]{1,9} ?(in|mm|yd|deg)?", fullmatch=True))
def test_any_text_is_read_or_refused_in_one_line(text):
    try:
        value_mm, said = length_mm(text), ""
    except LengthError as error:
        value_mm, said = 0.0, str(error)
    assert 0.0 <= value_mm <= 100_000.0
    assert len(said.splitlines()) <= 1
