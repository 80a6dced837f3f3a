"""Find what lies on the mat: the connected regions that differ from the bare mat.

All in cells of 2 x 2 px (see `contrast`): a rim to a pixel is enough here, the fit of the sides does the rest.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.finding.clothcells import weak_cloth, without_specks
from vision.finding.clothrims import within_half
from vision.finding.contrast import CELL_PX, CODED_CELLS, Mask, box_about, in_pixels
from vision.finding.gaps import joined
from vision.finding.halves import HIDDEN_CELLS, halves_of
from vision.finding.mat import Scene
from vision.finding.shade import shade_in

CLOSE_CELLS = 5  # a print may have the mat's colour in it: gaps up to this size belong to the cloth
OPEN_CELLS = 3  # what is thinner than this is taken off
THREAD_CELLS = 5  # what is thinner than this all over, averaged over 3 cells, is a thread, a grid line or a hair
LINE_CELLS = 5  # grid lines are thinner than this in a smoothed difference to a mat without lines
CONVEX = 0.93  # a region of less solidity may be two that closing has joined
STRAIGHT = 0.95  # a piece of cloth with straight sides fills its convex hull at least so far
STRAIGHTER = 0.03  # by so much more of their hulls parts fill, or a whole does, that count in place of the other
LEAST_SOLID = 0.6  # an L fills so much of its hull whose arms are four times as long as wide
FIGURED = 0.005  # of a part's area are figures of a print: less may be a speck
BUT_RIMS = 0.9  # of a region is left where its parts lose their rims alone
MOST_OF = 0.8  # of a region must be left in its parts
AROUND_CELLS = 5  # beside a region, in which its light is seen to spread


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
    inside, least = np.ascontiguousarray(on_mat[::CELL_PX, ::CELL_PX]), least_area_px / CELL_PX**2
    sure, likely = (one & inside.view(np.uint8) for one in (scene.contrast.sure, scene.contrast.likely))
    rim, box = _rim(inside), box_about(sure | likely, CODED_CELLS)
    squared = np.ascontiguousarray(scene.contrast.squared[box])
    sure[box] = here = without_specks(np.ascontiguousarray(sure[box]), squared)
    found = _found(scene, sure, rim, least)
    if scene.known:  # else what is likely some may well be the mat's wear
        cells, weak = sure.copy(), np.zeros_like(sure)
        for patch in found:
            cells[patch.box] |= patch.mask
        held = np.ascontiguousarray(cells[box])
        weak[box] = weak_cloth(here, np.ascontiguousarray(likely[box]), squared, least, held)
        if weak.any():
            found = _grown(found, _found(scene, weak, rim, least))
        found = _rejoined(scene, found, rim)
    return sorted((patch.region(on_mat.shape) for patch in found), key=lambda region: -region.area_px)


def _found(scene: Scene, differs: Mask, rim: NDArray[np.bool_], least_area: float) -> list[_Patch]:
    box, differs = box_about(differs, CLOSE_CELLS), differs.copy()  # shade is taken out
    if not scene.known:  # its lines differ too, and would be filled as if they enclosed cloth
        differs[box] = _opened(differs[box], LINE_CELLS)
    return [
        part
        for whole in _patches(differs[box], CLOSE_CELLS, rim[box], least_area, (box[1].start, box[0].start))
        for lit in _without_shade(scene, whole, differs, rim, least_area)
        for part in _split(scene, lit, differs, rim, least_area)
    ]


def _grown(found: list[_Patch], grown: list[_Patch]) -> list[_Patch]:
    """Patches, those of weak cloth as they are with what is likely some: neighbours do not become one by that.

    What was found in parts is one where it is straighter than they are.
    """
    held = [[one for one in found if _within(one, whole)] for whole in grown]
    left = [one for one in found if not any(one in each for each in held)]
    for whole, parts in zip(grown, held, strict=True):
        more = whole.area >= sum(part.area for part in parts) and (
            parts or not any(_within(whole, one) for one in found)
        )
        one = more and (len(parts) < 2 or whole.solidity > _solidity(parts) + STRAIGHTER)
        left += [whole] if one else parts
    return left


def _rejoined(scene: Scene, found: list[_Patch], rim: NDArray[np.bool_]) -> list[_Patch]:
    """Patches, those as one that are halves of one piece, with what lies between them (see `halves`)."""
    groups = halves_of(scene, [(patch.corner, patch.mask) for patch in found])
    return [one for group in groups for one in _as_one([found[k] for k in group], rim)]


def _as_one(parts: list[_Patch], rim: NDArray[np.bool_]) -> list[_Patch]:
    """Patches as one where that fills its hull; else they lie beside each other by chance."""
    if len(parts) == 1:
        return parts
    low = np.min([part.corner for part in parts], axis=0)
    high = np.max([np.array(part.corner) + part.mask.shape[::-1] for part in parts], axis=0)
    mask = np.zeros((high - low)[::-1], np.uint8)
    for part in parts:
        rows, columns = (slice(at.start - of, at.stop - of) for at, of in zip(part.box, low[::-1], strict=True))
        mask[rows, columns] |= part.mask
    box = slice(low[1], high[1]), slice(low[0], high[0])
    whole = _patches(mask, 2 * HIDDEN_CELLS - 1, rim[box], 1.0, (int(low[0]), int(low[1])))
    return whole if len(whole) == 1 and whole[0].solidity > STRAIGHT else parts


def _within(part: _Patch, whole: _Patch) -> bool:
    """Whether most of a patch lies in another one."""
    (x, y), (left, top) = part.corner, whole.corner
    (height, width), (whole_height, whole_width) = part.mask.shape, whole.mask.shape
    low, high = (max(x, left), max(y, top)), (min(x + width, left + whole_width), min(y + height, top + whole_height))
    if low[0] >= high[0] or low[1] >= high[1]:
        return False
    own, other = (
        one.mask[low[1] - at[1] : high[1] - at[1], low[0] - at[0] : high[0] - at[0]]
        for one, at in ((part, part.corner), (whole, whole.corner))
    )
    return 2 * cv2.countNonZero(own & other) > part.area


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
        """Its rows and columns."""
        return self.box_from((0, 0))

    def box_from(self, corner: tuple[int, int]) -> tuple[slice, slice]:
        """Its rows and columns, counted from a corner (x, y) of the picture's cells."""
        (x, y), (height, width) = np.subtract(self.corner, corner).tolist(), self.mask.shape
        return slice(y, y + height), slice(x, x + width)

    @property
    def solidity(self) -> float:
        return _solid(self.contour, self.area)

    def region(self, shape: tuple[int, ...]) -> Region:
        """The same in the pixels of a picture of (H, W)."""
        (x, y), size = self.corner, CELL_PX
        mask = in_pixels(self.mask)[: shape[0] - y * size, : shape[1] - x * size] > 0
        contour_px = self.contour.astype(np.float64) * size + (size - 1) / 2
        return Region(contour_px, (x * size, y * size, mask.shape[1], mask.shape[0]), mask, self.cut_off)


