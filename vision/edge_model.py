"""The light across one cloth edge, and its least-squares fit.

Across an edge, at `e` px outside it, the light is a blend of cloth and mat blurred by the lens:

    I = F_b A + G [ M (1 - A) + s^2 (dM/dn) g ],     A = Phi(-e / s),   g = phi(e / s) / s

M is the picture of the bare mat at that very pixel; it is blurred already, and the term with dM/dn mends to first
order that blurred mat times blurred mask is not the blurred product. F_b is the cloth's level in each short bin
along the side (a print changes along it), G one gain of the mat at this side (shade). Offset, turn and bow of the
side and the blur s are the only unknowns that are not linear; F_b and G are solved exactly within each step and
projected out (variable projection: Golub and Pereyra, SIAM J. Numer. Anal. 10(2), 1973). Luminance and two
colour differences are fitted together, each with its own noise and the colours with a blur of their own.

Cloth and mat shares A and V are those of a rim with a wall and a shadow (see `rim`); for thin cloth A = Phi(-e / s),
V = 1 - A.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.rim import Rim, profile

Floats = NDArray[np.float64]

HUBER = 2.5  # residuals beyond this many standard deviations count less
MODEL_ERROR = 0.02  # of the contrast, in the middle of the edge: what the blur model does not know
MAT_DOUBT = 9.0  # the bare mat's variance may seem so much greater than its noise, no more
GAIN_PRIOR = 0.15  # standard deviation of the mat's shade beside a side
BLUR_STEP_PX = 0.02  # for the derivative by the blur
FEWEST = 30  # samples that make a side
MOST_STEP_PX = 1.5
SETTLED_PX = 5e-4
ROOT_TWO_PI = math.sqrt(2.0 * math.pi)


@dataclass(frozen=True, slots=True)
class Blur:
    """What is known of the blur beforehand: standard deviations in px, and how sure that is."""

    luma_px: float = 0.85
    luma_u_px: float = 0.3
    chroma_px: float = 1.3
    chroma_u_px: float = 0.5


@dataclass(frozen=True, eq=False, slots=True)
class EdgeSamples:
    """The pixels of a side's window: places in the side's own axes, and what is seen there."""

    across_px: Floats  # (N,) outward of the start line
    along_px: Floats  # (N,) from the start line's middle
    seen: Floats  # (3, N)
    bare: Floats  # (3, N)
    slope: Floats  # (3, N) dM/dn, outward, per px
    bins: NDArray[np.int64]  # (N,)
    bin_count: int
    rim: Rim

    def between(self, low_px: float, high_px: float) -> EdgeSamples | None:
        """The samples across which lie within limits; None where they are too few."""
        use = (self.across_px > low_px) & (self.across_px < high_px)
        if np.count_nonzero(use) < FEWEST:
            return None
        return replace(
            self,
            across_px=self.across_px[use],
            along_px=self.along_px[use],
            seen=self.seen[:, use],
            bare=self.bare[:, use],
            slope=self.slope[:, use],
            bins=self.bins[use],
        )


@dataclass(frozen=True, slots=True)
class EdgeShape:
    """The unknowns that are not linear: offset and bow in px, turn in px a px, the blurs in px."""

    offset: float = 0.0
    turn: float = 0.0
    bow: float = 0.0
    luma: float = 0.85
    chroma: float = 1.3


@dataclass(frozen=True, eq=False, slots=True)
class EdgeFit:
    """What the fit gives: the shape, the covariance (3, 3) of offset, turn and bow in px, and where it comes from."""

    shape: EdgeShape
    covariance_px: Floats
    contrast: float  # of cloth and mat, in standard deviations of a pixel, all channels together
    colour_share: float  # of what is known of the offset, that comes from the colours and not from luminance


def _bow_basis(along: Floats) -> Floats:
    """A parabola over the sampled length, 1 higher in the middle than at the ends, mean 0."""
    half = max(float(np.max(np.abs(along))), 1e-9)
    return 1.0 / 3.0 - (along / half) ** 2


def solve(samples: EdgeSamples, shape: EdgeShape, noise_floor: Floats, blur: Blur, steps: int) -> EdgeFit:
    """Gauss-Newton over (offset, turn, bow, luma blur, chroma blur), levels and gain projected out."""
    basis = np.stack([np.ones_like(samples.along_px), samples.along_px, _bow_basis(samples.along_px)])
    weight = _Weights.start(samples, noise_floor)
    normal, gradient, scores, information = np.eye(5), np.zeros(5), np.zeros((1, 5)), np.ones(3)
    contrast, reach = 0.0, float(np.max(np.abs(samples.along_px)))
    settled = False
    for step in range(steps + 1):
        edge = _Edge.of(samples, shape, basis)
        levels, gain = edge.levels(samples, weight.values)
        residual, jacobian, contrast = edge.linearised(samples, basis, levels, gain, weight)
        normal, gradient, scores, information = _normal_equations(samples, edge, residual, jacobian, weight.values)
        prior_u = np.array([np.inf, np.inf, np.inf, blur.luma_u_px, blur.chroma_u_px])
        prior_off = np.array([0.0, 0.0, 0.0, blur.luma_px - shape.luma, blur.chroma_px - shape.chroma])
        normal = normal + np.diag(1.0 / prior_u**2)
        gradient = gradient + prior_off / prior_u**2
        if settled or step == steps:
            break
        # Lift a diagonal that noise alone makes, so that a side without contrast stands still.
        change = np.linalg.solve(normal + np.diag(np.array([1e-3, 1e-3, 1e-3, 0.0, 0.0])), gradient)
        change = change * min(1.0, MOST_STEP_PX / (abs(change[0]) + abs(change[1]) * reach + 1e-9))
        shape = EdgeShape(
            float(np.clip(shape.offset + change[0], -8.0, 8.0)),
            shape.turn + float(change[1]),
            float(np.clip(shape.bow + change[2], -4.0, 4.0)),
            float(np.clip(shape.luma + change[3], 0.4, 3.0)),
            float(np.clip(shape.chroma + change[4], 0.4, 4.0)),
        )
        weight = weight.updated(samples, edge, residual, levels, gain)
        settled = step >= 2 and bool(np.abs(change[0]) + np.abs(change[1]) * reach < SETTLED_PX)
    inverse = np.linalg.inv(normal + np.diag([1e-9] * 5))
    # Errors of one bin belong together (a print, a grid line): the spread between bins says what they do to the fit.
    clustered = inverse @ (scores.T @ scores) @ inverse * (samples.bin_count / max(samples.bin_count - 2.0, 1.0))
    covariance = np.maximum(np.diag(clustered), np.diag(inverse))[:3]
    return EdgeFit(shape, np.diag(covariance), contrast, float(information[1:].sum() / information.sum()))


@dataclass(frozen=True, eq=False, slots=True)
class _Edge:
    """The model's parts at the present shape, (3, N) each: cloth share, its derivative, distance, blur."""

    share: Floats
    mat_part: Floats  # M V + s^2 dM/dn g
    share_by_offset: Floats
    mat_by_offset: Floats
    share_by_blur: Floats
    mat_by_blur: Floats

    @staticmethod
    def of(samples: EdgeSamples, shape: EdgeShape, basis: Floats) -> _Edge:
        distance = samples.across_px - (shape.offset + shape.turn * basis[1] + shape.bow * basis[2])
        blurs = (shape.luma, shape.chroma, shape.chroma)
        profiles = [profile(samples.rim, blur) for blur in blurs[:2]]
        softer = [profile(samples.rim, blur + BLUR_STEP_PX) for blur in blurs[:2]]
        rows = []
        for c, blur in enumerate(blurs):
            p, q = profiles[min(c, 1)], softer[min(c, 1)]
            share, mat, share_slope, mat_slope = p.at_all(distance)
            softer_share, softer_mat, _, _ = q.at_all(distance)
            density = np.exp(-0.5 * (distance / blur) ** 2) / (ROOT_TWO_PI * blur)
            mend = samples.slope[c] * density
            rows.append(
                (
                    share,
                    samples.bare[c] * mat + blur**2 * mend,
                    -share_slope,
                    -samples.bare[c] * mat_slope + mend * distance,
                    (softer_share - share) / BLUR_STEP_PX,
                    samples.bare[c] * (softer_mat - mat) / BLUR_STEP_PX + mend * (blur + distance**2 / blur),
                )
            )
        return _Edge(*(np.stack(part) for part in zip(*rows, strict=True)))

    def levels(self, samples: EdgeSamples, weight: Floats) -> tuple[Floats, float]:
        """The cloth's level (3, N) in each bin, and the mat's gain, by weighted least squares."""
        rest, column = (
            self.without_levels(samples, samples.seen, weight),
            self.without_levels(samples, self.mat_part, weight),
        )
        top = float(np.sum(weight * column * rest)) + 1.0 / GAIN_PRIOR**2
        gain = top / (float(np.sum(weight * column * column)) + 1.0 / GAIN_PRIOR**2)
        return self._bin_means(samples, samples.seen - gain * self.mat_part, weight), gain

    def without_levels(self, samples: EdgeSamples, values: Floats, weight: Floats) -> Floats:
        """`values` (3, N) less their best fit by cloth levels."""
        return values - self.share * self._bin_means(samples, values, weight)

    def _bin_means(self, samples: EdgeSamples, values: Floats, weight: Floats) -> Floats:
        means = np.empty_like(values)
        for c in range(3):
            top = np.bincount(samples.bins, weight[c] * self.share[c] * values[c], samples.bin_count)
            bottom = np.bincount(samples.bins, weight[c] * self.share[c] ** 2, samples.bin_count)
            means[c] = (top / np.maximum(bottom, 1e-9))[samples.bins]
        return means

    def linearised(
        self, samples: EdgeSamples, basis: Floats, levels: Floats, gain: float, weight: _Weights
    ) -> tuple[Floats, Floats, float]:
        """Residual (3, N), Jacobian (5, 3, N) of the model, and the contrast in standard deviations."""
        residual = samples.seen - levels * self.share - gain * self.mat_part
        step = levels - gain * samples.bare
        by_offset = levels * self.share_by_offset + gain * self.mat_by_offset
        by_blur = levels * self.share_by_blur + gain * self.mat_by_blur
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
    def start(samples: EdgeSamples, noise_floor: Floats) -> _Weights:
        floor = noise_floor[:, None] ** 2
        variance = np.broadcast_to(floor * 4.0, samples.seen.shape).copy()
        return _Weights(1.0 / variance, variance, floor)

    def updated(self, samples: EdgeSamples, edge: _Edge, residual: Floats, levels: Floats, gain: float) -> _Weights:
        """Variances from the residuals of cloth and mat, channel by channel; outliers count less (Huber)."""
        variance = np.empty_like(residual)
        for c in range(3):
            inside, outside = edge.share[c] > 0.9, edge.share[c] < 0.1
            cloth = max(_spread(residual[c][inside]) ** 2, self.floor[c, 0])
            mat = float(np.clip(_spread(residual[c][outside]) ** 2, self.floor[c, 0], MAT_DOUBT * self.floor[c, 0]))
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
    samples: EdgeSamples, edge: _Edge, residual: Floats, jacobian: Floats, weight: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Normal matrix (5, 5) and gradient (5,) with levels and gain projected out; each bin's score (B, 5).

    Last what each channel says of the offset, (3,): its part of the normal matrix' first element.
    """
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
    information = np.sum((projected[0] * projected[0] * weight), axis=1) + 1e-12
    return np.asarray(weighted @ flat.T), np.asarray(scores.sum(axis=0)), np.asarray(scores), information
