"""A few soft dots of light over the mat: where the projector was told to put them, and where the camera sees them.

The picture with dots less the dark one is the dots' own light; held against the even light's picture less the
dark one it is free of the mat's print. Light adds up, so this needs linear light and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from calibration.light import grey
from calibration.mat.constellation import together
from calibration.pinhole import Pinhole
from calibration.robust import MAD_TO_SD
from calibration.tone import Tone

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]
Picture = NDArray[np.uint8]

ACROSS, DEEP = 6, 5  # dots over the area at most
DOT_MM = 2.2  # standard deviation of a dot's light: 5 mm wide at half its height
BRIGHTEST = 200  # encoded; its light is half of white's, so that it does not clip where even light does not
INSET_MM = 25.0  # from the area's border, so that a bump moves no dot out of sight
JITTER = 0.22  # of the pitch: a lattice shifted by its pitch looks like itself, this one does not
REACH_MM = 12.0  # around where a dot is expected; the picture of all dots may have gone much further
FEWEST = 4
LEAST_SNR = 8.0
FIT_STEPS = 8


@dataclass(frozen=True, eq=False, slots=True)
class Dots:
    """Dots of one picture. `camera_px` and `u_px` are NaN where a dot is not seen."""

    projector_px: Floats  # (N, 2) their middles in the projector's picture
    sigma_px: float  # standard deviation of each, in projector pixels
    camera_px: Floats  # (N, 2)
    u_px: Floats  # (N,) per axis, camera pixels

    @property
    def seen(self) -> NDArray[np.bool_]:
        """(N,) which dots the camera saw."""
        return np.isfinite(self.u_px)


def planned_dots(projector: Pinhole, area_mat_mm: Floats) -> Dots:
    """Some 20 to 30 dots spread over the area, at middles of their own (not on a lattice); none seen yet."""
    area = shapely.Polygon(area_mat_mm)
    inner = area.buffer(-INSET_MM)
    inner = area if inner.is_empty else inner
    x0, y0, x1, y1 = inner.bounds
    rng = np.random.default_rng(20)  # any: the same dots for the same area
    x, y = np.meshgrid((np.arange(ACROSS) + 0.5) / ACROSS, (np.arange(DEEP) + 0.5) / DEEP)
    share = np.column_stack([x.ravel(), y.ravel()])
    share += rng.uniform(-JITTER, JITTER, share.shape) / [ACROSS, DEEP]
    places = np.array([x0, y0]) + share * [x1 - x0, y1 - y0]
    places = places[shapely.contains_xy(inner, places)]
    px = projector.px_from_mat(places)
    per_mm = np.linalg.norm(projector.px_from_mat(places + np.array([1.0, 0.0])) - px, axis=1)
    nothing = np.full(len(px), np.nan)
    return Dots(px, float(DOT_MM * np.median(per_mm)), np.full_like(px, np.nan), nothing)


def dot_picture(dots: Dots, size_px: tuple[int, int]) -> Picture:
    """The projector's picture (h, w, 3) of the dots; black elsewhere."""
    w, h = size_px
    level = np.zeros((h, w), np.float32)
    reach = int(np.ceil(3.0 * dots.sigma_px))
    for x, y in dots.projector_px:
        x0, x1 = max(int(x) - reach, 0), min(int(x) + reach + 2, w)
        y0, y1 = max(int(y) - reach, 0), min(int(y) + reach + 2, h)
        column = np.exp(-0.5 * ((np.arange(y0, y1) - y) / dots.sigma_px) ** 2)
        row = np.exp(-0.5 * ((np.arange(x0, x1) - x) / dots.sigma_px) ** 2)
        level[y0:y1, x0:x1] = np.maximum(level[y0:y1, x0:x1], np.outer(column, row))
    encoded = np.rint(BRIGHTEST * np.power(level, 1 / 2.2)).astype(np.uint8)  # a projector undoes about as much
    return np.repeat(encoded[:, :, None], 3, axis=2)


def find_dots(dots: Dots, lit: Picture, dark: Picture, even: Picture | None, tone: Tone, rough_px: Floats) -> Dots:
    """Where the camera sees the dots.

    Parameters
    ----------
    dots : Dots
        What was projected.
    lit, dark : (h, w) or (h, w, 3) uint8
        The table with the dots, and with a black projector, all else the same.
    even : the same or None
        The table evenly lit by the projector: takes the mat's print out. None where there is none.
    tone : Tone
        Of the camera.
    rough_px : (N, 2)
        Where about the camera should see each dot. All may have gone some way together: the picture of the
        dots is looked for first, then each of them up to REACH_MM around.

    Returns dots of which those unseen (hidden, clipped, out of the picture, or drowned in noise) are NaN.
    """
    light = _linear(lit, tone) - _linear(dark, tone)
    reflectance = None if even is None else _linear(even, tone) - _linear(dark, tone)
    found = np.full_like(dots.projector_px, np.nan)
    u = np.full(len(found), np.nan)
    pitch_px = _camera_per_projector_px(dots, rough_px)
    sigma_px = dots.sigma_px * pitch_px
    rough_px = together(light, rough_px, sigma_px)
    for i in np.nonzero(np.isfinite(rough_px).all(axis=1))[0]:
        found[i], u[i] = _dot(light, reflectance, rough_px[i], sigma_px)
    return Dots(dots.projector_px, dots.sigma_px, found, u)


