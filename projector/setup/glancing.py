"""A glance at the table before light is trusted: did camera, projector or mat move since the rig was made?"""

from __future__ import annotations

from calibration.mat.moved import Glance, dots_to_show, glance
from calibration.rig import Rig
from projector.guide.scene.scenes import Ink, Scene, Words
from projector.light.showing import show
from projector.setup.closure import DotPictures, dot_pictures
from projector.setup.looking import PATIENCE_S, next_keys
from projector.table.devices import Table
from projector.telling.events import MM_PLACES, Teller

FRAMES = 1  # of each picture: a glance is short
QUICK_S = 2.0
WORDS_MM = 20.0
ON, REALIGN, END = "space", "r", frozenset({"q", "escape"})


def glanced(table: Table, rig: Rig, frames: int = FRAMES) -> tuple[Glance, DotPictures]:
    """Look at the mat, and at a few dots of light on it. Raises CameraError, ValueError without a projector."""
    pictures = dot_pictures(table, rig, dots_to_show(rig), frames)
    return glance(rig, pictures.even, pictures.lit, pictures.dark), pictures


def tell_glance(teller: Teller, found: Glance, told: set[str]) -> None:
    """Tell what moved, and once what cannot be seen; `told` remembers that."""
    for one in found.moved:
        figures = {"by_mm": one.by_mm, "rms_mm": one.rms_mm, "u_mm": one.u_mm}
        rounded = {key: round(value, MM_PLACES) for key, value in figures.items()}
        teller.tell("moved", what=one.what.replace(" ", "_"), **rounded)
    fresh = [line for line in found.unseen if line not in told]
    told.update(fresh)
    if found.quiet or fresh:
        unseen = {"unseen": "; ".join(fresh)} if fresh else {}
        teller.tell("seen", what="glance", moved=len(found.moved), **unseen)


def key_after_bump(table: Table, rig: Rig, found: Glance, realign: bool) -> str | None:
    """Nothing goes on silently after a bump: say it in light, and wait for a key. The key; None to end.

    With `realign` the poses may be solved again at once.
    """
    _show(table, rig, found)
    instead = "r solves the poses again, q ends" if realign else "q ends; then run chalkbeam realign"
    table.teller.tell("ask", what="confirm", instead=instead)
    until_s = table.clock.now_s() + PATIENCE_S
    while keys := next_keys(table, until_s):
        if keys & END:
            return None
        if realign and REALIGN in keys:
            return REALIGN
        if ON in keys or "pagedown" in keys:
            return ON
    return None


def _show(table: Table, rig: Rig, found: Glance) -> None:
    """What moved, and by how much, in the middle of the mat: rough is enough to be read."""
    x, y = rig.area_mat_mm.mean(axis=0).tolist()
    lines = [f"{one.what} moved {one.by_mm:.1f} mm" for one in found.moved]
    marks = tuple(Words(line, (x, y - 2 * WORDS_MM * n), WORDS_MM, Ink.BAD) for n, line in enumerate(lines))
    show(table, rig, Scene("moved", marks))
