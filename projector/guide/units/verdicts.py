"""What is said beside a unit: the verdict in words, sign and number."""

from __future__ import annotations

from projector.guide.scene.cautions import TEXT_MM, TITLE_MM
from projector.guide.scene.marks import cross, lozenge, tick
from projector.guide.scene.page import Sign
from projector.guide.scene.room import Row
from projector.guide.scene.scenes import Ink
from projector.piecing.lengths import difference_text, inches_text, mm_text, size_beside
from vision.comparing.wording import off_by
from vision.units import Judged, Verdict

INKS = {
    Verdict.FITS: Ink.GOOD,
    Verdict.CLOSE: Ink.DOUBT,
    Verdict.LOOK_AGAIN: Ink.DOUBT,
    Verdict.TRIM: Ink.BAD,
    Verdict.SHORT: Ink.BAD,
    Verdict.TURNED_OVER: Ink.BAD,
    Verdict.OTHER: Ink.BAD,
}
SIGNS: dict[Ink, Sign] = {Ink.GOOD: tick, Ink.BAD: cross, Ink.DOUBT: lozenge}


def verdict_rows(judged: Judged, planned_mm: float) -> list[Row]:
    """The words beside a unit: measured size and verdict, planned size and difference, and the reason if any."""
    if judged.verdict is None:
        return []
    said, ink = judged.verdict.words, INKS[judged.verdict]
    width_mm = cut_width_mm(judged)
    if width_mm is None or planned_mm <= 0.0 or judged.verdict is Verdict.LOOK_AGAIN:
        return [Row(said, TITLE_MM, ink), *([Row(judged.why, TEXT_MM)] if judged.why else [])]
    metric, fits = judged.said_in == "mm", judged.verdict is Verdict.FITS
    rows = [
        Row(f"{measured_text(width_mm, planned_mm, fits, metric)}, {said}", TITLE_MM, ink),
        Row(planned_text(width_mm, planned_mm, metric), TEXT_MM),
    ]
    if judged.why and not fits and off_by(width_mm - planned_mm, judged.said_in) not in judged.why:
        rows.append(Row(judged.why, TEXT_MM))
    return rows


def verdict_sign(verdict: Verdict) -> Sign:
    """The same said by form: a tick, a cross, or a lozenge in doubt."""
    return SIGNS[INKS[verdict]]


def measured_text(size_mm: float, planned_mm: float, fits: bool, metric: bool = False) -> str:
    """A measured size; one that does not fit is written so finely that it does not read like the plan's.

    >>> measured_text(82.6, 82.55, True), measured_text(82.4, 82.55, False), measured_text(82.6, 82.55, True, True)
    ('3 1/4 in', '3 31/128 in', '82.6 mm')
    """
    if metric:
        return mm_text(size_mm, 1 if fits else 2)
    return inches_text(size_mm) if fits else size_beside(size_mm, planned_mm)


def planned_text(size_mm: float, planned_mm: float, metric: bool = False) -> str:
    """What was planned, and how far off it is.

    >>> planned_text(84.1, 82.55), planned_text(82.4, 82.55, metric=True)
    ('planned 3 1/4 in, 1/16 in too wide', 'planned 82.55 mm, 0.15 mm too narrow')
    """
    if metric:
        off = size_mm - planned_mm
        return f"planned {mm_text(planned_mm, 2)}, {mm_text(abs(off), 2)} {'too wide' if off > 0 else 'too narrow'}"
    return f"planned {inches_text(planned_mm)}, {difference_text(size_mm - planned_mm)}"


def cut_width_mm(judged: Judged) -> float | None:
    """Mean width between the two cuts (sides 1 and 3 of a unit from a strip); else of the first pair."""
    widths = {width.sides: width.mean_mm for width in judged.unit.widths}
    return widths.get((1, 3), next(iter(widths.values()), None))
