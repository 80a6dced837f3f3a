"""What is kept of each step, as the event that is told of it: the journal keeps the same line."""

from __future__ import annotations

import math

from projector.events import DEG_PLACES, MM_PLACES, Event, unit_event
from projector.guide.steps import Record, StripRecord
from projector.pieceevents import strip_event


def record_event(record: Record | StripRecord) -> Event:
    """The keys of a `unit` or `strip` event; `n` of `of` counts its own kind."""
    if isinstance(record, Record):
        counted = {"name": record.unit_name, "n": record.n, "of": record.of, "counts": record.counts}
        if record.beside_mm is not None:
            counted |= {"beside_mm": round(record.beside_mm, MM_PLACES), "shift_mm": round(record.shift_mm, MM_PLACES)}
        return unit_event(record.judged, None) | counted
    return strip_event(record.judged, None) | {
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


def _degrees(angle_rad: float | None) -> float | None:
    return None if angle_rad is None else round(math.degrees(angle_rad), DEG_PLACES)
