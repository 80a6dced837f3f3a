"""Where sheets come to lie in drawn rigs: where the app's own guide asks for them, as roughly as people lay paper.

The guide knows the first view and no lens, as at the table; it shows a place in camera pixels, and the person lays the
sheet where that place is seen.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from calibration.sheet.corners import SheetView
from calibration.sheet.placing import MAT_INSET_MM, Lift, Place, field_of, next_flat, next_tilted, outline_of

Floats = NDArray[np.float64]

PRINT_MM, CELL_MM = (240.0, 180.0), 30.0
FIRST_SD_MM = 40.0  # of the first sheet's middle, which is laid anywhere near the middle of the mat
SD_MM, SD_RAD = 10.0, 0.05  # of a sheet that is laid on a place shown in light
PART_MM, PART_SD_MM, TILTED_SD_MM = (290.0, 180.0), 20.0, (150.0, 80.0)  # without a guide
EDGES = {"left": (-1.0, 0.0), "right": (1.0, 0.0), "near": (0.0, -1.0), "far": (0.0, 1.0)}


class Sees(Protocol):
    """What laying needs to know of a camera."""

    @property
    def size_px(self) -> tuple[int, int]: ...

    def px(self, points_mat_mm: Floats) -> Floats: ...

    def on_mat(self, px: Floats) -> Floats: ...

    def sees(self, px: Floats) -> NDArray[np.bool_]: ...


@dataclass(frozen=True, eq=False, slots=True)
class Laid:
    """How one sheet lies on the mat, or stands on one edge."""

    middle_mm: Floats  # (2,)
    turn_rad: float
    lifted: Floats | None = None  # (2,) unit vector towards the edge that is raised
    tilt_rad: float = 0.0

    def points_mm(self, sheet_mm: Floats) -> Floats:
        """Points (N, 3) of the sheet about its middle, in the mat's frame."""
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        flat, height = sheet_mm[:, :2] @ np.array([[c, s], [-s, c]]) + self.middle_mm, sheet_mm[:, 2]
        if self.lifted is None:
            return np.column_stack([flat, height])
        away = flat @ self.lifted
        hinge = float(away.min())
        sin, cos = np.sin(self.tilt_rad), np.cos(self.tilt_rad)
        along = (away - hinge) * (cos - 1.0) - height * sin
        return np.column_stack([flat + along[:, None] * self.lifted, (away - hinge) * sin + height * cos])


def lay(
    rng: np.random.Generator, camera: Sees, mat_mm: tuple[float, float], views: tuple[int, int]
) -> Iterator[tuple[Laid, bool]]:
    """Where each sheet lies and whether it lies flat: flat ones first, each where the guide asks for the next."""
    first = Laid(np.array(mat_mm) / 2 + rng.normal(0, FIRST_SD_MM, 2), float(rng.normal(0, SD_RAD)))
    field = field_of(_view(camera, first), PRINT_MM, camera.size_px, _mat_px(camera, mat_mm))
    yield first, True
    seen = [outline_of(field, _view(camera, first))]
    for _ in range(views[0] - 1):
        place = next_flat(field, seen)
        assert place is not None
        laid = _laid(rng, camera, place, field.camera_px(place.corners_sheet_mm))
        seen.append(outline_of(field, _view(camera, laid)))
        yield laid, True
    for n in range(views[1]):
        place = next_tilted(field, n)
        yield _laid(rng, camera, place, field.camera_px(place.corners_sheet_mm)), False


def anywhere(
    rng: np.random.Generator, camera: Sees, mat_mm: tuple[float, float], views: tuple[int, int]
) -> Iterator[tuple[Laid, bool]]:
    """The same without a guide: about the middles of the mat's nine parts, turned anyhow; tilted about the middle."""
    for i in range(sum(views)):
        is_flat = i < views[0]
        laid = _anyhow(rng, mat_mm, i % 9 if is_flat else None)
        while camera.sees(_view(camera, laid).corners_px).mean() < 0.7:
            laid = _anyhow(rng, mat_mm, i % 9 if is_flat else None)
        yield laid, is_flat


def _anyhow(rng: np.random.Generator, mat_mm: tuple[float, float], part: int | None) -> Laid:
    turn = float(rng.normal(0, 0.4) + np.pi / 2 * rng.integers(0, 4))
    if part is not None:
        third = np.array([part % 3, part // 3]) - 1
        return Laid(np.array(mat_mm) / 2 + third * np.array(PART_MM) + rng.normal(0, PART_SD_MM, 2), turn)
    way = rng.normal(0, 1, 2)
    tilt = float(np.radians(rng.uniform(15.0, 35.0)))
    return Laid(np.array(mat_mm) / 2 + rng.normal(0, TILTED_SD_MM), turn, way / np.linalg.norm(way), tilt)


def _laid(rng: np.random.Generator, camera: Sees, place: Place, shown_px: Floats) -> Laid:
    corners = camera.on_mat(shown_px)
    across = corners[1] + corners[2] - corners[0] - corners[3]
    middle = corners.mean(axis=0) + rng.normal(0, SD_MM, 2)
    turn = float(np.arctan2(across[1], across[0]) + rng.normal(0, SD_RAD))
    return Laid(middle, turn) if place.lift is None else _raised(rng, middle, turn, place.lift)


def _raised(rng: np.random.Generator, middle: Floats, turn_rad: float, lift: Lift) -> Laid:
    towards = np.array(EDGES[lift.edge])
    c, s = np.abs(np.cos(turn_rad)), np.abs(np.sin(turn_rad))
    length = float(np.array([c * PRINT_MM[0] + s * PRINT_MM[1], s * PRINT_MM[0] + c * PRINT_MM[1]]) @ np.abs(towards))
    return Laid(middle, turn_rad, towards, float(np.arcsin(lift.mm * rng.uniform(0.7, 1.4) / length)))


def _view(camera: Sees, laid: Laid) -> SheetView:
    """The corners that the guide goes by; what they err does not matter to it."""
    x, y = np.meshgrid(np.arange(CELL_MM, PRINT_MM[0], CELL_MM), np.arange(CELL_MM, PRINT_MM[1], CELL_MM))
    sheet = np.column_stack([x.ravel(), y.ravel()])
    about = np.column_stack([sheet - np.array(PRINT_MM) / 2, np.zeros(len(sheet))])
    return SheetView("", np.arange(len(sheet)), sheet, camera.px(laid.points_mm(about)), np.ones(len(sheet)))


def _mat_px(camera: Sees, mat_mm: tuple[float, float]) -> Floats:
    (w, h), inset = mat_mm, MAT_INSET_MM
    corners = np.array([[inset, inset], [w - inset, inset], [w - inset, h - inset], [inset, h - inset]])
    return camera.px(np.column_stack([corners, np.zeros(4)]))
