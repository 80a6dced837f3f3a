"""Four unequal dark discs in light: found once, then watched for what changes while they stay the same.

They are found as what two pictures of nearly the same mean differ in, relative to the light there, so neither the
mat's colours nor a camera that exposes by itself hides them. Their sizes tell which is which.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.tone import SRGB, Tone

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

COUNT = 4
DARKEST = 0.01  # light below this is noise
LEAST_SHARE = 0.04  # of the light, that the discs must take away
SOFT_PX = 1.2
LEAST_AREA_PX = 12
AREA_RATIOS = (1.3, 9.0)  # of each disc to the next smaller one; they are thrown at 3
RING = (1.3, 1.7)  # radii between which the light around a disc is taken
EDGE = (0.75, 1.25)  # and where its edge lies


@dataclass(frozen=True, eq=False, slots=True)
class Marks:
    """Where the discs are in the camera's picture, the largest first."""

    centres_px: Floats  # (4, 2)
    radii_px: Floats  # (4,)

    def box(self) -> tuple[slice, slice]:
        """Rows and columns of the picture between them."""
        (left, top), (right, bottom) = self.centres_px.min(axis=0), self.centres_px.max(axis=0)
        return slice(int(top), int(bottom) + 1), slice(int(left), int(right) + 1)


@dataclass(frozen=True, eq=False, slots=True)
class Sight:
    """What one frame shows of the marks."""

    light_bgr: Floats  # (4, 3), linear, around each disc
    centres_px: Floats  # (4, 2)
    sharpness: Floats  # (4,), of the edges, per pixel; only comparisons mean something


def find_marks(without: Floats32, with_discs: Floats32) -> Marks | None:
    """The discs in a frame, given another without them; both (h, w, 3) in linear light."""
    before, after = without.sum(axis=2), with_discs.sum(axis=2)
    share = cv2.GaussianBlur((before - after) / np.maximum(before, 3 * DARKEST), (0, 0), SOFT_PX)
    peak = float(np.quantile(share, 0.999))
    if peak < LEAST_SHARE:
        return None
    _, _, stats, centres = cv2.connectedComponentsWithStats((share > peak / 2).astype(np.uint8))
    areas = stats[1:, cv2.CC_STAT_AREA].astype(np.float64)
    largest = np.argsort(-areas)[:COUNT]
    areas = areas[largest]
    if len(areas) < COUNT or areas[-1] < LEAST_AREA_PX or not _one_by_one(areas):
        return None
    return Marks(np.asarray(centres[1:][largest], np.float64), np.sqrt(areas / np.pi))


def _one_by_one(areas: Floats) -> bool:
    ratios = areas[:-1] / areas[1:]
    return bool(np.all((ratios > AREA_RATIOS[0]) & (ratios < AREA_RATIOS[1])))


def mirrored(marks: Marks, thrown_px: Floats) -> bool:
    """Whether the camera sees the discs the other way round than they were thrown, at (4, 2), the largest first."""
    return _turn(marks.centres_px) * _turn(thrown_px) < 0.0


def _turn(points: Floats) -> float:
    """Twice the signed area of the triangle of the first three."""
    a, b = points[1] - points[0], points[2] - points[0]
    return float(a[0] * b[1] - a[1] * b[0])


def look_at(pixels: NDArray[np.uint8], marks: Marks, tone: Tone = SRGB) -> Sight:
    """Light, places and sharpness of the discs in a frame (h, w, 3)."""
    seen = [_one(pixels, centre, radius, tone) for centre, radius in zip(marks.centres_px, marks.radii_px, strict=True)]
    light, centres, sharpness = zip(*seen, strict=True)
    return Sight(np.array(light), np.array(centres), np.array(sharpness))


def _one(pixels: NDArray[np.uint8], centre: Floats, radius: float, tone: Tone) -> tuple[Floats, Floats, float]:
    reach = int(np.ceil(RING[1] * radius)) + 2
    left, top = (max(round(float(c)) - reach, 0) for c in centre)
    window = tone.table[pixels[top : top + 2 * reach + 1, left : left + 2 * reach + 1]]
    y, x = np.mgrid[top : top + window.shape[0], left : left + window.shape[1]].astype(np.float64)
    far = np.hypot(x - centre[0], y - centre[1]) / radius
    ring = (far > RING[0]) & (far < RING[1])
    light = window[ring].mean(axis=0, dtype=np.float64)
    grey = window.mean(axis=2, dtype=np.float64)
    low, high = float(np.median(grey[far < EDGE[0]])), float(np.median(grey[ring]))
    contrast = max(high - low, 1e-4)
    darkness = np.clip((high - grey) / contrast * 2.0 - 0.5, 0.0, 1.0) * (far < RING[0])  # only edges weigh in part
    total = max(float(darkness.sum()), 1e-6)
    place = np.array([float((darkness * x).sum()), float((darkness * y).sum())]) / total
    slope_y, slope_x = np.gradient(cv2.GaussianBlur(grey, (0, 0), 0.7))
    edge = (far > EDGE[0]) & (far < EDGE[1])
    sharpness = float(np.sqrt((slope_x**2 + slope_y**2)[edge].sum() / (2 * np.pi * radius))) / contrast
    return light, place, sharpness
