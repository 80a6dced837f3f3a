"""What is seen at places that lie a shift deeper in the cloth, between the picture's own pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.pixels.windows import Axes, Picture

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

CLEAR_PX = 3.5  # inside all sides of a piece: surely cloth alone
DEEP_PX = 12.0  # about as deep as a window reaches
MOST_STEP_PX = 1.0
SLACK = 0.01  # of the sum of both ways' squares: stripes do not tell how far they are shifted along


@dataclass(frozen=True, eq=False, slots=True)
class Ground:
    """The cloth inside one side, in px along it and inward."""

    middle_mat_mm: Floats  # (2,)
    along: Floats  # (2,) unit vectors
    outward: Floats
    step_mm: float  # a px
    half_px: float  # of the side's length
    borders: Floats  # (P, 3): px inside of each side of the piece, of (1, along, inward)
    stretches_px: Floats  # (T + 1,) the ends of stretches of the side

    @staticmethod
    def beside(s: int, axes: Axes, cloths: Ints, along_px: tuple[float, float], stretch_px: float) -> Ground:
        """Of side `s` from place to place `along_px`; `cloths` (S,) are the pieces that all sides belong to."""
        middle, along, outward = axes.middles_mat_mm[s], axes.along[s], axes.outward[s]
        step_mm = 1.0 / float(axes.scale[s])
        same = cloths == cloths[s]
        out, away = axes.outward[same], (middle - axes.middles_mat_mm[same]) / step_mm
        borders = -np.column_stack([np.sum(away * out, axis=1), out @ along, -(out @ outward)])
        ends = np.linspace(*along_px, max(1, round((along_px[1] - along_px[0]) / stretch_px)) + 1)
        return Ground(middle, along, outward, step_mm, float(axes.lengths_mm[s]) / 2.0 / step_mm, borders, ends)

    @property
    def count(self) -> int:
        """T."""
        return len(self.stretches_px) - 1

    def places_mat_mm(self, along_px: Floats, deep_px: Floats) -> Floats:
        """(..., 2) of places in the side's own px."""
        return np.asarray(
            self.middle_mat_mm + self.step_mm * (along_px[..., None] * self.along - deep_px[..., None] * self.outward)
        )

    def is_clear(self, along_px: Floats, deep_px: Floats) -> Bools:
        """Whether places lie surely in the cloth."""
        inside = (one[0] + one[1] * along_px + one[2] * deep_px for one in self.borders)
        return np.asarray(np.all([one > CLEAR_PX for one in inside], axis=0))

    def moves(self, picture: Picture, shifts_px: Floats) -> Floats:
        """(K, 3, 2): px in the picture by which shifts (K, 2) move places, of (1, along, inward)."""
        corners = np.array([[-1.0, -1.0], [1.0, -1.0], [-1.0, 1.0], [1.0, 1.0]])
        at = corners * np.array([self.half_px, DEEP_PX])
        there = np.concatenate([at[None], at + shifts_px[:, None]])
        px = picture.camera.px_from_mat(self.places_mat_mm(there[..., 0], there[..., 1]), picture.height_mm)
        by_corner = np.column_stack([np.ones(4), corners / np.array([self.half_px, DEEP_PX])]).T / 4.0
        return np.asarray(by_corner @ (px[1:] - px[0]))


@dataclass(frozen=True, eq=False, slots=True)
class Shifts:
    """K shifts of a side's ground, and what they do in the picture."""

    px: Floats  # (K, 2) along and inward
    moves: Floats  # (K, 3, 2) as `Ground.moves` has them
    borders: Floats  # (K, P, 3): those of the places that shifts bring to the side, less what must be clear of them
    by_place: Floats  # (2, 2): how places in the picture, x and y, follow px along and inward

    @staticmethod
    def on(ground: Ground, picture: Picture, shifts_px: Floats) -> Shifts:
        """Shifts (K, 2) where the picture shows a ground."""
        moves = ground.moves(picture, np.concatenate([shifts_px, np.eye(2)]))
        return Shifts(shifts_px, moves[:-2], _shifted_borders(ground, shifts_px), moves[-2:, 0].T)

    def of(self, some: Bools) -> Shifts:
        """Only some (K,) of them."""
        return Shifts(self.px[some], self.moves[some], self.borders[some], self.by_place)

    @staticmethod
    def still(ground: Ground) -> Shifts:
        """One, of nothing."""
        none = np.zeros((1, 2))
        return Shifts(none, np.zeros((1, 3, 2)), _shifted_borders(ground, none), np.zeros((2, 2)))


