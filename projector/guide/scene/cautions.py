"""The cautions that stand in the light wherever something is to be cut, and the longer list of a day's first run.

Signal word and colour as ANSI Z535.4 uses them for what could injure: CAUTION, dark letters on yellow, before them a
triangle with an exclamation mark. What they say is common practice with rotary blades, ladders and irons.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from shapely.geometry.base import BaseGeometry

from projector.guide.scene.marks import path
from projector.guide.scene.room import Room, Row, Written, block_size, wrapped
from projector.guide.scene.scenes import Fill, Ink, Mark, Stroke
from vision.lamplight.matlight import MatLight

SIGNAL_WORD = "CAUTION"
CAUTIONS = (
    "Close the blade before it leaves your hand",
    "Cut away from yourself",
    "Fingers back from the ruler's edge",
    "Do not look into the lens",
)
LONGER_LIST = (
    *CAUTIONS,
    "Keep children and pets away from blade, iron and cables",
    "Lamp: hot and bright, use it as its maker says",
    "Ladder: opened fully and locked, both hands free to hold",
    "Ceiling mount: as its maker and local codes say,",
    "on what carries it, with a second safety cable",
    "New wiring: a licensed electrician's work",
    "Iron: hot, never leave it alone",
    "Flashing light: patterns are announced, --slow slows them",
    "This tool is no safety device: it shows where a cut lies,",
    "never whether it is safe to make",
)
GO_ON = "space: I have read this"
TITLE_MM, TEXT_MM = 10.0, 8.0  # heights of capitals
YELLOW = 0.743  # luminance of the signal word's patch, a share of white's: sRGB (240, 228, 66) by IEC 61966-2-1
SIGN_SHARE = 1.5  # room for the triangle before the signal word, in heights of a capital
PATCH_MM = 1.5  # of the yellow patch around the signal word


def longer_list(room: Room) -> tuple[Mark, ...]:
    """Signal word and the longer list, in the middle of the room; the last line says how to go on."""
    lines = wrapped([Row(line, TEXT_MM) for line in (*LONGER_LIST, GO_ON)], room.wide_mm)
    rows = [Row(SIGNAL_WORD, TITLE_MM, Ink.DARK), *lines]
    middle = room.area.centroid
    return _marks(room.write_at(rows, (middle.x, middle.y), SIGN_SHARE * TITLE_MM), rows, Ink.CAUTION)


@dataclass(frozen=True, eq=False, slots=True)
class Warned:
    """The cautions in place: their marks, the room left, and whether they lie clear of cloth and can be read there.

    `readable` is None where it was not measured how light shows on the mat.
    """

    marks: tuple[Mark, ...]
    room: Room
    clear: bool
    readable: bool | None


def cautions(room: Room, light: MatLight | None = None) -> Warned:
    """The blade reminder in free room nearest to the person, where the light can be read if that is known.

    Where the cloth leaves no room at all it is written over it rather than left out.
    """
    for region, readable in _regions(room, light):
        for rows in _layouts():
            written = room.within(region).write(rows, room.nearest_mat_mm, SIGN_SHARE * TITLE_MM)
            if written is not None:
                taken = room.without(written.box)
                return Warned(_marks(written, rows, _patch_ink(light, written.box)), taken, True, readable)
    rows = _layouts()[1]
    near, deep = np.array(room.nearest_mat_mm), block_size(rows, SIGN_SHARE * TITLE_MM)[1]
    up = np.array([-np.sin(room.turn_rad), np.cos(room.turn_rad)])
    x, y = near + up * deep / 2.0
    written = room.write_at(rows, (float(x), float(y)), SIGN_SHARE * TITLE_MM)
    return Warned(_marks(written, rows, Ink.CAUTION), written.room, False, None if light is None else False)


def _regions(room: Room, light: MatLight | None) -> list[tuple[BaseGeometry, bool | None]]:
    if light is None:
        return [(room.area, None)]
    return [(light.readable(YELLOW), True), (light.readable(), True), (room.area, False)]


def _layouts() -> list[list[Row]]:
    """The same words in two, four or seven lines."""
    pairs = [f"{first}. {second}." for first, second in zip(CAUTIONS[::2], CAUTIONS[1::2], strict=True)]
    halves = [half for text in CAUTIONS for half in _halves(text)]
    signal = Row(SIGNAL_WORD, TITLE_MM, Ink.DARK)
    return [[signal, *(Row(text, TEXT_MM) for text in texts)] for texts in (pairs, CAUTIONS, halves)]


def _halves(text: str) -> list[str]:
    """A sentence in two lines of about the same length, if it is a long one."""
    words = text.split()
    if len(text) < 24:
        return [text]
    at = min(range(1, len(words)), key=lambda k: abs(len(" ".join(words[:k])) - len(text) / 2))
    return [" ".join(words[:at]), " ".join(words[at:])]


def _patch_ink(light: MatLight | None, box: BaseGeometry) -> Ink:
    """Yellow for the signal word's patch; white where that alone has enough contrast."""
    if light is None or light.readable(YELLOW).covers(box):
        return Ink.CAUTION
    return Ink.WORDS if light.readable().covers(box) else Ink.CAUTION


def _marks(written: Written, rows: Sequence[Row], patch: Ink) -> tuple[Mark, ...]:
    """The patch, the triangle with its exclamation mark in no light upon it, and the words."""
    turn = written.words[0].turn_rad
    size = rows[0].capital_mm
    wide = rows[0].width_mm + SIGN_SHARE * size
    along, up = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    left = np.array(written.indent_mat_mm)

    def at(x: float, y: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.asarray(left + x * along + y * up)

    half = size / 2.0 + PATCH_MM
    patch_corners = [at(-PATCH_MM, -half), at(wide + PATCH_MM, -half), at(wide + PATCH_MM, half), at(-PATCH_MM, half)]
    triangle = [at(0.1 * size, -0.5 * size), at(1.3 * size, -0.5 * size), at(0.7 * size, 0.54 * size)]
    stem = Stroke(path(at(0.7 * size, 0.22 * size), at(0.7 * size, -0.16 * size)), 0.13 * size, patch)
    point = Stroke(path(at(0.7 * size, -0.36 * size), at(0.7 * size, -0.38 * size)), 0.14 * size, patch)
    return Fill(path(*patch_corners), patch), Fill(path(*triangle), Ink.DARK), stem, point, *written.words
