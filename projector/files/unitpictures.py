"""Small photographs of units as they were measured, for the report: one file each, named by session and number."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole

Picture = NDArray[np.uint8]
Floats = NDArray[np.float64]

FOLDER = "units"  # beside the records, where no other was said
ROOM = 0.25  # of the unit's size, shown around it
MOST_PX = 420
QUALITY = 82
LINE_BGR = (66, 228, 240)  # Okabe and Ito's yellow; the black beneath it parts it from light cloth


class UnitPictures:
    """Keeps what was measured last, and writes a unit's part of it when the unit has its number in the records."""

    def __init__(self, folder: Path, camera: Pinhole, height_mm: float, trouble: Callable[[OSError], object]) -> None:
        self._folder, self._camera, self._height_mm, self._trouble = folder, camera, height_mm, trouble
        self._latest: Picture | None = None
        self._works = True

    def measured(self, pixels: Picture) -> None:
        """A picture that was measured."""
        self._latest = pixels

    def keep(self, session: int, n: int, outline_mat_mm: Floats) -> None:
        """Write the unit. A picture is not worth a cut: where it cannot be written, that is told once."""
        if self._latest is None or not self._works:
            return
        data = unit_picture(self._latest, self._camera, outline_mat_mm, self._height_mm)
        if data is None:
            return
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            (self._folder / picture_name(session, n)).write_bytes(data)
        except OSError as error:
            self._works = False
            self._trouble(error)


def picture_name(session: int, n: int) -> str:
    """A unit's file, by its numbers in the records.

    >>> picture_name(3, 12)
    '0003_0012.jpg'
    """
    return f"{session:04}_{n:04}.jpg"


def unit_picture(pixels: Picture, camera: Pinhole, outline_mat_mm: Floats, height_mm: float) -> bytes | None:
    """A unit cut out of a picture, its outline drawn on it, as JPEG; None where it lies off the picture."""
    corners_px = camera.px_from_mat(outline_mat_mm, height_mm)
    low, high = corners_px.min(axis=0), corners_px.max(axis=0)
    room, size = ROOM * float(np.max(high - low)), np.array(pixels.shape[1::-1])
    (x0, y0), (x1, y1) = (np.clip(np.rint(place), 0, size).astype(int) for place in (low - room, high + room))
    if min(x1 - x0, y1 - y0) < 8:
        return None
    part = pixels[y0:y1, x0:x1]
    scale = min(1.0, MOST_PX / max(part.shape[:2]))
    small = cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    places = np.rint((corners_px - [x0, y0]) * scale).astype(np.int32)[None]
    for colour, thick in (((0, 0, 0), 3), (LINE_BGR, 1)):
        cv2.polylines(small, places, True, colour, thick, cv2.LINE_AA)
    good, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    return data.tobytes() if good else None
