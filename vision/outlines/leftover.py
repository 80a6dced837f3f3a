"""What a fitted outline leaves out of the region it was fitted to, and corners that it has where the mat lies bare.

A rim tells where to look, light what lies there: the rim of weak cloth lies inside of it, that of a shadow outside, and
a print that has the mat's colour in it is notched.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.finding.contrast import CELL_PX, Mask
from vision.finding.mat import Scene
from vision.finding.regions import Region
from vision.outlines.rough import solid
from vision.outlines.straightsides import beside_rim
from vision.polygons import interior_angles, sides_of

Floats = NDArray[np.float64]

FAR_PX = 3.0  # from an outline, the rim lies elsewhere
ROUNDED_PX = 4.0  # radius to which cells round the corners of a rim
SOME = 0.1  # of a side's rim: less may be a thread
BARE = 0.1  # of the cloth's light beside it: blur leaves more of any tip
SURELY = 2.0  # standard deviations of noise, by which it is less
PARTS = 4  # straight ones, of a side that a lens bends: a bow of some pixels leaves a sixteenth of it
HALF = 0.5  # of it: what has less is not more of the same cloth,
SPREAD = 0.2  # where no shadow falls; of an edge so far away lenses and cameras spread less
NEARBY_CELLS = 6
FEWEST = 3  # cells: as much as a square of so far each way holds; fewer are noise


def in_parts(corners: Floats) -> Floats:
    """(N * PARTS, 2): an outline (N, 2) with points along its sides, for a lens to bend."""
    shares = np.arange(PARTS)[:, None] / PARTS
    return np.asarray((corners[:, None] + shares * sides_of(corners)[:, None]).reshape(-1, 2))


def misses_cloth(outline_px: Floats, region: Region, scene: Scene) -> bool:
    """Whether an outline is surely not all there is of a region: it cuts cloth off, or has corners of none.

    `outline_px` (N * PARTS, 2) are points `in_parts` as the picture shows them. Of a region that is not `solid` corners
    are not asked for: a print with the mat's colour in it may lack one.
    """
    # As an eye sees them the corners run counter-clockwise; from x to y that is clockwise.
    outline_px, corners_px = np.ascontiguousarray(outline_px), outline_px[::PARTS]
    beside = beside_rim(outline_px, PARTS, np.ascontiguousarray(region.contour_px), FAR_PX)
    cut, short = bool(np.any(beside[:, 0] > SOME)), np.zeros(len(corners_px), bool)
    if solid(region):
        angles = interior_angles(corners_px[::-1])[::-1]
        rounded = ROUNDED_PX * (1.0 / np.maximum(np.sin(angles / 2.0), 0.1) - 1.0)
        short = (beside[:, 1] > FAR_PX + rounded) & (angles < math.pi)
    if not (cut or short.any()):
        return False
    inside, own, box = _masks(outline_px, region, scene)
    near = np.asarray(cv2.erode(inside & own, np.ones((5, 5), np.uint8)), np.uint8)
    beyond, empty = own & ~_wider(inside, 1), inside & ~_wider(own, 1)
    if cut and cv2.countNonZero(beyond) >= FEWEST and _is_cloth(beyond, near, scene, box):
        return True
    y, x = np.indices(empty.shape)
    places_px = [(at + of.start) * CELL_PX + (CELL_PX - 1) / 2 for at, of in zip((x, y), box[::-1], strict=True)]
    for corner, gap in zip(corners_px[short], beside[short, 1], strict=True):
        tip = empty & (np.hypot(places_px[0] - corner[0], places_px[1] - corner[1]) < gap)
        if cv2.countNonZero(tip) >= FEWEST and _is_bare(tip, near, scene, box):
            return True
    return False


def _masks(outline_px: Floats, region: Region, scene: Scene) -> tuple[Mask, Mask, tuple[slice, slice]]:
    """The outline and the region in cells of a box about both, and the box's rows and columns."""
    corners = (outline_px - (CELL_PX - 1) / 2) / CELL_PX
    x, y, width, height = (at // CELL_PX for at in region.box_px)
    low = np.maximum(np.minimum(np.floor(corners.min(axis=0)), (x, y)).astype(int) - NEARBY_CELLS, 0)
    size = np.array(scene.seen.cells.shape[1::-1])
    high = np.maximum(np.ceil(corners.max(axis=0)), (x + width, y + height)).astype(int) + NEARBY_CELLS + 1
    high = np.minimum(high, size)
    inside, own = np.zeros((high - low)[::-1], np.uint8), np.zeros((high - low)[::-1], np.uint8)
    cv2.fillPoly(inside, [np.rint((corners - low) * 16.0).astype(np.int32)], 1, shift=4)
    mask = region.mask[::CELL_PX, ::CELL_PX]
    own[y - low[1] : y - low[1] + mask.shape[0], x - low[0] : x - low[0] + mask.shape[1]] = mask
    return inside, own, (slice(low[1], high[1]), slice(low[0], high[0]))


def _wider(mask: Mask, cells: int) -> Mask:
    return np.asarray(cv2.dilate(mask, np.ones((2 * cells + 1, 2 * cells + 1), np.uint8)), np.uint8)


def _is_bare(part: Mask, near: Mask, scene: Scene, box: tuple[slice, slice]) -> bool:
    """Whether a part surely shows none of the cloth beside it: of few cells of weak cloth noise alone may take it away.

    A cell's pixels may err together: it counts for one of them.
    """
    share, _, u = _shares(part, near, scene, box)
    return share + SURELY * u < BARE


def _shares(part: Mask, near: Mask, scene: Scene, box: tuple[slice, slice]) -> tuple[float, float, float]:
    """Of the difference that the cloth beside a part shows, what is found in it: of all channels, and of luma alone.

    And what noise makes of the first, a standard deviation.
    """
    beside = _wider(part, NEARBY_CELLS) & near
    if not near.any():
        return 1.0, 1.0, 0.0
    light = (scene.seen.cells[box] - scene.mat.cells[box]) / scene.noise
    own, cloth = light[part > 0].mean(axis=0), light[(beside if beside.any() else near) > 0].mean(axis=0)
    square = max(float(cloth @ cloth), 1e-12)
    u = 1.0 / math.sqrt(square * max(cv2.countNonZero(part), 1))
    return float(own @ cloth) / square, float(own[0] * cloth[0] / max(cloth[0] ** 2, 1e-12)), u


def _is_cloth(part: Mask, near: Mask, scene: Scene, box: tuple[slice, slice]) -> bool:
    """Whether a part is more of the cloth beside it. Luma tells it, too: compression smears colours.

    What is darker than the mat may be a shadow; what is brighter, beside bright cloth, is none.
    """
    of_all, of_luma, _ = _shares(part, near, scene, box)
    brighter = scene.seen.cells[box][part > 0, 0].mean() > scene.mat.cells[box][part > 0, 0].mean()
    return of_luma > SPREAD if brighter else min(of_all, of_luma) > HALF
