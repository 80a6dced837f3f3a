"""What a report comes to, in a few plain lines: what is to be done, what to look at, and what is good."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.special import stdtrit

from projector.reporting.contents import Charted, Kind, Part
from projector.reporting.figures import at_most_words, between_words, off_words

Way = Literal["do", "look", "good"]

TOLD = 0.25  # of the tolerance: a mean that is off by less is not worth a line
FEW = 0.01  # of all units out of the limits, at most: a pile to be glad of
POOR = 1.0  # a Cpk that is surely less spreads too far, or too far to one side
SURE = 0.99
MOST_NUMBERS = 12
MOST_LINES = 14
DEEDS = {
    "trim": "trim",
    "short": "cut again",
    "turned_over": "lay face up and measure again",
    "look_again": "measure again",
}


@dataclass(frozen=True, slots=True)
class Line:
    """One line, and what it asks of the person."""

    way: Way
    words: str


def in_short(part: Part) -> list[Line]:
    """Deeds first, then what to look at, then what is good; no more lines than one reads."""
    lines = [line for kind in part.kinds for line in _of_kind(kind, part.metric)]
    order: tuple[Way, ...] = ("do", "look", "good")
    ranked = sorted(lines, key=lambda line: order.index(line.way))
    more = len(ranked) - MOST_LINES
    return [*ranked[:MOST_LINES], *([Line("look", f"{more} more are told below, kind by kind")] if more > 0 else [])]


def _of_kind(kind: Kind, metric: bool) -> Iterator[Line]:
    if not kind.units:
        return
    yield from _deeds(kind)
    sizes = [one for one in kind.charts if one.dimension.kind in ("width", "side") and one.capability is not None]
    looked = [line for one in kind.charts for line in _looks(kind, one, metric)]
    yield from looked
    good = [one for one in sizes if one.out == 0 and one.out_at_most <= FEW]
    if good and len(good) == len(sizes) and not looked:
        yield Line("good", f"{kind.name}: {at_most_words(max(one.out_at_most for one in good))} come out of its limits")


def _deeds(kind: Kind) -> Iterator[Line]:
    """What units of a pile are to have done to them; at the guided cut the light saw to it at once."""
    numbers = {id(unit): f"number {i}" for i, unit in enumerate(kind.read, 1)}
    for verdict, deed in DEEDS.items():
        mine = [unit for unit in kind.units if unit.verdict == verdict and unit.event.get("counts", True) is not False]
        if mine:
            which = [numbers.get(id(unit)) or f"entry {unit.n} of session {unit.session}" for unit in mine]
            yield Line("do", f"{deed} {len(mine)} of {kind.name}: {_listed(which)}")


def _looks(kind: Kind, one: Charted, metric: bool) -> Iterator[Line]:
    """What of a dimension is off, spreads, drifts or differs from day to day."""
    dimension, name = one.dimension, f"{kind.name}, {one.dimension.name}"
    off = one.spread.mean - dimension.planned
    if abs(off) >= TOLD * dimension.limit and abs(off) > surely(one):
        what = {"width": "too wide" if off > 0 else "too narrow", "angle": "too wide" if off > 0 else "too sharp"}
        amount = off_words(off, dimension, metric)
        yield Line("look", f"{name}: {what.get(dimension.kind, 'off')} in the mean, {amount}")
    if one.capability is not None and one.most is not None and one.capability.cpk.high < POOR:
        between = between_words(one.most, dimension, metric)
        yield Line("look", f"{name}: spreads too far for its limits, 95 of 100 units are {between} off")
    if one.drifts and one.drift is not None:
        moved = one.drift.slope * (one.numbers[-1] - one.numbers[0])
        if abs(moved) >= TOLD * dimension.limit:
            amount = off_words(moved, dimension, metric)
            yield Line("look", f"{name}: drifts, {amount} from the first unit to the last")
    for session, away in differing(one):
        if abs(away) >= TOLD * dimension.limit:
            amount = off_words(away, dimension, metric)
            yield Line("look", f"{name}: session {session} differs, {amount} from the mean of all")


def surely(one: Charted) -> float:
    """How far the mean of a dimension may be off by chance in 99 of 100 cases (Student's t)."""
    if one.spread.count < 2:
        return math.inf
    reach = float(stdtrit(one.spread.count - 1, (1.0 + SURE) / 2.0))
    return reach * one.spread.sd / math.sqrt(one.spread.count)


def differing(one: Charted) -> list[tuple[int, float]]:
    """Sessions whose mean lies beyond its limits, and how far it is from the mean of all."""
    found = one.by_session
    if found is None:
        return []
    ids, groups = found
    return [(ids[i], groups.means[i] - groups.centre) for i in groups.out]


def _listed(which: Sequence[str]) -> str:
    """Numbers by themselves where all are numbers."""
    shown = list(which[:MOST_NUMBERS])
    if all(one.startswith("number ") for one in which):
        shown = [f"number{'s' if len(which) > 1 else ''} {', '.join(one.removeprefix('number ') for one in shown)}"]
    more = len(which) - MOST_NUMBERS
    return f"{', '.join(shown)}{f' and {more} more' if more > 0 else ''}"
