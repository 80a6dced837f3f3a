"""The known mat: what the empty mat looks like, and how a frame differs from it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from calibration.tone import SRGB, Tone
from vision.light import byte_step, luma_chroma

Floats32 = NDArray[np.float32]
Slopes = tuple[Floats32, Floats32]  # derivatives along x and y of the picture

MAD_TO_SD = 1.4826  # median absolute deviation of a normal distribution to its standard deviation


@dataclass(frozen=True, eq=False, slots=True)
class MatPicture:
    """The empty mat as the camera sees it.

    `levels` is (H, W, 3), linear luminance and two colour differences. `known` is False where no picture of the
    bare mat was given and the levels are a smooth guess: grid lines and stains are then not in it.
    """

    levels: Floats32
    known: bool


def mat_picture(linear: Floats32) -> MatPicture:
    """The bare mat from its picture (H, W, 3) in linear light, better the mean of several."""
    return MatPicture(luma_chroma(linear), known=True)


def guessed_mat_picture(linear: Floats32, on_mat: NDArray[np.bool_]) -> MatPicture:
    """Guess the bare mat from a picture with cloth on it: a smooth surface through its commonest colour.

    `linear` is (H, W, 3), `on_mat` (H, W), True where the mat can be seen at all. The surface is a robust fit of
    low order to the pixels near the commonest colour; good where most of the mat is bare.
    """
    levels = luma_chroma(linear)
    ys, xs = np.nonzero(on_mat[::4, ::4])
    sample = levels[::4, ::4][ys, xs].astype(np.float64)
    height, width = on_mat.shape
    u, v = xs * 4 / width - 0.5, ys * 4 / height - 0.5
    terms = np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])
    use = _near_commonest(sample)
    coefficients = np.zeros((6, 3))
    for _ in range(8):
        coefficients = np.linalg.lstsq(terms[use], sample[use], rcond=None)[0]
        error = sample - terms @ coefficients
        spread = np.median(np.abs(error[use]), axis=0) * MAD_TO_SD + 1e-4
        use = np.all(np.abs(error) < 3.0 * spread, axis=1)
    rows, columns = np.arange(height) / height - 0.5, np.arange(width) / width - 0.5
    u2, v2 = np.meshgrid(columns, rows)
    surface = np.zeros((height, width, 3), np.float32)
    for column, term in enumerate((np.ones_like(u2), u2, v2, u2 * u2, u2 * v2, v2 * v2)):
        surface += (term[..., None] * coefficients[column]).astype(np.float32)
    return MatPicture(surface, known=False)


def on_mat_mask(camera: Pinhole, area_mat_mm: NDArray[np.float64]) -> NDArray[np.bool_]:
    """(H, W): True for the camera's pixels that show a polygon (M, 2) of the mat."""
    shares = np.arange(0.0, 1.0, 0.05)[:, None]
    ends = zip(area_mat_mm, np.roll(area_mat_mm, -1, axis=0), strict=True)
    rim_px = camera.px_from_mat(np.concatenate([a + shares * (b - a) for a, b in ends]))
    width, height = camera.lens.size_px
    mask = np.zeros((height, width), np.uint8)
    cv2.fillPoly(mask, [np.rint(np.clip(rim_px, -1e4, 1e5)).astype(np.int32)], 1)
    return mask > 0


def _near_commonest(sample: NDArray[np.float64]) -> NDArray[np.bool_]:
    """(N,) True for the samples (N, 3) within a broad range of the fullest cell of a colour histogram."""
    # Over the root of the light, noise is about even, and black cloth lies apart from a dark mat.
    sample = sample / np.sqrt(np.maximum(sample[:, :1], 1e-4))
    low, high = np.percentile(sample, [1, 99], axis=0)
    counts, edges = np.histogramdd(sample, bins=12, range=list(zip(low, high + 1e-6, strict=True)))
    best = np.unravel_index(np.argmax(counts), counts.shape)
    centre = np.array([(edges[i][k] + edges[i][k + 1]) / 2 for i, k in enumerate(best)])
    size = np.array([edges[i][1] - edges[i][0] for i in range(3)])
    return np.asarray(np.all(np.abs(sample - centre) < 1.5 * size, axis=1))


@dataclass(frozen=True, eq=False, slots=True)
class Scene:
    """A frame beside the mat it was taken over: linear luminance and two colour differences, (H, W, 3) each.

    `bare` is the mat as it would look in this frame's exposure.
    """

    levels: Floats32
    bare: Floats32
    noise: NDArray[np.float64]  # (3,) standard deviation of one pixel's difference on bare mat
    known: bool  # whether `bare` came from a picture of the bare mat
    tone: Tone = SRGB  # of the camera

    @property
    def step(self) -> float:
        """What one step of the 8-bit encoding is worth on the bare mat."""
        return byte_step(float(np.median(self.bare[::8, ::8, 0])), self.tone)

    def slopes(self) -> Slopes:
        """Derivatives of the bare mat along x and y of the picture, (H, W, 3) each, per px."""
        smoothed = cv2.GaussianBlur(self.bare, (0, 0), 0.5)
        kernel = np.array([[-0.5, 0.0, 0.5]], np.float32)
        along_x, along_y = cv2.filter2D(smoothed, -1, kernel), cv2.filter2D(smoothed, -1, kernel.T)
        return np.asarray(along_x, np.float32), np.asarray(along_y, np.float32)


def compare_with_mat(linear: Floats32, mat: MatPicture, on_mat: NDArray[np.bool_], tone: Tone = SRGB) -> Scene:
    """Bring the mat's picture to the exposure of a picture `linear` (H, W, 3) and state their difference's noise.

    Raises ValueError where the sizes differ.
    """
    levels = luma_chroma(linear)
    if levels.shape != mat.levels.shape:
        raise ValueError(f"the frame is {levels.shape[:2]}, the mat's picture {mat.levels.shape[:2]}")
    frame, bare = levels[::3, ::3][on_mat[::3, ::3]], mat.levels[::3, ::3][on_mat[::3, ::3]]
    gain = 1.0
    if mat.known:
        ratio = frame[:, 0] / np.maximum(bare[:, 0], 1e-4)
        gain = commonest(np.asarray(ratio, np.float32))
    difference = frame - gain * bare
    near = np.abs(difference[:, 0]) < 4.0 * bare_spread(difference[:, 0])
    noise = np.array([bare_spread(difference[near, c]) for c in range(3)])
    return Scene(levels, (gain * mat.levels).astype(np.float32), noise, mat.known, tone)


def commonest(values: Floats32) -> float:
    """The commonest value: the middle of the narrowest interval that holds a quarter of them (half-sample mode)."""
    ordered = np.sort(values.astype(np.float64))
    while ordered.size > 64:
        half = ordered.size // 2
        start = int(np.argmin(ordered[half:] - ordered[:-half]))
        ordered = ordered[start : start + half]
    return float(np.median(ordered))


def bare_spread(values: Floats32) -> float:
    """Standard deviation of the commonest part of `values`, cloth and stains left out."""
    mode = commonest(values)
    distance = np.sort(np.abs(values - mode))
    # A third of the picture is taken to be bare mat at least; of a normal distribution's distances from its
    # middle, the share within z standard deviations is erf(z / sqrt 2): a third of them within 0.4307.
    return float(max(distance[distance.size // 3] / 0.4307, 2e-4))


def smooth(image: Floats32, size_px: int) -> Floats32:
    """Box mean of (H, W, C)."""
    return np.asarray(cv2.blur(image, (size_px, size_px)), dtype=np.float32)
