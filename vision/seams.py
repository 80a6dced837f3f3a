"""Find the seams inside a unit: straight lines at which one fabric ends and another begins.

The search asks, for every direction and place of a line, how much better two fabrics explain the pixels than one
(normal likelihood with each part's own mean and covariance, so a change of texture counts too). What it finds is
then fitted like an edge, with both sides' levels unknown, and kept if the step is really there along the line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calibration.pinhole import Pinhole
from vision.edges import SideAxes, Window, pixels_along
from vision.light import byte_step
from vision.mat import Scene, smooth
from vision.polygons import chord, depths
from vision.units import Seam

Floats = NDArray[np.float64]

RIM_MM = 3.0  # this close to the outline nothing is asked
LEAST_PART = 0.08  # of the area must be on either side
LEAST_GAIN = 0.10  # nats a pixel by which two fabrics must explain better than one
NEXT_GAIN = 0.30  # the same for a part that a seam has made already: a print's own figures must not do
LEAST_STEP = 5.0  # the step across the line, in standard errors over its bins
ALL_ROUND_RAD = np.arange(90) * math.pi / 90
BINS = 64
MOST_PIXELS = 6000
MOST_SEAMS = 8
SEAM_WINDOW = Window(5.0, 5.0, 10)
BIN_PX = 6.0
MODEL_FLOOR_PX = 0.05  # a fold is no knife edge


def find_seams(
    scene: Scene,
    camera: Pinhole,
    height_mm: float,
    corners_mat_mm: Floats,
    blur_px: float,
    turns_rad: Floats = ALL_ROUND_RAD,
) -> tuple[Seam, ...]:
    """Seams inside the convex outline (N, 2) counter-clockwise, strongest first.

    `turns_rad` (K,) are the directions across a seam that are tried, from the mat's x axis.
    """
    pixels = _inner_pixels(scene, camera, height_mm, corners_mat_mm)
    if pixels is None:
        return ()
    found: list[Seam] = []
    _split(scene, camera, height_mm, corners_mat_mm, blur_px, turns_rad, pixels, found)
    return tuple(found)


@dataclass(frozen=True, eq=False, slots=True)
class _Pixels:
    places_mat_mm: Floats  # (N, 2)
    levels: Floats  # (N, 3), the light's slow fall-off divided out
    noise: Floats  # (3,)


def _split(
    scene: Scene,
    camera: Pinhole,
    height_mm: float,
    outline: Floats,
    blur_px: float,
    turns_rad: Floats,
    pixels: _Pixels,
    found: list[Seam],
) -> None:
    """Find a seam in this part, then in what lies on either side of it."""
    start = _best_line(pixels, NEXT_GAIN if found else LEAST_GAIN, turns_rad)
    if start is None or len(found) >= MOST_SEAMS:
        return
    seam = fit_seam(scene, camera, height_mm, outline, start, blur_px)
    if seam is None:
        return
    found.append(seam)
    along = seam.ends_mat_mm[1] - seam.ends_mat_mm[0]
    normal = np.array([along[1], -along[0]]) / np.hypot(*along)
    side = (pixels.places_mat_mm - seam.ends_mat_mm[0]) @ normal
    for keep in (side > RIM_MM, side < -RIM_MM):
        if np.count_nonzero(keep) > 200:
            part = _Pixels(pixels.places_mat_mm[keep], pixels.levels[keep], pixels.noise)
            _split(scene, camera, height_mm, outline, blur_px, turns_rad, part, found)


def _inner_pixels(scene: Scene, camera: Pinhole, height_mm: float, outline: Floats) -> _Pixels | None:
    outline_px = camera.px_from_mat(outline, height_mm)
    low = np.maximum(np.floor(outline_px.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(outline_px.max(axis=0)).astype(int) + 1, [scene.levels.shape[1], scene.levels.shape[0]])
    step = max(1, math.floor(math.sqrt(float(np.prod(high - low)) / (2.0 * MOST_PIXELS))))
    ys, xs = np.mgrid[low[1] : high[1] : step, low[0] : high[0] : step]
    places = camera.mat_from_px(np.column_stack([xs.ravel(), ys.ravel()]).astype(float), height_mm)
    use = depths(places, outline) > RIM_MM
    if np.count_nonzero(use) < 100:
        return None
    x, y = xs.ravel()[use], ys.ravel()[use]
    box = (slice(low[1], high[1]), slice(low[0], high[0]))
    shade = np.maximum(smooth(scene.bare[box], 41)[y - low[1], x - low[0], :1].astype(np.float64), 1e-4)
    shade /= float(np.median(shade))
    levels = scene.levels[y, x].astype(np.float64) / shade
    # Light cloth is encoded in coarser steps than the mat; compression leaves such a step between its blocks.
    coarseness = byte_step(float(np.median(levels[:, 0])), scene.tone)
    return _Pixels(places[use], levels, np.maximum(scene.noise, coarseness))


def _best_line(pixels: _Pixels, least_gain: float, turns_rad: Floats) -> Floats | None:
    """(2, 2): two points of the line that best parts the pixels into two fabrics, or None."""
    places, x = pixels.places_mat_mm, pixels.levels
    middle = places.mean(axis=0)
    normals = np.column_stack([np.cos(turns_rad), np.sin(turns_rad)])
    moments = np.column_stack([np.ones(len(x)), x, (x[:, :, None] * x[:, None, :]).reshape(len(x), 9)])
    total = moments.sum(axis=0)
    whole = _log_det(total[None], pixels.noise)[0]
    best, line = least_gain, None
    for normal in normals:
        across = (places - middle) @ normal
        low, high = float(across.min()), float(across.max())
        bins = np.minimum(((across - low) / (high - low + 1e-9) * BINS).astype(np.int64), BINS - 1)
        sums = np.column_stack([np.bincount(bins, column, BINS) for column in moments.T])
        below = np.cumsum(sums, axis=0)[:-1]
        share = below[:, 0] / total[0]
        fair = (share > LEAST_PART) & (share < 1.0 - LEAST_PART)
        if not np.any(fair):
            continue
        below, share = below[fair], share[fair]
        gain = 0.5 * (
            whole - share * _log_det(below, pixels.noise) - (1 - share) * _log_det(total - below, pixels.noise)
        )
        k = int(np.argmax(gain))
        if gain[k] > best:
            place = low + (np.flatnonzero(fair)[k] + 1) * (high - low) / BINS
            along = np.array([-normal[1], normal[0]])
            best, line = float(gain[k]), np.array([middle + normal * place, middle + normal * place + along])
    return line


def _log_det(moments: Floats, noise: Floats) -> Floats:
    """Log determinant of the covariance behind sums (K, 13) of 1, x, x x'."""
    count = np.maximum(moments[:, :1], 1.0)
    mean = moments[:, 1:4] / count
    covariance = (moments[:, 4:] / count).reshape(-1, 3, 3) - mean[:, :, None] * mean[:, None, :]
    return np.asarray(np.linalg.slogdet(covariance + np.diag(noise**2))[1])


