"""The page of help: every key and what it does, and how the ruler is set by the light. In the light on request."""

from __future__ import annotations

import numpy as np
from shapely import Polygon

from projector.guide.scene.cautions import TEXT_MM, TITLE_MM
from projector.guide.scene.marks import outline
from projector.guide.scene.page import Page
from projector.guide.scene.room import Row
from projector.guide.scene.scenes import Ink, Mark, Point, Scene, Words
from projector.guide.sitting import Sitting

# Keys, one or two to a row, and what they do.
HELP: tuple[tuple[tuple[str, ...], str], ...] = (
    (("space", "page down"), "go on, take it as it is"),
    (("b", "page up"), "back"),
    (("m",), "measure again"),
    (("t",), "true up the end; was trimmed"),
    (("z",), "take back the last verdict"),
    (("h",), "this page; any key closes it"),
    (("q",), "end; what was judged is kept"),
)
RULER_HELP = (
    "The line's edge on the kept side is the cut.",
    "Set the ruler's edge by the light on the cloth:",
    "on the ruler's top the same light lies elsewhere.",
)
KEY_GAP_MM, CAP_MM = 5.0, 2.0  # between key caps; from a key's name to the rim of its cap
ROW_MM = 2.0 * TEXT_MM


def help_scene(area_mat_mm: tuple[Point, ...], sitting: Sitting) -> Scene:
    """All keys as caps with what they do, in the middle of the light, whatever lies there: it was asked for."""
    page = Page.of(area_mat_mm, sitting=sitting)
    keys_mm = max(_keys_mm(keys) for keys, _ in HELP)
    wide = max(keys_mm + Row(does, TEXT_MM).width_mm for _, does in HELP)
    notes = [Row(text, TEXT_MM) for text in RULER_HELP]
    deep = 2.0 * TITLE_MM + ROW_MM * len(HELP) + sum(row.depth_mm for row in notes)
    middle = Polygon(area_mat_mm).centroid
    turn = sitting.turn_rad
    along, up = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])

    def at(x: float, y: float) -> Point:
        """From the block's upper left corner, x to the right and y down, to the mat."""
        place = np.array([middle.x, middle.y]) + (x - wide / 2.0) * along + (deep / 2.0 - y) * up
        return float(place[0]), float(place[1])

    marks: list[Mark] = [Words("keys", at(0.0, TITLE_MM), TITLE_MM, Ink.WORDS, turn, "left")]
    for n, (keys, does) in enumerate(HELP):
        base = 2.0 * TITLE_MM + ROW_MM * n + TEXT_MM
        x = CAP_MM
        for key in keys:
            name_mm = Row(key, TEXT_MM).width_mm
            low, high = base + CAP_MM, base - TEXT_MM - CAP_MM
            cap = [at(x - CAP_MM, low), at(x + name_mm + CAP_MM, low), at(x + name_mm + CAP_MM, high)]
            marks.append(outline(np.array([*cap, at(x - CAP_MM, high)])))
            marks.append(Words(key, at(x + name_mm / 2.0, base), TEXT_MM, Ink.OUTLINE, turn))
            x += name_mm + 2.0 * CAP_MM + KEY_GAP_MM
        marks.append(Words(does, at(keys_mm, base), TEXT_MM, Ink.WORDS, turn, "left"))
    below = 2.0 * TITLE_MM + ROW_MM * len(HELP) + 1.6 * TEXT_MM
    for n, row in enumerate(notes):
        marks.append(Words(row.text, at(0.0, below + n * row.depth_mm), TEXT_MM, Ink.WORDS, turn, "left"))
    return page.drawn(*marks).scene("help")


def _keys_mm(keys: tuple[str, ...]) -> float:
    return sum(Row(key, TEXT_MM).width_mm + 2.0 * CAP_MM + KEY_GAP_MM for key in keys) + KEY_GAP_MM
