"""A glance at the table before light is trusted: did camera, projector or mat move since the rig was made?"""

from __future__ import annotations

from calibration.moved import Glance, dots_to_show, glance
from calibration.rig import Rig
from projector.closure import DotPictures, dot_pictures
from projector.events import MM_PLACES, Teller
from projector.table import Table

FRAMES = 1  # of each picture: a glance is short
QUICK_S = 2.0


def glanced(table: Table, rig: Rig) -> tuple[Glance, DotPictures]:
    """Look at the mat, and at a few dots of light on it. Raises CameraError, ValueError without a projector."""
    pictures = dot_pictures(table, rig, dots_to_show(rig), FRAMES)
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
