"""Faint cloth up to its rim: what is sure in the mean of many cells alone, told cell by cell.

How far its light is from the mat's is known from its middle. Where it lies, it hides the mat's lines as well. So what a
cell differs by is either that, or nothing: whichever is likelier in a few cells together (the matched filter of a known
difference in known noise), and its rim lies where they are as likely.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Mask = NDArray[np.uint8]

BROAD_CELLS = 25  # over which the mat is smooth: its lines are what is thinner
FEW_CELLS = 3, 5, 9  # together, over which is asked; over more where the fewer say too little
ENOUGH = 36.0  # squared difference in them, in variances of their noise: half of it is three deviations
HALF = 0.5
STRONG = 14.0  # standard deviations: shows up to its rim by itself
STRONG_CELLS, BESIDE_CELLS = 9, 4  # strong cloth is thicker than lines under faint cloth, and spreads so far
LEAST_CELLS = 9  # of a middle
BRIDGE_CELLS = 3  # means over a few cells meet between neighbours that lie close; no cloth is as thin


def up_to_their_rims(middles: Mask, squared: Floats32, seen: Floats32, mat: Floats32, white: Floats32) -> Mask:
    """1 in the cells (h, w) of faint cloth around its `middles` (h, w), of which it is sure that they are cloth.

    `squared` (h, w) is the squared contrast of means over 3 x 3 cells: what is strong is told without this. `seen` and
    `mat` are (h, w, 3); `white` (3, 4) makes noise of one size of such means of their difference.
    """
    found = np.zeros_like(middles)
    strong = cv2.morphologyEx((squared > STRONG**2).view(np.uint8), cv2.MORPH_OPEN, _square(STRONG_CELLS))
    free = cv2.dilate(strong, _square(2 * BESIDE_CELLS + 1)) == 0
    smooth = np.asarray(cv2.blur(mat, (BROAD_CELLS, BROAD_CELLS)), np.float32)
    off = np.asarray(cv2.transform(seen - mat, white), np.float32)
    lines = np.asarray(cv2.transform(mat - smooth, white[:, :3]), np.float32)
    light = np.maximum(smooth[..., 0], 1e-6)
    count, labels = cv2.connectedComponents(middles, connectivity=8, ltype=cv2.CV_32S)
    for k in range(1, count):
        own = (labels == k) & free
        many = np.count_nonzero(own)
        if many < LEAST_CELLS or 2 * np.count_nonzero(found[own]) > many:
            continue  # the latter belong to one that came before
        middle = np.median(off[own] + lines[own], axis=0)
        differs = (light / np.median(light[own]))[..., None] * middle.astype(np.float32) - lines
        size = next((one for one in FEW_CELLS if (one / 3.0) ** 2 * float(middle @ middle) > ENOUGH), FEW_CELLS[-1])
        likely, whole = (cv2.blur(np.sum(one * differs, axis=2), (size, size)) for one in (off, differs))
        cloth = ((likely > HALF * whole) & free).astype(np.uint8)
        cloth = cv2.morphologyEx(cloth, cv2.MORPH_OPEN, _square(BRIDGE_CELLS))
        _, parts = cv2.connectedComponents(cloth, connectivity=4, ltype=cv2.CV_32S)
        inside = np.unique(parts[own])
        found |= np.isin(parts, inside[inside > 0]).astype(np.uint8)
    return found


def _square(cells: int) -> Mask:
    return np.ones((cells, cells), np.uint8)
