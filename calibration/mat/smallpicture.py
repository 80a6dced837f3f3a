"""A first pose from the small picture, all of it at once: bumps of some centimetres, grids that repeat.

Direct alignment (M. Irani and P. Anandan, "About direct methods", 1999), coarse to fine, from a few starts;
the start whose end fits best over all of the mat wins, so that a grid is not caught a line too far.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.mat.landmarks import SHRINK, Landmarks
from calibration.mat.posefit import BUMP, POSE
from calibration.pinhole import Pinhole
from calibration.projection import LENS_PARAMETERS, moved, project
from calibration.robust import MAD_TO_SD

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]
Picture = NDArray[np.uint8]

LEVELS = ((1.0, 1),)  # smoothing, and every which pixel, of the small picture
STEPS = 12
NEAR_PX = 1  # of the small picture, around the landmarks' hull
FAR_PX, STEP_PX = 13, 1  # of the small picture: how far starts reach, and how dense they are
TURNS_RAD = (-0.024, -0.016, -0.008, 0.0, 0.008, 0.016, 0.024)
STARTS, APART_PX = 4, 1.5
THINNED = 20  # every which point is enough to choose starts
TUKEY = 3.0
MOST_MISS = 1.0  # of a picture whose contrast is about 1; beyond that all are as wrong
RIVAL = 1.4  # times the best one's misfit
GOOD = 0.01  # mean squared miss of one that needs no other start


@dataclass(frozen=True, eq=False, slots=True)
class _Level:
    before: Plane
    after: Plane
    slopes: tuple[Plane, Plane]  # of `after`
    plain_before: Plane  # contrast left as it is: a mat's border tells more than its lines
    plain_after: Plane
    contrast: float  # of `plain_before`
    at: NDArray[np.int64]  # (P, 2) pixels of `before`
    points: Floats  # (P, 3) the mat points they show


def rough_poses(small: Picture, landmarks: Landmarks, camera: Pinhole) -> list[Pinhole]:
    """Poses of the camera, the likeliest first, good to a pixel or two where the bump was one of centimetres.

    One alone where nothing moved much; of several, which differ by a line of the grid perhaps, the landmarks
    themselves must tell which is right. `small` is the new picture as `shrunk` makes it; `camera` is in its old
    pose.
    """
    levels = [_level(small, landmarks, camera, *how) for how in LEVELS]
    best, cost = _descended(levels[-1:], camera)
    if cost <= GOOD:
        return [best]
    ends = [(best, cost), *(_descended(levels[-1:], start) for start in _starts(levels[-1], camera))]
    ends.sort(key=lambda end: end[1])
    at = levels[-1].points[:: max(1, len(levels[-1].points) // 20), :2]
    found: list[Pinhole] = []
    for pose, badness in ends:
        places = pose.px_from_mat(at)
        known = [np.abs(other.px_from_mat(at) - places).max() < SHRINK for other in found]
        if badness < RIVAL * ends[0][1] and not any(known):
            found.append(pose)
    return found


def _level(small: Picture, landmarks: Landmarks, camera: Pinhole, smoothing: float, every: int) -> _Level:
    plain_before, plain_after = _without_slow_light(landmarks.small, smoothing), _without_slow_light(small, smoothing)
    before, after = _evened(plain_before, smoothing), _evened(plain_after, smoothing)
    at = _samples(landmarks, before.shape, every)
    mat_mm = camera.mat_from_px(at.astype(float) * SHRINK + (SHRINK - 1) / 2)
    known = np.isfinite(mat_mm).all(axis=1)
    dx, dy = (np.asarray(cv2.Sobel(after, cv2.CV_32F, *order, scale=1 / 8), np.float32) for order in ((1, 0), (0, 1)))
    points = np.column_stack([mat_mm[known], np.zeros(known.sum())])
    contrast = float(plain_before.std()) + 1.0
    return _Level(before, after, (dx, dy), plain_before, plain_after, contrast, at[known], points)


def _wide(smoothing: float) -> float:
    return 4.0 * smoothing + 6.0


def _without_slow_light(small: Picture, smoothing: float) -> Plane:
    plane = cv2.GaussianBlur(small.astype(np.float32), (0, 0), smoothing)
    return np.asarray(plane - cv2.GaussianBlur(plane, (0, 0), _wide(smoothing)), np.float32)


def _evened(plain: Plane, smoothing: float) -> Plane:
    """Contrast made alike everywhere."""
    size = np.sqrt(cv2.GaussianBlur(plain * plain, (0, 0), 2.0 * _wide(smoothing)))
    return np.asarray(plain / (size + 1.0), np.float32)


def _samples(landmarks: Landmarks, shape: tuple[int, ...], every: int) -> NDArray[np.int64]:
    """Pixels (P, 2) of the small picture on and just around the landmarks."""
    hull = cv2.convexHull(landmarks.places_px.astype(np.float32) / SHRINK)
    mask = np.zeros(shape, np.uint8)
    cv2.fillConvexPoly(mask, np.rint(hull).astype(np.int32), 1)
    mask = np.asarray(cv2.dilate(mask, np.ones((2 * NEAR_PX + 1,) * 2, np.uint8)), np.uint8)
    y, x = np.nonzero(mask[::every, ::every])
    return np.column_stack([x, y]).astype(np.int64) * every


def _starts(level: _Level, camera: Pinhole) -> list[Pinhole]:
    """Poses after the few displacements and turns of the picture that fit best, out of many that are tried."""
    at = level.at.astype(float)
    middle = at.mean(axis=0)
    steps = np.arange(-FAR_PX, FAR_PX + 1, STEP_PX)
    tried = np.array([(x, y, turn) for turn in TURNS_RAD for y in steps for x in steps])
    costs = _costs(level, tried)
    found = []
    for _ in range(STARTS):
        x, y, turn = best = tried[int(costs.argmin())]
        found.append(_displaced(camera, level, SHRINK * (_turned(at - middle, turn) + middle + [x, y] - at)))
        costs[np.hypot(*(tried[:, :2] - best[:2]).T) <= APART_PX] = np.inf
    return found


def _costs(level: _Level, tried: Floats) -> Floats:
    """(T,) how badly the picture fits when it is displaced by (x, y) and turned about its middle."""
    middle = level.at.mean(axis=0)
    thin = level.at[::THINNED]
    at = thin.astype(float)
    to = np.stack([_turned(at - middle, turn) + middle + [x, y] for x, y, turn in tried]).astype(np.float32)
    h, w = level.after.shape
    inside = (to[..., 0] >= 0) & (to[..., 1] >= 0) & (to[..., 0] <= w - 1) & (to[..., 1] <= h - 1)
    value = cv2.remap(level.plain_after, to[..., 0], to[..., 1], cv2.INTER_LINEAR)
    miss2 = ((value - level.plain_before[thin[:, 1], thin[:, 0]]) / np.float32(level.contrast)) ** 2
    return np.asarray(np.where(inside, np.minimum(miss2, MOST_MISS), MOST_MISS).mean(axis=1), float)


def _turned(away: Floats, turn_rad: float) -> Floats:
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    return np.asarray(away @ np.array([[c, s], [-s, c]]))


def _displaced(camera: Pinhole, level: _Level, by_px: Floats) -> Pinhole:
    """The camera in the pose that displaces the points in its picture by about so much (P, 2)."""
    slopes = project(camera, level.points).by_parameters[:, :, POSE].reshape(-1, 6)
    step = np.linalg.solve(slopes.T @ slopes + np.diag(1.0 / BUMP**2), slopes.T @ by_px.ravel())
    return moved(camera, np.concatenate([np.zeros(LENS_PARAMETERS), step]))


def _descended(levels: Sequence[_Level], start: Pinhole) -> tuple[Pinhole, float]:
    """Aligned level by level, and how badly the finest one fits."""
    now = start
    for level in levels:
        now = _aligned(level, now)
    finest = levels[-1]
    x, y, inside = _in_small(finest, now.px_from_mat(finest.points[:, :2]))
    wanted = finest.plain_before[finest.at[:, 1], finest.at[:, 0]]
    miss2 = ((_read(finest.plain_after, x, y) - wanted) / finest.contrast) ** 2
    return now, float(np.mean(np.where(inside, np.minimum(miss2, MOST_MISS), MOST_MISS)))


def _in_small(level: _Level, px: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Full pixels (P, 2) as x and y in the small picture, and which of them are in it."""
    x, y = ((px[:, axis] - (SHRINK - 1) / 2) / SHRINK for axis in (0, 1))
    h, w = level.after.shape
    return x, y, (x >= 0) & (y >= 0) & (x <= w - 1) & (y <= h - 1)


