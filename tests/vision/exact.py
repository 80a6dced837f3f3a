"""Pictures of cloth on a mat whose every pixel is known: drawn, not measured.

A camera hangs straight above the mat and sees 0.4 mm a pixel. Each pixel is the light over its square, the share of
cloth in it cut out exactly (shapely); then Gaussian optics, shot and read noise, the sRGB curve and 8 bits. Cloth has
no thickness here: no wall, no shadow. Nothing of the code under test draws an edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from calibration.pinhole import Lens, Pinhole

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

SIZE_PX = (900, 600)
MM_PER_PX = 0.4
MIDDLE_PX = (431.3, 307.8)  # where the lens' foot is seen; uneven, so that a swapped axis shows
MIDDLE_MAT_MM = (180.4, 118.2)
HEIGHT_MM = 1000.0

MAT, LINE = 0.08, 0.28  # linear light
LINE_MM, LINE_PITCH_MM = 0.4, 25.4
OPTICS_PX = 0.7
BLUR_PX = math.sqrt(OPTICS_PX**2 + 1.0 / 12.0)  # with the pixel's own square
NOISE_SD = 1.0 / 63.0  # 36 dB: at 18 % grey, of full scale; half of its variance is the light's own
MOTTLE, GRAIN = 0.02, 0.015  # of the mat's light, the same in every frame
SUB = 8

Bgr = tuple[float, float, float]


def grey(level: float) -> Bgr:
    return (level, level, level)


@dataclass(frozen=True, eq=False, slots=True)
class Piece:
    """A piece of cloth: simple outline (N, 2) in mat mm, linear light; beyond the seam's left side a second fabric."""

    corners_mat_mm: Floats
    light: Bgr = (0.6, 0.6, 0.6)
    seam_mat_mm: Floats | None = None  # (2, 2)
    second: Bgr = (0.3, 0.3, 0.3)
    dots: Bgr | None = None
    dots_mm: tuple[float, float] = (7.3, 2.1)  # pitch and radius
    weave: float = 0.0  # of the cloth's light, up and down


def camera() -> Pinhole:
    """The camera that sees these pictures."""
    focal = HEIGHT_MM / MM_PER_PX
    rotation = np.diag([1.0, -1.0, -1.0])
    return Pinhole(Lens(SIZE_PX, (focal, focal), MIDDLE_PX), rotation, -rotation @ [*MIDDLE_MAT_MM, HEIGHT_MM])


def everywhere() -> NDArray[np.bool_]:
    """All of the picture shows the mat."""
    return np.ones((SIZE_PX[1], SIZE_PX[0]), bool)


def picture(*pieces: Piece, seed: int = 1, exposure: float = 1.0, noise_sd: float = NOISE_SD) -> Picture:
    """What the camera gives, (600, 900, 3) blue green red; without pieces the empty mat."""
    light = _mat()
    for piece in pieces:
        _lay(light, piece)
    return encode(light * exposure, noise_sd, seed)


def encode(light: Floats, noise_sd: float, seed: int) -> Picture:
    """Sharp linear light (H, W, 3) through optics, noise, the curve of IEC 61966-2-1 and rounding."""
    seen = np.asarray(cv2.GaussianBlur(light, (0, 0), OPTICS_PX, borderType=cv2.BORDER_REPLICATE), np.float64)
    seen = seen + np.random.default_rng(seed).normal(size=seen.shape) * np.sqrt(variance(seen, noise_sd))
    seen = np.clip(seen, 0.0, 1.0)
    encoded = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    return np.rint(encoded * 255.0).astype(np.uint8)


def variance(light: Floats, noise_sd: float = NOISE_SD) -> Floats:
    """Of one pixel's noise at a level of linear light: half read, half shot at 18 % grey."""
    return noise_sd**2 * (0.5 + 0.5 * np.maximum(light, 0.0) / 0.18)


def least_offset_sd_px(cloth: Bgr, length_px: float, noise_sd: float = NOISE_SD) -> float:
    """Cramer-Rao bound of an edge's offset on the bare mat from all three channels, levels and blur known.

    1 / sqrt(L * integral of sum I'(d)^2 / v(I)), I the blurred step (optics and pixel box), v the noise's variance. For
    one channel and even noise it is A. Gatherer, "The Cramer-Rao Bound for Discrete-Time Edge Position Estimation",
    Stanford CSL-TR-93-560 (1993), times the length: (sigma / C) sqrt(2 sqrt(pi) s / L).
    """
    d, step = np.linspace(-8 * BLUR_PX, 8 * BLUR_PX, 4001, retstep=True)
    density = np.exp(-0.5 * (d / BLUR_PX) ** 2) / (BLUR_PX * math.sqrt(2 * math.pi))
    information = 0.0
    for level in cloth:
        light = MAT + (level - MAT) * np.cumsum(density) * step
        information += float(np.sum(((level - MAT) * density) ** 2 / variance(light, noise_sd)) * step)
    return 1.0 / math.sqrt(length_px * information)


