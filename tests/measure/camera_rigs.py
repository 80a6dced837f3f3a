"""Cameras, sheets and the corners they show, drawn at random: corners alone, no pictures.

All of it is generated. What a camera sees comes from OpenCV's `projectPoints`; paper bends along one direction, by
closed forms that the solve does not know, and keeps its length.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.sheet.corners import SheetView
from tests.measure.camera_laying import anywhere, lay

Floats = NDArray[np.float64]

MAT_MM = (914.4, 609.6)
HALF_PAPER_MM = np.array([148.5, 105.0])  # A4
CORNERS_MM = np.stack(np.meshgrid(30.0 * np.arange(1, 8), 30.0 * np.arange(1, 6)), axis=-1).reshape(-1, 2)
MIDDLE_MM = np.array([120.0, 90.0])
THICKNESS_MM = 0.1
LEAST_SPREAD = 0.15  # at its rim a wide lens shows things this much smaller than in its middle, and not less

PROFILES = {  # height over q, which runs from -1 to 1 between the paper's ends; the greatest is 1
    "parabola": lambda q: q**2,
    "cosh": lambda q: (np.cosh(4.0 * q) - 1.0) / (np.cosh(4.0) - 1.0),
    "one end": lambda q: np.maximum(q, 0.0) ** 2.0,
    "late end": lambda q: np.maximum((q - 0.3) / 0.7, 0.0) ** 1.5,
    "uneven ends": lambda q: np.where(q > 0, q**2, 0.4 * np.abs(q) ** 3),
}
RAISED = {  # the same of paper that does not rest on its middle; not among "any"
    "arch": lambda q: 1.0 - q**2,
    "wave": lambda q: (1.0 + np.cos(2.0 * np.pi * q)) / 2.0,
    "ridge": lambda q: np.maximum(1.0 - np.abs(q) / 0.5, 0.0) ** 1.5,  # over a wire, say; flat beyond
}


@dataclass(frozen=True, eq=False, slots=True)
class TrueCamera:
    """A camera over the mat, in OpenCV's words."""

    size_px: tuple[int, int]
    matrix: Floats
    distortion: Floats  # (5,)
    rotation: Floats  # (3, 3)
    translation_mm: Floats

    def px(self, points_mat_mm: Floats) -> Floats:
        """Where points (N, 3) are seen."""
        turned = cv2.Rodrigues(self.rotation)[0]
        px, _ = cv2.projectPoints(points_mat_mm, turned, self.translation_mm, self.matrix, self.distortion)
        return np.asarray(px, float).reshape(-1, 2)

    def on_mat(self, px: Floats) -> Floats:
        """Where on the mat's surface pixels (N, 2) are."""
        often = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 200, 1e-10)
        rays = cv2.undistortPoints(px[:, None], self.matrix, self.distortion, criteria=often)[:, 0]
        plane = np.column_stack([self.rotation[:, :2], self.translation_mm])
        on_mat = np.column_stack([rays, np.ones(len(rays))]) @ np.linalg.inv(plane).T
        return np.asarray(on_mat[:, :2] / on_mat[:, 2:])

    def sees(self, px: Floats) -> NDArray[np.bool_]:
        """Which pixels are in the picture, four from its rim."""
        return np.asarray(np.all((px > 4) & (px < np.array(self.size_px) - 5), axis=1))


@dataclass(frozen=True, eq=False, slots=True)
class Rig:
    """A camera and what it saw of the sheets."""

    camera: TrueCamera
    flat: tuple[SheetView, ...]
    tilted: tuple[SheetView, ...]


@dataclass(frozen=True, slots=True)
class Kind:
    """What rigs are drawn from."""

    size_px: tuple[int, int] = (1920, 1080)
    k1: tuple[float, float] = (-0.15, 0.05)
    noise_px: tuple[float, float] = (0.01, 0.04)
    lift_mm: float = 0.0  # of the paper's highest end, at most
    profile: str = "any"
    views: tuple[int, int] = (9, 6)
    guided: bool = True  # sheets lie where the guide asks for them, or else about the middles of the mat's nine parts
    together: float = 0.0  # share of the noise's variance that is smooth over a view: what light and blur do
    stretch: float = 0.0  # of the sheet, along over across
    uneven_mm: float = 0.0  # standard deviation per axis by which the print's corners lie off, alike in all views


def draw_rig(rng: np.random.Generator, kind: Kind) -> Rig:
    """A rig of a kind."""
    camera = draw_camera(rng, kind)
    noise_px = float(np.exp(rng.uniform(*np.log(kind.noise_px))))
    stated = noise_px * float(rng.uniform(0.5, 1.5))  # stated uncertainties are off by a common factor
    views: list[SheetView] = []
    off_mm = _uneven(rng, kind.uneven_mm) if kind.uneven_mm > 0.0 else np.zeros_like(CORNERS_MM)
    where = lay(rng, camera, MAT_MM, kind.views) if kind.guided else anywhere(rng, camera, MAT_MM, kind.views)
    for i, (laid, is_flat) in enumerate(where):
        px = camera.px(laid.points_mm(_sheet(rng, kind, off_mm)) + np.array([0.0, 0.0, THICKNESS_MM]))
        inside = camera.sees(px)
        uneven = rng.uniform(0.7, 1.4, len(px))
        px = px + _noise(rng, kind.together) * (noise_px * uneven)[:, None]
        ids = np.flatnonzero(inside)
        name = f"{'flat' if is_flat else 'tilted'} {i}"
        views.append(SheetView(name, ids, CORNERS_MM[ids], px[ids], stated * uneven[ids]))
    return Rig(camera, tuple(views[: kind.views[0]]), tuple(views[kind.views[0] :]))


