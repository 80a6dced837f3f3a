"""Take the printed sheet in one place after another, each picture by itself, and refuse what would mislead."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from calibration.sheet.board import Board
from calibration.sheet.corners import Refused, SheetView, apart_px, find_sheet, sheet_in_sight
from calibration.sheet.placing import Field, Place, covered, field_of, next_flat, next_tilted, outline_of
from calibration.tone import Tone
from projector.light.render import draw
from projector.setup.captures import Captures
from projector.setup.looking import LAMP, changed, even, under_lamp
from projector.setup.placelight import place_scene
from projector.table.devices import Still, Table
from projector.telling.events import Event

Floats = NDArray[np.float64]

FRAMES = 4  # averaged for each view of the sheet
NEW_PLACE = 0.02  # of the sheet's own size that its corners must have moved, for another view
STAYED_PX = 1.0  # a sheet that nobody touched, seen with another tone curve
WHOLE = 0.65  # of the pattern's area that its corners seen must span: more hidden, and the person can do better
FLAT, TILTED = "sheet_flat", "sheet_tilted"
FIRST_PLACE = "near the middle, upright as you stand"


@dataclass(frozen=True, eq=False, slots=True)
class Light:
    """What is known before any view is taken: the camera's tone curve, and roughly what lights what."""

    tone: Tone
    projector_px: Callable[[Floats], Floats] | None = None  # camera pixels (N, 2) to projector pixels
    lit_px: Floats | None = None  # (M, 2) outline in camera pixels of what the projector lights
    frames: int = FRAMES  # to average against flicker
    mat_px: Floats | None = None  # (4, 2) the mat's outline in camera pixels, roughly


@dataclass(frozen=True, eq=False, slots=True)
class Taking:
    """All that taking views needs."""

    table: Table
    board: Board
    light: Light
    captures: Captures

    @property
    def field(self) -> Field | None:
        """The part of the table to cover, once a first sheet was seen."""
        flat = self.captures.views[FLAT]
        if not flat or self.captures.about is None:
            return None
        return field_of(
            flat[0], self.board.size_mm, self.captures.about.camera_px, self.light.lit_px, self.light.mat_px
        )


def take_views(taking: Taking, what: str, count: int, until: int | None = None) -> None:
    """Ask for the sheet until `count` views of a kind are captured, or for now `until` of them.

    Raises CalibratingError, CapturesError.
    """
    while len(taking.captures.views[what]) < (until or count):
        n = len(taking.captures.views[what]) + 1
        view = _one_view(taking, _Wanted(what, n, count))
        taking.captures.keep_view(what, view)
        taking.table.teller.tell("seen", what=what, n=n, of=count, corners=len(view.ids), covered=_covered(taking))
        taking.table.look()  # under the same light, for whoever keeps pictures of what was seen


def look_again(taking: Taking) -> None:
    """Take the latest flat view anew where it lies, the light being known better; it stays if the sheet is gone."""
    views = taking.captures.views[FLAT]
    if not views:
        return
    found = _look(taking, views[-1].name)
    if isinstance(found, SheetView) and apart_px(found, views[-1]) < STAYED_PX:
        taking.captures.drop_view(FLAT, views[-1])
        taking.captures.keep_view(FLAT, found)


@dataclass(frozen=True, slots=True)
class _Wanted:
    what: str
    n: int
    of: int


def _one_view(taking: Taking, wanted: _Wanted) -> SheetView:
    """Show where, ask, wait, look; until a picture is good."""
    table, field = taking.table, taking.field
    place = None if field is None else _next(taking, field, wanted.what)
    while True:
        unlike = _show_place(taking, field, place, f"{wanted.n - 1} of {wanted.of}")
        there = not _all_views(taking) and sheet_in_sight(table.look().pixels, taking.board)
        table.teller.tell("ask", what=wanted.what, n=wanted.n, of=wanted.of, **place_keys(place, field is None))
        changed(table, None if there else unlike)
        found = judged(_look(taking, f"{wanted.what} {taking.captures.count + 1}"), taking.board, _all_views(taking))
        if isinstance(found, SheetView):
            return found
        table.teller.tell("refused", what=wanted.what, why=found.why, do=found.do)


def _look(taking: Taking, name: str) -> SheetView | Refused:
    return look_at_sheet(taking.table, taking.board, name, taking.light.tone, max(FRAMES, taking.light.frames))


def look_at_sheet(table: Table, board: Board, name: str, tone: Tone, frames: int = FRAMES) -> SheetView | Refused:
    """The sheet as it lies now, under even light."""
    return find_sheet(under_lamp(table, frames, tone), board, name, tone)


def judged(found: SheetView | Refused, board: Board, seen: Sequence[SheetView]) -> SheetView | Refused:
    """Refuse a view that is half hidden, or shows the sheet where it was before."""
    if isinstance(found, Refused):
        return found
    if _spanned(found.corners_sheet_mm) < WHOLE * _spanned(board.corners_sheet_mm):
        told = f"{len(found.ids)} of {len(board.corners_sheet_mm)} corners seen, and a part has none"
        return Refused(found.name, "hidden", f"{told}: show the whole sheet, without a hand or glare")
    least_px = NEW_PLACE * float(np.hypot(*np.ptp(found.corners_px, axis=0)))
    if any(apart_px(one, found) < least_px for one in seen):
        return Refused(found.name, "same_place", "lay the sheet at another place, or turn it")
    return found


def _spanned(corners_mm: Floats) -> float:
    """Area of the hull, mm^2."""
    return float(shapely.MultiPoint(corners_mm).convex_hull.area)


def _all_views(taking: Taking) -> list[SheetView]:
    return [view for views in taking.captures.views.values() for view in views]


def _outlines(taking: Taking, field: Field) -> list[Floats]:
    return [outline_of(field, view) for view in taking.captures.views[FLAT]]


def _next(taking: Taking, field: Field, what: str) -> Place | None:
    if what == TILTED:
        return next_tilted(field, len(taking.captures.views[TILTED]))
    return next_flat(field, _outlines(taking, field))


def _covered(taking: Taking) -> float | None:
    field = taking.field
    return None if field is None else round(covered(field, _outlines(taking, field)), 3)


def place_keys(place: Place | None, first: bool = False) -> Event:
    """A place in the keys of an `ask` event; of the first sheet, which has none yet, in words alone."""
    if place is None:
        return {"where": FIRST_PLACE} if first else {}
    corners = np.round(place.corners_sheet_mm, 1).tolist()
    keys: Event = {"place": {"frame": "sheet", "corners": corners}, "where": place.words}
    if place.lift is not None:
        keys |= {"lift": place.lift.edge, "lift_mm": place.lift.mm}
    return keys


def _show_place(taking: Taking, field: Field | None, place: Place | None, words: str) -> Still:
    """Throw the place into the light; how the table looks then. Even light where no way to the mat is known."""
    table, project = taking.table, taking.light.projector_px
    if field is None or project is None:
        table.throw(even(table.display.size_px, LAMP))
    else:
        scene = place_scene(field, place, _outlines(taking, field), words)
        table.light(scene, draw(scene, lambda points: project(field.camera_px(points)), table.display.size_px))
    return table.glance()
