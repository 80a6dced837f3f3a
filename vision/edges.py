"""Locate one straight cloth edge to a few hundredths of a pixel, on native pixels, in linear light.

Across an edge, at `e` px outside it, the light is a blend of cloth and mat blurred by the lens:

    I = F_b A + G [ M (1 - A) + s^2 (dM/dn) g ],     A = Phi(-e / s),   g = phi(e / s) / s

M is the picture of the bare mat at that very pixel; it is blurred already, and the term with dM/dn mends to first
order that blurred mat times blurred mask is not the blurred product. F_b is the cloth's level in each short bin
along the side (a print changes along it), G one gain of the mat at this side (shade). Offset, turn and bow of the
side and the blur s are the only unknowns that are not linear; F_b and G are solved exactly within each step and
projected out (variable projection: Golub and Pereyra, SIAM J. Numer. Anal. 10(2), 1973). Luminance and two
colour differences are fitted together, each with its own noise and the colours with a blur of their own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calibration.pinhole import Pinhole
from vision.mat import Scene

Floats = NDArray[np.float64]

BIN_PX = 6.0
HUBER = 2.5  # residuals beyond this many standard deviations count less
MODEL_ERROR = 0.02  # of the contrast, in the middle of the edge: what the blur model does not know
GAIN_PRIOR = 0.15  # standard deviation of the mat's shade beside a side
ROOT_TWO_PI = math.sqrt(2.0 * math.pi)


@dataclass(frozen=True, slots=True)
class Window:
    """Which pixels speak for a side: how far inside and outside it, and the steps of the fit."""

    inside_px: float
    outside_px: float
    steps: int


WIDE = Window(6.0, 7.5, 8)
NARROW = Window(3.5, 5.0, 12)


@dataclass(frozen=True, slots=True)
class Blur:
    """What is known of the blur beforehand: standard deviations in px, and how sure that is."""

    luma_px: float = 0.85
    luma_u_px: float = 0.3
    chroma_px: float = 1.3
    chroma_u_px: float = 0.5


@dataclass(frozen=True, eq=False, slots=True)
class SideFit:
    """One side as found: a line through `middle_mat_mm` with the unit vector `along`, cloth on its left."""

    middle_mat_mm: Floats  # (2,)
    along: Floats  # (2,)
    length_mm: float
    covariance: Floats  # (3, 3) of offset (mm, outward), turn (rad, counter-clockwise) and bow (mm, outward)
    bow_mm: float
    blur_px: float
    moved_px: float  # how far the fit moved from its start
    contrast: float  # of the luminance and colours together, in standard deviations of a pixel
    px_per_mm: float


@dataclass(frozen=True, eq=False, slots=True)
class _Samples:
    """The pixels of a side's window: places in the side's own axes, and what is seen there."""

    across_px: Floats  # (N,) outward of the start line
    along_px: Floats  # (N,) from the start line's middle
    seen: Floats  # (3, N)
    bare: Floats  # (3, N)
    slope: Floats  # (3, N) dM/dn, outward, per px
    bins: NDArray[np.int64]  # (N,)
    bin_count: int


@dataclass(frozen=True, slots=True)
class _Shape:
    """The unknowns that are not linear: offset and bow in px, turn in px a px, the blurs in px."""

    offset: float = 0.0
    turn: float = 0.0
    bow: float = 0.0
    luma: float = 0.85
    chroma: float = 1.3


def fit_side(
    scene: Scene,
    slopes: tuple[Floats, Floats],
    camera: Pinhole,
    height_mm: float,
    corners_mat_mm: Floats,
    trims_px: tuple[float, float],
    taken: NDArray[np.bool_],
    blur: Blur,
    windows: tuple[Window, ...] = (WIDE, NARROW),
) -> SideFit | None:
    """Fit the side that runs about from `corners_mat_mm[0]` to `corners_mat_mm[1]`, the cloth on its left.

    `slopes` are the bare mat's derivatives along x and y of the picture, (H, W, 3) each. `trims_px` says how much
    of each end to leave out. `taken` (H, W) marks pixels of other cloth. Returns None where too few pixels speak.
    """
    start = corners_mat_mm.mean(axis=0)
    length_mm = float(np.hypot(*(corners_mat_mm[1] - corners_mat_mm[0])))
    along = (corners_mat_mm[1] - corners_mat_mm[0]) / length_mm
    first, fit = start, None
    shape = _Shape(luma=blur.luma_px, chroma=blur.chroma_px)
    for window in windows:
        axes = _SideAxes.at(camera, height_mm, start, along, length_mm)
        samples = _sample(scene, slopes, axes, trims_px, window, taken)
        if samples is None:
            return None
        shape = _Shape(luma=shape.luma, chroma=shape.chroma)
        solved = _solve(samples, shape, scene, blur, window.steps)
        if solved is None:
            return None
        shape, covariance, contrast = solved
        fit = axes.placed(shape, covariance, contrast)
        start, along = fit.middle_mat_mm, fit.along
    if fit is None:
        return None
    normal = np.array([along[1], -along[0]])
    return replace(fit, moved_px=abs(float((fit.middle_mat_mm - first) @ normal)) * fit.px_per_mm)


@dataclass(frozen=True, eq=False, slots=True)
class _SideAxes:
    """The start line on the mat, and how its neighbourhood maps to pixels."""

    camera: Pinhole
    height_mm: float
    middle_mat_mm: Floats
    along: Floats
    length_mm: float
    px_per_mm: tuple[float, float]  # across the side, at its two ends
    along_px_per_mm: float
    outward_px: Floats  # (2,) unit vector in the picture, across the side

    @staticmethod
    def at(camera: Pinhole, height_mm: float, middle: Floats, along: Floats, length_mm: float) -> _SideAxes:
        outward = np.array([along[1], -along[0]])
        gradients = []
        for end in (-0.5, 0.5):
            place = middle + along * length_mm * end
            ring_px = camera.px_from_mat(place + np.array([outward, -outward, along, -along]) * 0.5, height_mm)
            jacobian = np.column_stack([ring_px[0] - ring_px[1], ring_px[2] - ring_px[3]])  # px per mm
            gradients.append(np.linalg.inv(jacobian)[0])  # of the distance outward, mm per px
        scales = [1.0 / float(np.hypot(*g)) for g in gradients]
        mean = gradients[0] + gradients[1]
        ends_px = camera.px_from_mat(middle + np.array([[-0.5], [0.5]]) * along * length_mm, height_mm)
        along_scale = float(np.hypot(*(ends_px[1] - ends_px[0]))) / length_mm
        return _SideAxes(
            camera, height_mm, middle, along, length_mm, (scales[0], scales[1]), along_scale, mean / np.hypot(*mean)
        )

    @property
    def outward(self) -> Floats:
        return np.array([self.along[1], -self.along[0]])

    @property
    def scale(self) -> float:
        return (self.px_per_mm[0] + self.px_per_mm[1]) / 2.0

    def of_px(self, points_px: Floats) -> tuple[Floats, Floats]:
        """(across, along) in px of pixels (N, 2)."""
        from_middle = self.camera.mat_from_px(points_px, self.height_mm) - self.middle_mat_mm
        along_mm, across_mm = from_middle @ self.along, from_middle @ self.outward
        share = along_mm / self.length_mm + 0.5
        scale = self.px_per_mm[0] * (1.0 - share) + self.px_per_mm[1] * share
        return across_mm * scale, along_mm * self.along_px_per_mm

    def placed(self, shape: _Shape, covariance_px: Floats, contrast: float) -> SideFit:
        """The fitted line on the mat."""
        to_mm = 1.0 / self.scale
        turn = shape.turn * self.along_px_per_mm * to_mm
        along = self.along + self.outward * turn
        units = np.diag([to_mm, self.along_px_per_mm * to_mm, to_mm])
        return SideFit(
            self.middle_mat_mm + self.outward * shape.offset * to_mm,
            along / np.hypot(*along),
            self.length_mm,
            units @ covariance_px @ units,
            shape.bow * to_mm,
            shape.luma,
            0.0,
            contrast,
            self.scale,
        )


def _sample(
    scene: Scene,
    slopes: tuple[Floats, Floats],
    axes: _SideAxes,
    trims_px: tuple[float, float],
    window: Window,
    taken: NDArray[np.bool_],
) -> _Samples | None:
    points_px = _pixels_along(axes, window, taken.shape)
    points_px = points_px[~taken[points_px[:, 1], points_px[:, 0]]]
    if len(points_px) < 30:
        return None
    across, along = axes.of_px(points_px.astype(np.float64))
    half = axes.length_mm * axes.along_px_per_mm / 2.0
    use = (across > -window.inside_px) & (across < window.outside_px)
    use &= (along > trims_px[0] - half) & (along < half - trims_px[1])
    if np.count_nonzero(use) < 30:
        return None
    x, y = points_px[use, 0], points_px[use, 1]
    across, along = across[use], along[use]
    first = along.min()
    bin_count = max(1, round((along.max() - first) / BIN_PX))
    width = (along.max() - first) / bin_count + 1e-9
    slope = slopes[0][y, x] * axes.outward_px[0] + slopes[1][y, x] * axes.outward_px[1]
    return _Samples(
        across,
        along,
        scene.levels[y, x].T.astype(np.float64),
        scene.bare[y, x].T.astype(np.float64),
        slope.T.astype(np.float64),
        ((along - first) / width).astype(np.int64),
        bin_count,
    )


def _pixels_along(axes: _SideAxes, window: Window, shape: tuple[int, int]) -> NDArray[np.int64]:
    """Pixels (N, 2) about the start line, each once: whole rows or columns across it."""
    shares = np.linspace(-0.5, 0.5, 9)[:, None]
    line_px = axes.camera.px_from_mat(axes.middle_mat_mm + shares * axes.along * axes.length_mm, axes.height_mm)
    major = int(np.ptp(line_px[:, 1]) > np.ptp(line_px[:, 0]))
    ordered = line_px[np.argsort(line_px[:, major])]
    steps = np.arange(math.ceil(ordered[0, major]), math.floor(ordered[-1, major]) + 1)
    middle = np.interp(steps, ordered[:, major], ordered[:, 1 - major])
    reach = math.ceil(max(window.inside_px, window.outside_px) * math.sqrt(2.0)) + 1
    minor = np.rint(middle).astype(np.int64)[:, None] + np.arange(-reach, reach + 1)
    points = np.empty((*minor.shape, 2), np.int64)
    points[..., major], points[..., 1 - major] = steps[:, None], minor
    points = points.reshape(-1, 2)
    height, width = shape
    inside = (points[:, 0] >= 1) & (points[:, 1] >= 1) & (points[:, 0] < width - 1) & (points[:, 1] < height - 1)
    return points[inside]


def _bow_basis(along: Floats) -> Floats:
    """A parabola over the sampled length, 1 higher in the middle than at the ends, mean 0."""
    half = max(float(np.max(np.abs(along))), 1e-9)
    return 1.0 / 3.0 - (along / half) ** 2


def _solve(
    samples: _Samples, shape: _Shape, scene: Scene, blur: Blur, steps: int
) -> tuple[_Shape, Floats, float] | None:
    """Gauss-Newton over (offset, turn, bow, luma blur, chroma blur), levels and gain projected out."""
    basis = np.stack([np.ones_like(samples.along_px), samples.along_px, _bow_basis(samples.along_px)])
    weight = _Weights.start(samples, scene)
    normal, gradient, scores = np.eye(5), np.zeros(5), np.zeros((1, 5))
    contrast = 0.0
    for step in range(steps + 1):
        edge = _Edge.of(samples, shape, basis)
        levels, gain = edge.levels(samples, weight.values)
        residual, jacobian, contrast = edge.linearised(samples, basis, levels, gain, weight)
        normal, gradient, scores = _normal_equations(samples, edge, residual, jacobian, weight.values, gain)
        prior_u = np.array([np.inf, np.inf, np.inf, blur.luma_u_px, blur.chroma_u_px])
        prior_off = np.array([0.0, 0.0, 0.0, blur.luma_px - shape.luma, blur.chroma_px - shape.chroma])
        normal = normal + np.diag(1.0 / prior_u**2)
        gradient = gradient + prior_off / prior_u**2
        if step == steps:
            break
        # Lift a diagonal that noise alone makes, so that a side without contrast stands still.
        change = np.linalg.solve(normal + np.diag(np.array([1e-3, 1e-3, 1e-3, 0.0, 0.0])), gradient)
        change = change * min(1.0, 1.5 / (abs(change[0]) + abs(change[1]) * np.max(np.abs(samples.along_px)) + 1e-9))
        shape = _Shape(
            float(np.clip(shape.offset + change[0], -8.0, 8.0)),
            shape.turn + float(change[1]),
            float(np.clip(shape.bow + change[2], -4.0, 4.0)),
            float(np.clip(shape.luma + change[3], 0.4, 3.0)),
            float(np.clip(shape.chroma + change[4], 0.4, 4.0)),
        )
        weight = weight.updated(samples, edge, residual, levels, gain)
    inverse = np.linalg.inv(normal + np.diag([1e-9] * 5))
    # Errors of one bin belong together (a print, a grid line): the spread between bins says what they do to the fit.
    clustered = inverse @ (scores.T @ scores) @ inverse * (samples.bin_count / max(samples.bin_count - 2.0, 1.0))
    covariance = np.maximum(np.diag(clustered), np.diag(inverse))[:3]
    return shape, np.diag(covariance), contrast


@dataclass(frozen=True, eq=False, slots=True)
class _Edge:
    """The model's parts at the present shape, (3, N) each: cloth share, its derivative, distance, blur."""

    share: Floats
    density: Floats
    distance: Floats
    blur: Floats  # (3, 1)
    mat_part: Floats  # M (1 - A) + s^2 dM/dn g

    @staticmethod
    def of(samples: _Samples, shape: _Shape, basis: Floats) -> _Edge:
        distance = samples.across_px - (shape.offset + shape.turn * basis[1] + shape.bow * basis[2])
        blur = np.array([[shape.luma], [shape.chroma], [shape.chroma]])
        scaled = distance / blur
        density = np.exp(-0.5 * scaled * scaled) / (ROOT_TWO_PI * blur)
        share = ndtr(-scaled)
        mat_part = samples.bare * (1.0 - share) + blur**2 * samples.slope * density
        return _Edge(share, density, np.broadcast_to(distance, share.shape), blur, mat_part)

    def levels(self, samples: _Samples, weight: Floats) -> tuple[Floats, float]:
        """The cloth's level (3, N) in each bin, and the mat's gain, by weighted least squares."""
        rest, column = self.without_levels(samples, samples.seen, weight), self.without_levels(
            samples, self.mat_part, weight
        )
        top = float(np.sum(weight * column * rest)) + 1.0 / GAIN_PRIOR**2
        gain = top / (float(np.sum(weight * column * column)) + 1.0 / GAIN_PRIOR**2)
        return self._bin_means(samples, samples.seen - gain * self.mat_part, weight), gain

    def without_levels(self, samples: _Samples, values: Floats, weight: Floats) -> Floats:
        """`values` (3, N) less their best fit by cloth levels."""
        return values - self.share * self._bin_means(samples, values, weight)

    def _bin_means(self, samples: _Samples, values: Floats, weight: Floats) -> Floats:
        means = np.empty_like(values)
        for c in range(3):
            top = np.bincount(samples.bins, weight[c] * self.share[c] * values[c], samples.bin_count)
            bottom = np.bincount(samples.bins, weight[c] * self.share[c] ** 2, samples.bin_count)
            means[c] = (top / np.maximum(bottom, 1e-9))[samples.bins]
        return means

    def linearised(
        self, samples: _Samples, basis: Floats, levels: Floats, gain: float, weight: _Weights
    ) -> tuple[Floats, Floats, float]:
        """Residual (3, N), Jacobian (5, 3, N) of the model, and the contrast in standard deviations."""
        residual = samples.seen - levels * self.share - gain * self.mat_part
        step = levels - gain * samples.bare
        by_offset = (step + gain * samples.slope * self.distance) * self.density
        by_blur = step * self.density * self.distance / self.blur
        by_blur = by_blur + gain * samples.slope * self.density * (self.blur + self.distance**2 / self.blur)
        luma, chroma = by_blur.copy(), by_blur.copy()
        luma[1:], chroma[:1] = 0.0, 0.0
        jacobian = np.stack([by_offset * basis[0], by_offset * basis[1], by_offset * basis[2], luma, chroma])
        contrast = float(np.sqrt(np.mean(np.sum(step**2 / weight.variance, axis=0))))
        return residual, jacobian, contrast


