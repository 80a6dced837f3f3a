"""Find what lies on the mat: the connected regions that differ from the bare mat."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.mat import Scene, bare_spread, commonest, smooth

LEVEL = 7.0  # standard deviations of a smoothed difference; noise alone reaches it never in a million pixels
SMOOTH_PX = 5
CLOSE_PX = 9  # a print may have the mat's colour in it: gaps up to this size belong to the cloth
CONVEX = 0.93  # a region of less solidity may be two that closing has joined
OPEN_PX = 7  # what is thinner than this is a thread, a grid line or a hair
LINE_PX = 11  # grid lines are thinner than this in a smoothed difference to a mat without lines
MAT_LEVEL = 3.5  # standard deviations of one pixel's difference up to which it may well be bare mat
STRAIGHT = 0.95  # a piece of cloth with straight sides fills its convex hull at least so far


@dataclass(frozen=True, eq=False, slots=True)
class Region:
    """One connected region that differs from the mat."""

    contour_px: NDArray[np.float64]  # (N, 2) pixel centres along its outer rim
    box_px: tuple[int, int, int, int]  # x, y, width, height
    mask: NDArray[np.bool_]  # (height, width) of the box
    cut_off: bool  # it reaches the rim of the picture or of what is known of the mat

    @property
    def area_px(self) -> int:
        return int(np.count_nonzero(self.mask))

    @property
    def solidity(self) -> float:
        """Its area over that of its convex hull."""
        hull = cv2.convexHull(self.contour_px.astype(np.float32))
        return float(self.area_px / max(cv2.contourArea(hull), 1.0))


def difference_map(scene: Scene, smooth_px: int = SMOOTH_PX) -> NDArray[np.float32]:
    """(H, W): how many standard deviations the smoothed frame differs from the bare mat, all channels together."""
    smoothed = smooth(scene.levels - scene.bare, smooth_px)
    # The noise of the smoothed difference is measured, not computed: compression correlates neighbours.
    # It cannot be better than half a step of the 8-bit encoding, though compression may leave exact zeros.
    spread = np.array([max(bare_spread(smoothed[::4, ::4, c].ravel()), 0.5 * scene.step) for c in range(3)], np.float32)
    # Brighter places are noisier: the photons' share grows with the light (Poisson), the encoding's step likewise.
    level = scene.bare[..., :1]
    brighter = np.sqrt(np.maximum(level / max(float(np.median(level[::8, ::8])), 1e-4), 1.0))
    middle = np.array([commonest(smoothed[::4, ::4, c].ravel()) for c in range(3)], np.float32)
    scaled = (smoothed - middle) / (spread * brighter)
    return np.asarray(np.sqrt(np.sum(scaled * scaled, axis=2)), np.float32)


def find_regions(
    scene: Scene, on_mat: NDArray[np.bool_], least_area_px: float, difference: NDArray[np.float32] | None = None
) -> list[Region]:
    """Regions of at least `least_area_px` in which a scene differs from the bare mat where `on_mat` (H, W) is True.

    Largest first. `difference` is the scene's `difference_map`, where the caller has it already.
    """
    difference = difference_map(scene) if difference is None else difference
    differs = ((difference > LEVEL) & on_mat).astype(np.uint8)
    sharp = difference_map(scene, 1)
    rim = _rim(on_mat)
    if not scene.known:  # its lines differ too, and would be filled as if they enclosed cloth
        differs = _opened(differs, LINE_PX)
    found = [
        part
        for whole in _regions(differs, CLOSE_PX, rim, least_area_px, (0, 0))
        for part in _split(whole, differs, sharp, rim, least_area_px)
    ]
    return sorted(found, key=lambda region: -region.area_px)


def _regions(
    differs: NDArray[np.uint8],
    close_px: int,
    rim: NDArray[np.bool_],
    least_area_px: float,
    corner_px: tuple[int, int],
) -> list[Region]:
    """Connected regions of a mask whose first pixel is at `corner_px` of the picture."""
    mask = np.pad(differs, CLOSE_PX)  # so that closing does not stick to the rim
    if close_px:
        mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, _disc(close_px)), np.uint8)
    mask = _opened(_filled(mask, np.pad(rim, CLOSE_PX)), OPEN_PX)
    mask = np.ascontiguousarray(mask[CLOSE_PX:-CLOSE_PX, CLOSE_PX:-CLOSE_PX])
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4, ltype=cv2.CV_32S)
    return [
        _region(np.asarray(labels, np.int32), np.asarray(stats[i], np.int32), i, rim, corner_px)
        for i in range(1, count)
        if stats[i][cv2.CC_STAT_AREA] >= least_area_px
    ]


def _split(
    whole: Region,
    differs: NDArray[np.uint8],
    sharp: NDArray[np.float32],
    rim: NDArray[np.bool_],
    least_area_px: float,
) -> list[Region]:
    """Part what closing or smoothing has joined: neighbours a few pixels apart."""
    x, y, width, height = whole.box_px
    box, corner_px = (slice(y, y + height), slice(x, x + width)), (x, y)
    cloth = np.where(whole.mask, differs[box], 0).astype(np.uint8)
    for close_px in (5, 0) if whole.solidity <= CONVEX else ():
        parts = _regions(cloth, close_px, rim[box], least_area_px, corner_px)
        if _most_of(whole, parts) and _solidity(parts) > whole.solidity + 0.03:
            return parts
    strong = (whole.mask & (sharp[box] > LEVEL)).astype(np.uint8)
    parts = _regions(strong, 0, rim[box], least_area_px, corner_px)
    if _most_of(whole, parts) and min(part.solidity for part in parts) > STRAIGHT:
        # A print's own stripe in about the mat's colour is not the mat: the gap must look like it throughout.
        gap = sharp[box][whole.mask & (strong == 0) & _between(parts, whole)]
        if gap.size and np.median(gap) < MAT_LEVEL:
            return parts
    return [whole]


def _most_of(whole: Region, parts: list[Region]) -> bool:
    return len(parts) > 1 and sum(part.area_px for part in parts) > 0.8 * whole.area_px


def _solidity(parts: list[Region]) -> float:
    return sum(part.solidity * part.area_px for part in parts) / sum(part.area_px for part in parts)


def _between(parts: list[Region], whole: Region) -> NDArray[np.bool_]:
    """(height, width) of the whole's box: near two parts at least."""
    near = np.zeros(whole.mask.shape, np.uint8)
    for part in parts:
        x, y, width, height = part.box_px
        x, y = x - whole.box_px[0], y - whole.box_px[1]
        own = np.zeros(whole.mask.shape, np.uint8)
        own[y : y + height, x : x + width] = part.mask
        near += np.asarray(cv2.dilate(own, _disc(2 * CLOSE_PX + 1)), np.uint8)
    return np.asarray(near > 1)


