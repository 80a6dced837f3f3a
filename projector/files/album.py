"""Pictures of a session as PNG files: what the projector showed, what the camera saw, what was measured there."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.overlay.units import draw_units
from vision.units import Judged

Picture = NDArray[np.uint8]

ONCE = frozenset({"sheet_flat", "sheet_tilted", "place"})  # the first of many alike
NAMES = re.compile(r"\d{2,}_(\w+_(light|camera)|measured)\.png")


class AlbumError(Exception):
    """A picture cannot be written; the message says in one line what to do."""


class Album:
    """A folder of numbered pictures. It hears the app's events and is shown every frame, and keeps the telling ones."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._count = 0
        self._next: str | None = None  # name under which the next frame and its light are kept
        self._once: set[str] = set()

    def hears(self, event: Mapping[str, Any]) -> None:
        """Decide whether the next frame is worth keeping: a new scene; the first sheet and place of each kind."""
        kind, what = event.get("event"), str(event.get("what", ""))
        if kind == "shown" and event["scene"] not in ONCE:
            self._next = str(event["scene"])
        name = str(event["scene"]) if kind == "shown" else what if kind == "seen" else ""
        if name in ONCE and name not in self._once:
            self._once.add(name)
            self._next = name

    def watches(self, seen: Picture, shown: Picture) -> None:
        """Keep a frame and the light it was taken in, if they are wanted."""
        if self._next is None:
            return
        name, self._next = self._next, None
        self._count += 1
        write_png(self._folder / f"{self._count:02d}_{name}_light.png", shown)
        write_png(self._folder / f"{self._count:02d}_{name}_camera.png", seen)

    def measured(self, pixels: Picture, camera: Pinhole, height_mm: float, units: tuple[Judged, ...]) -> None:
        """Keep a frame with what was measured drawn over it."""
        self._count += 1
        drawn = draw_units(pixels, camera, height_mm, units)
        write_png(self._folder / f"{self._count:02d}_measured.png", drawn)


def old_pictures(folder: Path) -> list[Path]:
    """The pictures that an album left in a folder, and no others."""
    return [path for path in folder.iterdir() if NAMES.fullmatch(path.name)]


def write_png(path: Path, picture: Picture) -> None:
    """Write a picture. Raises AlbumError."""
    good, data = cv2.imencode(".png", picture, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    try:
        if not good:
            raise OSError("not encoded")
        path.write_bytes(data.tobytes())
    except OSError as error:
        raise AlbumError(f"{path}: cannot be written ({error.strerror}); give another folder") from None
