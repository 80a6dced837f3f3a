"""The printed sheet as a thing on the table: a picture of a size, flat or held at a slant."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.optics import turn_about
from projector.rehearsal.things.bend import Bend
from projector.rehearsal.things.sizes import SHEET_THICKNESS_MM

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]

INK, PAPER = 0.04, 0.84  # linear reflectance of a black and a white pixel
TEXEL_MM = 0.2  # about a third of a camera pixel: what the sub-samples of a pixel lie apart


@dataclass(frozen=True, eq=False, slots=True)
class PrintedSheet:
    """What was printed: a grey picture (rows, columns) uint8, its size on paper."""

    picture: NDArray[np.uint8]
    width_mm: float
    height_mm: float
    margin_mm: float = 0.0  # white around what is printed: frames of the sheet begin at its lower-left corner

    def stretched(self, along: float, across: float) -> PrintedSheet:
        """As a printer makes it that is not true to scale, along its rows and across them."""
        return replace(self, width_mm=self.width_mm * along, height_mm=self.height_mm * across)

    @property
    def corners_mm(self) -> Floats:
        """(4, 2) from the lower left, counter-clockwise, in the sheet's frame: x right, y up the sheet."""
        w, h = self.width_mm, self.height_mm
        return np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])

    def texture(self) -> Plane:
        """Reflectance, resampled by area to texels of about `TEXEL_MM`; coarser pictures keep their pixels
        square."""
        reflectance = (INK + (PAPER - INK) * self.picture.astype(np.float32) / 255).astype(np.float32)
        size = (round(self.width_mm / TEXEL_MM), round(self.height_mm / TEXEL_MM))
        coarse = self.picture.shape[1] < size[0]
        how = cv2.INTER_NEAREST if coarse else cv2.INTER_AREA
        return np.asarray(cv2.resize(reflectance, size, interpolation=how), dtype=np.float32)


@dataclass(frozen=True, eq=False, slots=True)
class SheetPose:
    """Where the sheet is: its lower-left corner, and its right and up as unit vectors of the world.

    A bent sheet lies above the plane of those, towards its normal.
    """

    at_mm: Floats  # (3,)
    right: Floats  # (3,)
    up: Floats  # (3,)
    bend: Bend | None = None

    @property
    def normal(self) -> Floats:
        return np.cross(self.right, self.up)

    def world_from_own(self, points_mm: Floats) -> Floats:
        """Points (..., 2) of the sheet in the world, (..., 3)."""
        if self.bend is None:
            return np.asarray(self.at_mm + points_mm[..., :1] * self.right + points_mm[..., 1:] * self.up)
        flat_mm, height_mm = self.bend.lies_at(points_mm)
        return replace(self, bend=None).world_from_own(flat_mm) + height_mm[..., None] * self.normal


def flat(sheet: PrintedSheet, middle_mm: tuple[float, float], turn_rad: float) -> SheetPose:
    """The sheet flat on the mat, its middle there, turned counter-clockwise from upright."""
    turn = turn_about(np.array([0.0, 0.0, 1.0]), turn_rad)
    half = np.array([sheet.width_mm, sheet.height_mm, 0.0]) / 2
    return SheetPose(np.array([*middle_mm, SHEET_THICKNESS_MM]) - turn @ half, turn[:, 0], turn[:, 1])


def tilted(
    sheet: PrintedSheet, middle_mm: tuple[float, float], turn_rad: float, axis_rad: float, tilt_rad: float
) -> SheetPose:
    """The sheet turned, then tilted about an axis in the mat's plane, its lowest corner just above the
    mat."""
    axis = np.array([np.cos(axis_rad), np.sin(axis_rad), 0.0])
    turn = turn_about(axis, tilt_rad) @ turn_about(np.array([0.0, 0.0, 1.0]), turn_rad)
    middle = turn[:, :2] @ (np.array([sheet.width_mm, sheet.height_mm]) / 2)
    pose = SheetPose(np.array([*middle_mm, 0.0]) - middle, turn[:, 0], turn[:, 1])
    lowest = float(pose.world_from_own(sheet.corners_mm)[:, 2].min())
    return SheetPose(pose.at_mm + np.array([0.0, 0.0, 3.0 - lowest]), pose.right, pose.up)