def _opened(mask: NDArray[np.uint8], size_px: int) -> NDArray[np.uint8]:
    """Without what is thinner than `size_px`."""
    return np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, _disc(size_px)), np.uint8)


def _disc(size_px: int) -> NDArray[np.uint8]:
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size_px, size_px)), dtype=np.uint8)


def _filled(mask: NDArray[np.uint8], rim: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Fill what is enclosed, but not by what reaches the rim: that may be the table all around the mat."""
    _, labels = cv2.connectedComponents(mask, connectivity=8, ltype=cv2.CV_32S)
    at_rim = np.zeros(int(labels.max()) + 1, bool)
    at_rim[np.unique(np.asarray(labels)[rim])] = True
    at_rim[0] = False
    open_ones = at_rim[labels]
    outlines, _ = cv2.findContours(
        np.where(open_ones, 0, mask).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    filled = open_ones.astype(np.uint8)
    cv2.drawContours(filled, outlines, -1, 1, cv2.FILLED)
    return np.asarray(filled, np.uint8)


def _rim(on_mat: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The pixels of `on_mat` next to what is not, and next to the picture's rim."""
    inside = np.pad(on_mat.astype(np.uint8), 1)
    return np.asarray(on_mat & (cv2.erode(inside, np.ones((5, 5), np.uint8))[1:-1, 1:-1] == 0))


def _region(
    labels: NDArray[np.int32],
    stat: NDArray[np.int32],
    label: int,
    rim: NDArray[np.bool_],
    corner_px: tuple[int, int],
) -> Region:
    x, y, width, height = (int(stat[k]) for k in range(4))
    mask = labels[y : y + height, x : x + width] == label
    outlines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = max(outlines, key=len)[:, 0].astype(np.float64) + np.array([x + corner_px[0], y + corner_px[1]])
    box = (x + corner_px[0], y + corner_px[1], width, height)
    return Region(contour, box, mask, bool(np.any(mask & rim[y : y + height, x : x + width])))
