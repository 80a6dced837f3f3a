"""How consistent real captures of Gray code are, as a table: `python -m tests.measure.real_captures FOLDER`.

FOLDER holds `capture_0`, `capture_1`, ... of github.com/kamino410/procam-calibration, `sample_data/` (pictures as
`graycode_NN.jpg` or converted to it). OpenCV's calibration of both devices is the judge of the squares.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.calibration.beam.captures import (
    PROJECTOR_PX,
    SQUARE,
    board_points,
    corners_px,
    decode_pairs,
    in_projector,
    off_one_plane_px,
    read_capture,
)

Floats = NDArray[np.float64]
CAMERA_PX = (1280, 1024)


def squares(camera: list[Floats], projector: list[Floats]) -> Floats:
    """Sides of all squares, triangulated between both devices, in the board's units."""
    board = [board_points().astype(np.float32)] * len(camera)
    seen, lit = ([c.astype(np.float32) for c in corners] for corners in (camera, projector))
    _, eye, eye_bend, *_ = cv2.calibrateCamera(board, seen, CAMERA_PX, None, None)
    rms, lamp, lamp_bend, *_ = cv2.calibrateCamera(board, lit, PROJECTOR_PX, None, None)
    print(f"projector by OpenCV: fx {lamp[0, 0]:.0f}, fy {lamp[1, 1]:.0f}, rms {rms:.3f} px\n")
    both = cv2.stereoCalibrate(
        board, seen, lit, eye, eye_bend, lamp, lamp_bend, CAMERA_PX, flags=cv2.CALIB_FIX_INTRINSIC
    )
    pose = np.hstack([both[5], both[6]])
    sides = []
    for c, p in zip(camera, projector, strict=True):
        rays = [
            cv2.undistortPoints(c.reshape(-1, 1, 2), eye, eye_bend),
            cv2.undistortPoints(p.reshape(-1, 1, 2), lamp, lamp_bend),
        ]
        points = cv2.triangulatePoints(np.eye(3, 4), pose, *(r.reshape(-1, 2).T for r in rays))
        grid = (points[:3] / points[3]).T.reshape(9, 7, 3)
        sides += [np.linalg.norm(np.diff(grid, axis=axis), axis=-1).ravel() for axis in (0, 1)]
    return np.concatenate(sides)


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("folder", type=Path)
    camera, projector = [], []
    print("| pose | corners carried | off one plane, px rms |\n| --- | --- | --- |")
    for folder in sorted(reader.parse_args().folder.glob("capture_*")):
        pictures = read_capture(folder)
        corners = corners_px(pictures[-2])
        carried = in_projector(decode_pairs(pictures), corners)
        off = np.sqrt(2) * off_one_plane_px(corners, carried)
        print(f"| {folder.name} | {np.isfinite(carried[:, 0]).sum()} of {len(corners)} | {off:.3f} |")
        camera.append(corners)
        projector.append(carried)
    print()
    sides = squares(camera, projector)
    print(f"squares: {sides.mean():.2f}, SD {sides.std():.2f} (printed {SQUARE:g})")


if __name__ == "__main__":
    main()
