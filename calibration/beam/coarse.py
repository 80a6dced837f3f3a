"""Roughly which projector pixel lights which camera pixel, from a dozen pictures, before anything is calibrated.

A lattice of soft dots, each with a number, is switched by the bits of the numbers: for every bit one picture of
the dots that have it and one of those that have not. A dot is where every pair of pictures differs. Reflectance
drops out, so that a white sheet on a dark mat, or a hand over part of it, does no harm.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import linear_grey
from calibration.tone import SRGB, Tone

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Picture = NDArray[np.uint8]

COLUMNS, ROWS = 6, 4
BITS = 5  # numbers from 1 on: no dot is always in the second picture of a pair
DOT = 0.16  # standard deviation of a dot over the lattice's pitch
CLEAR = 0.3  # share of the light by which all pairs must differ in a dot
LEAST_LIGHT = 0.01  # linear light between lit and dark
LEAST_AREA = 2e-5  # of the camera's picture
FEWEST_DOTS = 6
NEAR = 0.03  # of the projector's width: a dot this near to its place belongs to the plane


@dataclass(frozen=True, slots=True)
class NotSeen:
    """The projector's dots were not found: why, and what the person can do."""

    why: str
    do: str


@dataclass(frozen=True, eq=False, slots=True)
class CoarseMap:
    """A plane map between the two devices' pixels, good to a hundredth of the picture."""

    projector_from_camera: Floats  # (3, 3)
    dots: int  # that agree with it
    off_px: float  # RMS of these, in projector pixels
    mirrored: bool  # the projector shows its picture as in a mirror
    quarter_turns: int  # by which the projector's picture looks turned in the camera's, clockwise, 0 to 3

    def projector_px_from_camera(self, points_px: Floats) -> Floats:
        """Projector pixels (N, 2) that light what the camera sees at pixels (N, 2) of the mat."""
        return _mapped(self.projector_from_camera, points_px)

    def camera_px_from_projector(self, points_px: Floats) -> Floats:
        """Camera pixels (N, 2) at which light of projector pixels (N, 2) is seen."""
        return _mapped(np.asarray(np.linalg.inv(self.projector_from_camera)), points_px)


def _mapped(matrix: Floats, points_px: Floats) -> Floats:
    h = np.asarray(points_px, float) @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(h[:, :2] / h[:, 2:])


def dot_places_px(size_px: tuple[int, int]) -> Floats:
    """(24, 2): the middles of the dots in projector pixels; the first has number 1."""
    w, h = size_px
    x, y = np.meshgrid((np.arange(COLUMNS) + 0.5) * w / COLUMNS, (np.arange(ROWS) + 0.5) * h / ROWS)
    return np.column_stack([x.ravel(), y.ravel()]) - 0.5


def coarse_pictures(size_px: tuple[int, int], white: int = 255) -> Iterator[Picture]:
    """The twelve pictures to show, (h, w, 3) uint8: white, black, then a pair for each bit."""
    w, h = size_px
    yield _picture(np.ones((h, w)), white)
    yield _picture(np.zeros((h, w)), white)
    numbers = 1 + np.arange(COLUMNS * ROWS)
    for bit in range(BITS):
        for wanted in (1, 0):
            yield _picture(_dots(size_px, (numbers >> bit & 1) == wanted), white)


def coarse_count() -> int:
    """How many pictures `coarse_pictures` gives."""
    return 2 + 2 * BITS


def _dots(size_px: tuple[int, int], lit: NDArray[np.bool_]) -> Floats:
    w, h = size_px
    x, y = np.arange(w)[None, :], np.arange(h)[:, None]
    sd = DOT * min(w / COLUMNS, h / ROWS)
    light = np.zeros((h, w))
    for place in dot_places_px(size_px)[lit]:
        light += np.exp(-0.5 * ((x - place[0]) / sd) ** 2) * np.exp(-0.5 * ((y - place[1]) / sd) ** 2)
    return np.minimum(light, 1.0)


def _picture(brightness: Floats, white: int) -> Picture:
    level = np.rint(white * brightness).astype(np.uint8)
    return np.ascontiguousarray(np.repeat(level[:, :, None], 3, axis=2))


def coarse_map(frames: Iterable[Picture], size_px: tuple[int, int], tone: Tone = SRGB) -> CoarseMap | NotSeen:
    """Find the dots in the camera's frames of `coarse_pictures(size_px)`, in their order, and lay a plane map.

    Raises ValueError if the number of frames is wrong.
    """
    linear = [linear_grey(frame, tone) for frame in frames]
    if len(linear) != coarse_count():
        raise ValueError(f"{coarse_count()} frames are read, {len(linear)} were given")
    span = linear[0] - linear[1]
    if (span > LEAST_LIGHT).mean() < LEAST_AREA * FEWEST_DOTS:
        return NotSeen("the projector's light is not seen", "darken the room and let the light fall where it looks")
    pairs = [linear[i] - linear[i + 1] for i in range(2, len(linear), 2)]
    numbers, camera_px = _found(pairs, span)
    if len(numbers) < FEWEST_DOTS:
        return NotSeen(f"{len(numbers)} of {COLUMNS * ROWS} dots of light are seen", "clear the mat, aim the camera")
    return _plane(camera_px, dot_places_px(size_px)[numbers - 1], size_px)


def _found(pairs: list[Floats32], span: Floats32) -> tuple[NDArray[np.int64], Floats]:
    """Numbers (N,) of the dots seen and their middles (N, 2) in camera pixels."""
    least = np.min(np.abs(np.stack(pairs)), axis=0)
    dots = ((least > CLEAR * span) & (span > LEAST_LIGHT)).astype(np.uint8)
    dots = np.asarray(cv2.morphologyEx(dots, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8)), np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(dots)
    best: dict[int, tuple[int, Floats]] = {}
    for label in range(1, count):
        area = int(stats[label, cv2.CC_STAT_AREA])
        if area < LEAST_AREA * span.size:
            continue
        rows, columns = np.nonzero(labels == label)
        number = sum(1 << bit for bit, pair in enumerate(pairs) if pair[rows, columns].sum() > 0)
        if 1 <= number <= COLUMNS * ROWS and area > best.get(number, (0, None))[0]:
            best[number] = (area, np.array([columns.mean(), rows.mean()]))
    numbers = np.array(sorted(best), np.int64)
    return numbers, np.array([best[int(n)][1] for n in numbers], float).reshape(-1, 2)


def _plane(camera_px: Floats, projector_px: Floats, size_px: tuple[int, int]) -> CoarseMap | NotSeen:
    found, inliers = cv2.findHomography(camera_px, projector_px, cv2.RANSAC, NEAR * size_px[0])
    if found is None or inliers.sum() < FEWEST_DOTS:
        return NotSeen("the dots of light make no picture of a plane", "clear the mat and aim the camera at all of it")
    good = inliers.ravel() > 0
    matrix = np.asarray(found, np.float64)
    off = _mapped(matrix, camera_px[good]) - projector_px[good]
    w, h = size_px
    cross = np.array([[w / 2, h / 2], [w / 2 + 1, h / 2], [w / 2, h / 2 + 1]])
    middle, right, down = _mapped(np.asarray(np.linalg.inv(matrix)), cross)
    across, along = right - middle, down - middle
    mirrored = bool(across[0] * along[1] - across[1] * along[0] < 0)
    turns = round(float(np.degrees(np.arctan2(across[1], across[0]))) / 90.0) % 4
    return CoarseMap(matrix, int(good.sum()), float(np.sqrt(np.mean(off**2))), mirrored, turns)
