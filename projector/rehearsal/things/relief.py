"""What the thickness of cloth does: its cut walls show, and it takes light from the mat beside it.

Cloth is a prism: upright walls of its own fabric below its upper side. The projector's lens is small beside its
distance, so its shadow is sharp; the room's light comes evenly from all of the ceiling.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from projector.rehearsal.setting import Setting
from projector.rehearsal.things.cloth import Piece, albedo_bgr
from projector.rehearsal.things.coverage import convex_cover, sides_of
from projector.rehearsal.things.layers import Box, Layer, Plane, Sights, box_of

Floats = NDArray[np.float64]

SKY_ON_WALL = 0.5  # an upright wall sees half of an even ceiling
DIM_MM_PER_MM = 6.0  # beyond so many heights the ceiling is hidden by less than a hundredth
ON_RIM_MM = 1e-6


@dataclass(frozen=True, eq=False, slots=True)
class Shade:
    """What a piece leaves of the light on the mat beside it, (h, w) shares in a part of the camera's picture."""

    box: Box
    lamp: Plane
    room: Plane


def shade_of(setting: Setting, ground: Sights, piece: Piece) -> Shade:
    """The mat's shade beside a piece; `ground` are the sights of the mat's own height."""
    foot, high = piece.corners_mat_mm, piece.thickness_mm
    shadow = _hull(np.concatenate([foot, _dropped(foot, high, setting.projector.at_mm)]))
    beyond = _hull(
        (foot[:, None] + DIM_MM_PER_MM * high * np.array([[1, 1], [1, -1], [-1, 1], [-1, -1]])).reshape(-1, 2)
    )
    box = box_of(setting.camera.px_from_level(np.concatenate([beyond, shadow]), 0.0), setting.camera.size_px)
    x, y = ground.x_mm[box], ground.y_mm[box]
    away = np.max([offset - nx * x - ny * y for nx, ny, offset in sides_of(foot)], axis=0)
    away = np.maximum(away, 0.0)
    # A wall of height h hides, at a distance d, (1 - d / sqrt(d^2 + h^2)) / 2 of an even ceiling's light.
    room = (1.0 + away / np.hypot(away, max(high, ON_RIM_MM))) / 2.0
    # Of the mat that the camera sees past the cloth; shadow and cloth run side by side, so the greater is their union.
    hidden = convex_cover(_hull(np.concatenate([foot, _dropped(foot, high, setting.camera.at_mm)])), x, y)
    dark = np.maximum(convex_cover(shadow, x, y), hidden)
    lamp = (1.0 - dark) / np.maximum(1.0 - hidden, ON_RIM_MM)
    return Shade(box, np.asarray(lamp, np.float32), np.asarray(room, np.float32))


def walls_of(setting: Setting, ground: Sights, piece: Piece, top: Layer) -> tuple[Layer, ...]:
    """The walls that the camera sees, to be laid under `top`, the piece's upper side."""
    eye, lamp, high = setting.camera.at_mm, setting.projector.at_mm, piece.thickness_mm
    walls = []
    for ends, outward, fabric in _rims(piece):
        if outward @ (eye[:2] - ends[0]) <= 0.0 or high <= 0.0:
            continue
        quad = np.concatenate([ends, _dropped(ends, high, eye)[::-1]])
        inner = _common(box_of(setting.camera.px_from_level(quad, 0.0), setting.camera.size_px), top.box)
        own = tuple(slice(a.start - b.start, a.stop - b.start) for a, b in zip(inner, top.box, strict=True))
        cut = own[0], own[1]
        bare = np.maximum(1.0 - top.cover[cut], ON_RIM_MM)  # what the upper side leaves of a pixel
        cover = np.minimum(convex_cover(quad, ground.x_mm[inner], ground.y_mm[inner]) / bare, 1.0).astype(np.float32)
        towards_lamp = max(0.0, float(outward @ (lamp[:2] - ends.mean(axis=0)) / lamp[2]))
        blue, green, red = (np.asarray(albedo * cover, np.float32) for albedo in albedo_bgr(fabric))
        room_b, room_g, room_r = (np.asarray(SKY_ON_WALL * plane[cut], np.float32) for plane in top.room)
        walls.append(
            replace(
                top,
                box=inner,
                cover=cover,
                colour=(blue, green, red),
                lit_x_px=np.ascontiguousarray(top.lit_x_px[cut]),
                lit_y_px=np.ascontiguousarray(top.lit_y_px[cut]),
                facing=np.asarray(towards_lamp * top.facing[cut], np.float32),
                room=(room_b, room_g, room_r),
            )
        )
    return tuple(walls)


def _rims(piece: Piece) -> Iterator[tuple[Floats, Floats, str]]:
    """Ends (2, 2) on the mat, outward normal and fabric of each stretch of the piece's outline."""
    sides = sides_of(piece.corners_mm)
    for patch in piece.patches:
        for ends in np.stack([patch.corners_mm, np.roll(patch.corners_mm, -1, axis=0)], axis=1):
            depths = ends @ sides[:, :2].T - sides[:, 2]
            along = piece.pose.mat_from_own(ends)
            ahead = along[1] - along[0]
            length = float(np.hypot(*ahead))
            if length > ON_RIM_MM and np.any(np.abs(depths).max(axis=0) < ON_RIM_MM * 1e3):
                yield along, np.array([ahead[1], -ahead[0]]) / length, patch.fabric


def _dropped(points_mat_mm: Floats, height_mm: float, from_mm: Floats) -> Floats:
    """Where points (N, 2) at a height are seen against the mat, or throw their shadow, from a lens at (3,)."""
    return np.asarray(points_mat_mm + (points_mat_mm - from_mm[:2]) * height_mm / (from_mm[2] - height_mm))


def _hull(points: Floats) -> Floats:
    """The convex outline, counter-clockwise."""
    return np.asarray(points[ConvexHull(points).vertices])


def _common(one: Box, other: Box) -> Box:
    rows, columns = (
        slice(max(a.start, b.start), max(a.start, b.start, min(a.stop, b.stop)))
        for a, b in zip(one, other, strict=True)
    )
    return rows, columns
