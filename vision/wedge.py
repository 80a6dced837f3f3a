"""Locate the tip of a wedge of one fabric on another, on native pixels, in linear light.

Near the tip of a point two straight edges run close together, so both are fitted at once. The wedge's share of a
pixel is Phi(-a / s) Phi(-b / s), a and b its distances outside the two edges, s the blur: exact for edges at right
angles and but for the last few pixels of a sharp tip. Nothing is known of the fabrics: the inner one has its own
level in each short bin along either edge (a print changes along it), the outer one a level and a slope beside either
edge. All levels are solved exactly within each step and projected out (variable projection: Golub and Pereyra, SIAM
J. Numer. Anal. 10(2), 1973), colour by colour.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calibration.pinhole import Pinhole
from vision.mat import Scene

Floats = NDArray[np.float64]

BIN_PX = 3.0  # a print's figures are drawn no finer than the blur
FEW_BINS = 4  # next to each other, whose errors may belong together
HUBER = 2.5  # residuals beyond this many standard deviations count less
FLOOR_PX = 0.02  # of an edge's offset: what no fit on an 8-bit picture of real cloth can promise to beat
PRINT_FLOOR_PX = 0.10  # the same where the inner fabric varies as much as a print: figures that no bin follows
PRINTED = 3.0  # the contrast below which it does
COLOUR_WORTH = 0.25  # of a colour difference beside luminance: cameras and files keep one for four pixels
NARROW = 2.5  # times the blur: where the wedge is narrower than that the product of both edges' shares is wrong
MODEL_ERROR = 0.02  # of the contrast, in the middle of the edge
LEVEL_RIDGE = 1e-6  # of a bin's weight: bins in which the wedge has next to no share
LEAST_SINE = 0.02  # of the angle between the edges
SETTLED_PX = 1e-3
MOST_STEP_PX = 2.0
FEWEST = 80
PASSES = ((7.0, 7.0, 10), (3.0, 6.0, 14))  # px inside and outside the edges that speak, and the steps of the fit
ROOT_TWO_PI = math.sqrt(2.0 * math.pi)


@dataclass(frozen=True, slots=True)
class Blur:
    """What is known of the blur beforehand: standard deviations in px, and how sure that is."""

    luma_px: float = 0.85
    luma_u_px: float = 0.3
    chroma_px: float = 1.3
    chroma_u_px: float = 0.5


UNKNOWN_BLUR = Blur()


@dataclass(frozen=True, eq=False, slots=True)
class WedgeFit:
    """The tip, the unit vectors from it along both edges (2, 2), and the tip's covariance (2, 2) in mm^2."""

    tip_mat_mm: Floats
    along: Floats
    covariance_mm2: Floats
    blur: Blur
    contrast: float  # of both fabrics in luminance, over the inner one's spread


def fit_wedge(
    scene: Scene, camera: Pinhole, height_mm: float, tip: Floats, ends: Floats, blur: Blur = UNKNOWN_BLUR
) -> WedgeFit | None:
    """Fit the wedge from about `tip` (2,) to the far `ends` (2, 2) of its right and its left edge, seen inwards out.

    The left edge lies counter-clockwise as seen from the wedge's wide end; None where too few pixels speak.
    """
    frame = _Frame.at(camera, height_mm, tip, ends)
    lines, blurs = np.zeros(4), np.array([blur.luma_px, blur.chroma_px])
    near_px = NARROW * blur.chroma_px / (2.0 * frame.half_sine)
    fit = None
    for inside_px, outside_px, steps in PASSES:
        pixels = _Pixels.around(scene, frame, lines, (inside_px, outside_px), near_px)
        if pixels is None:
            return None
        fit = _solve(pixels, frame, lines, blurs, blur, steps)
        lines, blurs = fit.lines, fit.blurs
    assert fit is not None
    return frame.placed(fit)


