"""Lengths as a picture writes them: true fractions with a bar, millimetres where a fraction would not hit it."""

from __future__ import annotations

import re

from projector.piecing.lengths import INCH_MM, inches_text, mm_text

NEAR_MM = INCH_MM / 256


def length_words(value_mm: float, metric: bool = False) -> str:
    """A length for matplotlib's own mathematical text: `3$\\frac{1}{4}$ in`.

    >>> length_words(82.55), length_words(360.0, metric=True)
    ('3$\\\\frac{1}{4}$ in', '360.0 mm')
    """
    if metric:
        return mm_text(value_mm)
    text = inches_text(value_mm, 32)
    about = "" if abs(_inches(text) * INCH_MM - value_mm) < NEAR_MM else "≈ "
    return about + re.sub(r" ?(\d+)/(\d+)", r"$\\frac{\1}{\2}$", text)


def _inches(text: str) -> float:
    total = 0.0
    for part in text.removesuffix(" in").split():
        over, _, under = part.partition("/")
        total += float(over) / float(under or 1)
    return total