def _solid(contour: NDArray[np.float64] | NDArray[np.int32], area: float) -> float:
    hull = cv2.convexHull(contour.astype(np.float32))
    return float(area / max(cv2.contourArea(hull), 1.0))


def _patches(
    differs: Mask, close_cells: int, rim: NDArray[np.bool_], least_area: float, corner: tuple[int, int]
) -> list[_Patch]:
    """Connected patches of a mask whose first cell is at `corner` of the picture: closed, filled, opened."""
    pad = max(CLOSE_CELLS, close_cells)  # so that closing does not stick to the rim
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
        parts = _pieces(scene, _patches(cloth, close_cells, rim[whole.box], least_area, whole.corner), whole, rim)
        if _most_of(whole, parts) and _solidity(parts) > whole.solidity + STRAIGHTER:
            return parts
    parts = _pieces(scene, _patches(cloth, 0, rim[whole.box], least_area, whole.corner), whole, rim)
    if _most_of(whole, parts) and min(part.solidity for part in parts) > STRAIGHT:
        return parts
    return _at_their_rims(scene, whole, cloth, rim, least_area) if whole.solidity <= CONVEX else [whole]


def _at_their_rims(scene: Scene, whole: _Patch, cloth: Mask, rim: NDArray[np.bool_], least_area: float) -> list[_Patch]:
    """A patch in the parts that have rims of their own where cells seem `cloth` (h, w) all over, straighter than it.

    Dark figures of a print are rims, too: of parts that have some more than one is no piece.
    """
    halved, figures = within_half(scene, whole.box)
    patches = _patches(cloth & halved, 0, rim[whole.box], least_area, whole.corner)
    parts = _pieces(scene, patches, whole, rim)
    # Cloth that a shadow has brought near the mat differs by less than half of what is lit beside it: that is no rim.
    rims_alone = sum(part.area for part in parts) > BUT_RIMS * whole.area
    if len(parts) < 2 or not rims_alone or min(part.solidity for part in parts) < LEAST_SOLID:
        return [whole]
    straight = _solidity(parts) > whole.solidity + STRAIGHTER
    return parts if straight and sum(_shows(figures, part, whole) for part in parts) < 2 else [whole]