@dataclass(frozen=True, eq=False, slots=True)
class _Frame:
    """Coordinates in px about the tip, and both start edges in them: from the tip `along` (2, 2), `outward` (2, 2).

    An edge moves by an offset outward at its middle and a turn (px a px); `lines` is offset, turn, offset, turn.
    """

    camera: Pinhole
    height_mm: float
    tip_mat_mm: Floats
    px_per_mm: float
    along: Floats
    outward: Floats
    length_px: Floats  # (2,)

    @staticmethod
    def at(camera: Pinhole, height_mm: float, tip: Floats, ends: Floats) -> _Frame:
        corners = camera.px_from_mat(tip + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]), height_mm)
        scale = math.sqrt(abs(float(np.linalg.det(corners[1:] - corners[0]))))
        lengths = np.hypot(*(ends - tip).T)
        along = (ends - tip) / lengths[:, None]
        # Walking from the tip along the right edge the wedge lies on the right hand, along the left one on the left.
        outward = np.array([[-along[0, 1], along[0, 0]], [along[1, 1], -along[1, 0]]])
        return _Frame(camera, height_mm, tip, scale, along, outward, lengths * scale)

    def of_px(self, points_px: Floats) -> tuple[Floats, Floats]:
        """(2, N) across and (2, N) along both start edges, from the tip, of pixels (N, 2)."""
        away = (self.camera.mat_from_px(points_px, self.height_mm) - self.tip_mat_mm) * self.px_per_mm
        return self.outward @ away.T, self.along @ away.T

    @property
    def half_sine(self) -> float:
        """Sine of half the wedge's angle."""
        return math.sqrt(max(0.5 * (1.0 - float(self.along[0] @ self.along[1])), 1e-4))

    def placed(self, fit: _Solved) -> WedgeFit | None:
        """The fitted edges' meeting on the mat; None where they hardly meet."""
        lines = fit.lines
        offsets, turns, middles = lines[::2], lines[1::2], self.length_px / 2.0
        normals = self.outward - turns[:, None] * self.along  # of edges turned outwards along their way
        if abs(float(np.linalg.det(normals))) < LEAST_SINE:
            return None
        # n . p = offset - turn * middle at along = 0; both edges meet where both hold.
        meet = np.linalg.inv(normals)
        tip_px = meet @ (offsets - turns * middles)
        at_tip = self.along @ tip_px - middles
        slopes = meet @ np.array([[1.0, at_tip[0], 0.0, 0.0], [0.0, 0.0, 1.0, at_tip[1]]])
        along = self.along + turns[:, None] * self.outward
        return WedgeFit(
            self.tip_mat_mm + tip_px / self.px_per_mm,
            along / np.hypot(*along.T)[:, None],
            slopes @ fit.covariance @ slopes.T / self.px_per_mm**2,
            Blur(float(fit.blurs[0]), chroma_px=float(fit.blurs[1])),
            fit.contrast,
        )


@dataclass(frozen=True, eq=False, slots=True)
class _Pixels:
    """The pixels about both edges: places, what is seen there, and which bin's level they share."""

    seen: Floats  # (3, N)
    across_px: Floats  # (2, N) outward of the start edges
    lever_px: Floats  # (2, N) along the start edges, from their middles
    bins: NDArray[np.int64]  # (N,)
    bin_count: int
    outer: Floats  # (4, N): what the outer fabric's levels and slopes are multiplied with
    floor: Floats  # (3, 1)

    @staticmethod
    def around(
        scene: Scene, frame: _Frame, lines: Floats, window_px: tuple[float, float], near_px: float
    ) -> _Pixels | None:
        inside_px, outside_px = window_px
        points = _box(scene, frame, max(inside_px, outside_px))
        across, along = frame.of_px(points.astype(np.float64))
        lever = along - frame.length_px[:, None] / 2.0
        beyond = across - lines[::2, None] - lines[1::2, None] * lever
        nearer = np.argmax(beyond, axis=0)  # the edge that this pixel lies farther outside of, or less deep inside
        distance, place = np.max(beyond, axis=0), np.take_along_axis(along, nearer[None], axis=0)[0]
        ahead = place < frame.length_px[nearer] - outside_px  # the inner corner's other edge is not in the window
        use = (distance > -inside_px) & (distance < outside_px) & ahead & (place > near_px)
        if np.count_nonzero(use) < FEWEST:
            return None
        nearer, place = nearer[use], place[use]
        count = FEW_BINS * max(1, round(float(np.ptp(place)) / (FEW_BINS * BIN_PX)))
        share = (place - place.min()) / (float(np.ptp(place)) + 1e-9)
        bins = np.minimum((share * count).astype(np.int64), count - 1) + nearer * count
        outer = np.stack([nearer == 0, (nearer == 0) * share, nearer == 1, (nearer == 1) * share]).astype(np.float64)
        seen = scene.levels[points[use, 1], points[use, 0]].T.astype(np.float64)
        floor = np.maximum(scene.noise, 0.3 * scene.step)[:, None]
        return _Pixels(seen, across[:, use], lever[:, use], bins, 2 * count, outer, floor)


