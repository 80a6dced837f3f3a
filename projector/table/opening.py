"""Before anything is cut: the day's longer list, and whether the cautions can be read in this light."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from calibration.rig import Rig
from projector.guide.meanings import keys_for
from projector.guide.scene.cautions import CAUTIONS, LONGER_LIST, cautions, longer_list
from projector.guide.scene.page import Page, title
from projector.guide.scene.room import CLEARANCE_MM, Room
from projector.guide.scene.scenes import Scene
from projector.guide.sitting import Sitting
from projector.light.showing import lit_mat, show
from projector.records.journal import HOST, Journal
from projector.records.sessions import Wanted
from projector.setup.looking import even, next_keys
from projector.table.devices import Table
from vision.lamplight.matlight import LEAST, MatLight, mat_light
from vision.light import mean_light

FRAMES = 4
CONFIRMED = "cautions"  # a session of this name in the records: the longer list was confirmed then
UNKNOWN = "how light this mat is was never measured, a new calibration does"
ON, AGAIN, END = keys_for("on"), keys_for("again"), keys_for("end")


def read_longer_list(table: Table, rig: Rig, sitting: Sitting, journal: Journal, now: datetime) -> bool:
    """On the first run of a day the longer list stands in the light until the person has confirmed it.

    That it was confirmed is kept in the records, as a session of its own without units. False where the person ends.
    """
    if journal.records.sessions(Wanted(command=CONFIRMED, host=HOST, since=now.date(), until=now.date())):
        return True
    show(table, rig, Scene("cautions", longer_list(_room(rig, sitting)), caution=True))
    table.teller.tell("ask", what="confirm", words=list(LONGER_LIST), instead="q ends")
    if not answered(table, ON | END) & ON:
        return False
    journal.end(journal.begin(now, CONFIRMED, "", ""), now)
    return True


def light_on_mat(table: Table, rig: Rig) -> MatLight | None:
    """Look at the bare mat in the projector's full white and without it; None where the rig does not know the mat."""
    if rig.mat_over_paper is None:
        return None
    on, off = (_looked_at(table, rig, level) for level in (1.0, 0.0))
    return mat_light(on, off, rig.camera.pinhole, rig.area_mat_mm, rig.mat_over_paper)


def readable_cautions(table: Table, rig: Rig, sitting: Sitting, look_again: Callable[[], None]) -> Sitting | None:
    """The sitting in this light. Where the cautions cannot be read in it, that is said, in light and in words.

    The person may change the light, or the mat, and have it measured again, `look_again` first; or go on: the cautions
    are told on the laptop in any case. None where they end instead.
    """
    while True:
        light = light_on_mat(table, rig)
        if light is None:
            _tell_hard_to_read(table, "unknown", UNKNOWN)
            return sitting
        here = sitting.under(light)
        if cautions(_room(rig, here), light).readable:
            return here
        do = remedy(light)
        page = Page.of(lit_mat(rig), sitting=here)
        middle = rig.area_mat_mm.mean(axis=0)
        rows = title("cautions are hard to read here", *do.split(", "), "m measures again, space goes on")
        show(table, rig, page.written(rows, (float(middle[0]), float(middle[1]))).scene("hard_to_read"))
        _tell_hard_to_read(table, "contrast", do, contrast=round(light.typical, 2), least=LEAST)
        table.teller.tell("ask", what="confirm", instead="m measures the light again, q ends")
        keys = answered(table, ON | AGAIN | END)
        if keys & END:
            return None
        if keys & ON:
            return here
        look_again()


def _tell_hard_to_read(table: Table, why: str, do: str, **figures: float) -> None:
    """What may not be read in the light is told on the laptop."""
    table.teller.tell("refused", what="caution", why=why, do=do, cautions=list(CAUTIONS), **figures)


def remedy(light: MatLight) -> str:
    """What helps where no words on the bare mat have enough contrast."""
    if light.dark_mat:
        return "the mat itself is too dark, lay white paper on it before the mat is looked at"
    return "the room is too bright, dim it or draw the curtains"


def answered(table: Table, answers: frozenset[str]) -> frozenset[str]:
    """The keys pressed that are answers, however long the person takes."""
    while True:
        keys = next_keys(table, np.inf) & answers
        if keys:
            return keys


def _looked_at(table: Table, rig: Rig, level: float) -> NDArray[np.float32]:
    table.throw(even(table.display.size_px, level))
    return mean_light(table.looks(FRAMES), rig.tone)


def _room(rig: Rig, sitting: Sitting) -> Room:
    return Room(Polygon(lit_mat(rig)).buffer(-CLEARANCE_MM), turn_rad=sitting.turn_rad)