def fit_seam(
    scene: Scene, camera: Pinhole, height_mm: float, outline: Floats, line_mat_mm: Floats, blur_px: float
) -> Seam | None:
    """Fit a seam near the line through two points (2, 2); None where no step runs all along it."""
    for window in (Window(9.0, 9.0, 6), SEAM_WINDOW):
        ends = chord(outline, line_mat_mm)
        if ends is None:
            return None
        length_mm = float(np.hypot(*(ends[1] - ends[0])))
        if length_mm < 4.0 * RIM_MM:
            return None
        axes = SideAxes.at(camera, height_mm, ends.mean(axis=0), (ends[1] - ends[0]) / length_mm, length_mm)
        solved = _solve(scene, axes, window, math.hypot(blur_px, 0.3))
        if solved is None:
            return None
        offset_px, turn, u_px, step = solved
        if step < LEAST_STEP:
            return None
        along = axes.along + axes.outward * turn * axes.along_px_per_mm / axes.scale
        middle = axes.middle_mat_mm + axes.outward * offset_px / axes.scale
        line_mat_mm = np.array([middle, middle + along])
    ends = chord(outline, line_mat_mm)
    return None if ends is None else Seam(ends, math.hypot(u_px, MODEL_FLOOR_PX) / axes.scale)


def _solve(scene: Scene, axes: SideAxes, window: Window, blur_px: float) -> tuple[float, float, float, float] | None:
    """Offset (px), turn, uncertainty (px) and step (in standard errors) of the seam near the axes."""
    points_px = pixels_along(axes, window, scene.levels.shape[:2])
    across, along = axes.of_px(points_px.astype(np.float64))
    half = axes.length_mm * axes.along_px_per_mm / 2.0
    use = (np.abs(across) < window.inside_px) & (np.abs(along) < half - RIM_MM * axes.scale)
    if np.count_nonzero(use) < 60:
        return None
    seen = scene.levels[points_px[use, 1], points_px[use, 0]].T.astype(np.float64)
    across, along = across[use], along[use]
    count = max(2, round(float(np.ptp(along)) / BIN_PX))
    bins = np.minimum(((along - along.min()) / (np.ptp(along) + 1e-9) * count).astype(np.int64), count - 1)
    fit = _SeamFit(seen, across, along, bins, count, np.maximum(scene.noise, 0.3 * scene.step), blur_px)
    return fit.solve(window.steps)


