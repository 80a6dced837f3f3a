"""Lengths and angles as the trade writes them, read exactly and printed as fractions.

Millimetres and radians inside; one inch is exactly 25.4 mm (international yard and pound agreement, 1959).
A text must carry its unit. Reading goes through exact fractions, so `4 1/2 in` is the float nearest to
114.3 mm and nothing else.
"""

from __future__ import annotations

import math
import re
import unicodedata
from decimal import Decimal
from fractions import Fraction

INCH_MM = 25.4
INCHES_A_YARD = 36.0
LONGEST_MM = 100_000.0  # a whole bolt of cloth is shorter
_LONGEST_TEXT = 60

_UNITS_MM = {
    "mm": Fraction(1),
    "cm": Fraction(10),
    "m": Fraction(1000),
    "in": Fraction(254, 10),
    "inch": Fraction(254, 10),
    "inches": Fraction(254, 10),
    '"': Fraction(254, 10),
    "″": Fraction(254, 10),
    "ft": Fraction(3048, 10),
    "yd": Fraction(9144, 10),
}
_DEGREES = ("deg", "degree", "degrees", "°")
_FRACTION = r"(?:(?P<whole>\d{1,40})(?:\s+|-))?(?P<over>\d{1,40})/(?P<under>\d{1,40})"
_PLAIN = r"(?P<plain>\d{1,40}(?:\.\d{0,40})?|\.\d{1,40})"
_QUANTITY = re.compile(rf"(?P<sign>[-+]?)(?:{_FRACTION}|{_PLAIN})\s*(?P<unit>[a-z°\"″]*)\s*", re.ASCII | re.I)
_LENGTH_HINT = 'write it like "4 1/2 in" or "114.3 mm"'
_ANGLE_HINT = 'write it like "45 deg"'


class LengthError(Exception):
    """A text is no length or angle; the message quotes it and shows how to write one."""


def length_mm(text: str) -> float:
    """Read a length, at least 0: `4 1/2 in`, `114.3 mm`, `36 cm`, `4½"`.

    Raises
    ------
    LengthError
        No number, no unit, a unit that is none, a division by 0, a negative length or one over 100 m.

    Examples
    --------
    >>> length_mm("4 1/2 in"), length_mm("36 cm")
    (114.3, 360.0)
    """
    value_mm = coordinate_mm(text)
    if value_mm < 0.0:
        raise LengthError(f"{_quoted(text)}: a length cannot be negative; {_LENGTH_HINT}")
    return value_mm


def coordinate_mm(text: str) -> float:
    """Read a place along an axis: as a length, but it may be negative. Raises LengthError."""
    number, unit = _number_and_unit(text, _LENGTH_HINT)
    if unit not in _UNITS_MM:
        wrong = f'"{unit}" is no unit of length' if unit else "a length needs its unit"
        raise LengthError(f"{_quoted(text)}: {wrong}; {_LENGTH_HINT}")
    value_mm = number * _UNITS_MM[unit]
    if abs(value_mm) > LONGEST_MM:
        raise LengthError(f"{_quoted(text)}: longer than 100 m; {_LENGTH_HINT}")
    return float(value_mm)


def coordinates_mm(text: str) -> tuple[float, ...]:
    """Read places that follow one another, each with its unit: `10 mm -2 1/2 in`. Raises LengthError."""
    places, at, tidy = [], 0, _tidy(text, _LENGTH_HINT)
    while at < len(tidy):
        found = _QUANTITY.match(tidy, at)
        if found is None:
            raise LengthError(f"{_quoted(text)}: not a row of lengths; {_LENGTH_HINT}")
        places.append(coordinate_mm(found[0]))
        at = found.end()
    return tuple(places)


def angle_rad(text: str) -> float:
    """Read an angle of at least 0 and at most 360 degrees: `45 deg`, `22 1/2°`. Raises LengthError.

    Examples
    --------
    >>> angle_rad("180 deg") == math.pi
    True
    """
    number, unit = _number_and_unit(text, _ANGLE_HINT)
    if unit not in _DEGREES:
        wrong = f'"{unit}" is no unit of angle' if unit else "an angle needs its unit"
        raise LengthError(f"{_quoted(text)}: {wrong}; {_ANGLE_HINT}")
    if not 0 <= number <= 360:
        raise LengthError(f"{_quoted(text)}: an angle lies between 0 and 360 degrees; {_ANGLE_HINT}")
    return math.radians(float(number))


def inches_text(value_mm: float, denominator: int = 32) -> str:
    """The nearest fraction of an inch, in lowest terms, with a real minus sign.

    Examples
    --------
    >>> inches_text(82.55), inches_text(-6.35), inches_text(0.2)
    ('3 1/4 in', '−1/4 in', '0 in')
    """
    parts = round(value_mm / INCH_MM * denominator)
    sign = "−" if parts < 0 else ""
    whole, rest = divmod(Fraction(abs(parts), denominator), 1)
    if not rest:
        return f"{sign}{whole} in"
    return f"{sign}{whole} {rest} in" if whole else f"{sign}{rest} in"


def yards_text(value_mm: float) -> str:
    """The nearest eighth of a yard, as cloth is sold.

    >>> yards_text(2057.4)
    '2 1/4 yd'
    """
    return f"{inches_text(value_mm / INCHES_A_YARD, 8).removesuffix(' in')} yd"


