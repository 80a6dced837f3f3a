"""The figures of a report in words: sizes in the person's own unit, and how sure they are."""

from __future__ import annotations

import math

from projector.piecing.lengths import INCH_MM, inches_text, mm_text
from projector.piles.dimensions import Dimension
from projector.reporting.contents import FEWEST, LEAST, Charted, Part
from vision.comparing.wording import off_by
from vision.statistics.capability import Interval
from vision.statistics.drift import neighbours_correlation

MOST_STRIPS = 12
ALIKE_FROM = 20  # units before their neighbours' likeness is looked at
STEADY = {False: "steady: no run rule is met", True: "none lies beyond three sigma"}


def plan_lines(part: Part) -> list[str]:
    """What the plan asks for, besides its units."""
    plan = part.plan
    if plan is None:
        return []
    made = plan.making
    block = [] if made is None else [f"{made.make} times {made.block}, {_length(made.finish_mm, part.metric)} finished"]
    limits = f"± {_length(plan.tolerance_mm, part.metric)} and {_trimmed(math.degrees(plan.angle_tolerance_rad))}°"
    strips = [
        f"{strip.count} {strip.kind.replace('_', ' ')}{'s' if strip.count > 1 else ''} {strip.name}, "
        f"{_length(strip.width_mm, part.metric)} wide"
        for strip in plan.strips[:MOST_STRIPS]
    ]
    more = [f"and {len(plan.strips) - MOST_STRIPS} more"] if len(plan.strips) > MOST_STRIPS else []
    seam = f"seam allowance {_length(plan.seam_allowance_mm, part.metric)}"
    return [*block, f"tolerances {limits} where a unit has none of its own; {seam}", *strips, *more]


def _length(value_mm: float, metric: bool) -> str:
    return mm_text(value_mm, 2) if metric else inches_text(value_mm, 64)


def planned_words(one: Dimension, metric: bool) -> str:
    """What was planned, and how far it may be off."""
    if one.kind == "angle":
        return f"{_trimmed(one.planned)}° ± {_trimmed(one.limit)}°"
    limit = mm_text(one.limit, 2) if metric else inches_text(one.limit, 64)
    if one.kind != "width":
        return f"in its place ± {limit}"
    return f"{mm_text(one.planned, 2) if metric else inches_text(one.planned)} ± {limit}"


def off_words(off: float, one: Dimension, metric: bool) -> str:
    """A deviation with its sign, first in the person's own unit.

    >>> width = Dimension("width", "width", (0, 2), 63.5, 0.8)
    >>> off_words(-0.41, width, metric=False), off_words(-0.41, width, metric=True)
    ('−1/64 in (−0.41 mm)', '−0.41 mm')
    """
    if one.unit == "deg":
        return f"{_signed(off, 2)}°"
    plain = f"{_signed(off, 2)} mm"
    return plain if metric else f"{_inches(off)} in ({plain})"


def between_words(told: Interval, one: Dimension, metric: bool) -> str:
    """From one deviation to another."""
    low, high = told.low - one.planned, told.high - one.planned
    if one.unit == "deg":
        return f"{_signed(low, 2)}° to {_signed(high, 2)}°"
    plain = f"{_signed(low, 2)} to {_signed(high, 2)} mm"
    return plain if metric else f"{_inches(low)} to {_inches(high)} in ({plain})"


def size_words(value: float, one: Dimension, metric: bool) -> str:
    """A spread or an uncertainty, to two digits: more of them are not known."""
    if one.unit == "deg":
        return f"{_two_digits(value)}°"
    plain = f"{_two_digits(value)} mm"
    return plain if metric else f"{_two_digits(value / INCH_MM)} in ({plain})"


def interval_words(told: Interval) -> str:
    """A figure and between what it lies in 95 of 100 cases."""
    return f"{index_words(told.value)} ({index_words(told.low)} to {index_words(told.high)})"


def index_words(value: float) -> str:
    """Cp or Cpk; beyond ten it tells of nothing but a spread too small to be seen.

    >>> index_words(1.234), index_words(-0.5), index_words(62.8)
    ('1.23', '−0.50', 'over 10')
    """
    return "over 10" if value > 10.0 else f"{'−' if value < 0 else ''}{abs(value):.2f}"


