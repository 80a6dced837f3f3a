"""What lies on the mat from frame to frame of a pile, while no hand is in the picture and nothing is measured."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from calibration.rig import Rig
from projector.guide.looks import Glimpsed
from projector.guide.pile import between
from projector.guide.pilestate import Pile
from projector.guide.scenes import Scene
from projector.render import draw
from vision.glimpse import Bare, glimpse, small_size
from vision.measure import px_per_mm

Picture = NDArray[np.uint8]
Floats = NDArray[np.float64]

LEAST_SHARE = 0.25  # of a unit's area: what is smaller is no unit, and not looked at
AGREE = 2  # frames in a row that see as many pieces, before that is believed
BESIDE_PX = 2  # of the small picture: blur of both lenses, and the light's own height on cloth


@dataclass(frozen=True, eq=False, slots=True)
class LitMat:
    """The bare mat, and the scene that lay on it when its pictures were taken."""

    bare: Bare
    scene: Scene


class Watch:
    """Follows what lies there while one scene is in the light."""

    def __init__(self, rig: Rig, mat: LitMat, state: Pile, scene: Scene) -> None:
        self._rig, self._bare, self.state = rig, mat.bare, state
        camera = rig.camera.pinhole
        area = np.ones(camera.lens.size_px[::-1], bool)
        self._least_px = LEAST_SHARE * state.unit_mm2 * px_per_mm(camera, area) ** 2
        self._written = _written(mat.scene, camera) | _written(scene, camera)
        self._count, self._agreed = -1, 0

    def sees(self, pixels: Picture) -> None:
        """One more frame."""
        now = glimpse(pixels, self._bare, self._rig.tone, self._least_px, self._written)
        self._agreed = self._agreed + 1 if not now.reached and len(now.outlines_px) == self._count else 1
        self._count = -1 if now.reached else len(now.outlines_px)
        if self._agreed >= AGREE:
            outlines = tuple(self._rig.camera.pinhole.mat_from_px(outline) for outline in now.outlines_px)
            self.state = between(self.state, Glimpsed(outlines))


def _written(scene: Scene, camera: Pinhole) -> NDArray[np.bool_]:
    """Where words and signs of a scene lie in the camera's small picture, a little more."""
    size_px = small_size(camera.lens.size_px)
    scale = size_px[0] / camera.lens.size_px[0]

    def small_from_mat(points_mat_mm: Floats) -> Floats:
        return (camera.px_from_mat(points_mat_mm) + 0.5) * scale - 0.5

    marks = draw(Scene(scene.name, scene.marks), small_from_mat, size_px).max(axis=2)
    around = np.ones((2 * BESIDE_PX + 1,) * 2, np.uint8)
    return np.asarray(cv2.dilate(marks, around) > 0)
