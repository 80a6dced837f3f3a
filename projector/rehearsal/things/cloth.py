"""Cloth: flat convex pieces made of patches, lying somewhere on the mat, that a straight cut divides in
two."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.things.sizes import CLOTH_THICKNESS_MM

Floats = NDArray[np.float64]

# Invented fabrics: linear reflectance, blue green red.
ALBEDO_BGR: dict[str, tuple[float, float, float]] = {
    "navy": (0.16, 0.05, 0.035),
    "cream": (0.48, 0.66, 0.72),
    "red": (0.06, 0.05, 0.42),
    "white": (0.80, 0.80, 0.79),
    "sand": (0.40, 0.55, 0.62),
    "yellow": (0.09, 0.55, 0.72),
    "blue": (0.30, 0.11, 0.06),
    "sky": (0.62, 0.45, 0.24),
    "mustard": (0.06, 0.36, 0.55),
    "rose": (0.38, 0.30, 0.62),
    "grey": (0.34, 0.33, 0.32),
    "dark": (0.16, 0.05, 0.035),
    "light": (0.48, 0.66, 0.72),
}


def albedo_bgr(fabric: str) -> tuple[float, float, float]:
    """Colour of a fabric: by a colour word in its name, else one that the name always gets."""
    for word, colour in ALBEDO_BGR.items():
        if word in fabric.lower():
            return colour
    return list(ALBEDO_BGR.values())[zlib.crc32(fabric.encode()) % len(ALBEDO_BGR)]


@dataclass(frozen=True, slots=True)
class ClothToLay:
    """A strip or strip set that the person has ready: `seams_mm` are distances from its lower edge."""

    name: str
    width_mm: float
    length_mm: float
    seams_mm: tuple[float, ...] = ()
    fabrics: tuple[str, ...] = ("cream",)  # from the lower edge up, one more than there are seams


@dataclass(frozen=True, slots=True)
class Pose:
    """Where a piece's own frame lies on the mat."""

    x_mm: float = 0.0
    y_mm: float = 0.0
    turn_rad: float = 0.0

    @property
    def rotation(self) -> Floats:
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        return np.array([[c, -s], [s, c]])

    def mat_from_own(self, points_mm: Floats) -> Floats:
        """Points (..., 2) of the piece's own frame in the mat frame."""
        return np.asarray(points_mm @ self.rotation.T + np.array([self.x_mm, self.y_mm]))

    def own_from_mat(self, points_mat_mm: Floats) -> Floats:
        """Points (..., 2) of the mat frame in the piece's own frame."""
        return np.asarray((points_mat_mm - np.array([self.x_mm, self.y_mm])) @ self.rotation)


@dataclass(frozen=True, eq=False, slots=True)
class Patch:
    """One fabric of a piece."""

    corners_mm: Floats  # (N, 2) convex, counter-clockwise, in the piece's frame
    fabric: str


@dataclass(frozen=True, eq=False, slots=True)
class Piece:
    """A piece of cloth. Side i of the outline, from corner i to i + 1, is called `sides[i]`.

    A strip has sides lower, end (the right one, which is cut), upper and far. What is cut off has a side
    "cut".
    """

    source: str
    corners_mm: Floats  # (N, 2) convex, counter-clockwise, in its own frame
    sides: tuple[str, ...]
    patches: tuple[Patch, ...]
    seams_mm: Floats  # (S, 2, 2), each from left to right
    pose: Pose = Pose()
    thickness_mm: float = CLOTH_THICKNESS_MM  # of all its layers together
    from_bolt: bool = False  # yardage, or a strip just cut from it; folded along its lower side where it has layers

    @property
    def corners_mat_mm(self) -> Floats:
        return self.pose.mat_from_own(self.corners_mm)

    @property
    def seams_mat_mm(self) -> Floats:
        return self.pose.mat_from_own(self.seams_mm)

    @property
    def area_mm2(self) -> float:
        return area_mm2(self.corners_mm)

    def side_mat_mm(self, name: str) -> Floats | None:
        """End points (2, 2) of a named side, or None where the piece has no such side."""
        if name not in self.sides:
            return None
        i = self.sides.index(name)
        corners = self.corners_mat_mm
        return np.array([corners[i], corners[(i + 1) % len(corners)]])

    def moved(self, pose: Pose) -> Piece:
        return replace(self, pose=pose)