def _shows(figures: Mask, part: _Patch, whole: _Patch) -> bool:
    """Whether there are `figures` (h, w) of the whole in a part, away from its rim."""
    pad = CLOSE_CELLS  # what is dark from its rim on has been left out of it
    closed = cv2.morphologyEx(_padded(part.mask, pad), cv2.MORPH_CLOSE, _disc(CLOSE_CELLS))
    inside = np.asarray(cv2.erode(closed, np.ones((3, 3), np.uint8)), np.uint8)[pad:-pad, pad:-pad]
    return cv2.countNonZero(inside & figures[part.box_from(whole.corner)]) > FIGURED * part.area


def _pieces(scene: Scene, parts: list[_Patch], whole: _Patch, rim: NDArray[np.bool_]) -> list[_Patch]:
    """Parts of a patch, those as one between which no mat shows."""
    if not _most_of(whole, parts):
        return parts
    group = np.array(_joined(scene, parts, whole))
    pieces = list[_Patch]()
    for first in np.unique(group):
        own = [part for part, one in zip(parts, group, strict=True) if one == first]
        if len(own) == 1:
            pieces += own
            continue
        mask = np.zeros_like(whole.mask)
        for part in own:
            mask[part.box_from(whole.corner)] |= part.mask
        pieces += _patches(mask, CLOSE_CELLS, rim[whole.box], 1.0, whole.corner)
    return pieces


def _joined(scene: Scene, parts: list[_Patch], whole: _Patch) -> list[int]:
    """See `gaps.joined`."""
    (height, width), (x, y) = scene.seen.cells.shape[:2], whole.corner
    left, top = max(0, x - AROUND_CELLS), max(0, y - AROUND_CELLS)
    right, below = (at + n + AROUND_CELLS for at, n in zip(whole.corner, whole.mask.shape[::-1], strict=True))
    numbers = np.zeros((min(below, height) - top, min(right, width) - left), np.uint8)
    inside = np.zeros_like(numbers)
    for k, patch in enumerate((whole, *parts)):
        (numbers if k else inside)[patch.box_from((left, top))][patch.mask > 0] = max(k, 1)
    size = scene.shape[0] - top * CELL_PX, scene.shape[1] - left * CELL_PX
    own, whole_px = (in_pixels(one)[: size[0], : size[1]] for one in (numbers, inside))
    return joined(scene, (left * CELL_PX, top * CELL_PX), own, whole_px)


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
    square = np.ones((3, 3), np.uint8)
    amid = cv2.erode(inside.view(np.uint8), square, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(inside & ~amid.view(np.bool_))
