"""Does the picture's outermost line of pixels reach the table? A projector that overscans cuts it away."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

ALONG = 24  # places looked at on each side
ACROSS = 61  # samples from inside to outside at each of them
REACH = 0.05  # of the picture's width and height, that a place may be off
DARK_OUTSIDE = 0.2  # of the light inside
SEEN = 0.15  # of the light inside, that a line must have
FEWEST = 5  # places that must be in view


def rim_seen(line: Floats32, black: Floats32, white: Floats32, camera_from_thrown: Floats) -> float | None:
    """At how many of the places where the field of light ends in the camera's picture its rim is a line of light.

    `line` shows the rim's pixels lit, `black` none, `white` all: (h, w) in linear light. `camera_from_thrown` (3, 3)
    takes shares of the projector's picture, 0 to 1, to camera pixels, roughly. None where no end is in view.
    """
    inside, places = _shares(REACH), _shares(0.0)
    inner, rim = (_mapped(camera_from_thrown, at) for at in (inside, places))
    way = np.linspace(0.0, 2.0, ACROSS)
    paths = inner[:, None, :] + way[None, :, None] * (rim - inner)[:, None, :]
    h, w = white.shape
    in_view = np.all((paths >= 1.0) & (paths <= np.array([w, h]) - 2.0), axis=(1, 2))
    lamp, drawn = (_along(np.asarray(cv2.blur(plane - black, (3, 3)), np.float32), paths) for plane in (white, line))
    level = np.max(lamp[:, :5], axis=1)
    ends = in_view & (level > 1e-3) & (np.max(lamp[:, -5:], axis=1) < DARK_OUTSIDE * level)
    if ends.sum() < FEWEST:
        return None
    return float(np.mean(drawn[ends].max(axis=1) > SEEN * level[ends]))


def _shares(inset: float) -> Floats:
    """Places near the four sides, in shares of the picture, (4 ALONG, 2); corners are left out."""
    t = np.linspace(2 * REACH, 1.0 - 2 * REACH, ALONG)
    low, high = np.full(ALONG, inset), np.full(ALONG, 1.0 - inset)
    return np.vstack([np.column_stack(pair) for pair in ((t, low), (t, high), (low, t), (high, t))])


def _mapped(homography: Floats, points: Floats) -> Floats:
    h = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(h[:, :2] / h[:, 2:])


def _along(plane: Floats32, paths: Floats) -> Floats:
    x, y = (np.ascontiguousarray(paths[..., k], np.float32) for k in (0, 1))
    return np.asarray(cv2.remap(plane, x, y, cv2.INTER_LINEAR), np.float64)
