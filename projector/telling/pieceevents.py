"""The keys of a `strip` and of a `block` event: cloth that is measured and is no unit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from projector.telling.events import DEG_PLACES, MM_PLACES, SHARE_PLACES, Event
from vision.blocks.measure import MeasuredBlock
from vision.strips.measure import StripEnd, StripLine
from vision.strips.verdict import JudgedStrip


def strip_event(judged: JudgedStrip, frame: str | None) -> Event:
    """What was measured on one strip, and what is said of it. Lengths mm in the mat frame, angles degrees."""
    strip = judged.strip
    return {
        "event": "strip",
        "frame": frame,
        "expected": judged.expected,
        "long_sides_mat_mm": _mm([line.ends_mat_mm for line in strip.long_sides]),
        "long_sides_u_mm": _mm([line.u_mm for line in strip.long_sides]),
        **_bows("long_sides", strip.long_sides),
        "seams_mat_mm": _mm([line.ends_mat_mm for line in strip.seams]),
        "seams_u_mm": _mm([line.u_mm for line in strip.seams]),
        **_bows("seams", strip.seams),
        "width_mm": _mm(strip.width_mm),
        "width_u_mm": _mm(strip.width_u_mm),
        "ends": [_end(end) for end in strip.ends],
        "trouble": strip.trouble,
        "verdict": judged.verdict.value if judged.verdict else None,
        "fit_probability": None if judged.fit_probability is None else round(judged.fit_probability, SHARE_PLACES),
        "why": judged.why,
    }


def block_event(block: MeasuredBlock, expected: str, frame: str | None) -> Event:
    """What was measured on one finished block. `distances_mm` are those of opposite points."""
    return {
        "event": "block",
        "frame": frame,
        "expected": expected,
        "corners_mat_mm": _mm(block.corners_mat_mm),
        "corners_u_mm": _mm(block.corners_u_mm),
        "tips_mat_mm": _mm(block.tips_mat_mm),
        "tips_u_mm": _mm(block.tips_u_mm),
        "distances_mm": _mm(block.distances_mm),
        "distances_u_mm": _mm(block.distances_u_mm),
        "neighbours_mm": _mm(block.neighbours_mm),
        "trouble": block.trouble,
    }


def _end(end: StripEnd) -> Event:
    return {
        "line_mat_mm": _mm(end.line_mat_mm),
        "angle_deg": round(float(np.degrees(end.angle_rad)), DEG_PLACES),
        "u_deg": round(float(np.degrees(end.u_rad)), DEG_PLACES),
        "steps_mat_mm": _mm(end.steps_mat_mm),
    }


def _bows(what: str, lines: Sequence[StripLine]) -> Event:
    """A bow that is not known, of a line in fewer than three pieces, is null."""
    known = [np.isfinite(line.bow_u_mm) for line in lines]
    return {
        f"{what}_bow_mm": [_mm(line.bow_mm) if is_known else None for line, is_known in zip(lines, known, strict=True)],
        f"{what}_bow_u_mm": _mm([line.bow_u_mm for line in lines]),
    }


def _mm(lengths: ArrayLike) -> object:
    return np.round(np.asarray(lengths, float), MM_PLACES).tolist()