@dataclass(frozen=True, eq=False, slots=True)
class _SeamFit:
    """Least squares for I = F_b A + H_b (1 - A), A = Phi(-(d - p - theta t) / s), levels F and H of each bin free."""

    seen: Floats  # (3, N)
    across_px: Floats
    along_px: Floats
    bins: NDArray[np.int64]
    count: int
    floor: Floats
    blur_px: float

    def solve(self, steps: int) -> tuple[float, float, float, float] | None:
        offset, turn = 0.0, 0.0
        weight = np.repeat(1.0 / self.floor[:, None] ** 2, self.seen.shape[1], axis=1)
        reach = float(np.max(np.abs(self.along_px)))
        for step in range(steps + 1):
            distance = self.across_px - offset - turn * self.along_px
            share = ndtr(-distance / self.blur_px)
            density = np.exp(-0.5 * (distance / self.blur_px) ** 2) / (math.sqrt(2 * math.pi) * self.blur_px)
            rest, inner, outer = self._without_levels(self.seen, share, weight)
            slope = (inner - outer) * density
            by = np.stack([self._without_levels(slope * basis, share, weight)[0] for basis in (1.0, self.along_px)])
            flat, weighted = by.reshape(2, -1), (by * weight).reshape(2, -1)
            normal = weighted @ flat.T + np.diag([1e-3, 1e-3 * reach**2])
            if step == steps:
                break
            change = np.linalg.solve(normal, weighted @ rest.ravel())
            change *= min(1.0, 1.5 / (abs(change[0]) + abs(change[1]) * reach + 1e-9))
            offset, turn = offset + float(change[0]), turn + float(change[1])
            weight = self._weights(rest)
        if abs(offset) > 9.0:
            return None
        scores = np.stack([np.bincount(self.bins, np.sum(b * weight * rest, axis=0), self.count) for b in by], axis=1)
        inverse = np.linalg.inv(normal)
        spread = inverse @ (scores.T @ scores) @ inverse * self.count / max(self.count - 2.0, 1.0)
        u_px = math.sqrt(max(float(spread[0, 0]), float(inverse[0, 0])))
        return offset, turn, u_px, self._step(inner - outer)

    def _step(self, steps: Floats) -> float:
        """The greatest channel's mean step over its standard error between bins; prints count as noise."""
        first = np.array([steps[:, np.flatnonzero(self.bins == b)[:1]].ravel() for b in np.unique(self.bins)])
        if len(first) < 3:
            return 0.0
        error = np.hypot(first.std(axis=0, ddof=1), self.floor) / math.sqrt(len(first))
        return float(np.max(np.abs(first.mean(axis=0)) / error))

    def _without_levels(self, values: Floats, share: Floats, weight: Floats) -> tuple[Floats, Floats, Floats]:
        """`values` (3, N) less their best fit by both levels of each bin, and those levels at every pixel."""
        rest, inner, outer = np.empty_like(values), np.empty_like(values), np.empty_like(values)
        a, b = share, 1.0 - share
        for c in range(3):
            w = weight[c]
            aa, bb, ab, ay, by = (
                np.bincount(self.bins, w * product, self.count)
                for product in (a * a, b * b, a * b, a * values[c], b * values[c])
            )
            det = np.maximum(aa * bb - ab * ab, 1e-12 * np.maximum(aa * bb, 1e-12))
            f, h = (bb * ay - ab * by) / det, (aa * by - ab * ay) / det
            inner[c], outer[c] = f[self.bins], h[self.bins]
            rest[c] = values[c] - a * inner[c] - b * outer[c]
        return rest, inner, outer

    def _weights(self, rest: Floats) -> Floats:
        spread = np.maximum(1.4826 * np.median(np.abs(rest), axis=1), self.floor)[:, None]
        return np.asarray(np.minimum(1.0, 2.5 * spread / np.maximum(np.abs(rest), 1e-12)) / spread**2)
