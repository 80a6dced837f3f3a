"""Measure every piece of cloth in a picture: regions, straight sides, corners, widths, each with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Container, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.curved import curved_piece
from vision.edge_model import Blur
from vision.edges import NARROW, WIDE, SideFit, Window, fit_side
from vision.mat import Scene, Slopes
from vision.outline import drop_flat_corners, rough_polygon, touching, without_side
from vision.polygons import line_meeting, outward_normals, side_distances, side_lengths, sides_of
from vision.regions import Region, difference_map, find_regions
from vision.roundness import is_curved
from vision.seams import find_seams
from vision.units import MeasuredUnit, Seam, Width

Floats = NDArray[np.float64]

PARALLEL_RAD = math.radians(5.0)
LEAST_AREA_MM2 = 60.0
LEAST_SIDE_MM = 5.0  # a shorter side is a nick or a thread, not a side
SHORT_SIDE_MM = 30.0
MOST_MOVED_MM = 10.0  # by a fit, of a corner of the rough outline: a side that was none runs away
MOST_BLUR_PX = 2.4  # softer sides are out of focus, or moved
MOST_U_MM = 1.0  # of a side; who is less sure has not measured it
MOST_CORNER_U_MM = 5.0  # a corner of two sides that hardly meet
HALF_SURE = 3.5  # standard deviations of a smoothed difference: likelier cloth than mat
MOST_TRIES = 5  # of fitting, with fewer corners each time


@dataclass(frozen=True, slots=True)
class Cloth:
    """How far the cloth's top lies above the mat, and how sure that is."""

    height_mm: float = 0.4
    u_mm: float = 0.06


PLAIN_CLOTH = Cloth()


@dataclass(frozen=True, slots=True)
class Trust:
    """What the rig adds to every figure's standard uncertainty: its own at a point, and relative to a length."""

    rig_u_mm: float = 0.0
    scale_u: float = 0.0


@dataclass(frozen=True, eq=False, slots=True)
class Pieces:
    """What lies on the mat, the largest first, and the `difference_map` that shows it."""

    regions: tuple[Region, ...]
    differs: NDArray[np.float32]


def find_pieces(scene: Scene, camera: Pinhole, on_mat: NDArray[np.bool_]) -> Pieces:
    """Every region of cloth's size in `scene` where `on_mat` (H, W) is True, whatever its shape."""
    differs = difference_map(scene)
    least_area_px = LEAST_AREA_MM2 * px_per_mm(camera, on_mat) ** 2
    return Pieces(tuple(find_regions(scene, on_mat, least_area_px)), differs)


def measure_units(
    scene: Scene,
    camera: Pinhole,
    on_mat: NDArray[np.bool_],
    cloth: Cloth = PLAIN_CLOTH,
    trust: Trust = Trust(),
    pieces: Pieces | None = None,
    leave: Container[int] = (),
) -> tuple[MeasuredUnit, ...]:
    """Every piece of cloth in `scene`, the largest region first; one with curved sides is said to be so.

    `on_mat` is (H, W), True where cloth is looked for. What differs from the mat and cannot be measured comes back
    with its rough outline and the trouble named. Only where the mat's picture is a guess, what reaches the rim is left
    out: nothing tells it from the table around the mat. `pieces` is what `find_pieces` gives, where the caller has it;
    those numbered in `leave` are no units, but cloth beside which the others lie.
    """
    slopes, pieces = scene.slopes(), pieces or find_pieces(scene, camera, on_mat)
    regions, differs = pieces.regions, pieces.differs
    # Where the mat is a guess, the table around it reaches the rim, and nothing tells it from cloth.
    own = [i for i, region in enumerate(regions) if i not in leave and (scene.known or not region.cut_off)]
    rough = {i: rough_polygon(regions[i]) for i in own}
    rounds: dict[int, MeasuredUnit] = {}
    for i, corners_px in rough.items():
        if corners_px is not None and is_curved(regions[i], corners_px):
            taken = taken_by_others(regions, i, on_mat.shape)
            unit = curved_piece(scene, camera, regions[i], cloth, trust, taken, slopes)
            rounds |= {} if unit is None else {i: unit}
    first = [
        None if i in rounds else _measure_region(scene, slopes, camera, cloth, regions, i, differs, rough[i])
        for i in own
    ]
    blur = blur_of([fits for found in first if found is not None for fits in found[1]])
    units = []
    for i, found in zip(own, first, strict=True):
        if i in rounds:
            units.append(rounds[i])
            continue
        if found is not None:
            again = _fit_sides(
                scene, slopes, camera, cloth, found[0], taken_by_others(regions, i, on_mat.shape), blur, (NARROW,)
            )
            found = again or found
        seams = () if found is None else find_seams(scene, camera, cloth.height_mm, found[0], blur.luma_px)
        units.append(_unit(regions[i], found, seams, camera, cloth, trust))
    return tuple(units)