def share_words(share: float) -> str:
    """How many would be out of the limits.

    >>> share_words(0.25), share_words(0.004), share_words(0.00005), share_words(1e-9)
    ('25 of 100', '4 of 1000', '50 of a million', 'fewer than 1 of a million')
    """
    for of, said in ((100, "100"), (1000, "1000"), (1_000_000, "a million")):
        if share * of >= 0.95:
            return f"{share * of:.0f} of {said}"
    return "fewer than 1 of a million"


def at_most_words(share: float) -> str:
    """A greatest share, rounded up to a figure that one can remember.

    >>> at_most_words(0.0314), at_most_words(0.6), at_most_words(0.0002), at_most_words(0.0)
    ('at most 4 of 100', 'at most 60 of 100', 'at most 1 of 1000', 'at most 1 of 1000')
    """
    of = 100 if share > 0.0095 else 1000
    return f"at most {max(1, math.ceil(share * of - 1e-9))} of {of}"


def drift_words(charted: Charted, metric: bool) -> str:
    """Whether it drifts, over how many units by how much, and how sure that is."""
    if charted.drift is None:
        return f"too few units to tell a drift (at least {LEAST})"
    by_chance = charted.drift.by_chance
    chance = "under 0.1 %" if by_chance < 0.001 else f"{100.0 * by_chance:.{0 if by_chance >= 0.1 else 1}f} %"
    if not charted.drifts:
        return f"no drift to speak of: a line as steep comes by chance in {chance} of cases"
    one, span = charted.dimension, charted.numbers[-1] - charted.numbers[0]
    moved, u = charted.drift.slope * span, charted.drift.u_slope * span
    amount = f"{'−' if moved < 0.0 else '+'}{size_words(abs(moved), one, metric)}"
    sure = f"u {size_words(u, one, metric)}, by chance in {chance} of cases"
    return f"drifts: {amount} from the first unit to the last ({sure})"


def run_words(charted: Charted, most: int = 4) -> list[str]:
    """What the run rules call, each beginning once."""
    if charted.limits is None:
        return [f"too few units for limits and run rules (at least {LEAST})"]
    told = [signal.words(charted.numbers[signal.first]) for signal in charted.signals[:most]]
    left = len(charted.signals) - most
    return [*told, *([f"and {left} more"] if left > 0 else [])] or [STEADY[charted.dimension.each > 1]]


def doubt_words(charted: Charted) -> list[str]:
    """What the figures do not show: an error that units share, and neighbours that are alike."""
    told, count = [], charted.spread.count
    if count >= FEWEST and charted.spread.sd < charted.u:
        told.append("these differ less than one measurement is sure to: an error that all share is not seen here")
    if charted.dimension.each == 1 and count >= ALIKE_FROM and charted.spread.sd > 0.0:
        alike = neighbours_correlation(charted.values)
        if alike > 2.0 / math.sqrt(count):
            told.append(
                f"neighbours are alike (correlation {alike:.1f}), as in one strip: the run rules call too often"
            )
    return told


def _inches(off_mm: float) -> str:
    """A deviation in 64ths of an inch, without the unit."""
    text = off_by(off_mm, "in").removesuffix(" in")
    return f"{'' if text.startswith('under') else '+' if off_mm > 0.0 else '−'}{text}"


def _two_digits(value: float) -> str:
    """
    >>> _two_digits(0.1634), _two_digits(0.0064), _two_digits(1.26), _two_digits(0.0)
    ('0.16', '0.0064', '1.3', '0')
    """
    if value <= 0.0 or not math.isfinite(value):
        return "0" if value <= 0.0 else "unknown"
    return f"{value:.{max(0, 1 - math.floor(math.log10(value)))}f}"


def _trimmed(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _signed(value: float, places: int) -> str:
    text = f"{abs(value):.{places}f}"
    return text if not float(text) else f"{'+' if value > 0 else '−'}{text}"
