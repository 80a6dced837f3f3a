"""A hand and a sleeve in the picture: good enough to be in the way."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.light.light import Planes
from projector.rehearsal.setting import Setting
from projector.rehearsal.things.layers import Box, box_of

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]

HEIGHT_MM = 30.0
SKIN_BGR, SLEEVE_BGR = (0.20, 0.28, 0.45), (0.35, 0.22, 0.16)
NEAR_MM = -260.0  # where the arm comes from, before the mat's near edge
SUB_BITS = 4  # of the outline's fixed point


def reached(setting: Setting, goal_mat_mm: tuple[float, float], depth: float) -> tuple[Box, Plane, Plane] | None:
    """Where in the camera's picture the arm is: a box, coverage by the hand and by the sleeve in it."""
    goal = np.array(goal_mat_mm)
    root = np.array([0.5 * goal[0] + 260.0, NEAR_MM])
    wrist = root + (goal - root) * depth
    along = (goal - root) / np.hypot(*(goal - root))
    across = np.array([-along[1], along[0]])
    sleeve = np.array([root + 55 * across, root - 55 * across, wrist - 38 * across, wrist + 38 * across])
    angle = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)[:, None]
    palm = wrist + 45 * along + 62 * np.cos(angle) * along + 40 * np.sin(angle) * across
    pixels = [setting.camera.px_from_level(part, HEIGHT_MM) for part in (sleeve, palm)]
    box = box_of(np.concatenate(pixels), setting.camera.size_px)
    if box[0].stop <= box[0].start or box[1].stop <= box[1].start:
        return None
    return box, _soft(pixels[1], box), _soft(pixels[0], box)


def over(setting: Setting, linear: Planes, box: Box, hand: Plane, sleeve: Plane, factor: float = 1.0) -> Planes:
    """The light of the picture's box with the arm in it, in the room's light, the picture amplified by `factor`."""
    light = setting.sensor.gain * setting.room.level * 1.6 * factor
    parts = []
    for plane, skin, cloth in zip(linear, SKIN_BGR, SLEEVE_BGR, strict=True):
        below = plane[box] * (1.0 - sleeve) + np.float32(cloth * light) * sleeve
        parts.append(np.asarray(below * (1.0 - hand) + np.float32(skin * light) * hand, dtype=np.float32))
    return parts[0], parts[1], parts[2]


def _soft(outline_px: Floats, box: Box) -> Plane:
    shape = (box[0].stop - box[0].start, box[1].stop - box[1].start)
    mask = np.zeros(shape, np.uint8)
    corners = np.round((outline_px - [box[1].start, box[0].start]) * 2**SUB_BITS).astype(np.int32)
    cv2.fillPoly(mask, [corners], 255, lineType=cv2.LINE_AA, shift=SUB_BITS)
    return np.asarray(cv2.GaussianBlur(mask, (0, 0), 1.5).astype(np.float32) / 255, dtype=np.float32)
