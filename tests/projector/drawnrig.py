"""A rig for pictures that are drawn by `tests/vision/exact.py`: its camera is known exactly, or nearly so."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from calibration.rig import Device, Rig
from calibration.rigfile import save_rig
from tests.vision.exact import MM_PER_PX, SIZE_PX, camera, mm_of_px

MADE = datetime(2026, 11, 28, 9, 30, tzinfo=UTC)


def drawn_rig(path: Path) -> Rig:
    """Written to `path`. Its camera's covariance is as good as none, its scale is known to 0.01 %."""
    edge = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]) * (np.array(SIZE_PX) - 1.0)
    corners = np.column_stack(mm_of_px(edge[:, 0], edge[:, 1]))
    area = corners[::-1] if _clockwise(corners) else corners
    device = Device(camera(), np.eye(15) * 1e-12, 0.05)
    rig = Rig(device, None, 1e-4, area, MADE, scale_how="as it was drawn", notes=(f"{MM_PER_PX} mm a pixel",))
    save_rig(rig, path)
    return rig


def _clockwise(corners: np.ndarray) -> bool:
    x, y = corners.T
    return bool(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) < 0.0)