def _box(scene: Scene, frame: _Frame, margin_px: float) -> NDArray[np.int64]:
    """(N, 2): all pixels of the box about both edges."""
    ends = frame.tip_mat_mm + np.vstack([np.zeros(2), frame.along * frame.length_px[:, None] / frame.px_per_mm])
    ends_px = frame.camera.px_from_mat(ends, frame.height_mm)
    size = np.array(scene.levels.shape[1::-1])
    low = np.maximum(np.floor(ends_px.min(axis=0) - margin_px).astype(np.int64), 1)
    high = np.minimum(np.ceil(ends_px.max(axis=0) + margin_px).astype(np.int64) + 1, size - 1)
    x, y = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    return np.column_stack([x.ravel(), y.ravel()])


@dataclass(frozen=True, eq=False, slots=True)
class _Solved:
    lines: Floats  # (4,)
    blurs: Floats  # (2,)
    covariance: Floats  # (4, 4) of the lines
    contrast: float


def _solve(pixels: _Pixels, frame: _Frame, lines: Floats, blurs: Floats, known: Blur, steps: int) -> _Solved:
    """Gauss-Newton over both edges' offsets and turns and the two blurs, levels projected out."""
    weight = np.repeat(1.0 / (2.0 * pixels.floor) ** 2, pixels.seen.shape[1], axis=1)
    prior = np.array([0.0, 0.0, 0.0, 0.0, known.luma_u_px**-2, known.chroma_u_px**-2])
    reach = frame.length_px.max() / 2.0
    # Lift a diagonal that noise alone makes, so that an edge without contrast stands still.
    lift = np.array([1e-3, 1e-3 * reach**2, 1e-3, 1e-3 * reach**2, 0.0, 0.0])
    settled = False
    for step in range(steps + 1):
        model = _Model.of(pixels, lines, blurs, weight)
        normal = model.normal + np.diag(prior)
        if settled or step == steps:
            break
        off = np.array([0.0, 0.0, 0.0, 0.0, known.luma_px - blurs[0], known.chroma_px - blurs[1]])
        change = np.linalg.solve(normal + np.diag(lift), model.gradient + prior * off)
        moved = np.abs(change[[0, 2]]) + np.abs(change[[1, 3]]) * reach
        change *= min(1.0, MOST_STEP_PX / (float(moved.max()) + 1e-9))
        lines, blurs = lines + change[:4], np.clip(blurs + change[4:], 0.4, 3.5)
        weight = model.weights(pixels)
        settled = step >= 3 and bool(moved.max() < SETTLED_PX)
    inverse = np.linalg.inv(normal + np.diag(lift * 1e-6))
    # Errors of a few bins belong together (a print's figures): their spread says what they do to the fit.
    groups = pixels.bin_count / FEW_BINS
    spread = inverse @ model.scores @ inverse * groups / max(groups - 4.0, 1.0)
    wider = float(np.mean(np.diag(spread)[:4] / np.diag(inverse)[:4])) > 1.0
    covariance = np.asarray((spread if wider else inverse)[:4, :4], np.float64)
    floor = FLOOR_PX**2 + (PRINT_FLOOR_PX * min(1.0, PRINTED / max(model.contrast, 1e-9))) ** 2
    return _Solved(lines, blurs, covariance + np.diag([floor, 0.0, floor, 0.0]), model.contrast)


