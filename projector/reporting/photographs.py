"""Photographs of units, where a session was measured from pictures that are still there: cut out for the page."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.rig import Rig
from projector.dimensions import outline_of
from projector.reporting.contents import Measured
from projector.reporting.gathering import Rigs
from vision.pictures import PictureError, read_picture

ROOM = 0.25  # of the unit's size, shown around it
MOST_PX = 420
QUALITY = 82
CLOTH_MM = 0.4  # how thick it is taken to be where it is drawn
LINE_BGR = (0, 228, 240)  # seen on light cloth and dark, with the black beneath it


class Photographs:
    """Finds a unit's photograph by its event's `frame` and the rig of its session."""

    def __init__(self, rig_files: Mapping[int, str], rigs: Rigs) -> None:
        self._rig_files, self._rigs = rig_files, rigs

    def of(self, unit: Measured) -> str | None:
        """The unit in its photograph, its outline drawn on it, as a data: address; None where there is none."""
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
        if pixels.shape[1::-1] != tuple(rig.camera.pinhole.lens.size_px):
            return None
        return _address(_cut_out(pixels, rig, outline))


def _cut_out(pixels: NDArray[np.uint8], rig: Rig, outline: NDArray[np.float64]) -> NDArray[np.uint8] | None:
    corners_px = rig.camera.pinhole.px_from_mat(outline, CLOTH_MM)
    low, high = corners_px.min(axis=0), corners_px.max(axis=0)
    room = ROOM * float(np.max(high - low))
    size = np.array(pixels.shape[1::-1])
    x0, y0 = np.clip(np.floor(low - room), 0, size).astype(int)
    x1, y1 = np.clip(np.ceil(high + room), 0, size).astype(int)
    if x1 - x0 < 8 or y1 - y0 < 8:
        return None
    part = pixels[y0:y1, x0:x1]
    scale = min(1.0, MOST_PX / max(part.shape[:2]))
    small = cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    places = np.rint((corners_px - [x0, y0]) * scale).astype(np.int32)[None]
    for colour, thick in (((0, 0, 0), 3), (LINE_BGR, 1)):
        cv2.polylines(small, places, True, colour, thick, cv2.LINE_AA)
    return np.asarray(small, np.uint8)


def _address(picture: NDArray[np.uint8] | None) -> str | None:
    if picture is None:
        return None
    good, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    return f"data:image/jpeg;base64,{base64.b64encode(data.tobytes()).decode('ascii')}" if good else None