@dataclass(frozen=True, eq=False, slots=True)
class _Weights:
    """What each pixel's word counts, (3, N), and the variances behind it."""

    values: Floats
    variance: Floats
    floor: Floats  # (3, 1)

    @staticmethod
    def start(samples: _Samples, scene: Scene) -> _Weights:
        floor = np.maximum(scene.noise, 0.3 * scene.step)[:, None] ** 2
        variance = np.broadcast_to(floor * 4.0, samples.seen.shape).copy()
        return _Weights(1.0 / variance, variance, floor)

    def updated(self, samples: _Samples, edge: _Edge, residual: Floats, levels: Floats, gain: float) -> _Weights:
        """Variances from the residuals of cloth and mat, channel by channel; outliers count less (Huber)."""
        variance = np.empty_like(residual)
        for c in range(3):
            inside, outside = edge.share[c] > 0.9, edge.share[c] < 0.1
            cloth = max(_spread(residual[c][inside]) ** 2, self.floor[c, 0])
            mat = max(_spread(residual[c][outside]) ** 2, self.floor[c, 0])
            a = edge.share[c]
            step = levels[c] - gain * samples.bare[c]
            variance[c] = a * a * cloth + (1 - a) ** 2 * mat + (MODEL_ERROR * step * 4.0 * a * (1 - a)) ** 2
            variance[c] += 2.0 * a * (1 - a) * self.floor[c, 0]
        scaled = np.abs(residual) / np.sqrt(variance)
        return _Weights(np.minimum(1.0, HUBER / np.maximum(scaled, 1e-9)) / variance, variance, self.floor)


def _spread(values: Floats) -> float:
    """Robust standard deviation."""
    if values.size < 5:
        return 0.0
    return float(np.median(np.abs(values - np.median(values))) * 1.4826)


def _normal_equations(
    samples: _Samples, edge: _Edge, residual: Floats, jacobian: Floats, weight: Floats, gain: float
) -> tuple[Floats, Floats, Floats]:
    """Normal matrix (5, 5) and gradient (5,) with levels and gain projected out, and each bin's score (B, 5)."""
    column = edge.without_levels(samples, edge.mat_part, weight)
    size = float(np.sum(weight * column * column)) + 1.0 / GAIN_PRIOR**2
    projected = np.empty_like(jacobian)
    for k in range(len(jacobian)):
        free = edge.without_levels(samples, jacobian[k], weight)
        projected[k] = free - column * (float(np.sum(weight * column * free)) / size)
    weighted = (projected * weight).reshape(5, -1)
    flat = projected.reshape(5, -1)
    scores = np.stack(
        [
            np.bincount(samples.bins, np.sum(projected[k] * weight * residual, axis=0), samples.bin_count)
            for k in range(5)
        ],
        axis=1,
    )
    return weighted @ flat.T, scores.sum(axis=0), scores