def mm_of_px(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Pixel coordinates to mat mm."""
    return (x - MIDDLE_PX[0]) * MM_PER_PX + MIDDLE_MAT_MM[0], MIDDLE_MAT_MM[1] - (y - MIDDLE_PX[1]) * MM_PER_PX


def px_of_mm(points_mat_mm: Floats) -> Floats:
    """Mat mm (N, 2) to pixel coordinates (N, 2)."""
    away = (np.asarray(points_mat_mm, float) - MIDDLE_MAT_MM) / MM_PER_PX
    return away * [1.0, -1.0] + MIDDLE_PX


def _texture() -> Floats:
    """(H, W): the mat's own unevenness, about 1."""
    rng = np.random.default_rng(20)
    mottle = cv2.GaussianBlur(rng.normal(size=(SIZE_PX[1], SIZE_PX[0])), (0, 0), 9.0)
    return np.asarray(1.0 + MOTTLE * mottle / np.std(mottle) + GRAIN * rng.normal(size=mottle.shape))


def _mat() -> Floats:
    """(H, W, 3) mean light of the bare mat over each pixel; the lines' shares of a pixel are exact."""
    x, y = mm_of_px(np.arange(SIZE_PX[0], dtype=float), np.arange(SIZE_PX[1], dtype=float))
    along_x, along_y = (
        np.clip(((LINE_MM + MM_PER_PX) / 2 - _from_line(c)) / MM_PER_PX, 0.0, LINE_MM / MM_PER_PX) for c in (x, y)
    )
    line = 1.0 - (1.0 - along_x)[None, :] * (1.0 - along_y)[:, None]
    return np.repeat(((MAT + (LINE - MAT) * line) * _texture())[..., None], 3, axis=2)


def _from_line(place_mm: Floats) -> Floats:
    return np.abs((place_mm + LINE_PITCH_MM / 2) % LINE_PITCH_MM - LINE_PITCH_MM / 2)


def _lay(light: Floats, piece: Piece) -> None:
    """Lay a piece over the mat's light (H, W, 3), in place."""
    outline = shapely.Polygon(px_of_mm(piece.corners_mat_mm))
    rim, box = shapely.get_exterior_ring(outline), [math.floor(v) for v in outline.bounds]
    width, height = SIZE_PX
    xs = np.arange(max(box[0] - 1, 0), min(box[2] + 3, width))
    ys = np.arange(max(box[1] - 1, 0), min(box[3] + 3, height))
    x, y = (c.ravel() for c in np.meshgrid(xs, ys))
    near = shapely.dwithin(rim, shapely.points(x, y), 0.75)
    share = shapely.contains_xy(outline, x, y).astype(float)
    squares = shapely.box(x[near] - 0.5, y[near] - 0.5, x[near] + 0.5, y[near] + 0.5)
    share[near] = shapely.area(shapely.intersection(squares, outline))
    on = share > 0
    x, y, share = x[on], y[on], share[on, None]
    light[y, x] = share * _cloth(piece, x, y) + (1.0 - share) * _mat_beside(outline, light, x, y, share[:, 0])


def _sub_pixels(x: NDArray[np.int64], y: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """(N, SUB * SUB) places within each pixel."""
    step = (np.arange(SUB) + 0.5) / SUB - 0.5
    dx, dy = (c.ravel() for c in np.meshgrid(step, step))
    return x[:, None] + dx, y[:, None] + dy


def _cloth(piece: Piece, x: NDArray[np.int64], y: NDArray[np.int64]) -> Floats:
    """(N, 3) mean light of the cloth, if all of each pixel were cloth."""
    light = np.tile(np.array(piece.light), (len(x), 1))
    if piece.seam_mat_mm is None and piece.dots is None and not piece.weave:
        return light
    x_mm, y_mm = mm_of_px(*_sub_pixels(x, y))
    if piece.dots is not None:
        pitch, radius = piece.dots_mm
        in_dot = np.hypot((x_mm + y_mm / 3) % pitch - pitch / 2, (y_mm - x_mm / 3) % pitch - pitch / 2) < radius
        light += in_dot.mean(axis=1)[:, None] * (np.array(piece.dots) - light)
    if piece.seam_mat_mm is not None:
        (ax, ay), (bx, by) = piece.seam_mat_mm
        beyond = (bx - ax) * (y_mm - ay) - (by - ay) * (x_mm - ax) > 0
        light += beyond.mean(axis=1)[:, None] * (np.array(piece.second) - light)
    if piece.weave:
        threads = np.sin(2 * np.pi * x_mm / 0.93) * np.sin(2 * np.pi * y_mm / 0.87)
        light *= 1.0 + piece.weave * threads.mean(axis=1)[:, None]
    return light


def _mat_beside(
    outline: shapely.Polygon, light: Floats, x: NDArray[np.int64], y: NDArray[np.int64], share: Floats
) -> Floats:
    """(N, 3) mean light of the mat over the part of each pixel that is not cloth; as it was where all is cloth."""
    beside = light[y, x].copy()
    part = np.flatnonzero(share < 1.0)
    sub_x, sub_y = _sub_pixels(x[part], y[part])
    bare = ~shapely.contains_xy(outline, sub_x, sub_y)
    x_mm, y_mm = mm_of_px(sub_x, sub_y)
    on_line = np.minimum(_from_line(x_mm), _from_line(y_mm)) < LINE_MM / 2
    whole = MAT + (LINE - MAT) * on_line.mean(axis=1)
    seen = MAT + (LINE - MAT) * (on_line & bare).sum(axis=1) / np.maximum(bare.sum(axis=1), 1)
    beside[part] *= np.where(bare.any(axis=1), seen / whole, 1.0)[:, None]
    return beside
