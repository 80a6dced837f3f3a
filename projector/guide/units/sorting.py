"""Which cloth on the mat is which: the strip, the unit just cut, and what lay there before."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from projector.guide.units.layout import Floats, FoundStrip, NotTheStrip, find_strip, step_mm, unit_line
from projector.guide.units.state import Cutting, Lying, Phase
from vision.units import Judged, Verdict

SAME_PLACE = 0.3  # share of two outlines' union that they have in common: one cloth, nudged
UNMOVED_MM = 1.0  # no corner moved by more: nobody touched it; no hand lays another so near
SHORTER_MM = 1.0  # more than two measurements of one strip differ
SLACK_MM = 10.0  # a cut goes wrong by less
UNIT_LIKE = (Verdict.FITS, Verdict.TRIM, Verdict.SHORT, Verdict.CLOSE, Verdict.TURNED_OVER)


@dataclass(frozen=True, eq=False, slots=True)
class Sorted:
    """The cloths of one measurement. `lying` is all but the strip, with the records of what lay there before.

    `unit` is one of them that was cut just now, if anything was: the strip must have become shorter for it.
    """

    strip: FoundStrip | NotTheStrip
    unit: Judged | None
    lying: tuple[Lying, ...]
    news: bool  # a cloth lies where none lay before


def sort_cloths(state: Cutting, cloths: tuple[Judged, ...]) -> Sorted:
    """Tell the strip, a new unit and the rest apart.

    Cloth that lay in about the same place before is the same cloth; a judged unit is never taken for the strip.
    A new unit is one that was not there; failing that, one that lay there and could not be judged; failing that,
    one that took the place of a judged unit; failing that, new cloth of any shape. Of several the one nearest to
    the cut.
    """
    before = _matched(state.lying, cloths)
    strip = _strip(state, [cloth for cloth, known in zip(cloths, before, strict=True) if not _judged(known)])
    others = [(cloth, known) for cloth, known in zip(cloths, before, strict=True) if not _is_strip(strip, cloth)]
    unit = _new_unit(state, others)
    lying = tuple(Lying(cloth.unit.corners_mat_mm, known.record if known else None) for cloth, known in others)
    return Sorted(strip, unit, lying, news=None in before)


def _strip(state: Cutting, cloths: list[Judged]) -> FoundStrip | NotTheStrip:
    """The strip is looked for among cloths that are no units first: its last piece may be shorter than one."""
    unlike = [cloth for cloth in cloths if cloth.verdict not in UNIT_LIKE]
    hand, before = state.plan.hand, None if state.strip is None else state.strip.along
    found = find_strip([cloth.unit for cloth in unlike], state.source, hand, before, state.plan.metric)
    if isinstance(found, NotTheStrip) and len(unlike) < len(cloths):
        found = find_strip([cloth.unit for cloth in cloths], state.source, hand, before, state.plan.metric)
        if isinstance(found, FoundStrip) and _is_only_a_unit(state, found):
            return NotTheStrip("only a unit is seen")
    return found


def _is_only_a_unit(state: Cutting, found: FoundStrip) -> bool:
    """What looks like a unit is the strip only if it is as long as the strip was, or one unit shorter."""
    if state.phase is not Phase.CUT_UNIT or state.strip is None:
        return False
    shorter_mm = state.strip.length_mm - found.length_mm
    if unit_line(state.strip, state.cut).units_left <= 1:
        return shorter_mm > SHORTER_MM
    return abs(shorter_mm) > SLACK_MM and abs(shorter_mm - step_mm(state.cut)) > SLACK_MM


def _is_strip(strip: FoundStrip | NotTheStrip, cloth: Judged) -> bool:
    return isinstance(strip, FoundStrip) and cloth.unit.corners_mat_mm is strip.outline_mat_mm


def _judged(known: Lying | None) -> bool:
    return known is not None and known.record is not None


def _matched(lying: tuple[Lying, ...], cloths: tuple[Judged, ...]) -> list[Lying | None]:
    """For each cloth what lay in its place, each at most once, the best matches first."""
    shares = [
        (_share(cloth.unit.corners_mat_mm, known.outline_mat_mm), i, k)
        for i, cloth in enumerate(cloths)
        for k, known in enumerate(lying)
    ]
    found: dict[int, int] = {}
    for share, i, k in sorted(shares, reverse=True):
        if share >= SAME_PLACE and i not in found and k not in found.values():
            found[i] = k
    return [lying[found[i]] if i in found else None for i in range(len(cloths))]


def same_place(a: Floats, b: Floats) -> bool:
    """Whether two outlines are one cloth, measured twice or nudged in between."""
    return _share(a, b) >= SAME_PLACE


def _share(a: Floats, b: Floats) -> float:
    first, second = _area_of(a), _area_of(b)
    whole = float(first.union(second).area)
    return float(first.intersection(second).area) / whole if whole else 0.0


def _area_of(outline: Floats) -> BaseGeometry:
    return Polygon(outline).buffer(0.0)


def _new_unit(state: Cutting, others: list[tuple[Judged, Lying | None]]) -> Judged | None:
    fresh = [cloth for cloth, known in others if known is None]
    unjudged = [cloth for cloth, known in others if known and known.record is None]
    swapped = [cloth for cloth, known in others if known and known.record and _moved(cloth, known)]
    like = [[cloth for cloth in group if cloth.verdict in UNIT_LIKE] for group in (fresh, unjudged, swapped)]
    candidates = next((group for group in (*like, fresh) if group), [])
    return min(candidates, key=lambda cloth: _distance_mm(state, cloth), default=None)


def _moved(cloth: Judged, known: Lying) -> bool:
    now, then = cloth.unit.corners_mat_mm, known.outline_mat_mm
    return now.shape != then.shape or float(np.abs(now - then).max()) > UNMOVED_MM


def _distance_mm(state: Cutting, cloth: Judged) -> float:
    """From the cloth's middle to the middle of the cut that was shown."""
    if state.line is None:
        return 0.0
    return float(np.hypot(*(cloth.unit.corners_mat_mm.mean(axis=0) - state.line.cloth_mat_mm.mean(axis=0))))
