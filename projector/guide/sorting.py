"""Which cloth on the mat is which: the strip, the unit just cut, and what lay there before."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from projector.guide.layout import Floats, FoundStrip, NotTheStrip, find_strip
from projector.guide.state import Cutting, Lying, Phase
from vision.units import Judged, Verdict

SAME_PLACE = 0.3  # share of two outlines' union that they have in common: one cloth, nudged
UNMOVED_MM = 0.2  # no corner moved by more: nobody touched it
SHORTER_MM = 1.0  # more than two measurements of one strip differ
UNIT_LIKE = (Verdict.FITS, Verdict.TRIM, Verdict.SHORT, Verdict.CLOSE, Verdict.TURNED_OVER)


@dataclass(frozen=True, eq=False, slots=True)
class Sorted:
    """The cloths of one measurement. `unit` is new; `lying` is all but the strip, the unit without a record."""

    strip: FoundStrip | NotTheStrip
    unit: Judged | None
    lying: tuple[Lying, ...]
    news: bool  # a cloth lies where none lay before


def sort_cloths(state: Cutting, cloths: tuple[Judged, ...]) -> Sorted:
    """Tell the strip, a new unit and the rest apart.

    Cloth that lay in about the same place before is the same cloth; a judged unit is never taken for the strip.
    A new unit is one that was not there, the one nearest to the cut if there are several; failing that, one that
    took the place of a judged unit.
    """
    before = _matched(state.lying, cloths)
    strip = _strip(state, [cloth for cloth, known in zip(cloths, before, strict=True) if not _judged(known)])
    others = [(cloth, known) for cloth, known in zip(cloths, before, strict=True) if not _is_strip(strip, cloth)]
    unit = _new_unit(state, others)
    lying = tuple(
        Lying(cloth.unit.corners_mat_mm, known.record if known and cloth is not unit else None)
        for cloth, known in others
    )
    return Sorted(strip, unit, lying, news=None in before)


def _strip(state: Cutting, cloths: list[Judged]) -> FoundStrip | NotTheStrip:
    """The strip is looked for among cloths that are no units first: its last piece may be shorter than one."""
    unlike = [cloth for cloth in cloths if cloth.verdict not in UNIT_LIKE]
    hand = state.plan.hand
    found = find_strip([cloth.unit for cloth in unlike], state.source, hand)
    if isinstance(found, NotTheStrip) and len(unlike) < len(cloths):
        found = find_strip([cloth.unit for cloth in cloths], state.source, hand)
        if isinstance(found, FoundStrip) and _is_last_unit(state, found):
            return NotTheStrip("only the last unit of the strip is seen")
    return found


def _is_last_unit(state: Cutting, found: FoundStrip) -> bool:
    """What looks like a unit and is shorter than the strip was, when the strip had one more to give."""
    if state.phase is not Phase.CUT_UNIT or state.strip is None or state.line is None:
        return False
    return state.line.units_left <= 1 and found.length_mm < state.strip.length_mm - SHORTER_MM


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


def _share(a: Floats, b: Floats) -> float:
    first, second = _area_of(a), _area_of(b)
    whole = float(first.union(second).area)
    return float(first.intersection(second).area) / whole if whole else 0.0


def _area_of(outline: Floats) -> BaseGeometry:
    return Polygon(outline).buffer(0.0)


def _new_unit(state: Cutting, others: list[tuple[Judged, Lying | None]]) -> Judged | None:
    fresh = [cloth for cloth, known in others if known is None]
    swapped = [cloth for cloth, known in others if known and known.record and _moved(cloth, known)]
    for candidates in (fresh, swapped):
        like = [cloth for cloth in candidates if cloth.verdict in UNIT_LIKE]
        if like or candidates:
            return min(like or candidates, key=lambda cloth: _distance_mm(state, cloth))
    return None


def _moved(cloth: Judged, known: Lying) -> bool:
    now, then = cloth.unit.corners_mat_mm, known.outline_mat_mm
    return now.shape != then.shape or float(np.abs(now - then).max()) > UNMOVED_MM


def _distance_mm(state: Cutting, cloth: Judged) -> float:
    """From the cloth's middle to the middle of the cut that was shown."""
    if state.line is None:
        return 0.0
    return float(np.hypot(*(cloth.unit.corners_mat_mm.mean(axis=0) - state.line.cloth_mat_mm.mean(axis=0))))
