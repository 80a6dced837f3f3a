"""The mat's rim and printed lines, as a lens blurs them before the camera's pixels take their samples.

The picture as a whole is blurred on its pixels, when all that lies on the mat is in it. For a line no wider than a
pixel that is too late: what a whole pixel covers of it hardly says where within the pixel it lies, and the line
would snap by a tenth of a pixel. So these are drawn as the blur leaves them, exactly, and that blur is undone on the
pixels. What the picture's blur then makes of them is true to a thousandth of a pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from projector.rehearsal.things.sizes import GRID_LINE_MM, GRID_MM, MAT_MM

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]

UNDONE_PX = 0.7  # at most: a wider blur leaves nothing between pixels that could go wrong, and cannot be undone
APERTURE = 1.0 / 12.0  # variance of a square pixel
FAR = 5.0  # standard deviations beyond which an edge is not felt
TAPS = 16  # to each side; what comes after is below 1e-4


@dataclass(frozen=True, eq=False, slots=True)
class MatPrint:
    """Parts of every camera pixel, before the picture's blur; to undo it they swing a little beyond 0 and 1."""

    on_mat: Plane  # the mat, its lines included
    lines: Plane


def mat_print(x_mm: Plane, y_mm: Plane, beyond_mm: float, grid: bool, blur_px: float) -> MatPrint:
    """The mat that reaches beyond 36 x 24 in by `beyond_mm` all round.

    `x_mm`, `y_mm` (h, w) say which point of the mat the middle of each pixel sees; `blur_px` is the SD of the
    picture's blur to come. The mat's directions x and y are taken one by one, for a round blur takes them so.
    """
    undone_px = min(blur_px, UNDONE_PX)
    sides = [
        _along(m, (-beyond_mm, size + beyond_mm), grid, float(np.hypot(undone_px, np.sqrt(APERTURE))))
        for m, size in zip((x_mm, y_mm), MAT_MM, strict=True)
    ]
    (in_x, bare_x), (in_y, bare_y) = sides
    on_mat = _unblurred(in_x * in_y, undone_px)
    if not grid:
        return MatPrint(on_mat, np.zeros_like(on_mat))
    return MatPrint(on_mat, on_mat - _unblurred(bare_x * bare_y, undone_px))


def _along(m: Plane, ends_mm: tuple[float, float], grid: bool, sd_px: float) -> tuple[Plane, Plane]:
    """Part of each pixel between the mat's ends in one direction, and what is left of it without the lines there."""
    down, across = np.gradient(m)
    sd_mm = np.hypot(down, across) * np.float32(sd_px)
    far = np.float32(FAR) * sd_mm
    between = ((m > ends_mm[0]) & (m < ends_mm[1])).astype(np.float32)
    at = np.flatnonzero((np.abs(m - ends_mm[0]) < far) | (np.abs(m - ends_mm[1]) < far))
    between.ravel()[at] = _covered(m, sd_mm, at, *ends_mm)
    if not grid:
        return between, between
    bare = between.copy()
    nearest = np.float32(GRID_MM) * np.round(m / np.float32(GRID_MM))
    at = np.flatnonzero(np.abs(m - nearest) < far + np.float32(GRID_LINE_MM / 2))
    line = nearest.ravel()[at].astype(np.float64)
    low, high = (np.clip(line + side * GRID_LINE_MM / 2, *ends_mm) for side in (-1, 1))
    bare.ravel()[at] -= _covered(m, sd_mm, at, low, high)
    return between, bare


def _covered(m: Plane, sd_mm: Plane, at: NDArray[np.intp], low_mm: Floats | float, high_mm: Floats | float) -> Plane:
    """Part of single pixels that a stretch from `low_mm` to `high_mm` covers, blurred."""
    here, sd = m.ravel()[at].astype(np.float64), sd_mm.ravel()[at]
    return np.asarray(ndtr((here - low_mm) / sd) - ndtr((here - high_mm) / sd), np.float32)


def _unblurred(plane: Plane, blur_px: float) -> Plane:
    """What a Gaussian blur on the pixels turns into `plane`."""
    taps = _undoing(blur_px)
    return np.asarray(cv2.sepFilter2D(plane, cv2.CV_32F, taps, taps), np.float32)


@lru_cache(maxsize=4)
def _undoing(blur_px: float) -> Plane:
    """(2 TAPS + 1,) the filter whose response is one over the blur's."""
    half = int(np.ceil(4 * blur_px))
    blur = np.zeros(8 * TAPS)
    blur[np.arange(-half, half + 1)] = cv2.getGaussianKernel(2 * half + 1, blur_px).ravel()
    taps = np.fft.ifft(1.0 / np.fft.fft(blur)).real[np.arange(-TAPS, TAPS + 1)]
    return np.asarray(taps / taps.sum(), np.float32)
