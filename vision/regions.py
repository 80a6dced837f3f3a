"""Find what lies on the mat: the connected regions that differ from the bare mat.

All in cells of 2 x 2 px (see `contrast`): a rim to a pixel is enough here, the fit of the sides does the rest.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.contrast import CELL_PX, Mask
from vision.mat import Scene
from vision.medians import median, medians
from vision.shade import shade_in

CLOSE_CELLS = 5  # a print may have the mat's colour in it: gaps up to this size belong to the cloth
OPEN_CELLS = 3  # what is thinner than this is taken off
THREAD_CELLS = 5  # what is thinner than this all over, averaged over 3 cells, is a thread, a grid line or a hair
LINE_CELLS = 5  # grid lines are thinner than this in a smoothed difference to a mat without lines
CONVEX = 0.93  # a region of less solidity may be two that closing has joined
STRAIGHT = 0.95  # a piece of cloth with straight sides fills its convex hull at least so far
MOST_OF = 0.8  # of a region must be left in its parts
MAT_LEVEL = 3.5  # standard deviations of one pixel's difference up to which a gap may well be bare mat
BARE_SHARE = 0.35  # of the weaker neighbour's contrast: a gap of more is cloth
NEAR_GAP_PX = 40.0
LINE_SHARE = 0.25  # what is so much brighter or darker than the mat around is one of its lines


@dataclass(frozen=True, eq=False, slots=True)
class Region:
    """One connected region that differs from the mat."""

    contour_px: NDArray[np.float64]  # (N, 2) middles of the cells of 2 x 2 px along its outer rim
    box_px: tuple[int, int, int, int]  # x, y, width, height
    mask: NDArray[np.bool_]  # (height, width) of the box
    cut_off: bool  # it reaches the rim of the picture or of what is known of the mat

    @property
    def area_px(self) -> int:
        return int(np.count_nonzero(self.mask))

    @property
    def solidity(self) -> float:
        """Its area over that of its convex hull."""
        return _solid(self.contour_px, self.area_px)


def difference_map(scene: Scene) -> NDArray[np.float32]:
    """(h, w) in cells of 2 x 2 px: how many standard deviations the frame, smoothed over 6 px, differs from the mat."""
    return np.asarray(cv2.sqrt(scene.contrast.squared), np.float32)


def find_regions(scene: Scene, on_mat: NDArray[np.bool_], least_area_px: float) -> list[Region]:
    """Regions of at least `least_area_px` in which a scene differs from the bare mat where `on_mat` (H, W) is True.

    Largest first.
    """
    inside = on_mat[::CELL_PX, ::CELL_PX]
    differs: Mask = np.where(inside, scene.contrast.cloth, 0).astype(np.uint8)
    rim = _rim(inside)
    if not scene.known:  # its lines differ too, and would be filled as if they enclosed cloth
        differs = _opened(differs, LINE_CELLS)
    least = least_area_px / CELL_PX**2
    found = [
        part
        for whole in _patches(differs, CLOSE_CELLS, rim, least, (0, 0))
        for lit in _without_shade(scene, whole, differs, rim, least)
        for part in _split(scene, lit, differs, rim, least)
    ]
    return sorted((patch.region(on_mat.shape) for patch in found), key=lambda region: -region.area_px)


@dataclass(frozen=True, eq=False, slots=True)
class _Patch:
    """A region in cells."""

    contour: NDArray[np.int32]  # (N, 2) cells of the picture
    corner: tuple[int, int]  # x, y of its box
    mask: Mask  # (height, width) of the box
    area: int
    cut_off: bool

    @property
    def box(self) -> tuple[slice, slice]:
        (x, y), (height, width) = self.corner, self.mask.shape
        return slice(y, y + height), slice(x, x + width)

    @property
    def solidity(self) -> float:
        return _solid(self.contour, self.area)

    def region(self, shape: tuple[int, ...]) -> Region:
        """The same in the pixels of a picture of (H, W)."""
        (x, y), size = self.corner, CELL_PX
        mask = _in_pixels(self.mask)[: shape[0] - y * size, : shape[1] - x * size] > 0
        contour_px = self.contour.astype(np.float64) * size + (size - 1) / 2
        return Region(contour_px, (x * size, y * size, mask.shape[1], mask.shape[0]), mask, self.cut_off)


def _solid(contour: NDArray[np.float64] | NDArray[np.int32], area: float) -> float:
    hull = cv2.convexHull(contour.astype(np.float32))
    return float(area / max(cv2.contourArea(hull), 1.0))


def _patches(
    differs: Mask, close_cells: int, rim: NDArray[np.bool_], least_area: float, corner: tuple[int, int]
) -> list[_Patch]:
    """Connected patches of a mask whose first cell is at `corner` of the picture: closed, filled, opened."""
    pad = CLOSE_CELLS  # so that closing does not stick to the rim
    mask, rim = _padded(differs, pad), _padded(rim.view(np.uint8), pad) > 0
    if close_cells:
        mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, _disc(close_cells)), np.uint8)
    filled = _filled(mask, rim)
    # What is thin all over is none; else opening takes no more than it must, for it rounds the corners off.
    opened, shift = _opened(filled, OPEN_CELLS), np.array(corner) - pad
    found = _outlined(opened, rim, least_area, shift)
    return [patch for patch in found if _opened(_padded(patch.mask, 3), THREAD_CELLS).any()]


def _outlined(mask: Mask, rim: NDArray[np.bool_], least_area: float, shift: NDArray[np.int_]) -> Iterator[_Patch]:
    for outline, hollow in _outer(mask):
        x, y, width, height = cv2.boundingRect(outline)
        if width * height < least_area:
            continue
        box = slice(y, y + height), slice(x, x + width)
        own = _drawn(outline, (x, y), (height, width)) & mask[box]
        if hollow:  # others may lie in its holes
            _, labels = cv2.connectedComponents(own, connectivity=8, ltype=cv2.CV_32S)
            first = outline[0, 0] - (x, y)
            own = (labels == labels[first[1], first[0]]).astype(np.uint8)
        area = cv2.countNonZero(own)
        if area >= least_area:
            cut_off = bool(np.any((own > 0) & rim[box]))
            yield _Patch(outline[:, 0] + shift, (x + int(shift[0]), y + int(shift[1])), own, area, cut_off)


def _outer(mask: Mask) -> Iterator[tuple[NDArray[np.int32], bool]]:
    """The outer outline (N, 1, 2) of each connected part, and whether it has holes."""
    outlines, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    for outline, (_, _, child, parent) in zip(outlines, () if tree is None else tree[0], strict=True):
        if parent < 0:
            yield np.asarray(outline, np.int32), child >= 0


def _drawn(outline: NDArray[np.int32], corner: tuple[int, int], shape: tuple[int, int]) -> Mask:
    own = np.zeros(shape, np.uint8)
    cv2.drawContours(own, [outline], -1, 1, cv2.FILLED, offset=(-corner[0], -corner[1]))
    return own


def _without_shade(
    scene: Scene, whole: _Patch, differs: Mask, rim: NDArray[np.bool_], least_area: float
) -> list[_Patch]:
    """What is left of a patch where the mat does not show through; `differs` (h, w) no longer holds the shade."""
    if not scene.known:
        return [whole]
    shade = shade_in(scene, whole.box, whole.mask, least_area)
    if not shade.any():
        return [whole]
    differs[whole.box][shade] = 0
    cloth = np.where(shade, 0, whole.mask).astype(np.uint8)
    return _patches(cloth, 0, rim[whole.box], least_area, whole.corner)


def _split(scene: Scene, whole: _Patch, differs: Mask, rim: NDArray[np.bool_], least_area: float) -> list[_Patch]:
    """Part what closing has joined: neighbours a few pixels apart, and of these again what lies nearer together."""
    parts = _parted(scene, whole, differs, rim, least_area)
    if len(parts) == 1:
        return parts
    return [each for part in parts for each in _split(scene, part, differs, rim, least_area)]


def _parted(scene: Scene, whole: _Patch, differs: Mask, rim: NDArray[np.bool_], least_area: float) -> list[_Patch]:
    """A patch in parts between which the mat shows, where they are straighter than it; else the patch alone."""
    cloth = np.where(whole.mask > 0, differs[whole.box], 0).astype(np.uint8)
    for close_cells in (3, 0) if whole.solidity <= CONVEX else ():
        parts = _patches(cloth, close_cells, rim[whole.box], least_area, whole.corner)
        if _most_of(whole, parts) and _solidity(parts) > whole.solidity + 0.03 and _bare(scene, parts, whole):
            return parts
    parts = _patches(cloth, 0, rim[whole.box], least_area, whole.corner)
    if _most_of(whole, parts) and min(part.solidity for part in parts) > STRAIGHT and _bare(scene, parts, whole):
        return parts
    return [whole]


def _bare(scene: Scene, parts: list[_Patch], whole: _Patch) -> bool:
    """Whether the gap between parts is bare mat: a weak fabric or a print's stripe there has a level of its own."""
    shape = (whole.mask.shape[0] * CELL_PX, whole.mask.shape[1] * CELL_PX)
    y, x = (slice(at.start * CELL_PX, at.start * CELL_PX + size) for at, size in zip(whole.box, shape, strict=True))
    noise = np.maximum(scene.noise, 0.5 * scene.step).astype(np.float32)
    off = (scene.levels[y, x] - scene.bare[y, x]) / noise
    depths, labels = [], np.zeros(shape, np.uint8)
    for i, part in enumerate(parts):
        own = _in_pixels(_placed(part, whole))
        labels[own > 0] = i + 1
        depths.append(cv2.distanceTransform(1 - own, cv2.DIST_L2, 3))
    nearest = np.sort(np.stack(depths), axis=0)
    gap = (nearest[0] > 0) & (nearest[0] + nearest[1] < (CLOSE_CELLS + 2) * CELL_PX) & (_in_pixels(whole.mask) > 0)
    gap, inside = gap[: off.shape[0], : off.shape[1]], nearest[0][: off.shape[0], : off.shape[1]]
    if not gap.any():
        return False
    middle = gap & (inside > 0.6 * np.percentile(inside[gap], 95))
    # On a line of the mat, cloth may happen to have the line's own light: beside it the gap must be bare too.
    ground = scene.bare[y, x, 0]
    level = median(ground)
    plain = np.abs(ground - level) < LINE_SHARE * level
    near = [(labels == i + 1) & (nearest[1] < NEAR_GAP_PX) for i in range(len(parts))]
    near = [one[: off.shape[0], : off.shape[1]] for one in near]
    beside = [_contrast_of(off, one) for one in near]
    if not np.any(middle & plain):
        # All along a line, which cloth on both sides of it that is not of the line's light cannot be for.
        line = medians(scene.levels[y, x][middle]).astype(np.float32)
        beside += [_contrast_of((scene.levels[y, x] - line) / noise, one) for one in near]
        between = float(np.linalg.norm(medians(off[middle])))
        return min(beside) > MAT_LEVEL and between < BARE_SHARE * min(beside)
    between = float(np.linalg.norm(medians(off[middle & plain])))
    return bool(between < min(MAT_LEVEL, BARE_SHARE * min(beside)))


