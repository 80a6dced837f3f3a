"""What is kept of each step, as the event that is told of it: the journal keeps the same line."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from projector.guide.steps import BlockRecord, Distance, Kept, Record, SetRecord
from projector.guide.yardage.layout import widths_along_mm
from projector.telling.events import DEG_PLACES, MM_PLACES, Event, unit_event
from projector.telling.pieceevents import block_event, strip_event


def record_event(record: Kept) -> Event:
    """The keys of a `unit`, `strip` or `block` event; `n` of `of` counts its own kind."""
    if isinstance(record, Record):
        counted = {"name": record.unit_name, "n": record.n, "of": record.of, "counts": record.counts}
        if record.beside_mm is not None:
            counted |= {"beside_mm": round(record.beside_mm, MM_PLACES), "shift_mm": round(record.shift_mm, MM_PLACES)}
        return unit_event(record.judged, None) | counted
    if isinstance(record, SetRecord):
        return strip_event(record.judged, None) | _seams(record)
    if isinstance(record, BlockRecord):
        return _block(record)
    least_mm, greatest_mm = widths_along_mm(record.judged.strip)
    return strip_event(record.judged, None) | {
        "width_least_mm": _mm(least_mm),
        "width_greatest_mm": _mm(greatest_mm),
        "name": record.name,
        "n": record.n,
        "of": record.of,
        "fabric": record.fabric,
        "strip": record.strip_name,
        "band": record.band,
        "band_mm": record.band_mm,
        "layers": record.layers,
        "at_once": record.at_once,
        "bend_deg": _degrees(record.bend_rad),
        "bend_u_deg": _degrees(record.bend_u_rad),
    }


def _seams(record: SetRecord) -> Event:
    """What a strip set's seams take, and the sides of the block with seams like these."""
    test = record.test
    return {
        "name": record.strip_name,
        "seam_mm": _mm(test.depth.mm),
        "seam_u_mm": _mm(test.depth.u_mm),
        "seam_planned_mm": _mm(test.planned_mm),
        "each_seam_mm": [_mm(one.mm) for one in test.each],
        "each_seam_u_mm": [_mm(one.u_mm) for one in test.each],
        "strips_from": record.strips_from,
        "block_planned_mm": [_mm(size.planned_mm) for size in record.sizes],
        "block_foretold_mm": [_mm(size.expected_mm) for size in record.sizes],
        "block_foretold_u_mm": [_mm(size.u_mm) for size in record.sizes],
    }


def _block(record: BlockRecord) -> Event:
    """A finished block's outline, its star if it has one, and its distances beside the plan and the prediction."""
    if record.star is not None:
        event = block_event(record.star, record.name, None)
    else:
        corners = {"corners_mat_mm": _places(record.outline_mat_mm), "corners_u_mm": _places(record.outline_u_mm)}
        event = {"event": "block", "frame": None, "expected": record.name, **corners, "trouble": None}
    counted = {"name": record.name, "n": record.n, "of": record.of, "verdict": None}
    return event | counted | {"distances": [_distance(one) for one in record.distances]}


def _distance(one: Distance) -> Event:
    known = {"foretold_mm": one.foretold_mm, "foretold_u_mm": one.foretold_u_mm}
    return {
        "kind": one.kind,
        "points": list(one.points),
        "mm": _mm(one.measured_mm),
        "u_mm": _mm(one.u_mm),
        "planned_mm": _mm(one.planned_mm),
    } | {key: None if value is None else _mm(value) for key, value in known.items()}


def _mm(length_mm: float) -> float:
    return round(float(length_mm), MM_PLACES)


def _places(places_mm: NDArray[np.float64]) -> object:
    return np.round(places_mm, MM_PLACES).tolist()


def _degrees(angle_rad: float | None) -> float | None:
    return None if angle_rad is None else round(math.degrees(angle_rad), DEG_PLACES)
