"""What the light and the camera's exposure changed since the picture of the empty mat: a gain for each channel.

One gain for the picture, or, where the light falls otherwise than it did, a smooth field of second order. Cloth may
cover most of the mat: only what is near the commonest ratio speaks.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.finding.commonest import bare_spread, commonest
from vision.finding.layers import Part
from vision.light import BGR_OF_LEVELS, LUMA_CHROMA, bgr_of, luma_chroma

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

BLOCKS = 48  # across the picture's width, each of which has its say
LEAST_BLOCKS = 24
ALIKE, MOST_BY_ITSELF = 1.15, 2.5
ROUNDS = 10
NEAR = 3.0  # standard deviations from the fit within which a block may be bare mat
LEAST_NEAR = 0.004  # of the gain: unevenness of the mat that no smooth field follows
EVEN = 0.01  # a field that strays less than this from one gain is one gain
DARK = 1e-4  # linear light below which a ratio says nothing
WHOLE = slice(None), slice(None)


@dataclass(frozen=True, eq=False, slots=True)
class Exposure:
    """The mat's light now over that in its picture, channel by channel (blue, green, red).

    `terms` (6, 3) belong to 1, u, v, u², uv, v², with u and v the place over the picture's size, 0 in its middle.
    """

    terms: Floats

    @property
    def even(self) -> bool:
        """Whether one gain a channel says it all."""
        return not bool(np.any(self.terms[1:]))

    def of_light(self, light: Floats32, part: Part = WHOLE, shape: tuple[int, ...] = ()) -> Floats32:
        """Linear blue green red (A, B, 3) of the mat's picture as it would now be.

        It may be `part` of a picture of `shape` (H, W).
        """
        gains = self.terms[0].astype(np.float32) if self.even else self._gains(part, shape or light.shape)
        return np.asarray(light * gains, np.float32)

    def of_levels(
        self, levels: Floats32, part: Part = WHOLE, shape: tuple[int, ...] = (), into: Floats32 | None = None
    ) -> Floats32:
        """The same of luminance and colour differences (A, B, 3)."""
        if self.even:
            return np.asarray(cv2.transform(levels, _mix(*self.terms[0].tolist()), into), np.float32)
        return luma_chroma(self.of_light(bgr_of(levels), part, shape), into)

    def _gains(self, part: Part, shape: tuple[int, ...]) -> Floats32:
        """(A, B, 3) in a part of a picture of `shape` (H, W)."""
        v, u = ((np.arange(n, dtype=np.float32) + 0.5) / n - 0.5 for n in shape[:2])
        v, u = v[part[0]], u[part[1]]
        v, u = (v[:, None, None], u[None, :, None]) if v.ndim == 1 else (v[..., None], u[..., None])
        one, of_u, of_v, of_uu, of_uv, of_vv = self.terms.astype(np.float32)
        return np.asarray(one + v * (of_v + v * of_vv) + u * (of_u + v * of_uv) + u * u * of_uu, np.float32)


@lru_cache(maxsize=8)
def _mix(*gains: float) -> Floats32:
    """(3, 3) by which levels in one light become such in another."""
    return np.asarray(LUMA_CHROMA @ np.diag(gains) @ BGR_OF_LEVELS, np.float32)


UNCHANGED = Exposure(np.array([[1.0] * 3] + [[0.0] * 3] * 5))


def match_exposure(frame: Floats32, bare: Floats32, on_mat: NDArray[np.bool_], most: float = np.inf) -> Exposure:
    """Match the bare mat's picture to a frame, (h, w, 3) linear blue green red each, where `on_mat` (h, w).

    Who knows that the light has not changed by more than `most` times finds the mat though one cloth covers more of it
    than is bare; but not where that cloth is to the mat as another exposure would be, in all channels alike.
    """
    size = _blocks_of(frame.shape)
    seen, mat = (cv2.resize(one, size, interpolation=cv2.INTER_AREA).reshape(-1, 3) for one in (frame, bare))
    whole = cv2.resize(on_mat.view(np.uint8) * np.uint8(255), size, interpolation=cv2.INTER_AREA).ravel() > 250
    use = whole & (mat.min(axis=1) > DARK)
    if np.count_nonzero(use) < LEAST_BLOCKS:
        return UNCHANGED
    ratio = seen[use] / mat[use]
    basis = _basis(*size)[use]
    flat = _commonest_of(ratio)
    likely = np.all((ratio <= most) & (ratio >= 1.0 / most), axis=1)
    if not _is_exposure(flat) and np.count_nonzero(likely) >= LEAST_BLOCKS:
        ratio, basis = ratio[likely], basis[likely]
        flat = _commonest_of(ratio)
    if not np.all(flat > 0.01):
        return UNCHANGED
    flat = _fitted(ratio, basis[:, :1], flat[None])[0][0]
    terms, near = _fitted(ratio, basis, np.concatenate([flat[None], np.zeros((5, 3))]))
    strays = np.abs(basis @ terms / flat - 1.0)
    uneven = np.count_nonzero(near) > 0.1 * len(near) and float(np.percentile(strays, 95)) > EVEN
    return Exposure(terms if uneven else np.concatenate([flat[None], np.zeros((5, 3))]))


def _commonest_of(ratio: Floats32) -> Floats:
    return np.array([commonest(np.asarray(ratio[:, c], np.float32)) for c in range(3)])


def _is_exposure(flat: Floats) -> bool:
    """Whether gains (3,) may be a camera's that changes its exposure by itself: alike in all channels, and not huge."""
    return bool(flat.max() < ALIKE * flat.min() and flat.max() < MOST_BY_ITSELF and flat.min() > 1.0 / MOST_BY_ITSELF)


def _fitted(ratio: Floats32, basis: Floats, terms: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Least squares over the blocks whose three ratios are near the fit, by what the commonest third strays from it."""
    near = np.zeros(len(ratio), bool)
    for _ in range(ROUNDS):
        fit = basis @ terms
        off = ratio / np.maximum(fit, 0.05) - 1.0
        spread = np.array([max(bare_spread(np.asarray(off[:, c], np.float32)), LEAST_NEAR) for c in range(3)])
        now = np.all(np.abs(off) < NEAR * spread, axis=1)
        if np.count_nonzero(now) < 3 * basis.shape[1] or np.array_equal(now, near):
            break
        near = now
        own = basis[near]
        terms = np.asarray(np.linalg.solve(own.T @ own, own.T @ ratio[near].astype(np.float64)), np.float64)
    return terms, near


@lru_cache(maxsize=4)
def _basis(width: int, height: int) -> Floats:
    """(height * width, 6): the six terms at the middle of each block, row by row."""
    u, v = np.meshgrid((np.arange(width) + 0.5) / width - 0.5, (np.arange(height) + 0.5) / height - 0.5)
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1).reshape(-1, 6)


def _blocks_of(shape: tuple[int, ...]) -> tuple[int, int]:
    height, width = shape[:2]
    across = min(BLOCKS, width)
    return across, max(1, round(across * height / width))
