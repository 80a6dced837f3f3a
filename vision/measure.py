"""Measure every piece of cloth in a picture: regions, straight sides, corners, widths, each with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Container, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from calibration.pinhole import Pinhole
from vision.comparing.expected import ExpectedShape
from vision.edge.common import Common
from vision.edge.picture import Picture
from vision.edge.pixels.neighbours import neighbours_of
from vision.edge.seam_fit import Blurs
from vision.edge.sidefits import SideFit
from vision.finding.mat import Scene
from vision.finding.regions import Region, difference_map, find_regions
from vision.finding.sharpened import before_sharpening
from vision.outlines.blemishes import blemishes_of
from vision.outlines.curved import curved_piece
from vision.outlines.fitted import Outline, Outlines, fit_outlines
from vision.outlines.leftover import in_parts, misses_cloth
from vision.outlines.rough import rough_polygon, touching
from vision.outlines.roundness import is_curved
from vision.outlines.sidedoubt import SideDoubt, corner_slopes, width_slopes
from vision.outlines.unitdoubt import PLAIN_CLOTH, SURE_RIG, Cloth, Trust, bows_u_mm, doubt_of
from vision.polygons import side_distances, sides_of
from vision.seams.inside import find_seams
from vision.seams.planned import planned_seams
from vision.units import MeasuredUnit, Seam, Width

__all__ = ["PLAIN_CLOTH", "Cloth", "Pieces", "Trust", "find_pieces", "measure_units", "px_per_mm"]

Floats = NDArray[np.float64]

PARALLEL_RAD = math.radians(5.0)
LEAST_AREA_MM2 = 60.0
MOST_BLUR_PX = 2.4  # softer sides are out of focus, or moved
MOST_U_MM = 0.5  # of a side, anywhere along it; who is less sure has not measured it
MOST_CORNER_U_MM = 5.0  # a corner of two sides that hardly meet


@dataclass(frozen=True, eq=False, slots=True)
class Pieces:
    """What lies on the mat, the largest first, the `difference_map` that shows it, and the scene to measure it in."""

    regions: tuple[Region, ...]
    differs: NDArray[np.float32]
    scene: Scene  # as it was before the camera sharpened it


def find_pieces(scene: Scene, camera: Pinhole, on_mat: NDArray[np.bool_]) -> Pieces:
    """Every region of cloth's size in `scene` where `on_mat` (H, W) is True, whatever its shape."""
    differs = difference_map(scene)
    least_area_px = LEAST_AREA_MM2 * px_per_mm(camera, on_mat) ** 2
    regions = tuple(find_regions(scene, on_mat, least_area_px))
    return Pieces(regions, differs, before_sharpening(scene, regions))


def measure_units(
    scene: Scene,
    camera: Pinhole,
    on_mat: NDArray[np.bool_],
    cloth: Cloth = PLAIN_CLOTH,
    trust: Trust = SURE_RIG,
    pieces: Pieces | None = None,
    leave: Container[int] = (),
    planned: Sequence[ExpectedShape] = (),
) -> tuple[MeasuredUnit, ...]:
    """Every piece of cloth in `scene`, the largest region first; one with curved sides is said to be so.

    `on_mat` is (H, W), True where cloth is looked for. What differs from the mat and cannot be measured comes back
    with its rough outline and the trouble named. Only where the mat's picture is a guess, what reaches the rim is left
    out: nothing tells it from the table around the mat. `pieces` is what `find_pieces` gives, where the caller has it;
    those numbered in `leave` are no units, but cloth beside which the others lie. Of what may be one of the `planned`
    shapes, patchwork whose seams are not found by themselves, the seams are looked for where they should be.
    """
    pieces = pieces or find_pieces(scene, camera, on_mat)
    regions, scene = pieces.regions, pieces.scene
    # Where the mat is a guess, the table around it reaches the rim, and nothing tells it from cloth.
    own = [i for i, region in enumerate(regions) if i not in leave and (scene.known or not region.cut_off)]
    rough = {i: rough_polygon(regions[i]) for i in own}
    picture = Picture.of(scene, camera, cloth.height_mm, neighbours_of(regions, scene.shape))
    rounds = _curved_ones(picture, cloth, trust, regions, rough)
    straight = {
        i: camera.mat_from_px(c, cloth.height_mm) for i, c in rough.items() if c is not None and i not in rounds
    }
    outlines = fit_outlines(picture, straight, pieces.differs)
    blemishes = blemishes_of(picture, outlines)
    blurs = Blurs(*(float(one) for one in outlines.common.values[:2]))
    units = []
    for i in own:
        if i in rounds:
            units.append(rounds[i])
            continue
        outline = outlines.found.get(i)
        if outline is None:
            rest = _not_measured(regions[i], camera, cloth)
            if not _is_figure(rest, outlines):
                units.append(rest)
            continue
        seams = find_seams(picture, outline.corners_mat_mm, blurs)
        hidden = [shape for shape in planned if len(shape.seams_mm) > max(1, len(seams))]
        seams = planned_seams(picture, outline.corners_mat_mm, hidden, blurs) or seams
        unit = _unit(regions[i], outline, scene, outlines.common, seams, camera, cloth, trust)
        units.append(replace(unit, blemishes=blemishes[i]))
    return tuple(units)