@dataclass(frozen=True, eq=False, slots=True)
class _Model:
    """The light at the present edges beside what is seen, linearised."""

    share: Floats  # (3, N) of the wedge's fabric
    rest: Floats  # (3, N) what the model leaves
    step: Floats  # (3, N) inner less outer level
    normal: Floats  # (6, 6)
    gradient: Floats  # (6,)
    scores: Floats  # (6, 6) sum over groups of bins of each group's gradient with itself
    contrast: float

    @staticmethod
    def of(pixels: _Pixels, lines: Floats, blurs: Floats, weight: Floats) -> _Model:
        normal, gradient = np.zeros((6, 6)), np.zeros(6)
        by_bin = np.zeros((6, pixels.bin_count))
        share, rest, step = (np.empty_like(pixels.seen) for _ in range(3))
        distance = pixels.across_px - lines[::2, None] - lines[1::2, None] * pixels.lever_px
        for c, blur in enumerate(blurs[[0, 1, 1]]):
            inside = ndtr(-distance / blur)
            density = np.exp(-0.5 * (distance / blur) ** 2) / (ROOT_TWO_PI * blur)
            share[c] = inside[0] * inside[1]
            levels = _Levels(pixels, share[c], weight[c])
            rest[c], step[c] = levels.without(pixels.seen[c][None])[0], levels.step(pixels.seen[c])
            by_line = step[c] * density * inside[::-1]
            by_blur = np.sum(by_line * distance / blur, axis=0)
            zero = np.zeros_like(by_blur)
            by = np.stack(
                [
                    by_line[0],
                    by_line[0] * pixels.lever_px[0],
                    by_line[1],
                    by_line[1] * pixels.lever_px[1],
                    by_blur if c == 0 else zero,
                    zero if c == 0 else by_blur,
                ]
            )
            by = levels.without(by)
            normal += (by * weight[c]) @ by.T
            scored = by * weight[c] * rest[c]
            gradient += scored.sum(axis=1)
            by_bin += np.stack([np.bincount(pixels.bins, row, pixels.bin_count) for row in scored])
        by_group = by_bin.reshape(6, -1, FEW_BINS).sum(axis=2)
        spread = _spread(rest[0][share[0] > 0.9], float(pixels.floor[0, 0]))
        contrast = float(np.median(np.abs(step[0]))) / spread
        return _Model(share, rest, step, normal, gradient, by_group @ by_group.T, contrast)

    def weights(self, pixels: _Pixels) -> Floats:
        """(3, N): from the residuals of either fabric, channel by channel; outliers count less (Huber)."""
        variance = np.empty_like(self.rest)
        for c in range(3):
            a, floor = self.share[c], float(pixels.floor[c, 0])
            inner, outer = (_spread(self.rest[c][part], floor) ** 2 for part in (a > 0.9, a < 0.1))
            variance[c] = a * a * inner + (1.0 - a) ** 2 * outer + 2.0 * a * (1.0 - a) * floor**2
            variance[c] += (MODEL_ERROR * self.step[c] * 4.0 * a * (1.0 - a)) ** 2
        scaled = np.abs(self.rest) / np.sqrt(variance)
        variance[1:] /= COLOUR_WORTH
        return np.asarray(np.minimum(1.0, HUBER / np.maximum(scaled, 1e-9)) / variance)


def _spread(values: Floats, floor: float) -> float:
    """Robust standard deviation, at least `floor`."""
    return floor if values.size < 5 else max(floor, 1.4826 * float(np.median(np.abs(values))))


class _Levels:
    """One channel's levels: the inner fabric's of each bin, the outer one's four; solved by weighted least squares."""

    def __init__(self, pixels: _Pixels, share: Floats, weight: Floats) -> None:
        self._bins, self._count, self._share, self._weight = pixels.bins, pixels.bin_count, share, weight
        of_bin = np.bincount(self._bins, weight * share**2, self._count)
        whole = np.bincount(self._bins, weight, self._count)
        self._of_bin = of_bin + LEVEL_RIDGE * whole + 1e-12
        outer = pixels.outer * (1.0 - share)
        self._outer = self._without_inner(outer)
        self._columns = pixels.outer, outer
        size = (self._outer * weight) @ self._outer.T
        self._inverse = np.linalg.pinv(size, hermitian=True)

    def _inner(self, values: Floats) -> Floats:
        """(K, N): at each pixel its bin's inner level, from values (K, N)."""
        top = self._weight * self._share * values
        return np.stack([(np.bincount(self._bins, row, self._count) / self._of_bin)[self._bins] for row in top])

    def _without_inner(self, values: Floats) -> Floats:
        return np.asarray(values - self._share * self._inner(values))

    def without(self, values: Floats) -> Floats:
        """(K, N): values less their best fit by all levels."""
        rest = self._without_inner(values)
        return np.asarray(rest - (rest * self._weight) @ self._outer.T @ self._inverse @ self._outer)

    def step(self, values: Floats) -> Floats:
        """(N,): the inner fabric's level less the outer one's, at each pixel, of values (N,)."""
        rest = self._without_inner(values[None])
        outer = ((rest * self._weight) @ self._outer.T @ self._inverse)[0]
        inner = self._inner((values - outer @ self._columns[1])[None])[0]
        return np.asarray(inner - outer @ self._columns[0])
