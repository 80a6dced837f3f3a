"""Strips and blocks in words: one short line each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from projector.piecing.lengths import inches_text
from vision.comparing.wording import finest_of as finest_of_verdict
from vision.units import Verdict


def finest_of(event: Mapping[str, Any]) -> int:
    """Parts of an inch that a piece's sizes are told to."""
    verdict = event.get("verdict")
    return finest_of_verdict(Verdict(verdict) if verdict else None)


def strip_words(event: Mapping[str, Any]) -> str:
    """Verdict, width, seams, the angle of each end to the long sides, and the bend at the fold."""
    verdict = event["verdict"].replace("_", " ") if event.get("verdict") else "measured, not judged"
    why = f" ({event['why']})" if event.get("why") else ""
    name = f" {event['expected']}" if event.get("expected") else ""
    inches = inches_text(event["width_mm"], finest_of(event))
    width = f"{inches} ({event['width_mm']:.2f} ± {event['width_u_mm']:.2f} mm) wide"
    return f"{_where(event)}strip{name}: {verdict}{why}; {width}{_seams(event)}{_ends(event)}{_bend(event)}."


def _bend(event: Mapping[str, Any]) -> str:
    """Of a strip that was cut from folded cloth."""
    if event.get("bend_deg") is None:
        return ""
    return f"; opened, it bends by {abs(event['bend_deg']):.2f} ± {event['bend_u_deg']:.2f} deg at the fold"


def _where(event: Mapping[str, Any]) -> str:
    return f"{event['frame']}: " if event.get("frame") else ""


def _seams(event: Mapping[str, Any]) -> str:
    count = len(event.get("seams_mat_mm") or [])
    return f", {count} seam{'s' if count > 1 else ''}" if count else ""


def _ends(event: Mapping[str, Any]) -> str:
    ends = event.get("ends") or []
    if not ends:
        return "; no end in the picture"
    told = [
        f"{'stepped ' if end['steps_mat_mm'] else ''}end at {end['angle_deg']:.2f} ± {end['u_deg']:.2f} deg"
        for end in ends
    ]
    return f"; {' and '.join(told)} to its long sides"


def block_words(event: Mapping[str, Any]) -> str:
    """How far opposite points are apart: the mean, the least and the greatest."""
    distances, us = event["distances_mm"], [u for u in event["distances_u_mm"] if u is not None]
    mean = sum(distances) / len(distances)
    apart = f"{inches_text(mean, finest_of(event))} ({mean:.2f} mm) apart ({min(distances):.2f} to {max(distances):.2f}"
    sure = f", each ± {max(us):.2f})" if us else ")"
    name = f" {event['expected']}" if event.get("expected") else ""
    return f"{_where(event)}block{name}: {len(event['tips_mat_mm'])} points, opposite ones {apart}{sure}."