def px_per_mm(camera: Pinhole, on_mat: NDArray[np.bool_]) -> float:
    """How many pixels of the camera a millimetre takes, about, in the middle of where `on_mat` (H, W) is True."""
    ys, xs = np.nonzero(on_mat[::16, ::16])
    centre = np.array([xs.mean(), ys.mean()]) * 16.0
    corners = camera.mat_from_px(centre + np.array([[0.0, 0.0], [8.0, 0.0], [0.0, 8.0]]))
    sides = corners[1:] - corners[0]
    return 8.0 / math.sqrt(abs(float(sides[0, 0] * sides[1, 1] - sides[0, 1] * sides[1, 0])))


def taken_by_others(regions: Sequence[Region], own: int, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """(H, W): pixels of the other regions and next to them."""
    taken = np.zeros(shape, np.uint8)
    for i, region in enumerate(regions):
        if i != own:
            x, y, w, h = region.box_px
            taken[y : y + h, x : x + w] |= region.mask.astype(np.uint8)
    return np.asarray(cv2.dilate(taken, np.ones((5, 5), np.uint8)) > 0)


Found = tuple[Floats, list[SideFit]]


def _measure_region(
    scene: Scene,
    slopes: Slopes,
    camera: Pinhole,
    cloth: Cloth,
    regions: Sequence[Region],
    own: int,
    differs: NDArray[np.float32],
    corners_px: Floats | None,
) -> Found | None:
    """Fit a region's sides from its rough polygon, with fewer corners each time, until all of them are real."""
    if corners_px is None:
        return None
    corners_mat_mm = camera.mat_from_px(corners_px, cloth.height_mm)
    taken = taken_by_others(regions, own, scene.levels.shape[:2])
    corners_mat_mm = _with_full_corners(corners_mat_mm, differs, camera, cloth.height_mm)
    for _ in range(MOST_TRIES):
        found = _fit_sides(scene, slopes, camera, cloth, corners_mat_mm, taken, Blur(), (WIDE, NARROW))
        if found is None or float(np.max(np.hypot(*(found[0] - corners_mat_mm).T))) > MOST_MOVED_MM:
            # A side too short to be fitted may be none: a print's figure at a corner, a tip that was rounded off.
            shortest = int(np.argmin(side_lengths(corners_mat_mm)))
            if len(corners_mat_mm) > 3 and side_lengths(corners_mat_mm)[shortest] < SHORT_SIDE_MM:
                corners_mat_mm = without_side(corners_mat_mm, shortest)
                continue
            if found is None:
                return None
        corners_mat_mm = drop_flat_corners(found[0], LEAST_SIDE_MM)
        corners_mat_mm = _with_full_corners(corners_mat_mm, differs, camera, cloth.height_mm)
        if len(corners_mat_mm) == len(found[0]):
            return found
    return None


def _with_full_corners(corners: Floats, differs: NDArray[np.float32], camera: Pinhole, height_mm: float) -> Floats:
    """Drop short sides beyond which there is cloth still: a print's own figures cut that corner, no blade."""
    for i in np.argsort(side_lengths(corners)):
        n = len(corners)
        before, start, end, after = (corners[k % n] for k in (i - 1, i, i + 1, i + 2))
        length = float(np.hypot(*(end - start)))
        meeting = line_meeting(before, start, end, after)
        if n == 3 or length > SHORT_SIDE_MM or meeting is None:
            continue
        if np.hypot(*(meeting - (start + end) / 2.0)) > 1.5 * length:
            continue
        corner_px = camera.px_from_mat(np.array([start, meeting, end]), height_mm)
        inside = np.zeros(differs.shape, np.uint8)
        cv2.fillPoly(inside, [np.rint(corner_px).astype(np.int32)], 1)
        beyond = (start - before) @ (meeting - start) > 0
        if not beyond or np.median(differs[inside > 0]) > HALF_SURE:
            return without_side(corners, int(i))
    return corners


def _fit_sides(
    scene: Scene,
    slopes: Slopes,
    camera: Pinhole,
    cloth: Cloth,
    corners_mat_mm: Floats,
    taken: NDArray[np.bool_],
    blur: Blur,
    windows: tuple[Window, ...],
) -> Found | None:
    """Fit each side, and meet neighbours at the corners. None where a side cannot be fitted."""
    fits = []
    for i in range(len(corners_mat_mm)):
        ends = corners_mat_mm[[i, (i + 1) % len(corners_mat_mm)]]
        trims_px = (_trim_px(corners_mat_mm, i), _trim_px(corners_mat_mm, i + 1))
        fit = fit_side(scene, slopes, camera, cloth.height_mm, ends, trims_px, taken, blur, windows)
        if fit is None:
            return None
        fits.append(fit)
    corners = [
        line_meeting(a.middle_mat_mm, a.middle_mat_mm + a.along, b.middle_mat_mm, b.middle_mat_mm + b.along)
        for a, b in zip([fits[-1], *fits[:-1]], fits, strict=True)
    ]
    if any(corner is None for corner in corners):
        return None
    return np.array(corners), fits


def _trim_px(corners: Floats, i: int) -> float:
    """How much of a side's end to leave out at corner i, so that the neighbour's edge is not in the window."""
    n = len(corners)
    back, ahead = corners[(i - 1) % n] - corners[i % n], corners[(i + 1) % n] - corners[i % n]
    angle = math.atan2(abs(float(back[0] * ahead[1] - back[1] * ahead[0])), float(back @ ahead))
    if angle >= math.pi / 2:
        return 5.0
    return max(5.0, NARROW.inside_px / math.tan(angle) + 3.0 / math.sin(angle))


def blur_of(fits: Sequence[SideFit]) -> Blur:
    """The blur that the strong sides agree on."""
    strong = [fit.blur_px for fit in fits if fit.contrast > 20.0]
    if len(strong) < 4:
        return Blur()
    return Blur(luma_px=float(np.median(strong)), luma_u_px=0.1)


def _unit(
    region: Region, found: Found | None, seams: tuple[Seam, ...], camera: Pinhole, cloth: Cloth, trust: Trust
) -> MeasuredUnit:
    if found is None:
        return _not_measured(region, camera, cloth)
    corners, fits = found
    offsets_u = np.array([_offset_u(fit, camera, cloth, trust) for fit in fits])
    tilts_u = np.array([math.sqrt(fit.covariance[1, 1]) for fit in fits])
    corners_u = _corners_u(corners, offsets_u, tilts_u)
    return MeasuredUnit(
        corners,
        corners_u,
        offsets_u,
        tilts_u,
        np.array([fit.bow_mm for fit in fits]),
        _widths(corners, offsets_u, tilts_u, trust),
        seams,
        trouble="touching" if touching(corners) else _trouble(region, fits, offsets_u, corners_u),
    )


def _trouble(region: Region, fits: Sequence[SideFit], offsets_u: Floats, corners_u: Floats) -> str | None:
    """What is wrong with the picture of this unit, if something is."""
    if region.cut_off:
        return "cut_off"
    if float(np.median([fit.blur_px for fit in fits])) > MOST_BLUR_PX:
        return "blurred"
    return "unsure" if float(offsets_u.max()) > MOST_U_MM or float(corners_u.max()) > MOST_CORNER_U_MM else None


def _not_measured(region: Region, camera: Pinhole, cloth: Cloth) -> MeasuredUnit:
    rim = cv2.approxPolyDP(region.contour_px.astype(np.float32)[:, None], 4.0, True)[:, 0].astype(np.float64)
    if len(rim) < 3:
        rim = np.array([region.contour_px.min(0), [*region.contour_px.max(0)], region.contour_px.mean(0)])
    corners = camera.mat_from_px(rim, cloth.height_mm)
    unknown = np.full(len(corners), np.nan)
    trouble = "cut_off" if region.cut_off else "touching" if touching(rim) else "no_straight_sides"
    return MeasuredUnit(corners, unknown, unknown, unknown, unknown, (), trouble=trouble)


def _offset_u(fit: SideFit, camera: Pinhole, cloth: Cloth, trust: Trust) -> float:
    """Standard uncertainty of a side's place across it: the fit's, its model's, the rig's and the cloth's height."""
    away = fit.middle_mat_mm - camera.lens_mat_mm[:2]
    lean = float(np.hypot(*away)) / float(camera.lens_mat_mm[2])
    # Where the side wall faces the lens, its foot may be what is seen instead of its top.
    outward = np.array([fit.along[1], -fit.along[0]])
    wall_mm = max(0.0, -float(away @ outward)) / float(camera.lens_mat_mm[2]) * cloth.height_mm
    parts = (
        math.sqrt(fit.covariance[0, 0]),
        (PRINT_FLOOR_PX if fit.printed else MODEL_FLOOR_PX) / fit.px_per_mm,
        COLOUR_FLOOR_PX * fit.colour_share / fit.px_per_mm,
        trust.rig_u_mm,
        lean * cloth.u_mm,
        wall_mm / math.sqrt(12.0),
    )
    return math.sqrt(sum(part * part for part in parts))


COLOUR_FLOOR_PX = 0.15  # what mosaic and compression may do to an edge that only colour shows
PRINT_FLOOR_PX = 0.12  # a print's own figures at its edge, of which nothing is known
MODEL_FLOOR_PX = 0.02  # what no fit on an 8-bit picture of real cloth can promise to beat


def _corners_u(corners: Floats, offsets_u: Floats, tilts_u: Floats) -> Floats:
    """The greater axis of each corner's uncertainty, from the two sides that meet there."""
    normals, at_ends = outward_normals(corners), np.hypot(offsets_u, tilts_u * side_lengths(corners) / 2.0)
    result = np.empty(len(corners))
    for i in range(len(corners)):
        solve = np.linalg.inv(normals[[i - 1, i]])
        result[i] = math.sqrt(float(np.linalg.norm(solve @ np.diag(at_ends[[i - 1, i]] ** 2) @ solve.T, 2)))
    return result


def _widths(corners: Floats, offsets_u: Floats, tilts_u: Floats, trust: Trust) -> tuple[Width, ...]:
    n, ahead = len(corners), sides_of(corners)
    middles, directions = corners + ahead / 2.0, np.arctan2(ahead[:, 1], ahead[:, 0])
    widths = []
    for i in range(n):
        for j in range(i + 1, n):
            between = (directions[i] - directions[j]) % math.pi
            if min(between, math.pi - between) > PARALLEL_RAD:
                continue
            mean, least, greatest = side_distances(corners, i, j)
            # Midpoints that face each other at a slant see the sides' tilts too.
            slant = abs(float((middles[i] - middles[j]) @ ahead[i])) / float(np.hypot(*ahead[i])) / 2.0
            u = math.hypot(offsets_u[i], offsets_u[j], slant * tilts_u[i], slant * tilts_u[j], mean * trust.scale_u)
            widths.append(Width((i, j), mean, least, greatest, u))
    return tuple(widths)
