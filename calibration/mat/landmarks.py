"""What a camera can know the bare mat by: small patches of it, and where on the mat each of them lies.

Crossings and print hold both directions; a point on a straight border holds only the one across it. Each
landmark therefore carries what it tells as a matrix, and a border's says nothing along it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import grey
from calibration.pinhole import Pinhole
from calibration.robust import MAD_TO_SD

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]
Picture = NDArray[np.uint8]

PATCH_PX = 17
RIM_PX = 2  # of a patch; lets it be smoothed
CORE_PX = PATCH_PX - 2 * RIM_PX
SMOOTH_PX = 1.0  # so that what lies between pixels can be read off them
CELLS = (28, 18)  # one landmark each at most, so that they are well spread
MOST_U_PX = 0.25  # a landmark that is found less well across its better direction is none
BOTH_U_PX = 0.35  # one that is found as well as this in both directions goes before a mere border
SHRINK = 8  # of the small picture, which finds the way when much has moved
CLEAR_PX = 20  # from the picture's rim


@dataclass(frozen=True, eq=False, slots=True)
class Landmarks:
    """Patches of the bare mat as the camera saw them when the rig was made. None at all on a plain mat."""

    places_mat_mm: Floats  # (N, 2)
    places_px: Floats  # (N, 2) where the camera saw them: whole pixels, the patches' middles
    information_px2: Floats  # (N, 2, 2) inverse covariance of finding one again, per px^2; singular on a border
    patches: Picture  # (N, S, S) encoded brightness about the places
    small: Picture  # (h, w) the whole picture, shrunk by SHRINK

    def __len__(self) -> int:
        return len(self.places_px)


def choose_landmarks(pictures: Sequence[Picture], camera: Pinhole, outline_mat_mm: Floats) -> Landmarks:
    """Up to 500 landmarks, well spread, on the bare mat.

    Parameters
    ----------
    pictures : one or more (h, w) or (h, w, 3) uint8
        The bare mat under even light, nothing having moved between them. More of them make patches less
        noisy, and tell the noise itself; one alone lets the mat's finest texture count as noise.
    camera : Pinhole
        The solved camera.
    outline_mat_mm : (M, 2)
        Where landmarks may lie: the mat with its border. What lies around the mat may move without it.

    Raises ValueError without a picture of the camera's size.
    """
    greys = [grey(picture) for picture in pictures]
    if not greys or greys[0].shape[::-1] != camera.lens.size_px:
        raise ValueError(f"pictures of {camera.lens.size_px} are needed")
    mean: Plane = np.stack(greys).mean(axis=0, dtype=np.float32)
    tensor = _structure(mean, _gradient_noise(greys))
    # of the picture to come and of the patches; smoothed noise is no stronger where weights vary slowly
    noise2 = pixel_noise(greys) ** 2 * (1.0 + 1.0 / len(greys))
    places = _spread_places(tensor / np.float32(noise2), _allowed(camera, outline_mat_mm))
    information = tensor[places[:, 1], places[:, 0]].astype(float) / noise2
    whole = np.clip(np.rint(mean), 0, 255).astype(np.uint8)
    return Landmarks(
        camera.mat_from_px(places.astype(float)), places.astype(float), information, cut(whole, places), shrunk(whole)
    )


def renewed(landmarks: Landmarks, kept: NDArray[np.bool_], picture: Picture, camera: Pinhole) -> Landmarks:
    """The `kept` places of the mat with the patches that a camera in its new pose sees."""
    whole = grey(picture)
    at = np.rint(camera.px_from_mat(landmarks.places_mat_mm))
    clear = kept & np.all((at >= CLEAR_PX) & (at < np.array(camera.lens.size_px) - CLEAR_PX), axis=1)
    return Landmarks(
        camera.mat_from_px(at[clear]),
        at[clear],
        landmarks.information_px2[clear],
        cut(whole, at[clear].astype(np.int64)),
        shrunk(whole),
    )


def cut(whole: Picture, places_px: NDArray[np.int64]) -> Picture:
    """(N, S, S) patches about whole pixels (N, 2)."""
    half = PATCH_PX // 2
    patches = [whole[y - half : y + half + 1, x - half : x + half + 1] for x, y in places_px.tolist()]
    return np.array(patches, np.uint8).reshape(-1, PATCH_PX, PATCH_PX)


def shrunk(whole: Picture) -> Picture:
    """The picture in little: each pixel the mean of SHRINK x SHRINK."""
    h, w = (side // SHRINK for side in whole.shape[:2])
    return np.asarray(cv2.resize(whole[: h * SHRINK, : w * SHRINK], (w, h), interpolation=cv2.INTER_AREA), np.uint8)


def pixel_noise(greys: Sequence[Picture]) -> float:
    """Standard deviation of one pixel's encoded brightness: from repeats, or from one picture's finest detail.

    Source of the latter: J. Immerkaer, "Fast Noise Variance Estimation", Computer Vision and Image
    Understanding 64 (1996), 300-302, with a median so that edges do not count.
    """
    if len(greys) > 1:
        stack = np.stack([g.astype(np.float32) for g in greys])
        return max(float(np.sqrt(np.mean(np.var(stack, axis=0, ddof=1)))), 0.3)  # rounding leaves 0.29
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32) / 6.0
    return max(float(MAD_TO_SD * np.median(np.abs(cv2.filter2D(greys[0].astype(np.float32), -1, kernel)))), 0.3)


def _gradient_noise(greys: Sequence[Picture]) -> float:
    """Variance of a smoothed picture's slopes that is noise alone (Gaussian: sigma^2 / (8 pi s^4))."""
    return pixel_noise(greys) ** 2 / len(greys) / (8.0 * np.pi * SMOOTH_PX**4)