@dataclass(frozen=True, eq=False, slots=True)
class Pixels:
    """N places beside a side: x and y in the picture, along and inward (N, 4), and in which stretch each lies."""

    where: Floats
    stretch: Ints

    @staticmethod
    def at(picture: Picture, ground: Ground, along_px: Floats, deep_px: Floats) -> Pixels:
        px = picture.camera.px_from_mat(ground.places_mat_mm(along_px, deep_px), picture.height_mm)
        stretch = np.searchsorted(ground.stretches_px, along_px, side="right") - 1
        where = np.column_stack([px, along_px, deep_px])
        return Pixels(where, np.clip(stretch, 0, ground.count - 1).astype(np.int64))

    @property
    def deep_px(self) -> Floats:
        return self.where[:, 3]


@dataclass(frozen=True, eq=False, slots=True)
class FoundAgain:
    """How K shifts match a side's pixels, in each of T stretches."""

    sums: Floats  # (K, T, 7): count, squares of differences, and of their slopes along and inward the normal equations
    wanted: Floats  # (T,) pixels that were looked for

    def costs(self, least_share: float) -> Floats:
        """(K, T) mean square differences; infinite where less than a share of the pixels is seen."""
        count = self.sums[..., 0]
        enough = (count >= least_share * self.wanted) & (count > 0)
        return np.asarray(np.where(enough, self.sums[..., 1] / np.maximum(count, 1.0), np.inf))

    def step_px(self, voting: Bools) -> Floats:
        """(K, 2) along and inward: by how much shifts should move to match better in stretches (K, T) that vote."""
        _, _, aa, ai, ii, a, i = np.moveaxis(np.sum(self.sums * voting[..., None], axis=1), 1, 0)
        more = SLACK * (aa + ii) + 1e-12
        aa, ii = aa + more, ii + more
        det = aa * ii - ai * ai
        step = np.column_stack([ii * a - ai * i, aa * i - ai * a]) / np.maximum(det, 1e-30)[:, None]
        return np.asarray(np.clip(step, -MOST_STEP_PX, MOST_STEP_PX))


def found_again(picture: Picture, pixels: Pixels, own: Singles, shifts: Shifts, stretches: int) -> FoundAgain:
    """How pixels with levels `own` (N, 3) match what shifts show."""
    levels, moved = picture.scene.levels, (shifts.moves, shifts.by_place, shifts.borders)
    sums = match(levels, own, pixels.where, pixels.stretch, stretches, *moved)
    return FoundAgain(sums, np.bincount(pixels.stretch, minlength=stretches).astype(np.float64))


def _shifted_borders(ground: Ground, shifts_px: Floats) -> Floats:
    result = np.tile(ground.borders, (len(shifts_px), 1, 1))
    result[..., 0] += shifts_px @ ground.borders[:, 1:].T - CLEAR_PX
    return result


def shown_at(
    picture: Picture, pixels: Pixels, shifts: Shifts, shares: Floats, beyond_px: float = 0.0
) -> tuple[Singles, Singles]:
    """(N, 3): mean levels of pixels as shifts show them `beyond_px` farther out; (N,) how much of the shares is seen.

    Mixed in shares (T, K) of each stretch; where some of them are not seen, the others stand in.
    """
    where = pixels.where
    if beyond_px:
        where = where.copy()
        where[:, :2] -= beyond_px * shifts.by_place[:, 1]
    return mixed(picture.scene.levels, where, pixels.stretch, shifts.moves, shifts.borders, shares)


@compiled
def _taps(place: float, weights: Singles, slopes: Singles) -> None:
    """Weights (4,) of four pixels about a place past the second of them, and of its slope.

    Cubic convolution: R. Keys, Cubic convolution interpolation for digital image processing, 1981.
    """
    t = np.float32(place)
    weights[0] = ((-t + np.float32(2.0)) * t - np.float32(1.0)) * t / np.float32(2.0)
    weights[1] = ((np.float32(3.0) * t - np.float32(5.0)) * t * t + np.float32(2.0)) / np.float32(2.0)
    weights[2] = ((np.float32(-3.0) * t + np.float32(4.0)) * t + np.float32(1.0)) * t / np.float32(2.0)
    weights[3] = (t - np.float32(1.0)) * t * t / np.float32(2.0)
    slopes[0] = (np.float32(-3.0) * t * t + np.float32(4.0) * t - np.float32(1.0)) / np.float32(2.0)
    slopes[1] = (np.float32(9.0) * t * t - np.float32(10.0) * t) / np.float32(2.0)
    slopes[2] = (np.float32(-9.0) * t * t + np.float32(8.0) * t + np.float32(1.0)) / np.float32(2.0)
    slopes[3] = (np.float32(3.0) * t * t - np.float32(2.0) * t) / np.float32(2.0)