def _linear(picture: Picture, tone: Tone) -> Plane:
    return tone.linear_of_byte.astype(np.float32)[grey(picture)]


def _camera_per_projector_px(dots: Dots, rough_px: Floats) -> float:
    """Camera pixels for a projector's pixel: by the spread of all dots in both pictures."""
    known = np.isfinite(rough_px).all(axis=1)
    if known.sum() < 2:
        return 1.0
    return float(np.sqrt(np.var(rough_px[known], axis=0).sum() / np.var(dots.projector_px[known], axis=0).sum()))


def _dot(light: Plane, reflectance: Plane | None, at_px: Floats, sigma_px: float) -> tuple[Floats, float]:
    """The middle of the brightest soft spot nearby, and its standard uncertainty; NaN for none."""
    nothing = np.array([np.nan, np.nan]), np.nan
    reach = int(np.ceil(REACH_MM / DOT_MM * sigma_px))
    box = _box(at_px, reach, light.shape)
    if box is None:
        return nothing
    smooth = cv2.GaussianBlur(light[box], (0, 0), sigma_px)
    y, x = np.unravel_index(int(smooth.argmax()), smooth.shape)
    peak = np.array([x + box[1].start, y + box[0].start], float)
    near = _box(peak, int(np.ceil(2.2 * sigma_px)), light.shape)
    if near is None:
        return nothing
    noise = MAD_TO_SD * float(np.median(np.abs(light[box] - np.median(light[box])))) + 1e-6
    return _fitted(light[near], None if reflectance is None else reflectance[near], near, sigma_px, noise)


def _box(at_px: Floats, reach: int, shape: tuple[int, ...]) -> tuple[slice, slice] | None:
    """Rows and columns about a place; None where they leave the picture."""
    x, y = np.rint(at_px).astype(int).tolist()
    if x - reach < 0 or y - reach < 0 or x + reach >= shape[1] or y + reach >= shape[0]:
        return None
    return slice(y - reach, y + reach + 1), slice(x - reach, x + reach + 1)


def _fitted(
    light: Plane, reflectance: Plane | None, box: tuple[slice, slice], sigma_px: float, noise: float
) -> tuple[Floats, float]:
    """Least squares of a Gaussian spot times the mat's reflectance, on a level of its own (Gauss-Newton)."""
    y, x = np.mgrid[box].astype(float)
    mat = np.ones_like(x) if reflectance is None else np.maximum(reflectance, 1e-6) / float(np.mean(reflectance))
    p = np.array([x.mean(), y.mean(), float(light.max()), np.log(sigma_px), 0.0])
    design = np.empty((x.size, 5))
    for _ in range(FIT_STEPS):
        s2 = np.exp(2 * p[3])
        dx, dy = x - p[0], y - p[1]
        spot = mat * np.exp(-0.5 * (dx**2 + dy**2) / s2)
        design[:] = np.column_stack(
            [
                a.ravel()
                for a in (p[2] * spot * dx / s2, p[2] * spot * dy / s2, spot, p[2] * spot * (dx**2 + dy**2) / s2)
            ]
            + [np.ones(x.size)]
        )
        miss = (light - p[2] * spot - p[4]).ravel()
        normal = design.T @ design + 1e-9 * np.diag(np.diag(design.T @ design)) + 1e-30 * np.eye(5)
        p = p + np.clip(np.linalg.solve(normal, design.T @ miss), -2.0, 2.0)
        if not np.isfinite(p).all() or abs(p[3] - np.log(sigma_px)) > 0.5:
            return np.array([np.nan, np.nan]), np.nan
    scatter = float(np.sqrt(np.mean(miss**2)))
    if p[2] < LEAST_SNR * max(noise, scatter) / 2 or max(abs(p[0] - x.mean()), abs(p[1] - y.mean())) > sigma_px:
        return np.array([np.nan, np.nan]), np.nan
    return p[:2].copy(), float(scatter * np.sqrt(np.max(np.diag(np.linalg.inv(normal))[:2])))
