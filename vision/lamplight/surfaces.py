"""The colours of what lies on the mat, and of the mat, beside white paper: for light that must be seen on them."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from calibration.tone import SRGB, Tone
from vision.finding.mat import MatPicture
from vision.lamplight.lamp import in_lamp_light
from vision.light import BGR_OF_LEVELS, linear_image

Floats = NDArray[np.float64]

SPARSE = 4  # every so many pixels each way
PARTS = 3  # a cloth's pixels in so many groups of its range of colours: a strip set or print has several
FEWEST = 30  # pixels of a cloth that tell its colour


def surface_colours(
    lit: NDArray[np.uint8],
    unlit: NDArray[np.uint8] | None,
    mat: MatPicture,
    camera: Pinhole,
    outlines_mat_mm: Sequence[Floats],
    height_mm: float,
    mat_over_paper: float,
    tone: Tone = SRGB,
) -> Floats:
    """What share of red, green and blue light the mat and each cloth send back, white paper sending all.

    Parameters
    ----------
    lit : (H, W, 3) uint8
        The mat with cloth in the projector's even light, blue green red.
    unlit : (H, W, 3) uint8, or None
        The same in the room's light alone, where that is not in the mat's picture.
    mat : MatPicture
        The bare mat in the lamp's light, or in both where there is no `unlit`.
    outlines_mat_mm : sequence of (N, 2) float64
        Cloths, `height_mm` above the mat.
    mat_over_paper : float
        How light the mat is beside paper.
    tone : Tone
        The camera's tone curve.

    Returns
    -------
    (1 + PARTS k, 3) float64
        Red, green, blue, 0 to 1: first the mat's, then each cloth's that is seen, dark to light along its main colour
        axis. The camera's colours are taken as they are.
    """
    levels = mat.levels[::SPARSE, ::SPARSE]
    per_light = mat_over_paper / np.maximum(levels[..., 0], 1e-6)
    small = linear_image(np.ascontiguousarray(lit[::SPARSE, ::SPARSE]), tone)
    if unlit is not None:
        small = in_lamp_light(small, linear_image(np.ascontiguousarray(unlit[::SPARSE, ::SPARSE]), tone))
    bare = np.median(levels.reshape(-1, 3), axis=0)
    found = [(BGR_OF_LEVELS @ bare / bare[0] * mat_over_paper)[None]]
    for outline in outlines_mat_mm:
        outline_px = camera.px_from_mat(np.asarray(outline, float), height_mm) / SPARSE
        inside = np.zeros(small.shape[:2], np.uint8)
        cv2.fillPoly(inside, [np.rint(outline_px).astype(np.int32)], 1)
        where = inside.astype(bool)
        if where.sum() >= FEWEST:
            found.append(_parts(small[where].astype(float) * per_light[where][:, None]))
    return np.asarray(np.clip(np.concatenate(found)[:, ::-1], 0.0, 1.0))


def _parts(colours: Floats) -> Floats:
    """(PARTS, 3) means of a cloth's pixels (N, 3), in groups of one size along the axis on which they differ most."""
    middle = colours.mean(axis=0)
    axis = np.linalg.eigh(np.cov((colours - middle).T))[1][:, -1]
    order = np.argsort((colours - middle) @ (axis * np.sign(axis.sum() or 1.0)))
    return np.array([part.mean(axis=0) for part in np.array_split(colours[order], PARTS)])
