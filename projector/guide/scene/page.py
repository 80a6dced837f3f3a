"""A page of light, composed piece by piece: each piece takes room, the next one stands in what is left.

page = Page.of(area, cloths, sitting).cutting(line, ruler="left")  # line, marks, cautions
page = page.written(rows, near).beside(judged_rows, sign, place)
scene = page.scene("cut_unit")
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from projector.guide.scene.cautions import TEXT_MM, TITLE_MM, cautions
from projector.guide.scene.marks import Side, cut_marks, keep_mark, path, ruler_mark, ruler_top
from projector.guide.scene.room import CLEARANCE_MM, Room, Row, wrapped
from projector.guide.scene.scenes import Ink, Mark, Point, Scene
from projector.guide.sitting import USUAL, Sitting

Floats = NDArray[np.float64]
Sign = Callable[[Point, float, Ink, float], Mark]  # from the middle of its left side, size, ink, turn

BREAKS = (0.9, 0.45)  # of the light's width, in which lines are broken if they must be
BESIDE_CUT_MM = 6.0  # kept free on both sides of the cut line
ON_CLOTH = "there is no room beside the cloth, so the cautions lie on it"
UNREADABLE = "the cautions have too little contrast here"


@dataclass(frozen=True, eq=False, slots=True)
class Page:
    """What is in the light so far, and the room that is left beside it."""

    room: Room
    sitting: Sitting = USUAL
    marks: tuple[Mark, ...] = ()
    cut_mat_mm: tuple[Point, Point] | None = None
    keep: Side | None = None
    caution: bool = False
    caution_doubt: str = ""

    @classmethod
    def of(cls, area_mat_mm: Sequence[Point], cloths_mat_mm: Iterable[Floats] = (), sitting: Sitting = USUAL) -> Page:
        """An empty page on the lit area (M, 2), where cloths (each (N, 2)) lie on which nothing is to be written."""
        room = Room(Polygon(area_mat_mm).buffer(-CLEARANCE_MM), turn_rad=sitting.turn_rad)
        return cls(room.without(*(Polygon(outline).convex_hull for outline in cloths_mat_mm)), sitting)

    def drawn(self, *marks: Mark, keeps_free: BaseGeometry | None = None) -> Page:
        """Marks where they must be, on cloth if need be; words will stand clear of `keeps_free`."""
        room = self.room if keeps_free is None else self.room.without(keeps_free)
        return replace(self, room=room, marks=self.marks + marks)

    def cutting(self, cloth_mat_mm: Floats, shown_mat_mm: Floats, keep: Side, ruler: Side) -> Page:
        """A cut with all that belongs to it: the line, which side is kept, where the ruler lies, the cautions.

        `cloth_mat_mm` (2, 2) is where it crosses the cloth's edges, `shown_mat_mm` (2, 2) how far it is drawn. Sides
        are seen along it.
        """
        keeps = keep_mark(cloth_mat_mm, shown_mat_mm, keep, self.room)
        page = self.drawn(keeps, keeps_free=Polygon(keeps.corners_mat_mm))
        lies = ruler_mark(shown_mat_mm, ruler, page.room)
        page = page.drawn(lies, keeps_free=Polygon(lies.points_mat_mm))
        thick_mm = self.sitting.ruler_mm
        tops = () if thick_mm is None else ruler_top(cloth_mat_mm, shown_mat_mm, ruler, thick_mm)
        beside = LineString(shown_mat_mm).buffer(BESIDE_CUT_MM)
        page = page.drawn(*tops, *cut_marks(shown_mat_mm, keep), keeps_free=beside).cautioned()
        page = page.written([Row("keep", TEXT_MM)], keeps.corners_mat_mm[2])
        page = page.written([Row("ruler", TEXT_MM)], lies.points_mat_mm[2])
        ends = path(*shown_mat_mm)
        return replace(page, cut_mat_mm=(ends[0], ends[1]), keep=keep)

    def cautioned(self) -> Page:
        """The blade reminder; it belongs wherever something is to be cut or trimmed."""
        found = cautions(self.room, self.sitting.light)
        doubt = UNREADABLE if found.readable is False else ""
        return replace(
            self,
            room=found.room,
            marks=self.marks + found.marks,
            caution=True,
            caution_doubt=doubt if found.clear else ON_CLOTH,
        )

    def written(self, rows: Sequence[Row], near_mat_mm: Point) -> Page:
        """Lines of text near a point, the first the most important: where room is short lines are broken, else the
        last are left out."""
        for block in self._blocks(rows):
            written = self.room.write(block, near_mat_mm)
            if written is not None:
                return replace(self, room=written.room, marks=self.marks + written.words)
        return self

    def insisted(self, row: Row, near_mat_mm: Point) -> Page:
        """A line that must be there: in free room or, where there is none, on cloth, near a point."""
        written = self.written([row], near_mat_mm)
        if written is not self:
            return written
        bare = replace(self.room, taken=())
        found = next(filter(None, (bare.write(block, near_mat_mm) for block in self._blocks([row]))), None)
        return self if found is None else replace(self, marks=self.marks + found.words)

    def signed(self, rows: Sequence[Row], sign: Sign, near_mat_mm: Point) -> Page:
        """Lines of text with a sign before the first; both or neither. The sign is in the first line's ink, the words
        in the ink that is read best."""
        for block in self._blocks([replace(row, ink=Ink.WORDS) for row in rows]):
            size = block[0].capital_mm
            written = self.room.write(block, near_mat_mm, indent_mm=1.4 * size)
            if written is not None:
                mark = sign(written.indent_mat_mm, size, rows[0].ink, self.sitting.turn_rad)
                return replace(self, room=written.room, marks=(*self.marks, *written.words, mark))
        return self

    def _blocks(self, rows: Sequence[Row]) -> Iterator[list[Row]]:
        """Ways to write the lines, the best first."""
        for count in range(len(rows), 0, -1):
            for share in BREAKS:
                yield wrapped(rows[:count], share * self.room.wide_mm)

    def scene(self, name: str) -> Scene:
        return Scene(name, self.marks, self.cut_mat_mm, self.keep, self.caution, self.caution_doubt)


def title(text: str, *more: str, ink: Ink = Ink.WORDS) -> list[Row]:
    """A title and lines below it."""
    return [Row(text, TITLE_MM, ink), *(Row(line, TEXT_MM) for line in more if line)]