def area_mm2(corners_mm: Floats) -> float:
    """Area inside an outline (N, 2), positive if counter-clockwise (the shoelace formula)."""
    x, y = corners_mm.T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2


def strip(cloth: ClothToLay, raw_end_rad: tuple[float, float] = (0.0, 0.0), width_error_mm: float = 0.0) -> Piece:
    """A fresh strip or strip set; its right and left end lean by `raw_end_rad` from square, to the right if
    positive."""
    right, left = np.tan(raw_end_rad)
    width, length = cloth.width_mm + width_error_mm, cloth.length_mm
    levels = [0.0, *cloth.seams_mm, width]

    def across(y: float) -> tuple[tuple[float, float], tuple[float, float]]:
        return (left * (y - width / 2), y), (length + right * (y - width / 2), y)

    def band(low: float, high: float) -> Floats:
        (a, b), (d, c) = across(low), across(high)
        return np.array([a, b, c, d])

    fabrics = [cloth.fabrics[i % len(cloth.fabrics)] for i in range(len(levels) - 1)]
    patches = tuple(Patch(band(*levels[i : i + 2]), fabric) for i, fabric in enumerate(fabrics))
    seams = np.array([across(y) for y in cloth.seams_mm]).reshape(-1, 2, 2)
    return Piece(cloth.name, band(0.0, width), ("lower", "end", "upper", "far"), patches, seams)


def cut(piece: Piece, line_mat_mm: Floats) -> tuple[Piece | None, Piece | None]:
    """Divide a piece along a line, (2, 2) two points of the mat, seen from the first to the second.

    Returns what lies left of it, whose new side is called "end" (and an old end "old"), and what lies right
    of it, whose new side is called "cut". Either is None where nothing is left.
    """
    start, end = piece.pose.own_from_mat(line_mat_mm)
    along = (end - start) / np.hypot(*(end - start))
    normal = np.array([-along[1], along[0]])
    offset = float(normal @ start)
    return _part(piece, normal, offset, "end"), _part(piece, -normal, -offset, "cut")


def _part(piece: Piece, normal: Floats, offset: float, new: str) -> Piece | None:
    """The part of a piece in a half-plane."""
    old = tuple("old" if name == new else name for name in piece.sides)
    corners, sides = clip(piece.corners_mm, old, normal, offset, new)
    if len(corners) < 3 or area_mm2(corners) < 1e-6:
        return None
    patches = []
    for patch in piece.patches:
        inside, _ = clip(patch.corners_mm, ("",) * len(patch.corners_mm), normal, offset, "")
        if len(inside) >= 3 and area_mm2(inside) > 1e-6:
            patches.append(Patch(inside, patch.fabric))
    seams = [kept for seam in piece.seams_mm if (kept := _clip_segment(seam, normal, offset)) is not None]
    return replace(
        piece,
        corners_mm=corners,
        sides=sides,
        patches=tuple(patches),
        seams_mm=np.array(seams).reshape(-1, 2, 2),
    )


def clip(
    corners_mm: Floats, sides: tuple[str, ...], normal: Floats, offset: float, new: str
) -> tuple[Floats, tuple[str, ...]]:
    """Keep the part of a convex outline where normal @ p >= offset, with the names of its sides.

    Sutherland and Hodgman, "Reentrant polygon clipping", 1974.
    """
    depth = corners_mm @ normal - offset
    kept: list[Floats] = []
    names: list[str] = []
    for i, name in enumerate(sides):
        j = (i + 1) % len(sides)
        if depth[i] >= 0:
            kept.append(corners_mm[i])
            names.append(name)
        if (depth[i] >= 0) != (depth[j] >= 0):
            t = depth[i] / (depth[i] - depth[j])
            kept.append(corners_mm[i] + t * (corners_mm[j] - corners_mm[i]))
            names.append(name if depth[j] >= 0 else new)
    return np.array(kept).reshape(-1, 2), tuple(names)


def _clip_segment(ends_mm: Floats, normal: Floats, offset: float) -> Floats | None:
    depth = ends_mm @ normal - offset
    if np.all(depth <= 0):
        return None
    if np.all(depth >= 0):
        return ends_mm
    meet = ends_mm[0] + depth[0] / (depth[0] - depth[1]) * (ends_mm[1] - ends_mm[0])
    return np.array([meet, ends_mm[1]]) if depth[0] < 0 else np.array([ends_mm[0], meet])