def draw_camera(rng: np.random.Generator, kind: Kind) -> TrueCamera:
    """A camera that hangs off the mat's middle and sees all of it, a little more or a little less."""
    width, height = kind.size_px
    above = rng.uniform(800.0, 1400.0)
    foot = np.array(MAT_MM) / 2 + rng.normal(0, [120.0, 100.0])
    aim = np.array(MAT_MM) / 2 + rng.normal(0, 20.0, 2)
    ahead = np.array([*(aim - foot), -above])
    ahead /= np.linalg.norm(ahead)
    right = np.cross(ahead, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    turned = np.array([right, np.cross(ahead, right), ahead])
    roll = rng.normal(0, 0.05) + np.pi * rng.integers(0, 2)
    rotation = cv2.Rodrigues(np.array([0.0, 0.0, roll]))[0] @ turned
    focal = width * above / (rng.uniform(1.05, 1.2) * MAT_MM[0])
    centre = np.array([width, height]) / 2 + rng.normal(0, 0.01 * width, 2)
    matrix = np.array([[focal, 0, centre[0]], [0, focal * rng.uniform(0.999, 1.001), centre[1]], [0, 0, 1.0]])
    distortion = _draw_distortion(rng, kind, 0.5 * float(np.hypot(width, height)) / focal)
    lens = np.array([*foot, above])
    return TrueCamera(kind.size_px, matrix, distortion, rotation, -rotation @ lens)


def _draw_distortion(rng: np.random.Generator, kind: Kind, rim: float) -> Floats:
    """Distortion (5,) of a lens that still spreads its picture at the rim, where distorted rays are `rim` long."""
    while True:
        k1 = rng.uniform(*kind.k1)
        drawn = np.array([k1, 0.5 * k1**2, 0, 0, 0]) + rng.normal(0, 1, 5) * [0, 0.02, 5e-4, 5e-4, 0.01]
        r = np.linspace(0.0, 2.0, 2001)
        distorted = r * (1 + r**2 * (drawn[0] + r**2 * (drawn[1] + r**2 * drawn[4])))
        slope = np.diff(distorted) / np.diff(r)
        if (
            slope[: int(np.argmax(distorted > 1.1 * rim))].min(initial=1.0) > LEAST_SPREAD
            and distorted.max() > 1.1 * rim
        ):
            return drawn


def _sheet(rng: np.random.Generator, kind: Kind, off_mm: Floats) -> Floats:
    """Corners (N, 3) of a sheet about its middle, printed `off_mm` (N, 2) and bent."""
    flat = (CORNERS_MM - MIDDLE_MM) * [1 + kind.stretch / 2, 1 - kind.stretch / 2] + off_mm
    if kind.lift_mm == 0.0:
        return np.column_stack([flat, np.zeros(len(flat))])
    profile = (PROFILES | RAISED)[str(rng.choice(list(PROFILES))) if kind.profile == "any" else kind.profile]
    way = rng.choice([0.0, 0.0, 0.5, 1.0, 1.5]) * np.pi / 2 + rng.integers(0, 2) * np.pi + rng.normal(0, 0.05)
    along = np.array([np.cos(way), np.sin(way)])
    half = float(np.abs(along) @ HALF_PAPER_MM)
    nodes = np.linspace(-1, 1, 2001)
    height = kind.lift_mm * rng.uniform(0.3, 1.0) * profile(nodes)
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(nodes * half), np.diff(height)))])
    arc -= arc[1000]
    q = flat @ along
    at = np.interp(q, arc, nodes)
    return np.column_stack([flat + np.outer(at * half - q, along), np.interp(at, nodes, height)])


def _uneven(rng: np.random.Generator, uneven_mm: float) -> Floats:
    """(N, 2) by how much a print's corners lie off; its mean lengths along and across are those told."""
    off_mm, away = rng.normal(0.0, uneven_mm, CORNERS_MM.shape), CORNERS_MM - CORNERS_MM.mean(axis=0)
    return np.asarray(off_mm - away * np.sum(off_mm * away, axis=0) / np.sum(away**2, axis=0))


def _noise(rng: np.random.Generator, together: float) -> Floats:
    """Errors (N, 2) of unit variance, a share of it smooth over the sheet."""
    own = rng.normal(0, 1, (len(CORNERS_MM), 2))
    u, v = ((CORNERS_MM - MIDDLE_MM) / [90.0, 60.0]).T
    smooth = np.column_stack([np.ones_like(u), u, v, u * v, u**2 - 0.5, v**2 - 0.5])
    smooth = smooth @ rng.normal(0, 1, (6, 2)) / np.sqrt(np.mean(np.sum(smooth**2, axis=1)))
    return np.asarray(np.sqrt(1 - together) * own + np.sqrt(together) * smooth)
