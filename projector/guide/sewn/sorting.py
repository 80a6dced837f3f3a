"""Which cloth on the mat is the sewn unit, whether it was touched, and what lay there before."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from projector.guide.sewn.place import LaidUnit, lay_unit
from projector.guide.sewn.state import Sewn
from projector.guide.units.state import wanted_of
from projector.guide.untouched import is_untouched
from vision.units import Judged

Floats = NDArray[np.float64]

SAME_PLACE = 0.3  # share of two outlines' union that they have in common: one cloth, nudged
SAME_SIZE_MM = 0.6  # sides that differ by less are those of the same unit, taken up and laid down again


def found_unit(state: Sewn, cloths: Sequence[Judged]) -> tuple[Judged, LaidUnit] | None:
    """The cloth that is the unit: where it lay before, if it lies there; else the first that can be it."""
    shape = wanted_of(state.plan, state.unit)
    laid = [(cloth, lay_unit(cloth.unit, shape)) for cloth in cloths if cloth.unit.trouble in (None, "unsure")]
    fit = [(cloth, one) for cloth, one in laid if one is not None and not one.mirrored]
    if not fit:
        return None
    if state.laid is None:
        return fit[0]
    known = state.laid
    cloth, best = max(fit, key=lambda one: share_of(one[0].unit.corners_mat_mm, known.unit.corners_mat_mm))
    return cloth, best.as_before(known)


def is_turned_over(state: Sewn, cloth: Judged) -> bool:
    laid = lay_unit(cloth.unit, wanted_of(state.plan, state.unit))
    return laid is not None and laid.mirrored


def lay_there(state: Sewn, cloth: Judged) -> bool:
    return any(share_of(cloth.unit.corners_mat_mm, outline) >= SAME_PLACE for outline in state.lying)


def still_lying(state: Sewn, cloths: tuple[Judged, ...]) -> tuple[Floats, ...]:
    """What lay beside the unit before and lies there still."""
    return tuple(cloth.unit.corners_mat_mm for cloth in cloths if lay_there(state, cloth))


def share_of(a: Floats, b: Floats) -> float:
    first, second = Polygon(a).buffer(0.0), Polygon(b).buffer(0.0)
    whole = float(first.union(second).area)
    return float(first.intersection(second).area) / whole if whole else 0.0


def is_still(before: LaidUnit, now: LaidUnit) -> bool:
    return is_untouched(before.unit.corners_mat_mm, now.unit.corners_mat_mm)


def is_same(known: LaidUnit, cloth: Judged) -> bool:
    """The same size, wherever it lies: a unit that waits for its trims is larger."""
    then, now = known.unit.sides_mm, cloth.unit.sides_mm
    return then.shape == now.shape and any(
        float(np.abs(np.roll(now, roll) - then).max()) <= SAME_SIZE_MM for roll in range(len(then))
    )