def _curved_ones(
    picture: Picture, cloth: Cloth, trust: Trust, regions: Sequence[Region], rough: dict[int, Floats | None]
) -> dict[int, MeasuredUnit]:
    """The pieces whose rim no straight sides explain."""
    rounds: dict[int, MeasuredUnit] = {}
    for i, corners_px in rough.items():
        if corners_px is not None and is_curved(regions[i], corners_px):
            unit = curved_piece(picture, regions[i], i + 1, cloth, trust)
            rounds |= {} if unit is None else {i: unit}
    return rounds


def px_per_mm(camera: Pinhole, on_mat: NDArray[np.bool_]) -> float:
    """How many pixels of the camera a millimetre takes, about, in the middle of where `on_mat` (H, W) is True."""
    ys, xs = np.nonzero(on_mat[::16, ::16])
    centre = np.array([xs.mean(), ys.mean()]) * 16.0
    corners = camera.mat_from_px(centre + np.array([[0.0, 0.0], [8.0, 0.0], [0.0, 8.0]]))
    sides = corners[1:] - corners[0]
    return 8.0 / math.sqrt(abs(float(sides[0, 0] * sides[1, 1] - sides[0, 1] * sides[1, 0])))


def _unit(
    region: Region,
    outline: Outline,
    scene: Scene,
    common: Common,
    seams: tuple[Seam, ...],
    camera: Pinhole,
    cloth: Cloth,
    trust: Trust,
) -> MeasuredUnit:
    corners, sides = outline.corners_mat_mm, outline.sides
    n, doubt = len(corners), doubt_of(corners, sides, common, camera, cloth, trust)
    of_sides = np.sqrt(np.diag(doubt.total))
    corners_u = _corners_u(doubt)
    return MeasuredUnit(
        corners,
        corners_u,
        of_sides[:n],
        of_sides[n:],
        np.array([side.bow_mm for side in sides]),
        _widths(doubt),
        seams,
        trouble=_trouble(
            region, outline, scene, camera.px_from_mat(in_parts(corners), cloth.height_mm), doubt.ends_u_mm(), corners_u
        ),
        bows_u_mm=bows_u_mm(sides),
        doubt=doubt,
    )


def _trouble(
    region: Region, outline: Outline, scene: Scene, outline_px: Floats, ends_u: Floats, corners_u: Floats
) -> str | None:
    """What is wrong with the picture of this unit, if something is."""
    if touching(outline.corners_mat_mm):
        return "touching"
    if region.cut_off:
        return "cut_off"
    if any(side.dazzled for side in outline.sides):  # half a unit may not be seen at all
        return "overexposed"
    if misses_cloth(outline_px, region, scene):  # corners were cut off to find straight sides
        return "no_straight_sides"
    if blurred(outline.sides):
        return "blurred"
    return "unsure" if float(ends_u.max()) > MOST_U_MM or float(corners_u.max()) > MOST_CORNER_U_MM else None


def blurred(sides: Sequence[SideFit]) -> bool:
    """Whether all sides are so soft that they are out of focus, or moved.

    A print's own figures look like a soft edge, never like a sharper one: one sharp side tells that nothing moved, but
    soft sides of a print alone tell nothing.
    """
    soft = [side for side in sides if math.isfinite(side.soft_px)]
    return all(side.soft_px > MOST_BLUR_PX for side in soft) and not all(side.printed for side in soft)


def _not_measured(region: Region, camera: Pinhole, cloth: Cloth) -> MeasuredUnit:
    rim = cv2.approxPolyDP(region.contour_px.astype(np.float32)[:, None], 4.0, True)[:, 0].astype(np.float64)
    if len(rim) < 3:
        rim = np.array([region.contour_px.min(0), [*region.contour_px.max(0)], region.contour_px.mean(0)])
    corners = camera.mat_from_px(rim, cloth.height_mm)
    unknown = np.full(len(corners), np.nan)
    trouble = "cut_off" if region.cut_off else "touching" if touching(rim) else "no_straight_sides"
    return MeasuredUnit(corners, unknown, unknown, unknown, unknown, (), trouble=trouble)


def _is_figure(rest: MeasuredUnit, outlines: Outlines) -> bool:
    """Whether what could not be measured lies within a measured outline: a figure of that print, no other cloth."""
    rim = Polygon(rest.corners_mat_mm).buffer(0.0)
    return any(Polygon(one.corners_mat_mm).contains(rim) for one in outlines.found.values())


def _corners_u(doubt: SideDoubt) -> Floats:
    """(N,) the greater axis of each corner's uncertainty."""
    slopes = corner_slopes(doubt.corners_mat_mm)
    n = len(doubt.corners_mat_mm)
    every = doubt.of(slopes).reshape(n, 2, n, 2)[range(n), :, range(n)]  # (N, 2, 2)
    x, y, both = every[:, 0, 0], every[:, 1, 1], every[:, 0, 1]
    return np.asarray(np.sqrt((x + y) / 2.0 + np.hypot((x - y) / 2.0, both)))


def _widths(doubt: SideDoubt) -> tuple[Width, ...]:
    corners = doubt.corners_mat_mm
    n, ahead = len(corners), sides_of(corners)
    directions = np.arctan2(ahead[:, 1], ahead[:, 0])
    between = np.abs(np.remainder(directions[:, None] - directions + math.pi / 2.0, math.pi) - math.pi / 2.0)
    pairs = np.argwhere(np.triu(between <= PARALLEL_RAD, 1)).tolist()
    us = doubt.u_of(np.array([width_slopes(corners, i, j) for i, j in pairs]).reshape(-1, 2 * n)).tolist()
    return tuple(Width((i, j), *side_distances(corners, i, j), u) for (i, j), u in zip(pairs, us, strict=True))
