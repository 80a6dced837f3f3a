"""Which cloth on the mat is which while strips are cut: the yardage, the strip just cut, and what lay there before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from projector.guide.looks import YardageSeen
from projector.guide.units.layout import FoundStrip
from projector.guide.yardage.layout import NoYardage, find_yardage, outline_of, rest_beyond
from projector.guide.yardage.state import Phase, Striping
from vision.strips.measure import MeasuredStrip
from vision.units import MeasuredUnit

Floats = NDArray[np.float64]

SAME_PLACE = 0.5  # share of two outlines' union that they have in common: one cloth, nudged, or the next in its place
UNMOVED_MM = 1.0  # no corner moved by more: nobody touched it; no hand lays another so near
TOUCHING = "touching"


@dataclass(frozen=True, eq=False, slots=True)
class Sorted:
    """The cloths of one measurement; `lying` is all but the yardage. The strip is one that was cut just now."""

    cloth: FoundStrip | NoYardage
    strip: MeasuredStrip | None
    strip_mat_mm: Floats | None  # (4, 2) where it lies
    lying: tuple[Floats, ...]
    news: bool  # a cloth lies where none lay before, or not as it lay
    is_empty: bool
    touching: bool


def sort_yardage(state: Striping, seen: YardageSeen) -> Sorted:
    """Tell the yardage, a new strip and the rest apart.

    Cloth that lies where other cloth lay before is that cloth. While a cut is in the light the yardage is what lies
    most where the cut would leave it; else it is the largest cloth that is new. A new strip has the width that is due;
    it may have taken the place of one that was put away.
    """
    cloths = seen.cloths
    known = [any(same_place(one.corners_mat_mm, old) for old in state.lying) for one in cloths]
    main = _main(state, cloths, known)
    if main is not None:
        found = find_yardage([cloths[main]], state.plan.hand, state.area_mat_mm)
    else:
        found = NoYardage("no cloth is seen" if state.cloth is None else "lay the cloth back as it was")
    others = [i for i in range(len(cloths)) if i != main]
    fresh = [i for i in others if not known[i]]
    moved = [i for i in others if known[i] and _moved(cloths[i].corners_mat_mm, state.lying)]
    strip = _new_strip(seen.strips, [cloths[i] for i in (*fresh, *moved)])
    return Sorted(
        found,
        strip,
        None if strip is None else outline_of(strip),
        tuple(cloths[i].corners_mat_mm for i in others),
        news=bool(fresh or moved),
        is_empty=not cloths,
        touching=any(one.trouble == TOUCHING for one in cloths),
    )


def _main(state: Striping, cloths: Sequence[MeasuredUnit], known: Sequence[bool]) -> int | None:
    """Number of the cloth that the strips are cut from."""
    if state.cloth is None or state.phase in (Phase.LAY_CLOTH, Phase.PULL_CLOTH):
        areas = [0.0 if old else float(_area_of(one).area) for one, old in zip(cloths, known, strict=True)]
        return int(np.argmax(areas)) if areas and max(areas) > 0.0 else None
    rest: BaseGeometry = _outline(state.cloth.outline_mat_mm)
    if state.line is not None:
        rest = rest_beyond(state.cloth, state.line)
    common = [float((_area_of(one) & rest).area) for one in cloths]
    if common and max(common) > 0.0:
        return int(np.argmax(common))
    fresh = [k for k, old in enumerate(known) if not old]
    return max(fresh, key=lambda k: float(_area_of(cloths[k]).area)) if len(fresh) > 1 else None


def _moved(outline_mat_mm: Floats, lying: Sequence[Floats]) -> bool:
    """Whether it lies otherwise than the cloth that lay there."""
    old = max(lying, key=lambda one: _share(outline_mat_mm, one))
    return float(_outline(outline_mat_mm).hausdorff_distance(_outline(old))) > UNMOVED_MM


def _new_strip(strips: Sequence[MeasuredStrip], fresh: Sequence[MeasuredUnit]) -> MeasuredStrip | None:
    """The strip that lies where one of these cloths does, the first if there are several."""
    return next(
        (strip for one in fresh for strip in strips if same_place(one.corners_mat_mm, outline_of(strip))),
        None,
    )


def same_place(a: Floats, b: Floats) -> bool:
    """Whether two outlines lie where one cloth may lie."""
    return _share(a, b) >= SAME_PLACE


def _share(a: Floats, b: Floats) -> float:
    first, second = _outline(a), _outline(b)
    whole = float((first | second).area)
    return float((first & second).area) / whole if whole else 0.0


def _area_of(cloth: MeasuredUnit) -> BaseGeometry:
    return _outline(cloth.corners_mat_mm)


def _outline(corners_mat_mm: Floats) -> BaseGeometry:
    return Polygon(corners_mat_mm).buffer(0.0)