def _aligned(level: _Level, now: Pinhole) -> Pinhole:
    """Gauss-Newton on the pose with Tukey's weights, so that hands and cloth do not count."""
    damping = np.diag(1.0 / BUMP**2)
    for _ in range(STEPS):
        miss, inside, slopes = _misses(level, now)
        scale = MAD_TO_SD * float(np.median(np.abs(miss[inside]))) + 1e-3 if inside.any() else 1.0
        weights = inside * np.clip(1.0 - (miss / (TUKEY * scale)) ** 2, 0.0, None) ** 2 / scale**2
        normal = (slopes * weights[:, None]).T @ slopes + damping
        step = -np.linalg.solve(normal, slopes.T @ (weights * miss))
        now = moved(now, np.concatenate([np.zeros(LENS_PARAMETERS), step]))
        if np.abs(step / BUMP).max() < 1e-4:
            break
    return now


def _misses(level: _Level, now: Pinhole) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """Brightness off (P,), which points are in the picture, and the slopes (P, 6) by the pose."""
    to = project(now, level.points)
    x, y, inside = _in_small(level, to.px)
    value, gx, gy = (_read(plane, x, y) for plane in (level.after, *level.slopes))
    slopes = (gx[:, None] * to.by_parameters[:, 0, POSE] + gy[:, None] * to.by_parameters[:, 1, POSE]) / SHRINK
    return value - level.before[level.at[:, 1], level.at[:, 0]], inside, slopes


def _read(plane: Plane, x: Floats, y: Floats) -> Floats:
    """Values between the pixels."""
    at = x.astype(np.float32)[:, None], y.astype(np.float32)[:, None]
    return np.asarray(cv2.remap(plane, *at, cv2.INTER_LINEAR)[:, 0], float)
