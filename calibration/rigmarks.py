"""What a rig file keeps of the bare mat: landmarks with their patches, and where dots of light were seen."""

from __future__ import annotations

from typing import Any

import numpy as np

from calibration.mat.dots import Dots
from calibration.mat.landmarks import PATCH_PX, Landmarks
from calibration.rigdata import Data, array, bytes_of_text, get, keys, number, text_of_bytes


def landmarks_data(marks: Landmarks) -> Data:
    """Landmarks for JSON; pictures are base64 text of their bytes, row by row."""
    return {
        "places_mat_mm": marks.places_mat_mm.tolist(),
        "places_px": marks.places_px.tolist(),
        "information_px2": marks.information_px2.tolist(),
        "patches": text_of_bytes(marks.patches),
        "small_size_px": list(marks.small.shape[::-1]),
        "small": text_of_bytes(marks.small),
    }


def landmarks_from(value: Any) -> Landmarks:
    """The way back. Raises ValueError."""
    data = keys(value, "landmarks")
    places_mm, places_px = array(data, "places_mat_mm", (None, 2)), array(data, "places_px", (None, 2))
    information = array(data, "information_px2", (None, 2, 2))
    if not len(places_mm) == len(places_px) == len(information):
        raise ValueError("landmarks has lists of different lengths")
    w, h = array(data, "small_size_px", (2,)).astype(int).tolist()
    patches = bytes_of_text(data, "patches", (len(places_px), PATCH_PX, PATCH_PX))
    return Landmarks(places_mm, places_px, information, patches, bytes_of_text(data, "small", (h, w)))


def dots_data(dots: Dots) -> Data:
    """Dots for JSON; one that was not seen is null."""
    seen = [
        [*place, u] if np.isfinite(u) else None for place, u in zip(dots.camera_px.tolist(), dots.u_px, strict=True)
    ]
    return {"sigma_px": dots.sigma_px, "projector_px": dots.projector_px.tolist(), "camera_px_and_u_px": seen}


def dots_from(value: Any) -> Dots:
    """The way back. Raises ValueError."""
    data = keys(value, "dots")
    lit = array(data, "projector_px", (None, 2))
    rows = get(data, "camera_px_and_u_px")
    if not isinstance(rows, list) or len(rows) != len(lit):
        raise ValueError("dots has lists of different lengths")
    known = array({"camera_px_and_u_px": [row for row in rows if row is not None]}, "camera_px_and_u_px", (None, 3))
    seen = np.full((len(lit), 3), np.nan)
    seen[[row is not None for row in rows]] = known
    return Dots(lit, number(data, "sigma_px"), seen[:, :2], seen[:, 2])