def mm_text(value_mm: float, places: int = 1) -> str:
    """Decimal millimetres with a real minus sign and no minus zero.

    >>> mm_text(-0.26), mm_text(-0.01)
    ('−0.3 mm', '0.0 mm')
    """
    text = f"{abs(value_mm):.{places}f}"
    sign = "−" if value_mm < 0.0 and float(text) else ""
    return f"{sign}{text} mm"


def length_text(value_mm: float, metric: bool, denominator: int = 32) -> str:
    """A length as the person writes them: tenths of a millimetre, or the nearest fraction of an inch.

    >>> length_text(63.5, metric=True), length_text(63.5, metric=False)
    ('63.5 mm', '2 1/2 in')
    """
    return mm_text(value_mm, 1) if metric else inches_text(value_mm, denominator)


def difference_text(
    difference_mm: float,
    over: str = "too wide",
    under: str = "too narrow",
    denominator: int = 64,
    metric: bool = False,
) -> str:
    """How far something is off, in fractions of an inch or mm; a difference that is there never reads as none.

    Examples
    --------
    >>> difference_text(1.6), difference_text(-0.1), difference_text(0.0)
    ('1/16 in too wide', 'under 1/64 in too narrow', 'no difference')
    >>> difference_text(1.6, metric=True), difference_text(-0.03, metric=True)
    ('1.6 mm too wide', '0.03 mm too narrow')
    """
    if difference_mm == 0.0:
        return "no difference"
    side = over if difference_mm > 0.0 else under
    if metric:
        size = abs(difference_mm)
        return f"{mm_text(size, 1) if size >= 0.1 else mm_text(max(size, 0.01), 2)} {side}"
    if round(abs(difference_mm) / INCH_MM * denominator) == 0:
        return f"under 1/{denominator} in {side}"
    return f"{inches_text(abs(difference_mm), denominator)} {side}"


def size_beside(value_mm: float, other_mm: float, metric: bool = False) -> str:
    """A size in fractions just fine enough that it does not read like a size it differs from.

    From 1/32 in down to 1/128 in; closer ones are given in millimetres to a hundredth.

    Examples
    --------
    >>> size_beside(50.8, 50.8), size_beside(51.0, 50.8), size_beside(50.85, 50.8)
    ('2 in', '2 1/64 in', '50.85 mm')
    """
    for denominator in () if metric else (32, 64, 128):
        text = inches_text(value_mm, denominator)
        if value_mm == other_mm or text != inches_text(other_mm, denominator):
            return text
    return mm_text(value_mm, 2)


def is_metric(text: str) -> bool:
    """Whether whoever wrote the lengths in a text thinks in millimetres: metric units and no others.

    >>> is_metric("square(114.3 mm)"), is_metric("square(4 1/2 in)"), is_metric("plan.toml:wave")
    (True, False, False)
    """
    return bool(re.search(r"\d\s*[cm]?m\b", text)) and not re.search(r"\d\s*(in|inch|inches|ft|yd)\b|[\"″]", text)


def length_source(value_mm: float) -> str:
    """A text that `length_mm` reads back to the very same float: in inches where a 64th hits it, else in mm.

    >>> length_source(114.3), length_source(10.0)
    ('4 1/2 in', '10 mm')
    """
    inches = inches_text(value_mm, 64).replace("−", "-")
    if coordinate_mm(inches) == value_mm:
        return inches
    digits = format(Decimal(repr(value_mm)), "f")
    return f"{digits.rstrip('0').rstrip('.') if '.' in digits else digits} mm"


def angle_source(value_rad: float) -> str:
    """A text that `angle_rad` reads back to within one rounding of the float.

    >>> angle_source(math.radians(22.5))
    '22.5 deg'
    """
    degrees = math.degrees(value_rad)
    short = f"{degrees:.10f}".rstrip("0").rstrip(".")
    exact = format(Decimal(repr(degrees)), "f")
    return f"{short if math.radians(float(short)) == value_rad else exact} deg"


def _number_and_unit(text: str, hint: str) -> tuple[Fraction, str]:
    found = _QUANTITY.fullmatch(_tidy(text, hint))
    if found is None:
        raise LengthError(f"{_quoted(text)}: not a number with a unit; {hint}")
    return _number(found, text, hint), found["unit"].lower()


def _number(found: re.Match[str], text: str, hint: str) -> Fraction:
    if found["plain"]:
        value = Fraction(found["plain"])
    elif int(found["under"]) == 0:
        raise LengthError(f"{_quoted(text)}: a fraction cannot end in 0; {hint}")
    else:
        value = Fraction(int(found["whole"] or 0)) + Fraction(int(found["over"]), int(found["under"]))
    return -value if found["sign"] == "-" else value


def _tidy(text: str, hint: str) -> str:
    """Plain digits, slashes and minus signs; `4½` becomes `4 1/2`."""
    if len(text) > _LONGEST_TEXT * 4:
        raise LengthError(f"{_quoted(text)}: too long for a length; {hint}")
    spaced = re.sub("[¼-¾⅐-⅞]", lambda sign: " " + unicodedata.normalize("NFKC", sign[0]), text)
    return spaced.replace("⁄", "/").replace("−", "-").strip()


def _quoted(text: str) -> str:
    line = " ".join(text.split())
    return f'"{line}"' if len(line) <= _LONGEST_TEXT else f'"{line[:_LONGEST_TEXT]}…"'
