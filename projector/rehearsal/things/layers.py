"""What a camera pixel looks at: cloth and sheet as layers of coverage and colour, the light still to come."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.optics import Optics
from projector.rehearsal.setting import Setting
from projector.rehearsal.things.cloth import Piece, albedo_bgr
from projector.rehearsal.things.coverage import convex_cover
from projector.rehearsal.things.sheet import PrintedSheet, SheetPose
from projector.rehearsal.things.sizes import MAT_MM

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]
Box = tuple[slice, slice]

MAP_STEP_PX = 4  # the lens is followed exactly on every fourth pixel, in straight lines between (1e-3 px off)
BEND_STEPS = 4
SUB, FOR_PX = 3, 1920  # sub-samples across a camera pixel on the sheet, in pictures so wide; more in smaller ones
WEAVE_MM, WEAVE = 0.6, 0.02  # size and depth of the cloth's texture
SEAM_MM, SEAM_SHADE = 0.35, 0.12  # a pressed seam: a soft dark groove, even about the seam


@dataclass(frozen=True, eq=False, slots=True)
class Layer:
    """Something opaque in part of the camera's picture."""

    box: Box
    cover: Plane  # (h, w)
    colour: tuple[Plane, Plane, Plane]  # reflectance times coverage, blue green red
    lit_x_px: Plane  # which projector pixel lights it
    lit_y_px: Plane
    facing: Plane  # share of the projector's light by its fall-off
    room: tuple[Plane, Plane, Plane]
    shine: Plane | None = None  # (h, w) share of the projector's light that a gloss mirrors into the lens
    glare: Plane | None = None  # (h, w) light of a lamp that it mirrors there


@dataclass(frozen=True, eq=False, slots=True)
class Sights:
    """What every camera pixel sees of one height: mat points and the projector pixels that light them."""

    x_mm: Plane
    y_mm: Plane
    lit_x_px: Plane
    lit_y_px: Plane


def fine(coarse: Floats, size_px: tuple[int, int]) -> Plane:
    """Fill in a map known on the nodes of `nodes`: (rows, columns) float32 of the camera's size."""
    height, width = coarse.shape[:2]
    big = cv2.resize(
        coarse.astype(np.float64), (width * MAP_STEP_PX, height * MAP_STEP_PX), interpolation=cv2.INTER_LINEAR
    )
    inner = big[MAP_STEP_PX : MAP_STEP_PX + size_px[1], MAP_STEP_PX : MAP_STEP_PX + size_px[0]]
    return np.ascontiguousarray(inner, dtype=np.float32)


