"""Locate one straight cloth edge to a few hundredths of a pixel, on native pixels, in linear light.

The pixels of a narrow window along the side are placed in the side's own axes through the lens model; nothing is
resampled. `edge_model` fits the light across them; here the window is chosen and the line carried to the mat.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.edge_model import Blur, EdgeFit, EdgeSamples, EdgeShape, solve
from vision.edge_search import is_printed, likeliest_offset_px
from vision.mat import Scene, Slopes
from vision.rim import Rim

Floats = NDArray[np.float64]

GUESSED_DOUBT = 3.0  # times its noise, of a mat that was guessed: it has no grid lines
LEAST_SEARCHED_PX = 40.0  # along a shorter side too few pixels speak for a search
BIN_PX = 6.0
WALL_LIGHT = 0.25  # the side wall's brightness over the top's: from none (a lamp straight above) to half (an even sky)
SKY = 0.5  # share of the light that comes from a wide sky: between none (a lamp straight above) and all


@dataclass(frozen=True, slots=True)
class Window:
    """Which pixels speak for a side: how far inside and outside it, and the steps of the fit."""

    inside_px: float
    outside_px: float
    steps: int


WIDE = Window(6.0, 7.5, 8)
NARROW = Window(3.5, 5.0, 12)
PRINTED = Window(2.2, 5.0, 12)  # of a print only what is next to the edge says how bright the cloth is there


@dataclass(frozen=True, eq=False, slots=True)
class SideFit:
    """One side as found: a line through `middle_mat_mm` with the unit vector `along`, cloth on its left."""

    middle_mat_mm: Floats  # (2,)
    along: Floats  # (2,)
    length_mm: float
    covariance: Floats  # (3, 3) of offset (mm, outward), turn (rad) and bow (mm, outward)
    bow_mm: float
    blur_px: float
    contrast: float  # of cloth and mat, in standard deviations of a pixel, all channels together
    colour_share: float  # of what is known of the offset, that comes from the colours and not from luminance
    px_per_mm: float
    printed: bool = False  # the cloth varies beside it by more than noise and weave


def fit_side(
    scene: Scene,
    slopes: Slopes,
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
    fit, printed, floor = None, False, _noise_floor(scene)
    shape = EdgeShape(luma=blur.luma_px, chroma=blur.chroma_px)
    for window in windows:
        axes = SideAxes.at(camera, height_mm, start, along, length_mm)
        samples = _sample(scene, slopes, axes, trims_px, window, taken)
        if samples is None:
            return None
        searchable = scene.known and float(np.ptp(samples.along_px)) > LEAST_SEARCHED_PX
        offset = likeliest_offset_px(samples, floor, shape.luma) if searchable and window is WIDE else 0.0
        printed = searchable and is_printed(samples, floor)
        if printed:
            samples = samples.between(offset - PRINTED.inside_px, offset + PRINTED.outside_px) or samples
        solved = solve(samples, EdgeShape(offset, luma=shape.luma, chroma=shape.chroma), floor, blur, window.steps)
        fit, shape = axes.placed(solved), solved.shape
        start, along = fit.middle_mat_mm, fit.along
    return None if fit is None else replace(fit, printed=printed)


@dataclass(frozen=True, eq=False, slots=True)
class SideAxes:
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
    def at(camera: Pinhole, height_mm: float, middle: Floats, along: Floats, length_mm: float) -> SideAxes:
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
        return SideAxes(
            camera,
            height_mm,
            middle,
            along,
            length_mm,
            (scales[0], scales[1]),
            along_scale,
            mean / np.hypot(*mean),
        )

    @property
    def outward(self) -> Floats:
        return np.array([self.along[1], -self.along[0]])

    @property
    def scale(self) -> float:
        return (self.px_per_mm[0] + self.px_per_mm[1]) / 2.0

    def rim(self) -> Rim:
        """The cloth's rim at this side, from where the lens is."""
        lens = self.camera.lens_mat_mm
        towards_lens = float((lens[:2] - self.middle_mat_mm) @ self.outward) / float(lens[2])
        height_px = self.height_mm * self.scale
        return Rim(height_px, towards_lens * height_px, WALL_LIGHT, SKY)

    def of_px(self, points_px: Floats) -> tuple[Floats, Floats]:
        """(across, along) in px of pixels (N, 2)."""
        from_middle = self.camera.mat_from_px(points_px, self.height_mm) - self.middle_mat_mm
        along_mm, across_mm = from_middle @ self.along, from_middle @ self.outward
        share = along_mm / self.length_mm + 0.5
        scale = self.px_per_mm[0] * (1.0 - share) + self.px_per_mm[1] * share
        return across_mm * scale, along_mm * self.along_px_per_mm

    def placed(self, fit: EdgeFit) -> SideFit:
        """The fitted line on the mat."""
        to_mm = 1.0 / self.scale
        along = self.along + self.outward * fit.shape.turn * self.along_px_per_mm * to_mm
        units = np.diag([to_mm, self.along_px_per_mm * to_mm, to_mm])
        return SideFit(
            middle_mat_mm=self.middle_mat_mm + self.outward * fit.shape.offset * to_mm,
            along=along / np.hypot(*along),
            length_mm=self.length_mm,
            covariance=units @ fit.covariance_px @ units,
            bow_mm=fit.shape.bow * to_mm,
            blur_px=fit.shape.luma,
            contrast=fit.contrast,
            colour_share=fit.colour_share,
            px_per_mm=self.scale,
        )


def _sample(
    scene: Scene,
    slopes: Slopes,
    axes: SideAxes,
    trims_px: tuple[float, float],
    window: Window,
    taken: NDArray[np.bool_],
) -> EdgeSamples | None:
    points_px = pixels_along(axes, window, taken.shape)
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
    return EdgeSamples(
        across,
        along,
        scene.levels[y, x].T.astype(np.float64),
        scene.bare[y, x].T.astype(np.float64),
        slope.T.astype(np.float64),
        ((along - first) / width).astype(np.int64),
        bin_count,
        axes.rim(),
    )


def pixels_along(axes: SideAxes, window: Window, shape: tuple[int, int]) -> NDArray[np.int64]:
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


def _noise_floor(scene: Scene) -> Floats:
    """(3,) standard deviation below which no pixel's noise is believed: the encoding's steps."""
    doubt = 1.0 if scene.known else GUESSED_DOUBT
    return doubt * np.maximum(scene.noise, 0.3 * scene.step)
