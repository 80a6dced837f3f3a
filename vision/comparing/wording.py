"""How far something is off, in the words of the cutting table: inches in 64ths, or millimetres."""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

from vision.comparing.expected import LengthUnit
from vision.units import Verdict

INCH_MM = 25.4  # exactly (international yard and pound agreement, 1959)
FINEST = 64


def off_by(off_mm: float, unit: LengthUnit) -> str:
    """The amount alone, to 1/64 in or 0.1 mm; one that is there never reads as none.

    >>> off_by(1.6, "in"), off_by(-0.1, "in"), off_by(26.0, "in"), off_by(-1.62, "mm"), off_by(0.03, "mm")
    ('1/16 in', 'under 1/64 in', '1 1/32 in', '1.6 mm', '0.03 mm')
    """
    size = abs(off_mm)
    if unit == "mm":
        return f"{size:.1f} mm" if size >= 0.1 else f"{size:.2f} mm" if size >= 0.005 else "under 0.01 mm"
    parts = round(size / INCH_MM * FINEST)
    if parts == 0:
        return f"under 1/{FINEST} in"
    whole, rest = divmod(Fraction(parts, FINEST), 1)
    return " ".join([*([f"{whole}"] if whole else []), *([f"{rest}"] if rest else []), "in"])


def finest_of(verdict: Verdict | None) -> int:
    """Parts of an inch that sizes are told to: where a difference is told, so fine that it can be seen."""
    return 32 if verdict in (None, Verdict.FITS, Verdict.OTHER, Verdict.LOOK_AGAIN) else FINEST


def size_text(size_mm: float, unit: LengthUnit, finest: int = 32) -> str:
    """A size to 1/32 in, or to a hundredth of a millimetre.

    >>> size_text(63.5, "in"), size_text(63.9, "in", 64), size_text(63.5, "mm")
    ('2 1/2 in', '2 33/64 in', '63.50 mm')
    """
    if unit == "mm":
        return f"{size_mm:.2f} mm"
    whole, rest = divmod(Fraction(round(size_mm / INCH_MM * finest), finest), 1)
    return " ".join([*([f"{whole}"] if whole or not rest else []), *([f"{rest}"] if rest else []), "in"])


def width_text(width_mm: float, u_mm: float, unit: LengthUnit, finest: int = 32) -> str:
    """A measured width and how sure it is: millimetres stand beside inches, for inches are rounded.

    >>> width_text(63.5, 0.021, "in"), width_text(63.5, 0.021, "mm")
    ('2 1/2 in, 63.50 mm, u 0.02', '63.50 mm, u 0.02')
    """
    inches = f"{size_text(width_mm, unit, finest)}, " if unit == "in" else ""
    return f"{inches}{width_mm:.2f} mm, u {u_mm:.2f}"


def sides_text(sides_mm: Sequence[float], unit: LengthUnit, finest: int = 32) -> str:
    """The lengths of a piece's sides, in the order of their numbers.

    >>> sides_text((63.5, 88.9), "in"), sides_text((63.5, 88.9), "mm")
    ('sides 2 1/2, 3 1/2 in (63.50, 88.90 mm)', 'sides 63.50, 88.90 mm')
    """
    exact = f"{', '.join(f'{side:.2f}' for side in sides_mm)} mm"
    if unit == "mm":
        return f"sides {exact}"
    inches = ", ".join(size_text(side, unit, finest).removesuffix(" in") for side in sides_mm)
    return f"sides {inches} in ({exact})"


def finding_text(kind: str, sides: Sequence[int], value: float | None, unit: LengthUnit) -> str:
    """What differs, in a few words; `value` in mm or degrees.

    >>> finding_text("bow", (2,), -0.6, "mm"), finding_text("side_off", (1, 3), 1.6, "in")
    ('side 2 hollow by 0.6 mm', 'side 1 or 3 out by 1/16 in')
    >>> finding_text("side_turned", (0,), 0.7, "in"), finding_text("turned_over", (), None, "in")
    ('side 0 turned by 0.7 deg', 'turned over')
    """
    words = kind.replace("_", " ")
    if value is None or not sides:
        return words
    amount = degrees_off(math.radians(value)) if kind == "side_turned" else off_by(value, unit)
    what = f"seam {sides[0]}" if kind == "seam_off" else f"side {' or '.join(map(str, sides))}"
    out, inward = MOVES.get(kind, ("by", "by"))
    return f"{what} {out if value > 0 else inward} {amount}"


MOVES = {
    "side_off": ("out by", "in by"),
    "side_turned": ("turned by", "turned by"),
    "bow": ("bowed out by", "hollow by"),
    "seam_off": ("too far left by", "too far right by"),
    "fray": ("with threads of", "with threads of"),
    "notch": ("notched by", "notched by"),
}


def degrees_off(off_rad: float) -> str:
    """The amount alone, to a tenth of a degree; one that is there never reads as none.

    >>> degrees_off(math.radians(-0.74)), degrees_off(math.radians(0.02))
    ('0.7 deg', '0.02 deg')
    """
    size = abs(math.degrees(off_rad))
    return f"{size:.1f} deg" if size >= 0.1 else f"{size:.2f} deg" if size >= 0.005 else "under 0.01 deg"
