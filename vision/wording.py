"""How far something is off, in the words of the cutting table: inches in 64ths, or millimetres."""

from __future__ import annotations

import math
from fractions import Fraction

from vision.expected import LengthUnit

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


def degrees_off(off_rad: float) -> str:
    """The amount alone, to a tenth of a degree; one that is there never reads as none.

    >>> degrees_off(math.radians(-0.74)), degrees_off(math.radians(0.02))
    ('0.7 deg', '0.02 deg')
    """
    size = abs(math.degrees(off_rad))
    return f"{size:.1f} deg" if size >= 0.1 else f"{size:.2f} deg" if size >= 0.005 else "under 0.01 deg"