def _structure(mean: Plane, noise: float) -> Plane:
    """(h, w, 2, 2): slopes' products summed over a patch's core, what noise adds taken off."""
    smooth = cv2.GaussianBlur(mean, (0, 0), SMOOTH_PX)
    dx, dy = (cv2.Scharr(smooth, cv2.CV_32F, *order) / np.float32(32.0) for order in ((1, 0), (0, 1)))
    box = (CORE_PX, CORE_PX)
    xx, xy, yy = (
        np.asarray(cv2.boxFilter(p, -1, box, normalize=False), np.float32) for p in (dx * dx, dx * dy, dy * dy)
    )
    extra = np.float32(noise * CORE_PX**2)
    return _without_negative(xx - extra, xy, yy - extra)


def _without_negative(xx: Plane, xy: Plane, yy: Plane) -> Plane:
    """The nearest matrices that have no negative eigenvalue."""
    middle, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    high, low = np.maximum(middle + half, 0.0), np.maximum(middle - half, 0.0)
    angle = np.arctan2(xy, (xx - yy) / 2) / 2
    c, s = np.cos(angle), np.sin(angle)
    off = (high - low) * c * s
    rows = np.stack([high * c * c + low * s * s, off, off, high * s * s + low * c * c], axis=-1)
    return np.asarray(rows.reshape(*xx.shape, 2, 2), np.float32)


def _allowed(camera: Pinhole, outline_mat_mm: Floats) -> NDArray[np.bool_]:
    """Pixels that may be a patch's middle."""
    w, h = camera.lens.size_px
    mask = np.zeros((h, w), np.uint8)
    ahead = np.roll(outline_mat_mm, -1, axis=0)
    along = np.linspace(0.0, 1.0, 24, endpoint=False)[:, None]  # a lens bends straight sides
    dense = np.concatenate([a + along * (b - a) for a, b in zip(outline_mat_mm, ahead, strict=True)])
    px = camera.px_from_mat(dense)
    cv2.fillPoly(mask, [np.rint(px[np.isfinite(px).all(axis=1)]).astype(np.int32)], 1)
    inner = np.zeros_like(mask)
    inner[CLEAR_PX : h - CLEAR_PX, CLEAR_PX : w - CLEAR_PX] = 1
    return (mask & inner).astype(bool)


def _spread_places(information: Plane, allowed: NDArray[np.bool_]) -> NDArray[np.int64]:
    """(N, 2) the best pixel of every cell, if it is good enough; one that holds both directions goes first."""
    xx, xy, yy = information[..., 0, 0], information[..., 0, 1], information[..., 1, 1]
    middle, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    low, high = (np.where(allowed, value, 0.0) for value in (middle - half, middle + half))
    rows, columns = np.nonzero(allowed.any(axis=1))[0], np.nonzero(allowed.any(axis=0))[0]
    if not len(rows):
        return np.empty((0, 2), np.int64)
    x_px, y_px = (
        np.linspace(ends[0], ends[-1] + 1, count + 1).astype(int)
        for ends, count in zip((columns, rows), CELLS, strict=True)
    )
    boxes = [(y0, y1, x0, x1) for y0, y1 in pairwise(y_px) for x0, x1 in pairwise(x_px)]
    found = [_best(low, high, box) for box in boxes]
    return np.array([one for one in found if one is not None], np.int64).reshape(-1, 2)


def _best(low: Plane, high: Plane, box: tuple[int, int, int, int]) -> tuple[int, int] | None:
    y0, y1, x0, x1 = box
    for values, u_px in ((low, BOTH_U_PX), (high, MOST_U_PX)):
        cell = values[y0:y1, x0:x1]
        if cell.size and cell.max() >= 1.0 / u_px**2:
            y, x = np.unravel_index(int(cell.argmax()), cell.shape)
            return x0 + int(x), y0 + int(y)
    return None
