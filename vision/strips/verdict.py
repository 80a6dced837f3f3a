"""What is said of a measured strip: its width beside the expected one, by the rule that units are judged by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from vision.comparing.compare import TROUBLES
from vision.comparing.expected import ExpectedStrip, LengthUnit
from vision.comparing.figures import Figure
from vision.strips.measure import MeasuredStrip
from vision.strips.outline import WIDTH_MATCH_MM
from vision.units import Verdict

LEAST_U_MM = 1e-6


@dataclass(frozen=True, eq=False, slots=True)
class JudgedStrip:
    """A measured strip beside what was expected of it; nothing expected, no verdict."""

    strip: MeasuredStrip
    expected: str | None = None
    verdict: Verdict | None = None
    fit_probability: float | None = None
    why: str = ""
    said_in: LengthUnit = "in"


def judge_strip(strip: MeasuredStrip, expected: Sequence[ExpectedStrip]) -> JudgedStrip:
    """The verdict on a strip's width beside the nearest expected one: a guard band of 1.645 u at each limit.

    In this order: look again, other (no expected width within 6 mm), short, trim, close, fits.
    """
    trouble = TROUBLES.get(strip.trouble or "", "")
    if not expected:
        return JudgedStrip(strip, why=trouble)
    nearest = min(expected, key=lambda one: abs(strip.width_mm - one.width_mm))
    if strip.trouble is not None:
        return JudgedStrip(strip, nearest.name, Verdict.LOOK_AGAIN, why=trouble, said_in=nearest.said_in)
    off_mm = strip.width_mm - nearest.width_mm
    if abs(off_mm) > WIDTH_MATCH_MM:
        why = "none of the expected widths"
        return JudgedStrip(strip, nearest.name, Verdict.OTHER, why=why, said_in=nearest.said_in)
    limit_mm, u_mm = nearest.tolerance.width_mm, max(strip.width_u_mm, LEAST_U_MM)
    figure = Figure("width", "from strip edge to strip edge", off_mm, limit_mm, u_mm)
    verdict = _verdict(figure)
    why = "" if verdict is Verdict.FITS else figure.words(nearest.said_in)
    return JudgedStrip(strip, nearest.name, verdict, figure.fit_probability, why, nearest.said_in)


def _verdict(figure: Figure) -> Verdict:
    if figure.under:
        return Verdict.SHORT
    if figure.over:
        return Verdict.TRIM
    return Verdict.CLOSE if figure.near else Verdict.FITS
