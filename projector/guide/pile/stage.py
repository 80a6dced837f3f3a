"""The scenes of a pile: a sign on every unit, its words beside it where there is room, and how the pile stands.

The light is never quite dark here: by it the camera sees, between two measurements, what is laid down and taken away.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from shapely import LineString, Polygon

from projector.guide.pile.charts import charted
from projector.guide.pile.present import Lying
from projector.guide.pile.rounds import Rounds
from projector.guide.pile.state import Phase, Pile
from projector.guide.scene.cautions import TEXT_MM
from projector.guide.scene.helppage import help_scene
from projector.guide.scene.marks import cut_marks
from projector.guide.scene.page import BESIDE_CUT_MM, Page, title
from projector.guide.scene.room import Row
from projector.guide.scene.scenes import Ink, Mark, Point, Scene
from projector.guide.units.layout import CutLine
from projector.guide.units.trimming import trim_line
from projector.guide.units.verdicts import verdict_sign
from vision.units import Judged, Verdict

LIT = 0.2  # of full light all over: words and signs are five times as bright
MOST_LETTERS = 24  # of a reason: longer ones are told on the laptop
SIGN_SHARE, MOST_SIGN_MM = 0.4, 14.0  # of the narrowest way across a unit
ORDER = (
    Verdict.FITS,
    Verdict.TRIM,
    Verdict.SHORT,
    Verdict.CLOSE,
    Verdict.TURNED_OVER,
    Verdict.OTHER,
    Verdict.LOOK_AGAIN,
)


def scene_of(state: Pile) -> Scene:
    """What the light shows while the pile waits in this state."""
    if state.helps:
        return replace(help_scene(state.area_mat_mm, state.sitting), lamp=LIT)
    page = Page.of(state.area_mat_mm, [unit.piece.outline_mat_mm for unit in state.lying], state.sitting)
    page = _trimmed(page, state)
    page = _told(page, state)
    for unit in state.lying:
        page = _signed(page, unit, state.rounds is not None)
    page = charted(page, state.charts, _corner(state))
    return replace(page.scene(f"pile_{state.phase.value}"), lamp=LIT)


def _told(page: Page, state: Pile) -> Page:
    """How the pile stands is always there, on cloth where the mat is full."""
    rows = _rows(state)
    written = page.written(rows, _corner(state))
    if written is not page or not state.verdicts or state.rounds is not None:
        return written
    return page.insisted(Row(f"{state.number}: {standing_text(state)}", TEXT_MM), _corner(state))


def standing_text(state: Pile) -> str:
    """How many of each verdict, the good ones first: "28 fits, 2 trim"."""
    told = [f"{state.verdicts[one]} {one.words}" for one in ORDER if one in state.verdicts]
    return ", ".join(told)


def _rows(state: Pile) -> list[Row]:
    if state.rounds is not None and state.phase is not Phase.CLEAR_MAT:
        return _study_rows(state, state.rounds)
    name = state.expected.name
    match state.phase:
        case Phase.CLEAR_MAT:
            return title("clear the mat")
        case Phase.DONE:
            return title(f"{number_text(state)}, the pile is done", standing_text(state))
    if not state.lying:
        return title(
            f"lay down {name}, not touching",
            number_text(state) if state.number else "",
            standing_text(state),
            state.note or _away_text(state),
        )
    unclear = sum(unit.number is None for unit in state.lying)
    again = f"{unclear} to be laid again, clear of the others" if unclear else ""
    return title(standing_text(state), number_text(state), again, state.note or _away_text(state))


def _away_text(state: Pile) -> str:
    return f"{len(state.away)} away to be trimmed, t if the last one is it" if state.away else ""


def _study_rows(state: Pile, rounds: Rounds) -> list[Row]:
    """Which unit is wanted; while one lies there whether it is measured, and which is next."""
    if state.phase is Phase.DONE:
        return title("the study is left" if state.stopped else "the study is done", f"{number_text(state)} readings")
    is_last = state.number >= rounds.readings
    unit = "" if is_last else f"unit {rounds.place(state.number)[0]}"
    turn = "" if is_last else rounds.words(state.number)
    if not state.lying:
        return title(f"lay down {unit}", turn, "the same way round in every round", state.note)
    trouble = next((judged.why or "look again" for judged in _unclear(state)), "")
    if trouble:
        return title(f"{unit} again", trouble, turn, state.note)
    following = "take it away" if is_last else f"take it away, then {unit}"
    return title(f"unit {rounds.place(state.number - 1)[0]} is measured", following, turn, state.note)


def _unclear(state: Pile) -> list[Judged]:
    return [one.piece.judged for one in state.lying if one.number is None and one.piece.judged is not None]


def number_text(state: Pile) -> str:
    """How far the pile has come."""
    return f"{state.number} judged" if state.wanted is None else f"{state.number} of {state.wanted}"


def _trimmed(page: Page, state: Pile) -> Page:
    """The trim line on every unit that is too large, where it lies, and the cautions that belong to it."""
    if state.rounds is not None:
        return page  # nothing is to be cut
    lines = [line for unit in state.lying if (line := _trim_line(unit, state)) is not None]
    for line in lines:
        marks = [replace(mark, lift_mm=state.cloth_mm) for mark in cut_marks(line.shown_mat_mm, line.keep)]
        page = page.drawn(*marks, keeps_free=LineString(line.shown_mat_mm).buffer(BESIDE_CUT_MM))
    return page.cautioned() if lines else page


def _trim_line(unit: Lying, state: Pile) -> CutLine | None:
    judged = unit.piece.judged
    if judged is None or unit.number is None or judged.verdict is not Verdict.TRIM:
        return None
    return trim_line(judged.unit, state.expected, state.hand)


def _signed(page: Page, unit: Lying, is_reading: bool) -> Page:
    """The sign on the unit itself, for it belongs to no other; words beside it if something is wrong, few of them.

    Both are white: a pile is of any fabric, and no other ink is seen on all of them.
    """
    judged = unit.piece.judged
    verdict = Verdict.LOOK_AGAIN if judged is None or unit.number is None else judged.verdict
    if verdict is None:
        return page
    if is_reading and verdict is not Verdict.LOOK_AGAIN:
        verdict = Verdict.FITS  # measured: whether it fits is of no account
    page = page.drawn(_sign_on(unit, verdict, page.sitting.turn_rad))
    if verdict is Verdict.FITS or judged is None:
        return page
    why = judged.unit.trouble if verdict is Verdict.LOOK_AGAIN else judged.why
    rows = [Row(verdict.words, TEXT_MM)]
    if why and len(why) <= MOST_LETTERS:
        rows.append(Row(why, TEXT_MM))
    return page.written(rows, _point(unit))


def _sign_on(unit: Lying, verdict: Verdict, turn_rad: float) -> Mark:
    middle = unit.piece.middle_mat_mm
    inside = Polygon(unit.piece.outline_mat_mm).boundary.distance(Polygon(unit.piece.outline_mat_mm).centroid)
    size = min(MOST_SIGN_MM, 2.0 * SIGN_SHARE * float(inside))
    left = middle - size / 2.0 * np.array([np.cos(turn_rad), np.sin(turn_rad)])
    return verdict_sign(verdict)((float(left[0]), float(left[1])), size, Ink.WORDS, turn_rad)


def _point(unit: Lying) -> Point:
    x, y = unit.piece.middle_mat_mm
    return float(x), float(y)


def _corner(state: Pile) -> Point:
    """Where the pile's own words stand: far from the person, in the middle."""
    xs, ys = zip(*state.area_mat_mm, strict=True)
    return (min(xs) + max(xs)) / 2.0, max(ys)
