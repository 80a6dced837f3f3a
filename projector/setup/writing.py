"""A finished rig is written, drawn as a picture beside its file, and told."""

from __future__ import annotations

from pathlib import Path

from calibration.rigfile import save_rig
from projector.files.album import write_png
from projector.setup.finishing import Finished, arrows_of, told_closure
from projector.setup.rigpicture import Arrows, rig_picture
from projector.setup.rigwords import rig_keys
from projector.telling.events import Teller


def write_rig(teller: Teller, found: Finished, file: Path, arrows: Arrows | None = None) -> None:
    """Without arrows of its own the picture shows those of the loop that was closed. Raises RigError, AlbumError."""
    save_rig(found.rig, file)
    picture, title = file.with_suffix(".png"), f"{file.name}, {found.rig.made:%Y-%m-%d %H:%M}"
    write_png(picture, rig_picture(found.rig, title, arrows or arrows_of(found)))
    teller.tell("rig", **rig_keys(found.rig, file), **told_closure(found.closure), picture=str(picture))
