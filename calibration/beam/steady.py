"""Did anything move between two pictures of one pattern?"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

BLOCK_PX = 48
SOFT_PX = 1.0  # smoothing before slopes are taken
LEAST_LIT = 0.7  # of a block
FEWEST_BLOCKS = 6
MOST_PX = 0.15  # camera pixels that a standing table may seem to move
SIGMAS = 4.0  # of one block's own uncertainty
UNLIKE = 0.35  # of a block's contrast that no small move explains
FAR_PX = 3.0  # from here on slopes do not tell how far


@dataclass(frozen=True, slots=True)
class Bumped:
    """Camera, projector or mat moved while the patterns were shown."""

    by_px: float  # camera pixels, in the typical part of the picture; `FAR_PX` stands for that much or more


def bumped(before: Floats32, after: Floats32, lit: NDArray[np.bool_]) -> Bumped | None:
    """Compare two pictures (h, w) in linear light of one pattern with edges both ways; None if all stood still.

    In each block the second is explained by the first, moved, brightened and lifted (least squares on slopes:
    B. D. Lucas, T. Kanade, IJCAI 1981). Nearly half of the blocks may be covered by something.
    """
    columns = _columns(before, after, lit)
    if len(columns) < FEWEST_BLOCKS:
        return None
    design, wanted = columns[..., :4], columns[..., 4]
    normal = np.einsum("bpi,bpj->bij", design, design) + 1e-9 * np.eye(4)
    inverse = np.linalg.inv(normal)
    fit = np.einsum("bij,bpj,bp->bi", inverse, design, wanted, optimize=True)
    rest2 = np.mean((wanted - np.einsum("bpi,bi->bp", design, fit)) ** 2, axis=1)
    move = np.hypot(fit[:, 0], fit[:, 1])
    u = np.sqrt(rest2 * np.maximum(inverse[:, 0, 0], inverse[:, 1, 1]))
    contrast = design[..., 2].std(axis=1)
    if np.median(np.sqrt(rest2) / np.maximum(contrast, 1e-6)) > UNLIKE:
        return Bumped(FAR_PX)
    typical = float(np.median(move))
    return Bumped(min(typical, FAR_PX)) if typical > max(MOST_PX, SIGMAS * float(np.median(u))) else None


def _columns(before: Floats32, after: Floats32, lit: NDArray[np.bool_]) -> Floats:
    """(B, P, 5): slopes along x and y, the first picture, ones, and the difference, of all lit blocks."""
    first, second = (cv2.GaussianBlur(one, (0, 0), SOFT_PX) for one in (before, after))
    along_x = -cv2.Sobel(first, cv2.CV_32F, 1, 0, ksize=1) / 2
    along_y = -cv2.Sobel(first, cv2.CV_32F, 0, 1, ksize=1) / 2
    planes = [along_x, along_y, first, np.ones_like(first), second - first]
    blocks = np.stack([_blocks(np.asarray(plane, np.float32)) for plane in planes], axis=-1)
    use = _blocks(lit.astype(np.float32)).mean(axis=1) > LEAST_LIT
    return np.asarray(blocks[use], np.float64)


def _blocks(plane: Floats32) -> Floats32:
    """(B, P): the whole blocks of a picture, row by row."""
    h, w = (n // BLOCK_PX for n in plane.shape)
    cut = plane[: h * BLOCK_PX, : w * BLOCK_PX].reshape(h, BLOCK_PX, w, BLOCK_PX)
    return np.ascontiguousarray(cut.transpose(0, 2, 1, 3)).reshape(h * w, BLOCK_PX * BLOCK_PX)