def nodes(size_px: tuple[int, int]) -> Floats:
    """Pixels (rows, columns, 2) at the middles of blocks of `MAP_STEP_PX`, one block beyond the picture all
    round."""
    counts = [-(-n // MAP_STEP_PX) + 2 for n in size_px]
    u, v = ((np.arange(n) - 1 + 0.5) * MAP_STEP_PX - 0.5 for n in counts)
    return np.stack(np.meshgrid(u, v), axis=-1)


def sights(setting: Setting, height_mm: float) -> Sights:
    """The maps of one height."""
    size = setting.camera.size_px
    points = setting.camera.level_from_px(nodes(size), height_mm)
    lit = setting.projector.px_from_level(points, height_mm)
    maps = [fine(m, size) for m in (points[..., 0], points[..., 1], lit[..., 0], lit[..., 1])]
    return Sights(*maps)


def beams(camera: Optics) -> tuple[Plane, Plane, Plane]:
    """Direction of every camera pixel's beam in the world."""
    found = camera.beams_from_px(nodes(camera.size_px))
    return (
        fine(found[..., 0], camera.size_px),
        fine(found[..., 1], camera.size_px),
        fine(found[..., 2], camera.size_px),
    )


def box_of(points_px: Floats, size_px: tuple[int, int], margin_px: int = 3) -> Box:
    """Rows and columns around points (N, 2), inside the picture."""
    least = np.floor(points_px.min(axis=0)).astype(int) - margin_px
    most = np.ceil(points_px.max(axis=0)).astype(int) + margin_px + 1
    (u0, v0), (u1, v1) = np.clip(least, 0, size_px), np.clip(most, 0, size_px)
    return slice(int(v0), int(v1)), slice(int(u0), int(u1))


def fall_off(setting: Setting, x_px: Plane, y_px: Plane) -> Plane:
    """Share of the projector's light, 1 in the middle of its picture."""
    half = np.array(setting.projector.size_px) / 2
    r2 = ((x_px - half[0]) ** 2 + (y_px - half[1]) ** 2) / float(half @ half)
    return np.asarray(1.0 - setting.beam.rim_loss * r2, dtype=np.float32)


def room_light(setting: Setting, x_mm: Plane, y_mm: Plane) -> tuple[Plane, Plane, Plane]:
    """The room's light there, blue green red."""
    room = setting.room
    dx, dy = x_mm / MAT_MM[0] - 0.5, y_mm / MAT_MM[1] - 0.5
    even = room.level * np.clip(1.0 + room.slope[0] * dx + room.slope[1] * dy, 0.3, 1.7)
    blue, green, red = (np.asarray(even * c, dtype=np.float32) for c in room.colour_bgr)
    return blue, green, red


def cloth_layer(setting: Setting, seen: Sights, piece: Piece, weave: Plane) -> Layer:
    """A piece of cloth, seen and lit at its upper side's height (`seen` is that height's)."""
    outline = _dense(piece.corners_mat_mm)
    box = box_of(setting.camera.px_from_level(outline, piece.thickness_mm), setting.camera.size_px)
    x, y, lit_x, lit_y = (np.ascontiguousarray(m[box]) for m in (seen.x_mm, seen.y_mm, seen.lit_x_px, seen.lit_y_px))
    surface = _surface(piece, x, y, weave)
    cover = np.zeros(x.shape, np.float32)
    colour = [np.zeros(x.shape, np.float32) for _ in range(3)]
    for patch in piece.patches:
        part = convex_cover(piece.pose.mat_from_own(patch.corners_mm), x, y)
        cover += part
        part = part * surface
        for plane, albedo in zip(colour, albedo_bgr(patch.fabric), strict=True):
            plane += albedo * part
    facing = fall_off(setting, lit_x, lit_y)
    room = room_light(setting, x, y)
    return Layer(box, np.minimum(cover, 1.0), (colour[0], colour[1], colour[2]), lit_x, lit_y, facing, room)


def _surface(piece: Piece, x_mm: Plane, y_mm: Plane, weave: Plane) -> Plane:
    """Weave and seams as a factor about 1; the weave goes with the cloth."""
    rotation = piece.pose.rotation
    dx, dy = x_mm - piece.pose.x_mm, y_mm - piece.pose.y_mm
    own_x = (dx * rotation[0, 0] + dy * rotation[1, 0]).astype(np.float32)
    own_y = (dx * rotation[0, 1] + dy * rotation[1, 1]).astype(np.float32)
    surface = cv2.remap(weave, own_x / WEAVE_MM, own_y / WEAVE_MM, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    for start, end in piece.seams_mm:
        length = np.hypot(*(end - start))
        along = (end - start) / length
        off = (own_x - start[0]) * -along[1] + (own_y - start[1]) * along[0]
        on = (own_x - start[0]) * along[0] + (own_y - start[1]) * along[1]
        beside = np.clip(1.0 - np.maximum(-on, on - length) / SEAM_MM, 0.0, 1.0)  # a seam may end inside the piece
        surface *= 1.0 - SEAM_SHADE * beside * np.exp(-0.5 * (off / SEAM_MM) ** 2)
    return np.asarray(surface, dtype=np.float32)


def weave_texture(rng: np.random.Generator) -> Plane:
    """A square of cloth texture that repeats."""
    return np.asarray(1.0 + WEAVE * rng.standard_normal((256, 256)), dtype=np.float32)


def sheet_layer(
    setting: Setting,
    directions: tuple[Plane, Plane, Plane],
    sheet: PrintedSheet,
    texture: Plane,
    pose: SheetPose,
) -> Layer:
    """The printed sheet wherever it is held, nine samples a camera pixel or, where these are large, more."""
    eye = setting.camera.at_mm
    outline = pose.world_from_own(_dense(sheet.corners_mm))
    box = box_of(setting.camera.px_from_world(outline), setting.camera.size_px)
    size = box[1].stop - box[1].start, box[0].stop - box[0].start
    sub = SUB * max(1, round(FOR_PX / max(setting.camera.size_px)))  # or an edge between samples would jump
    beam = [_resized(d[box], (sub * size[0], sub * size[1]), cv2.INTER_LINEAR) for d in directions]
    reach, own_x, own_y = _meets(beam, eye, pose)
    if pose.bend is not None:
        own_x, own_y = (m.astype(np.float32) for m in pose.bend.printed_at(own_x, own_y))
    inside = (own_x > 0) & (own_x < sheet.width_mm) & (own_y > 0) & (own_y < sheet.height_mm)
    grey = _print_at(sheet, texture, own_x, own_y) * inside * np.float32(abs(pose.normal[2]))
    cover, grey = (_resized(m.astype(np.float32), size, cv2.INTER_AREA) for m in (inside, grey))
    points = [float(eye[k]) + _resized(reach * beam[k], size, cv2.INTER_AREA) for k in range(3)]
    lit = setting.projector.px_from_world(np.stack(points, axis=-1).astype(np.float64)).astype(np.float32)
    lit_x, lit_y = np.ascontiguousarray(lit[..., 0]), np.ascontiguousarray(lit[..., 1])
    room = room_light(setting, points[0], points[1])
    return Layer(box, cover, (grey, grey, grey), lit_x, lit_y, fall_off(setting, lit_x, lit_y), room)


def _meets(beam: list[Plane], eye: Floats, pose: SheetPose) -> tuple[Plane, Plane, Plane]:
    """How far along each beam the sheet is, and over which point of its plane; a bent one by fixed-point steps.

    Each step is off by the last one's error times the slope of the paper times the tangent of the beam's angle.
    """
    away, steep = float(pose.normal @ (pose.at_mm - eye)), _dot(beam, pose.normal)
    sideways, upwards = _dot(beam, pose.right), _dot(beam, pose.up)
    at_x, at_y = float(pose.right @ (eye - pose.at_mm)), float(pose.up @ (eye - pose.at_mm))
    reach = away / steep
    own_x, own_y = at_x + reach * sideways, at_y + reach * upwards
    if pose.bend is not None:
        for _ in range(BEND_STEPS):
            reach = ((away + pose.bend.height_over(own_x, own_y)) / steep).astype(np.float32)
            own_x, own_y = at_x + reach * sideways, at_y + reach * upwards
    return reach, own_x, own_y


def _print_at(sheet: PrintedSheet, texture: Plane, own_x: Plane, own_y: Plane) -> Plane:
    """Reflectance of the sheet at points of its own frame."""
    per_mm = texture.shape[1] / sheet.width_mm, texture.shape[0] / sheet.height_mm
    u, v = own_x * per_mm[0] - 0.5, (sheet.height_mm - own_y) * per_mm[1] - 0.5
    there = cv2.remap(
        texture, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(there, dtype=np.float32)


def _resized(plane: Plane, size: tuple[int, int], how: int) -> Plane:
    return np.asarray(cv2.resize(plane, size, interpolation=how), dtype=np.float32)


def _dot(beam: list[Plane], vector: Floats) -> Plane:
    return np.asarray(sum(float(vector[k]) * beam[k] for k in range(3)), dtype=np.float32)


def _dense(corners_mm: Floats, count: int = 12) -> Floats:
    """Points along an outline (N, 2), so that a bent side is not cut short."""
    ahead = np.roll(corners_mm, -1, axis=0)
    t = np.linspace(0.0, 1.0, count, endpoint=False)[:, None, None]
    return (corners_mm + t * (ahead - corners_mm)).reshape(-1, 2)
