"""Photographs of units for the page: kept as they were measured, or cut out of the pictures that were measured."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from pathlib import Path

from projector.files.unitpictures import picture_name, unit_picture
from projector.piles.dimensions import outline_of
from projector.reporting.contents import Measured
from projector.reporting.gathering import Rigs
from vision.frames.pictures import PictureError, read_picture
from vision.measure import PLAIN_CLOTH

JPEG = b"\xff\xd8\xff"
MOST_BYTES = 300_000  # a kept picture is a tenth of that


class Photographs:
    """Finds a unit's photograph: in a folder of kept ones, else by its event's `frame` and the rig of its session."""

    def __init__(self, rig_files: Mapping[int, str], rigs: Rigs, folder: Path | None = None) -> None:
        self._rig_files, self._rigs, self._folder = rig_files, rigs, folder

    def of(self, unit: Measured) -> str | None:
        """The photograph with what was measured drawn on it, as a data: address; None where there is none."""
        data = self._kept(unit) or self._cut_out(unit)
        return None if data is None else f"data:image/jpeg;base64,{base64.b64encode(data).decode('ascii')}"

    def _kept(self, unit: Measured) -> bytes | None:
        if self._folder is None:
            return None
        try:
            with (self._folder / picture_name(unit.session, unit.n)).open("rb") as file:
                data = file.read(MOST_BYTES + 1)
        except OSError:
            return None
        return data if data.startswith(JPEG) and len(data) <= MOST_BYTES else None

    def _cut_out(self, unit: Measured) -> bytes | None:
        frame, outline = unit.event.get("frame"), outline_of(unit.event)
        rig = self._rigs.rig(self._rig_files.get(unit.session, ""))
        if not isinstance(frame, str) or outline is None or rig is None:
            return None
        try:
            if not Path(frame).is_file():
                return None
            pixels = read_picture(Path(frame))
        except (PictureError, OSError, ValueError):
            return None
        camera = rig.camera.pinhole
        right_size = pixels.shape[1::-1] == tuple(camera.lens.size_px)
        return unit_picture(pixels, camera, outline, PLAIN_CLOTH.height_mm) if right_size else None
