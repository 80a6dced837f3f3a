"""From exact shares of pixels to what a camera gives: coverage, optics, noise, sharpening, tone curve, bytes, JPEG.

Cells and pixels: the centre of the first is (0, 0). Nothing of the code under test draws or blurs an edge here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from calibration.pinhole import Lens, Pinhole

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Picture = NDArray[np.uint8]

HEIGHT_MM = 1000.0
MIDDLE_MAT_MM = (180.4, 118.2)


@dataclass(frozen=True, slots=True)
class View:
    """A camera straight above the mat: its picture's size, scale and turn, and which pixel shows which place."""

    size_px: tuple[int, int] = (1920, 1080)
    mm_per_px: float = 0.4
    turn_rad: float = 0.0  # of the picture against the mat
    middle_px: tuple[float, float] = (931.3, 527.8)  # the lens' foot; uneven, so that a swapped axis shows
    middle_mat_mm: tuple[float, float] = MIDDLE_MAT_MM

    @property
    def _turn(self) -> Floats:
        c, s = math.cos(self.turn_rad), math.sin(self.turn_rad)
        return np.array([[c, -s], [s, c]])

    def px_of_mm(self, points_mat_mm: Floats) -> Floats:
        """Mat mm (..., 2) to pixels (..., 2)."""
        away = (np.asarray(points_mat_mm, float) - self.middle_mat_mm) / self.mm_per_px * [1.0, -1.0]
        return np.asarray(away @ self._turn.T + self.middle_px)

    def mm_of_px(self, points_px: Floats) -> Floats:
        """Pixels (..., 2) to mat mm (..., 2)."""
        away = (np.asarray(points_px, float) - self.middle_px) @ self._turn
        return np.asarray(away * [1.0, -1.0] * self.mm_per_px + self.middle_mat_mm)

    def moved(self, shift_px: tuple[float, float]) -> View:
        """The same camera after a knock: everything is seen `shift_px` farther right and down."""
        return replace(self, middle_px=(self.middle_px[0] + shift_px[0], self.middle_px[1] + shift_px[1]))

    def camera(self) -> Pinhole:
        """The calibrated camera that sees so."""
        rotation = np.eye(3)
        rotation[:2, :2] = self._turn
        rotation = rotation @ np.diag([1.0, -1.0, -1.0])
        focal = HEIGHT_MM / self.mm_per_px
        lens = Lens(self.size_px, (focal, focal), self.middle_px)
        return Pinhole(lens, rotation, -rotation @ [*self.middle_mat_mm, HEIGHT_MM])


@dataclass(frozen=True, slots=True)
class Sensor:
    """What happens to the light on its way to a file.

    `noise_db` is 20 log10 of the full scale over a pixel's standard deviation in encoded values at 18 % grey; a tenth
    of that variance is the reading's, the rest the light's own. Noise is drawn for each channel, or, with `grey`, once
    for all three.
    """

    optics_px: float = 0.7
    noise_db: float = 36.0
    grey: bool = False
    mosaic: bool = False  # one colour a pixel (red, green / green, blue), the others from those beside it, along edges
    sharpening: float = 0.0  # share of (picture - picture blurred) that is added to the encoded values
    sharpening_px: float = 1.0  # by so much blurred, a standard deviation
    jpeg: int | None = None  # quality; None: no compression
    colour_420: bool = True  # whether JPEG halves the colours' resolution

    @property
    def blur_px(self) -> float:
        """Standard deviation of the whole blur, the pixel's own square included."""
        return math.hypot(self.optics_px, math.sqrt(1.0 / 12.0))

    def variance(self, light: Floats | Floats32) -> Floats | Floats32:
        """Of one pixel's noise at a level of linear light, without the rounding."""
        at_grey = float((10.0 ** (-self.noise_db / 20.0) / tone_slope(0.18)) ** 2)  # a Python number keeps float32
        return at_grey * (READ_SHARE + (1.0 - READ_SHARE) * np.maximum(light, 0.0) / 0.18)


READ_SHARE = 0.1


def tone_slope(linear: float | Floats) -> float | Floats:
    """Derivative of the curve of IEC 61966-2-1, encoded by linear.

    >>> round(float(tone_slope(0.18)), 3)
    1.195
    """
    light = np.asarray(linear, float)
    above = 1.055 / 2.4 * np.maximum(light, 1e-6) ** (1 / 2.4 - 1)
    return np.where(light <= 0.0031308, 12.92, above)


def coverage(rings: Iterable[Floats], shape: tuple[int, int]) -> Floats:
    """(H, W): the exact share of each cell that lies within closed rings (N, 2) of x, y.

    Rings that run from x to y (clockwise to the eye) add, the others take away, so a polygon is its outer ring and
    its holes. Every edge is cut where it crosses the cells' borders; each piece tells how much of its own cell lies
    beyond it, and wholly covers the cells to the right (the accumulation of signed area known from drawing fonts).
    """
    height, width = shape
    closed = [np.asarray(ring, float) + 0.5 for ring in rings if len(ring) > 2]
    if not closed:
        return np.zeros(shape)
    start = np.concatenate(closed)
    end = np.concatenate([np.roll(ring, -1, axis=0) for ring in closed])
    edge, share = _cuts(start, end)
    places = start[edge] + share[:, None] * (end - start)[edge]
    same = edge[1:] == edge[:-1]
    a, b = places[:-1][same], places[1:][same]
    middle, rise = (a + b) / 2.0, b[:, 1] - a[:, 1]
    column, row = np.floor(middle).astype(int).T
    inside = np.where(column < 0, 1.0, 1.0 - (middle[:, 0] - column))  # of the cell, right of the piece
    column = np.maximum(column, 0)
    on = (row >= 0) & (row < height) & (column < width)
    at, rise, inside = row[on] * (width + 1) + column[on], rise[on], inside[on]
    total = np.bincount(at, rise * inside, height * (width + 1))
    total += np.bincount(at + 1, rise * (1.0 - inside), height * (width + 1) + 1)[: height * (width + 1)]
    return np.asarray(-np.cumsum(total.reshape(height, width + 1), axis=1)[:, :width])


