"""Another frame of the same mat: everything a rig holds, turned and moved in the mat's plane."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from calibration.projection import PARAMETERS, cross_matrices
from calibration.rig import Device, Rig

Floats = NDArray[np.float64]


def turn_matrix(turn_rad: float) -> Floats:
    """(2, 2), counter-clockwise.

    >>> np.round(turn_matrix(np.pi / 2) @ np.array([1.0, 0.0]), 9).tolist()
    [0.0, 1.0]
    """
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    return np.array([[c, -s], [s, c]])


def rigid(points: Floats, onto: Floats) -> tuple[Floats, Floats]:
    """The turn (2, 2) and move (2,) that bring points (N, 2) best onto others: `points @ turn.T + move`.

    Source: S. Umeyama, "Least-squares estimation of transformation parameters between two point patterns",
    1991, without scale.
    """
    a, b = points - points.mean(axis=0), onto - onto.mean(axis=0)
    angle = np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b))
    turn = turn_matrix(float(angle))
    return turn, onto.mean(axis=0) - turn @ points.mean(axis=0)


def device_in_plane(device: Device, turn: Floats, move_mm: Floats) -> Device:
    """The device over the frame in which a mat point p is `turn @ p + move_mm`; its covariance goes along."""
    about = np.eye(3)
    about[:2, :2] = turn
    pinhole = device.pinhole
    rotation = pinhole.rotation @ about.T
    arm = rotation @ np.append(move_mm, 0.0)
    # a turn of the device, applied after the rotation, swings the new origin on this arm
    slopes = np.eye(PARAMETERS)
    slopes[12:15, 9:12] = cross_matrices(arm)
    moved = Pinhole(pinhole.lens, rotation, pinhole.translation_mm - arm)
    return Device(moved, slopes @ device.covariance @ slopes.T, device.residual_px)


def rig_in_plane(rig: Rig, turn: Floats, move_mm: Floats) -> Rig:
    """The whole rig in that frame: devices, area, landmarks."""
    marks = rig.landmarks
    return replace(
        rig,
        camera=device_in_plane(rig.camera, turn, move_mm),
        projector=None if rig.projector is None else device_in_plane(rig.projector, turn, move_mm),
        area_mat_mm=rig.area_mat_mm @ turn.T + move_mm,
        landmarks=None if marks is None else replace(marks, places_mat_mm=marks.places_mat_mm @ turn.T + move_mm),
    )
