"""The figures of a report in words: sizes in the person's own unit, and how sure they are."""

from __future__ import annotations

import math

from projector.dimensions import Dimension
from projector.piecing.lengths import inches_text, mm_text
from projector.reporting.contents import LEAST, Charted, Part
from vision.statistics.capability import Interval
from vision.wording import off_by

MANY = 10  # units over which a drift is told
MOST_STRIPS = 12


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
        return f"where it should be ± {limit}"
    return f"{mm_text(one.planned, 2) if metric else inches_text(one.planned)} ± {limit}"


def off_words(off: float, one: Dimension, metric: bool) -> str:
    """A deviation with its sign: in fractions of an inch too, where those are used."""
    if one.unit == "deg":
        return f"{_signed(off, 2)}°"
    plain = f"{_signed(off, 2)} mm"
    return plain if metric else f"{plain} ({off_by(off, 'in')})"


def size_words(value: float, one: Dimension) -> str:
    """A spread or an uncertainty."""
    return f"{value:.2f}°" if one.unit == "deg" else f"{value:.3f} mm"


def interval_words(told: Interval) -> str:
    """A figure and between what it lies in 95 of 100 cases."""
    return f"{told.value:.2f} ({_plain(told.low)} to {_plain(told.high)})"


def share_words(share: float) -> str:
    """How many would be out of the limits.

    >>> share_words(0.25), share_words(0.004), share_words(0.00005), share_words(1e-9)
    ('25 of 100', '4 of 1000', '50 of a million', 'fewer than 1 of a million')
    """
    for of, said in ((100, "100"), (1000, "1000"), (1_000_000, "a million")):
        if share * of >= 0.95:
            return f"{share * of:.0f} of {said}"
    return "fewer than 1 of a million"


def drift_words(charted: Charted) -> str:
    """Whether it drifts, over how many units by how much, and how sure that is."""
    if charted.drift is None:
        return f"too few units to tell (at least {LEAST})"
    unit = "°" if charted.dimension.unit == "deg" else " mm"
    slope, u = charted.drift.slope * MANY, charted.drift.u_slope * MANY
    amount = f"{_signed(slope, 3)}{unit} in {MANY} units, u {u:.3f}"
    by_chance = charted.drift.by_chance
    chance = "under 0.1 %" if by_chance < 0.001 else f"{100.0 * by_chance:.1f} %"
    return f"{'drifts' if charted.drifts else 'no drift to speak of'}: {amount} (by chance in {chance} of cases)"


def run_words(charted: Charted, most: int = 4) -> list[str]:
    """What the run rules call, each beginning once."""
    if charted.limits is None:
        return [f"too few units for limits and run rules (at least {LEAST})"]
    told = [signal.words(charted.numbers[signal.first]) for signal in charted.signals[:most]]
    left = len(charted.signals) - most
    return [*told, *([f"and {left} more"] if left > 0 else [])] or ["steady: no run rule is met"]


def _trimmed(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _signed(value: float, places: int) -> str:
    text = f"{abs(value):.{places}f}"
    return text if not float(text) else f"{'+' if value > 0 else '−'}{text}"


def _plain(value: float) -> str:
    return f"{'−' if value < 0 else ''}{abs(value):.2f}" if math.isfinite(value) else "unknown"