def _contrast_of(off: NDArray[np.float32], where: NDArray[np.bool_]) -> float:
    values = off[where[: off.shape[0], : off.shape[1]]]
    return float(np.linalg.norm(medians(np.abs(values)))) if len(values) else 0.0


def _placed(part: _Patch, whole: _Patch) -> Mask:
    """A part's mask in the whole's box."""
    x, y = part.corner[0] - whole.corner[0], part.corner[1] - whole.corner[1]
    placed = np.zeros(whole.mask.shape, np.uint8)
    placed[y : y + part.mask.shape[0], x : x + part.mask.shape[1]] = part.mask
    return placed


def _in_pixels(mask: Mask) -> Mask:
    return np.repeat(np.repeat(mask, CELL_PX, axis=0), CELL_PX, axis=1)


def _most_of(whole: _Patch, parts: list[_Patch]) -> bool:
    return len(parts) > 1 and sum(part.area for part in parts) > MOST_OF * whole.area


def _solidity(parts: list[_Patch]) -> float:
    return sum(part.solidity * part.area for part in parts) / sum(part.area for part in parts)


def _opened(mask: Mask, size: int) -> Mask:
    """Without what is thinner than `size` cells."""
    return np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, _disc(size)), np.uint8)


def _padded(mask: Mask, pad: int) -> Mask:
    return np.asarray(cv2.copyMakeBorder(mask, pad, pad, pad, pad, cv2.BORDER_CONSTANT), np.uint8)


def _disc(size: int) -> Mask:
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), dtype=np.uint8)


def _filled(mask: Mask, rim: NDArray[np.bool_]) -> Mask:
    """Fill what is enclosed, but not by what reaches the rim: that may be the table all around the mat."""
    filled = mask.copy()
    for outline, hollow in _outer(mask):
        if hollow and not rim[outline[:, 0, 1], outline[:, 0, 0]].any():
            cv2.drawContours(filled, [outline], -1, 1, cv2.FILLED)
    return filled


def _rim(inside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The cells on the mat next to what is not, and next to the picture's rim."""
    padded = _padded(inside.astype(np.uint8), 1)
    return np.asarray(inside & (cv2.erode(padded, np.ones((3, 3), np.uint8))[1:-1, 1:-1] == 0))