def _cuts(start: Floats, end: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Where edges (N, 2) cross borders of cells, ends included: (M,) which edge and (M,) how far along it, sorted."""
    n = len(start)
    edges, shares = [np.arange(n), np.arange(n)], [np.zeros(n), np.ones(n)]
    for axis in (0, 1):
        low, high = np.minimum(start[:, axis], end[:, axis]), np.maximum(start[:, axis], end[:, axis])
        first, last = np.ceil(low), np.floor(high)
        count = np.maximum(last - first + 1, 0).astype(int)
        which = np.repeat(np.arange(n), count)
        border = first[which] + np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        long = np.abs(end[which, axis] - start[which, axis])
        which, border = which[long > 0], border[long > 0]
        edges.append(which)
        shares.append((border - start[which, axis]) / (end[which, axis] - start[which, axis]))
    edge, share = np.concatenate(edges), np.concatenate(shares)
    order = np.lexsort((share, edge))
    return edge[order], share[order]


def rings_of(shape: shapely.Geometry) -> list[Floats]:
    """Outer rings and holes of polygons, open, so run that `coverage` adds and takes away."""
    rings = []
    for part in shapely.get_parts(shape):
        if isinstance(part, shapely.Polygon) and not part.is_empty:
            turned = shapely.geometry.polygon.orient(part, 1.0)
            rings.extend(np.array(ring.coords)[:-1] for ring in (turned.exterior, *turned.interiors))
    return rings


def seen_light(sharp: Floats32, optics_px: float, sub: int) -> Floats32:
    """Sharp light (h, w, C) on `sub` x `sub` cells a pixel through Gaussian optics and pixels' squares: (H, W, C)."""
    blurred = cv2.GaussianBlur(sharp, (0, 0), optics_px * sub, borderType=cv2.BORDER_REPLICATE)
    size = (sharp.shape[1] // sub, sharp.shape[0] // sub)
    seen = np.asarray(cv2.resize(blurred, size, interpolation=cv2.INTER_AREA), np.float32)
    return seen.reshape(*size[::-1], sharp.shape[2])


def encode(light: Floats32, sensor: Sensor, seed: int) -> Picture:
    """Linear light on the pixels (H, W, 3) through noise, the curve of IEC 61966-2-1, sharpening, rounding, JPEG."""
    drawn = light.shape[:2] + ((1,) if sensor.grey else (3,))
    noise = np.random.default_rng(seed).standard_normal(drawn, np.float32)
    noisy = np.clip(light + noise * np.sqrt(sensor.variance(light)), 0.0, 1.0).astype(np.float32)
    if sensor.mosaic:
        noisy = _through_mosaic(noisy)
    encoded = np.where(noisy <= 0.0031308, 12.92 * noisy, 1.055 * cv2.pow(noisy, 1 / 2.4) - 0.055) * np.float32(255)
    if sensor.sharpening:
        encoded = encoded + sensor.sharpening * (encoded - cv2.GaussianBlur(encoded, (0, 0), sensor.sharpening_px))
    pixels = np.rint(np.clip(encoded, 0, 255)).astype(np.uint8)
    return pixels if sensor.jpeg is None else _through_jpeg(pixels, sensor)


def _through_mosaic(light: Floats32) -> Floats32:
    """As cameras see colours; interpolated by OpenCV, edge-aware."""
    seen = light[..., 1].copy()
    seen[0::2, 0::2], seen[1::2, 1::2] = light[0::2, 0::2, 2], light[1::2, 1::2, 0]
    steps = np.rint(seen * np.float32(65535)).astype(np.uint16)
    return np.asarray(cv2.cvtColor(steps, cv2.COLOR_BayerRGGB2BGR_EA) / np.float32(65535), np.float32)


def _through_jpeg(pixels: Picture, sensor: Sensor) -> Picture:
    sampling = cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420 if sensor.colour_420 else cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444
    how = [cv2.IMWRITE_JPEG_QUALITY, sensor.jpeg or 0]
    if not sensor.grey:
        how += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling]
    _, file = cv2.imencode(".jpg", pixels[..., 0] if sensor.grey else pixels, how)
    return np.asarray(cv2.imdecode(file, cv2.IMREAD_COLOR), np.uint8)


def linear_of(pixels: Sequence[Picture]) -> Floats32:
    """The mean of 8-bit pictures in linear light."""
    table = np.arange(256) / 255.0
    table = np.where(table <= 0.04045, table / 12.92, ((table + 0.055) / 1.055) ** 2.4).astype(np.float32)
    total = np.zeros(pixels[0].shape, np.float32)
    for one in pixels:
        total += table[one]
    return total / np.float32(len(pixels))
