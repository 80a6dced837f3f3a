"""What is told while strips are cut from yardage: the events' keys."""

from __future__ import annotations

import math

from projector.guide.steps import Event
from projector.guide.units.layout import FoundStrip
from projector.guide.yardage.layout import bend_of_sides, off_square
from projector.guide.yardage.scenes import how_to_lay
from projector.guide.yardage.state import Striping


def ask(state: Striping, what: str, **more: object) -> Event:
    """`n` of `of` counts all strips of the fabric."""
    return {"event": "ask", "what": what, "n": state.n, "of": state.wanted, "fabric": state.chapter.fabric, **more}


def ask_for_cloth(state: Striping) -> Event:
    return ask(state, "cloth", name=state.chapter.fabric, layers=state.chapter.layers, how=how_to_lay(state))


def ask_to_pull(state: Striping) -> Event:
    how = "pull more of it onto the mat"
    return ask(state, "cloth", name=state.chapter.fabric, layers=state.chapter.layers, purpose="pull", how=how)


def ask_to_square(state: Striping, found: FoundStrip, why: str) -> Event:
    """With how much the next strip would bend at the fold if the end were left as it is."""
    bend = bend_of_sides(off_square(found))
    figures = {"bend_deg": degrees(abs(bend.rad)), "bend_u_deg": degrees(bend.u_rad)}
    return ask(state, "cut", purpose="true_up", why=why, **(figures if state.chapter.layers > 1 else {}))


def ask_for_strip(state: Striping) -> Event:
    due = state.due
    return ask(state, "cut", purpose="strip", name=due.strip, band=due.band, width_mm=round(due.width_mm, 3))


def seen_cloth(state: Striping, found: FoundStrip) -> Event:
    """How deep it is from the fold, how much of it is seen along the fold, and how far its end is off square."""
    off = off_square(found)
    return {
        "event": "seen",
        "what": "cloth",
        "name": state.chapter.fabric,
        "depth_mm": round(found.width_mm, 3),
        "length_mm": round(found.length_mm, 3),
        "off_square_deg": degrees(off.rad),
        "off_square_u_deg": degrees(off.u_rad),
    }


def refused(what: str, why: str, do: str) -> Event:
    return {"event": "refused", "what": what, "why": why, "do": do}


def degrees(angle_rad: float) -> float:
    return round(math.degrees(angle_rad), 3)
