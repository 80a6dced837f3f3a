"""Pictures of a sheet as a lens with OpenCV's distortion sees it, with every corner's truth. Drawn, not photographed.

The board is OpenCV's own drawing of it, softened before it is sampled so that no edge falls between samples; the light
is blurred, given noise and the sRGB curve. Nothing of the project's lens model is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from calibration.sheet.board import Board, Grid, predefined

DRAWN_PX_PER_MM = 20
SOFT_PX = 0.55  # in pixels of the picture, before sampling
SUB = 2  # samples a pixel, each way
RIM_PX = 100
FLIP = np.diag([1.0, -1.0, -1.0])


@dataclass(frozen=True)
class Scene:
    """A lens and where the sheet's middle lies before it."""

    size_px: tuple[int, int]
    focal_px: float
    distortion: tuple[float, ...]
    tilt_rad: tuple[float, float]
    turn_rad: float
    middle_mm: tuple[float, float, float]

    @property
    def matrix(self):
        w, h = self.size_px
        return np.array([[self.focal_px, 0, w / 2 - 0.5], [0, self.focal_px, h / 2 - 0.5], [0, 0, 1.0]])

    def pose(self, board):
        rotation = cv2.Rodrigues(np.array([*self.tilt_rad, 0.0]))[0] @ cv2.Rodrigues(np.array([0, 0, self.turn_rad]))[0]
        rotation = rotation @ FLIP
        return rotation, np.array(self.middle_mm) - rotation @ np.array([*board.size_mm, 0.0]) / 2

    def corners_px(self, board, ids):
        rotation, shift = self.pose(board)
        points = np.column_stack([board.corners_sheet_mm[ids], np.zeros(len(ids))])
        px, _ = cv2.projectPoints(points, cv2.Rodrigues(rotation)[0], shift, self.matrix, np.array(self.distortion))
        return px.reshape(-1, 2)


def opencvs_drawing(board: Board | Grid):
    w, h = (round(side * DRAWN_PX_PER_MM) for side in board.size_mm)
    if isinstance(board, Board):
        return board.opencv().generateImage((w, h), marginSize=0)
    dictionary = predefined(board.dictionary)
    theirs = cv2.aruco.GridBoard((board.markers_x, board.markers_y), board.marker_mm, board.gap_mm, dictionary)
    return theirs.generateImage((w, h), marginSize=0)


@lru_cache(maxsize=2)
def beams(size_px: tuple[int, int], focal_px: float, distortion: tuple[float, ...]):
    """(h * SUB * w * SUB, 3): where each sample of a lens looks, one unit deep."""
    lens = Scene(size_px, focal_px, distortion, (0.0, 0.0), 0.0, (0.0, 0.0, 0.0)).matrix
    x, y = ((np.arange(n * SUB) + 0.5) / SUB - 0.5 for n in size_px)
    px = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 1, 2)
    if any(distortion):
        settled = (cv2.TERM_CRITERIA_MAX_ITER + cv2.TERM_CRITERIA_EPS, 100, 1e-9)
        rays = cv2.undistortPoints(px, lens, np.array(distortion), None, np.eye(3), np.eye(3), settled)
        rays = rays.reshape(-1, 2)
    else:
        rays = (px[:, 0] - lens[:2, 2]) / focal_px
    return np.column_stack([rays, np.ones(len(rays))])


def sheet_places_mm(scene: Scene, board):
    """(h * SUB, w * SUB, 2): where on the sheet's plane each sample looks."""
    (w, h), rays = scene.size_px, beams(scene.size_px, scene.focal_px, scene.distortion)
    rotation, shift = scene.pose(board)
    depth = (rotation[:, 2] @ shift) / (rays @ rotation[:, 2])
    return ((rays @ rotation[:, :2]) * depth[:, None] - shift @ rotation[:, :2]).reshape(h * SUB, w * SUB, 2)


def draw(board: Board | Grid, scene: Scene, paper=0.8, ink=0.04, blur_px=0.7, noise=0.003, seed=0):
    """The picture (h, w) uint8: `paper` and `ink` are linear light."""
    places = sheet_places_mm(scene, board)
    soft = SOFT_PX * scene.middle_mm[2] / scene.focal_px * DRAWN_PX_PER_MM
    drawing = cv2.copyMakeBorder(opencvs_drawing(board), *[RIM_PX] * 4, cv2.BORDER_CONSTANT, value=255)
    drawing = cv2.GaussianBlur(drawing.astype(np.float32) / 255, (0, 0), soft)
    u = (places[..., 0] * DRAWN_PX_PER_MM - 0.5 + RIM_PX).astype(np.float32)
    v = ((board.size_mm[1] - places[..., 1]) * DRAWN_PX_PER_MM - 0.5 + RIM_PX).astype(np.float32)
    white = cv2.remap(drawing, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=1.0)
    light = ink + (paper - ink) * white
    margin_mm = np.maximum(np.abs(places - np.array(board.size_mm) / 2) - np.array(board.size_mm) / 2, 0).max(axis=-1)
    light[margin_mm > 15] = 0.3 * paper  # the table
    light = cv2.resize(light, scene.size_px, interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    light = np.clip(light + np.random.default_rng(seed).normal(0, noise, light.shape), 0, 1)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(encoded * 255).astype(np.uint8)