@compiled
def is_inside(borders: Floats, along: float, deep: float) -> bool:
    """Whether a place lies inside of `borders` (P, 3): px inside of each, of (1, along, inward)."""
    least = np.inf
    for p in range(len(borders)):
        least = min(least, borders[p, 0] + borders[p, 1] * along + borders[p, 2] * deep)
    return least >= 0.0


@compiled
def match(
    levels: Singles,
    own: Singles,
    where: Floats,
    stretch: Ints,
    stretches: int,
    moves: Floats,
    by_place: Floats,
    borders: Floats,
) -> Floats:
    """(K, T, 7) sums as `FoundAgain` has them, of pixels with levels `own` (N, 3) at `where` (N, 4).

    `where`: x and y in `levels` (H, W, 3), along and inward; `moves` (K, 3, 2) and `borders` (K, P, 3) are the shifts'.
    """
    height, width = levels.shape[:2]
    sums = np.zeros((len(moves), stretches, 7))
    wx, wy, sx, sy = np.empty(4, np.float32), np.empty(4, np.float32), np.empty(4, np.float32), np.empty(4, np.float32)
    for k in range(len(moves)):
        move, near = moves[k], borders[k]
        for n in range(len(own)):
            along, deep = where[n, 2], where[n, 3]
            if not is_inside(near, along, deep):
                continue
            x = where[n, 0] + move[0, 0] + move[1, 0] * along + move[2, 0] * deep
            y = where[n, 1] + move[0, 1] + move[1, 1] * along + move[2, 1] * deep
            if x < 1.0 or y < 1.0 or x >= width - 2.0 or y >= height - 2.0:
                continue
            left, top = int(x), int(y)
            _taps(x - left, wx, sx)
            _taps(y - top, wy, sy)
            t = stretch[n]
            sums[k, t, 0] += 1.0
            for c in range(3):
                value, by_x, by_y = np.float32(0.0), np.float32(0.0), np.float32(0.0)
                for j in range(4):
                    row, slope = np.float32(0.0), np.float32(0.0)
                    for i in range(4):
                        one = levels[top - 1 + j, left - 1 + i, c]
                        row += wx[i] * one
                        slope += sx[i] * one
                    value += wy[j] * row
                    by_x += wy[j] * slope
                    by_y += sy[j] * row
                off = own[n, c] - value
                by_along = by_x * by_place[0, 0] + by_y * by_place[1, 0]
                by_deep = by_x * by_place[0, 1] + by_y * by_place[1, 1]
                sums[k, t, 1] += off * off
                sums[k, t, 2] += by_along * by_along
                sums[k, t, 3] += by_along * by_deep
                sums[k, t, 4] += by_deep * by_deep
                sums[k, t, 5] += by_along * off
                sums[k, t, 6] += by_deep * off
    return sums


@compiled
def mixed(
    levels: Singles, where: Floats, stretch: Ints, moves: Floats, borders: Floats, shares: Floats
) -> tuple[Singles, Singles]:
    """(N, 3) and (N,) as `shown_at` has them; arrays as in `match`."""
    height, width = levels.shape[:2]
    result, seen = np.zeros((len(where), 3), np.float32), np.zeros(len(where), np.float32)
    wx, wy, sx, sy = np.empty(4, np.float32), np.empty(4, np.float32), np.empty(4, np.float32), np.empty(4, np.float32)
    for n in range(len(where)):
        along, deep, total = where[n, 2], where[n, 3], np.float32(0.0)
        for k in range(len(moves)):
            share = np.float32(shares[stretch[n], k])
            if share == 0.0 or not is_inside(borders[k], along, deep):
                continue
            x = where[n, 0] + moves[k, 0, 0] + moves[k, 1, 0] * along + moves[k, 2, 0] * deep
            y = where[n, 1] + moves[k, 0, 1] + moves[k, 1, 1] * along + moves[k, 2, 1] * deep
            if x < 1.0 or y < 1.0 or x >= width - 2.0 or y >= height - 2.0:
                continue
            left, top = int(x), int(y)
            _taps(x - left, wx, sx)
            _taps(y - top, wy, sy)
            total += share
            for c in range(3):
                value = np.float32(0.0)
                for j in range(4):
                    row = np.float32(0.0)
                    for i in range(4):
                        row += wx[i] * levels[top - 1 + j, left - 1 + i, c]
                    value += wy[j] * row
                result[n, c] += share * value
        if total > 0.0:
            for c in range(3):
                result[n, c] /= total
        seen[n] = total
    return result, seen
